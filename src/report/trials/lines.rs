//! The counts of many rehearsals as a table for spreadsheets and scripts.

use std::io::Write;

use crate::pattern::Pattern;
use crate::protocol::trim;
use crate::trials::TrialsSummary;

/// A line for each fault, sizes apart: counts with their exact 95 % limits.
///
/// # Errors
/// Of what it is written to.
pub fn csv(summary: &TrialsSummary, out: impl Write) -> Result<(), csv::Error> {
    let mut writer = csv::Writer::from_writer(out);
    writer.write_record([
        "fault",
        "size",
        "unit",
        "sessions",
        "passed",
        "failed",
        "undecided",
        "failed_low",
        "failed_high",
        "pattern",
        "named",
    ])?;
    for point in &summary.points {
        let (low, high) = point.failed.interval();
        let fault = point.fault.as_ref();
        writer.write_record([
            fault.map_or("sound".to_owned(), ToString::to_string),
            fault.map_or(String::new(), |fault| trim(fault.size)),
            fault.map_or("", |fault| fault.kind.listed().unit).to_owned(),
            point.failed.n.to_string(),
            point.passed.hits.to_string(),
            point.failed.hits.to_string(),
            point.undecided.hits.to_string(),
            format!("{low:.4}"),
            format!("{high:.4}"),
            point.pattern.map_or("", Pattern::word).to_owned(),
            point.named.map_or(String::new(), |named| named.hits.to_string()),
        ])?;
    }
    Ok(writer.flush()?)
}
