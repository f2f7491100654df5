//! Protocol files; what they extend is found in tests/language.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let file = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/language/fuzzed.yaml"));
    // Mistakes are drawn on the lines where they stand, and must be so for any file.
    if let Err(problems) = assize::protocol::load_bytes(file, bytes) {
        let _ = problems.to_string();
    }
});
