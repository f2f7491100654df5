//! The protocols that the program is shipped with.

use std::path::Path;
use std::sync::LazyLock;

use super::model::Protocol;
use super::parse::load_bytes;

macro_rules! shipped {
    ($($name:literal),+ $(,)?) => {
        [$(($name, include_str!(concat!("../../protocols/", $name)))),+]
    };
}

const FILES: [(&str, &str); 7] = shipped![
    "bench-both-rings.yaml",
    "cold-soak-drift.yaml",
    "rig-ramp-and-loads.yaml",
    "road-climbs.yaml",
    "short-check.yaml",
    "single-sided.yaml",
    "sprint-and-stop.yaml",
];

/// All of them, by name; one that needs a threshold power is left out.
pub(crate) fn shipped() -> &'static [Protocol] {
    static SHIPPED: LazyLock<Vec<Protocol>> = LazyLock::new(|| {
        FILES.iter().filter_map(|(name, text)| load_bytes(Path::new(name), text.as_bytes()).ok()).collect()
    });
    &SHIPPED
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_of_the_folder_is_shipped_and_read() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols");
        let mut names: Vec<String> = std::fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
            .filter(|name| name.ends_with(".yaml"))
            .collect();
        names.sort();
        assert_eq!(names, FILES.map(|(name, _)| name));
        assert_eq!(shipped().len(), FILES.len());
    }
}
