//! A recording as a table for a spreadsheet.

use std::io::Write;

use chrono::{SecondsFormat, TimeDelta};

use super::channels::Channel;
use super::facts::Column;
use super::model::Recording;
use crate::text;

/// Writes one row per time: UTC time, seconds since the start, and each channel that the file wrote anything of. A
/// missing sample is an empty cell, one that the file wrote as invalid is the word `invalid`. Reading the table gives
/// the same samples again.
///
/// # Errors
/// If `out` can't be written.
pub fn write_csv(recording: &Recording, out: impl Write) -> std::io::Result<()> {
    let samples = &recording.samples;
    let columns = samples.recorded();
    let header = |&Column { name, unit, .. }: &Column| match Channel::of_name(name) {
        Some(channel) => channel.kind().export.to_owned(),
        None if unit.is_empty() => name.to_owned(),
        None => format!("{name} ({unit})"),
    };
    let mut table = csv::Writer::from_writer(out);
    // Names of a file's own columns come from it.
    let headers = columns.iter().map(|column| text::cell(&header(column)));
    table.write_record(["time".to_owned(), "seconds".to_owned()].into_iter().chain(headers))?;
    let mut invalid: Vec<_> =
        columns.iter().map(|column| samples.invalid.get(column.name).into_iter().flatten().peekable()).collect();
    for (i, time_s) in samples.time_s.iter().enumerate() {
        let time = recording.start + TimeDelta::milliseconds((time_s * 1000.0).round() as i64);
        let cells = columns.iter().zip(&mut invalid).map(|(column, invalid)| {
            match (column.values.get(i).copied().flatten(), invalid.next_if_eq(&&i)) {
                (Some(value), _) => value.to_string(),
                (None, Some(_)) => "invalid".to_owned(),
                (None, None) => String::new(),
            }
        });
        let times = [time.to_rfc3339_opts(SecondsFormat::AutoSi, true), time_s.to_string()];
        table.write_record(times.into_iter().chain(cells))?;
    }
    table.flush()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::read;

    #[test]
    fn the_table_reads_back_as_the_same_samples() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("ride.csv");
        let table = "time,power,hr,cadence,right_share_pct,speed_m_s,own (kN)\n1600000000,0,-,90.5,48,8.125,1\n\
                     1600000001.5,-,-,,,,\n1600000003,201,-,0,,0,-\n";
        std::fs::write(&file, table).unwrap();
        let first = read(&file).unwrap();
        let mut written = Vec::new();
        write_csv(&first, &mut written).unwrap();
        std::fs::write(&file, &written).unwrap();
        let again = read(&file).unwrap();
        assert_eq!(again.start, first.start);
        for Column { name, values, .. } in first.samples.channels().into_iter().filter(|c| c.name != "own (kN)") {
            assert_eq!(again.samples.channel(name), Some(values), "{name}");
        }
        assert_eq!(again.samples.counts("heart_rate"), first.samples.counts("heart_rate"));
        assert_eq!(again.samples.invalid["power"], [1]);
        assert!(String::from_utf8(written).unwrap().contains("\n2020-09-13T12:26:41.500Z,1.5,invalid,,,,,invalid\n"));
    }
}
