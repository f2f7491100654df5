//! Session files; the protocol, cards and recordings that they name are found in tests/language.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let file = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/language/fuzzed.yaml"));
    if let Err(problems) = assize::session::load_bytes(file, bytes) {
        let _ = problems.to_string();
    }
});
