//! TCX and GPX recordings. A wanted beginning is put in place where there is none, so that no time goes into guessing it.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let mut text = if bytes.starts_with(b"<") { Vec::new() } else { b"<?xml version=\"1.0\"?><".to_vec() };
    text.extend(bytes);
    let _ = assize::recording::read_bytes(Path::new("ride.tcx"), &text);
});
