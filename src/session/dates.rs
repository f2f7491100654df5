//! Days and times of day at their place.

use chrono::Datelike;

use super::clock::{ClockTime, clock_time, date};
use crate::protocol::{Node, SourceFiles};

/// Before these nobody measured power on a bike; after them nobody has yet.
const YEARS: std::ops::Range<i32> = 1950..2100;

/// A date, kept as written.
pub(super) fn iso_date(reading: &mut SourceFiles, node: &Node) -> Option<String> {
    let text = reading.text(node)?;
    match date(&text) {
        Some(date) if YEARS.contains(&date.year()) => {}
        Some(date) => {
            let help = Some("look for a slip in the year".to_owned());
            reading.report(node.at, format!("the year {} can't be meant", date.year()), help);
        }
        None => reading.report(node.at, format!("`{text}` is no date"), Some(right_form(&text))),
    }
    Some(text)
}

/// What to write: the same date where only its zeros are missing, else the form.
fn right_form(text: &str) -> String {
    let parts: Vec<&str> = text.split('-').collect();
    let filled = match parts[..] {
        [year, month, day] => format!("{year}-{month:0>2}-{day:0>2}"),
        _ => String::new(),
    };
    if date(&filled).is_some() { format!("write `{filled}`") } else { "as in `2026-03-02`".to_owned() }
}

pub(super) fn time(reading: &mut SourceFiles, node: &Node) -> Option<ClockTime> {
    let text = reading.text(node)?;
    let time = clock_time(&text);
    if time.is_none() {
        let help = "as in `14:32:10` or `2026-11-03T14:32:10Z`";
        reading.report(node.at, format!("`{text}` is no time of day"), Some(help.into()));
    }
    time
}
