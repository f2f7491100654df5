//! The line of a table that names its columns: where it is, what separates them, and what each is read as.

use super::super::channels::{Channel, ChannelColumn, normal, unit_apart};
use super::super::error::RecordingErrorKind;
use super::super::rows::MOST_FURTHER;
use super::super::wording::printable;

/// Columns that can be of use: all channels, times, and the further channels that are kept and one to name as left out.
const MOST_COLUMNS: usize = MOST_FURTHER + 30;

/// How far down the header line is looked for: programs put their own remarks before it.
const HEADER_WITHIN_LINES: usize = 30;
/// Likeliest first: a header has no tab or semicolon by chance, but may have commas or blanks in a name.
const DELIMITERS: &[u8] = b"\t;|, ";

/// What a column is read as.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Meaning {
    Time,
    /// Of a time of day in the time column.
    Date,
    Channel(ChannelColumn),
    Extra,
}

/// The line that names the columns.
pub(super) struct Header {
    /// Lines before it.
    pub line: usize,
    /// Its first byte.
    pub at: usize,
    pub delimiter: u8,
    pub columns: usize,
    /// Of the first [`MOST_COLUMNS`].
    pub names: Vec<String>,
    pub meanings: Vec<Meaning>,
}

impl Header {
    /// The first line and the likeliest delimiter that give a time column and one more.
    pub fn find(text: &str, time: Option<&str>) -> Option<Self> {
        let mut at = 0;
        for (line, content) in text.split_inclusive('\n').take(HEADER_WITHIN_LINES).enumerate() {
            for &delimiter in DELIMITERS {
                let (columns, names) = split(content, delimiter);
                let meanings = meanings(&names, time);
                if columns > 1 && meanings.contains(&Meaning::Time) {
                    return Some(Self { line, at, delimiter, columns, names, meanings });
                }
            }
            at += content.len();
        }
        None
    }
}

/// How many cells a line has, and the first [`MOST_COLUMNS`] of them.
fn split(line: &str, delimiter: u8) -> (usize, Vec<String>) {
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .has_headers(false)
        .trim(csv::Trim::All)
        .from_reader(line.trim_end().as_bytes());
    let first = reader.records().next().and_then(Result::ok);
    first.map(|names| (names.len(), names.iter().take(MOST_COLUMNS).map(printable).collect())).unwrap_or_default()
}

/// What to say of a text without a time column: whether it is a table at all.
pub(super) fn no_header(text: &str, time: Option<&str>) -> RecordingErrorKind {
    let first = text.lines().find(|line| !line.trim().is_empty()).unwrap_or_default();
    let likeliest = DELIMITERS[..4].iter().find(|d| first.as_bytes().contains(d)).unwrap_or(&b',');
    let columns: Vec<String> = split(first, *likeliest).1.into_iter().filter(|name| !name.is_empty()).collect();
    match (columns.len(), time) {
        (0 | 1, _) => RecordingErrorKind::NotARecording,
        (_, Some(name)) => RecordingErrorKind::NoSuchTimeColumn { name: name.to_owned(), columns },
        (_, None) => RecordingErrorKind::NoTimeColumn { columns },
    }
}

fn meanings(headers: &[String], time: Option<&str>) -> Vec<Meaning> {
    let of =
        |wanted: &[&str]| headers.iter().position(|header| wanted.contains(&normal(unit_apart(header).0).as_str()));
    let time_column = match time {
        Some(name) => headers.iter().position(|header| header == name),
        // A time of day before one that counts from the start: it can be aligned by.
        None => of(&["time", "timestamp", "datetime", "date_time", "utc"])
            .or_else(|| of(&["seconds", "secs", "sec", "time_s", "elapsed", "elapsed_time", "elapsed_s"])),
    };
    let date_column = of(&["date"]);
    let mut seen: Vec<Channel> = Vec::new();
    let meaning = |(column, header): (usize, &String)| {
        if Some(column) == time_column {
            return Meaning::Time;
        }
        if Some(column) == date_column {
            return Meaning::Date;
        }
        match ChannelColumn::of_header(header) {
            // A second power column is another instrument's.
            Some(column) if !seen.contains(&column.channel) => {
                seen.push(column.channel);
                Meaning::Channel(column)
            }
            _ => Meaning::Extra,
        }
    };
    headers.iter().enumerate().map(meaning).collect()
}
