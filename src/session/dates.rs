//! Days and times of day at their place.

use super::clock::{ClockTime, clock_time};
use crate::protocol::{Node, SourceFiles};

/// A date, kept as written.
pub(super) fn iso_date(reading: &mut SourceFiles, node: &Node) -> Option<String> {
    let date = reading.text(node)?;
    if chrono::NaiveDate::parse_from_str(&date, "%Y-%m-%d").is_err() {
        reading.report(node.at, format!("`{date}` is no date"), Some("as in `2026-03-02`".into()));
    }
    Some(date)
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
