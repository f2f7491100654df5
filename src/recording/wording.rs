//! Words that messages about recordings share.

use chrono::DateTime;

/// `1 gap`, `3 gaps`.
pub(super) fn counted(n: usize, noun: &str) -> String {
    format!("{n} {noun}{}", if n == 1 { "" } else { "s" })
}

/// Text of a file without what a terminal would obey.
pub(super) fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c }).collect()
}

pub(super) fn utc(unix_s: f64) -> String {
    DateTime::from_timestamp(unix_s as i64, 0).unwrap_or_default().format("%Y-%m-%d %H:%M:%S UTC").to_string()
}
