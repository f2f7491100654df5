use std::path::Path;

use crate::protocol::{self, Protocol};

/// Names of all protocols that are shipped.
pub(in crate::brief) fn all_shipped() -> Vec<String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols");
    let files = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let mut names: Vec<String> = files.map(|file| file.file_stem().unwrap().to_str().unwrap().to_owned()).collect();
    names.sort();
    assert!(names.len() >= 7, "{names:?}");
    names
}

pub(in crate::brief) fn shipped(name: &str) -> Protocol {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("protocols/{name}.yaml"));
    protocol::load(&file, None).unwrap()
}

pub(in crate::brief) fn written(phases: &str) -> Protocol {
    let text = format!("assize: 1\ntitle: t\nrevision: \"1\"\nphases:\n{phases}");
    protocol::load_bytes(Path::new("made-up.yaml"), text.as_bytes()).unwrap()
}
