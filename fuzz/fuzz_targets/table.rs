//! CSV recordings and whatever else is told by its content: gzip above all.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let _ = assize::recording::read_bytes(Path::new("ride.csv"), bytes);
});
