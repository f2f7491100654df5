//! A second reader of YAML finds the same.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::files::SourceFiles;
use super::node::{Body, Node};

/// Where our reading of a node and another reader's differ, in words. That one makes numbers of what looks like
/// numbers; here a scalar stays as written, so those are compared as numbers.
fn difference(ours: &Node, theirs: &Value, at: &str) -> Option<String> {
    let same = match (&ours.body, theirs) {
        (Body::Map(entries), Value::Object(map)) => {
            if !entries.iter().map(|e| &e.key).eq(map.keys()) {
                return Some(format!("{at}: keys {:?}", map.keys()));
            }
            let mut values = entries.iter().zip(map.values());
            return values.find_map(|(entry, value)| difference(&entry.value, value, &format!("{at}.{}", entry.key)));
        }
        (Body::List(items), Value::Array(values)) => {
            if items.len() != values.len() {
                return Some(format!("{at}: {} items", values.len()));
            }
            let mut pairs = items.iter().zip(values).enumerate();
            return pairs.find_map(|(i, (item, value))| difference(item, value, &format!("{at}[{i}]")));
        }
        (Body::Text(text, _), Value::String(value)) => text == value,
        (Body::Text(text, _), Value::Number(value)) => text.parse() == Ok(value.as_f64().unwrap_or(f64::NAN)),
        (Body::Text(text, _), Value::Bool(value)) => text.parse() == Ok(*value),
        (Body::Empty, Value::Null) => true,
        _ => false,
    };
    (!same).then(|| format!("{at}: here {ours:?}, there {theirs:?}"))
}

fn yaml_files(folder: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some_and(|e| e == "yaml"));
    files.sort();
    files
}

#[test]
fn a_second_reader_finds_the_same_structure_and_text_in_every_shipped_file() {
    let folders = ["protocols", "demo-data/bench-sound", "demo-data/bench-faulty", "tests/language"];
    let mistaken = ["twelve-mistakes.yaml", "mistaken-session.yaml"];
    let files = folders.iter().flat_map(|folder| yaml_files(folder));
    let mut compared = 0;
    for file in files.filter(|file| !mistaken.iter().any(|name| file.ends_with(name))) {
        let theirs: Value = serde_yaml::from_str(&std::fs::read_to_string(&file).unwrap()).unwrap();
        let ours = SourceFiles::default().open_bytes(&file, std::fs::read(&file).unwrap()).unwrap();
        assert_eq!(difference(&ours, &theirs, ""), None, "{}", file.display());
        compared += ours.size();
    }
    // The two demo sessions and the two protocols alone have some 300 values.
    assert!(compared > 300, "{compared}");
}

#[test]
fn the_comparison_can_fail() {
    let file = Path::new("made-up.yaml");
    let ours = SourceFiles::default().open_bytes(file, b"a: [1.10, no, {b: x}]\n".to_vec()).unwrap();
    let differs = |theirs: &str| difference(&ours, &serde_json::from_str(theirs).unwrap(), "").is_some();
    assert!(!differs(r#"{"a": [1.1, "no", {"b": "x"}]}"#));
    for theirs in [
        r#"{"a": [1.2, "no", {"b": "x"}]}"#,
        r#"{"a": [1.1, false, {"b": "x"}]}"#,
        r#"{"a": [1.1, "no", {"c": "x"}]}"#,
        r#"{"a": [1.1, "no"]}"#,
        r#"{"a": null}"#,
    ] {
        assert!(differs(theirs), "{theirs}");
    }
}
