//! Records as this program reads them, for `.ci/second_reader.py` to compare with another reader's.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use assize::recording::{Samples, read_keeping_replaced};

/// A header and one line for each record of `parts`; the time in Unix seconds, a missing value empty.
fn table(start_unix_s: f64, parts: [&Samples; 2]) -> String {
    let mut names: Vec<&str> = parts.iter().flat_map(|p| p.channels()).map(|column| column.name).collect();
    names.sort_unstable();
    names.dedup();
    let mut text = format!("time,{}\n", names.join(","));
    for samples in parts {
        let columns: Vec<_> = names.iter().map(|name| samples.channel(name)).collect();
        for (i, time_s) in samples.time_s.iter().enumerate() {
            let _ = write!(text, "{}", start_unix_s + time_s);
            for column in &columns {
                let value = column.and_then(|values| values[i]).map(|value| value.to_string());
                let _ = write!(text, ",{}", value.unwrap_or_default());
            }
            text.push('\n');
        }
    }
    text
}

#[test]
#[ignore = "writes the records of every FIT file in the folders ASSIZE_DUMP_FROM into the folder ASSIZE_DUMP_TO"]
fn records_are_written_as_tables() {
    let folder = |name: &str| std::env::var_os(name).unwrap_or_else(|| panic!("{name} names folders"));
    let to = PathBuf::from(folder("ASSIZE_DUMP_TO"));
    for from in std::env::split_paths(&folder("ASSIZE_DUMP_FROM")) {
        let files = std::fs::read_dir(&from).unwrap().map(|entry| entry.unwrap().path());
        for file in files.filter(|file| file.extension().is_some_and(|e| e == "fit")) {
            let (recording, replaced) = read_keeping_replaced(&file, None).unwrap();
            let start_unix_s = recording.start.timestamp_millis() as f64 / 1000.0;
            let name = Path::new(file.file_name().unwrap()).with_extension("csv");
            std::fs::write(to.join(name), table(start_unix_s, [&recording.samples, &replaced])).unwrap();
        }
    }
}
