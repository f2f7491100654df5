//! Texts, times and paths as the drafted file writes them.

use std::path::{Component, Path, PathBuf};

use chrono::{DateTime, Utc};

pub(super) fn utc(time: DateTime<Utc>) -> String {
    time.format("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// What could not be shown (control characters, marks that turn the direction of writing) as `�`.
pub(super) fn on_one_line(text: &str) -> String {
    let shown = |c: char| {
        let unseen =
            c.is_control() || matches!(c, '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
        if unseen || matches!(c, '\u{feff}' | '\u{fffe}' | '\u{ffff}') { '\u{fffd}' } else { c }
    };
    text.trim().chars().map(shown).collect()
}

/// A text from a file as a YAML scalar on one line.
pub(super) fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in on_one_line(text).chars() {
        if matches!(c, '"' | '\\') {
            quoted.push('\\');
        }
        quoted.push(c);
    }
    quoted + "\""
}

pub(super) fn path(file: &Path, folder: &Path) -> String {
    let path = relative(file, folder);
    let path = path.to_string_lossy();
    // A slash works everywhere.
    quoted(&if cfg!(windows) { path.replace('\\', "/") } else { path.into_owned() })
}

/// `file` as seen from `folder`; as it is where either can't be resolved.
pub(crate) fn relative(file: &Path, folder: &Path) -> PathBuf {
    let (Ok(target), Ok(from)) = (file.canonicalize(), folder.canonicalize()) else { return file.to_owned() };
    let common = target.components().zip(from.components()).take_while(|(a, b)| a == b).count();
    let up = from.components().skip(common).map(|_| Component::ParentDir);
    up.chain(target.components().skip(common)).collect()
}
