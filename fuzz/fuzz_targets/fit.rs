//! FIT recordings. The mark that makes a file FIT is put in place, so that no time goes into guessing it.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let mut bytes = bytes.to_owned();
    if let Some(mark) = bytes.get_mut(8..12) {
        mark.copy_from_slice(b".FIT");
    }
    let _ = assize::recording::read_bytes(Path::new("ride.fit"), &bytes);
});
