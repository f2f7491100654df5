//! Rows as a file gives them, and columns in order of time as the program wants them.

use std::collections::BTreeMap;

use super::{Samples, counted};

/// A row further than this from the middle one does not belong to the ride: a clock set on the
/// way, or a damaged byte. No protocol lasts a day.
pub(super) const OTHER_DAY_S: f64 = 86_400.0;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Channel {
    Power,
    Cadence,
    HeartRate,
    Speed,
    Altitude,
    Temperature,
    Distance,
    Latitude,
    Longitude,
    RightShare,
}

const CHANNELS: usize = Channel::RightShare as usize + 1;

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub unix_s: f64,
    values: [Option<f64>; CHANNELS],
    /// Index into [`Table::extra_names`], value.
    extra: Vec<(usize, f64)>,
}

impl Row {
    pub fn at(unix_s: f64) -> Self {
        Self { unix_s, values: [None; CHANNELS], extra: Vec::new() }
    }

    pub fn set(&mut self, channel: Channel, value: Option<f64>) {
        self.values[channel as usize] = value;
    }

    pub fn push_extra(&mut self, column: usize, value: f64) {
        self.extra.push((column, value));
    }

    /// Takes over what `later` has, and returns what that replaced.
    fn merge(&mut self, later: Row) -> Row {
        let mut replaced = Row::at(self.unix_s);
        for (i, new) in later.values.into_iter().enumerate().filter(|(_, new)| new.is_some()) {
            replaced.values[i] = std::mem::replace(&mut self.values[i], new);
        }
        let (lost, kept) = std::mem::take(&mut self.extra)
            .into_iter()
            .partition(|(column, _)| later.extra.iter().any(|(c, _)| c == column));
        replaced.extra = lost;
        self.extra = kept;
        self.extra.extend(later.extra);
        replaced
    }
}

/// Rows in the order of the file.
#[derive(Debug, Default)]
pub(super) struct Table {
    pub rows: Vec<Row>,
    pub extra_names: Vec<String>,
}

impl Table {
    /// The column for a further channel; the same name gives the same column.
    pub fn extra_column(&mut self, name: &str) -> usize {
        self.extra_names.iter().position(|n| n == name).unwrap_or_else(|| {
            self.extra_names.push(name.to_owned());
            self.extra_names.len() - 1
        })
    }

    /// Orders, merges and turns to columns; whatever that changed is a caution.
    ///
    /// `None` if there are no rows.
    pub fn into_samples(self, cautions: &mut Vec<String>) -> Option<Ordered> {
        let Self { mut rows, extra_names } = self;
        let read = rows.len();
        if let Some(middle) = median(rows.iter().map(|row| row.unix_s)) {
            rows.retain(|row| (row.unix_s - middle).abs() <= OTHER_DAY_S);
        }
        if rows.len() < read {
            let n = counted(read - rows.len(), "record");
            cautions.push(format!("{n} dated more than a day from the rest left out"));
        }
        let back = rows.windows(2).filter(|w| w[1].unix_s < w[0].unix_s).count();
        if back > 0 {
            rows.sort_by(|a, b| a.unix_s.total_cmp(&b.unix_s));
            cautions.push(format!("time jumps back {}; the records were put in order of time", counted(back, "time")));
        }
        let (rows, replaced) = merge_repeats(rows);
        if !replaced.is_empty() {
            let n = counted(replaced.len(), "record");
            cautions.push(format!(
                "{n} of the same time as the next merged with it; where both have a value, the later one stands"
            ));
        }
        let start_unix_s = rows.first()?.unix_s;
        Some(Ordered {
            start_unix_s,
            samples: columns(&rows, &extra_names, start_unix_s),
            replaced: columns(&replaced, &extra_names, start_unix_s),
        })
    }
}

/// A table in order of time.
#[derive(Debug)]
pub(super) struct Ordered {
    pub start_unix_s: f64,
    pub samples: Samples,
    /// One row for each merged record, with the values that a later one of the same time replaced.
    pub replaced: Samples,
}

fn merge_repeats(rows: Vec<Row>) -> (Vec<Row>, Vec<Row>) {
    let mut kept: Vec<Row> = Vec::with_capacity(rows.len());
    let mut replaced = Vec::new();
    for row in rows {
        match kept.last_mut() {
            Some(last) if last.unix_s == row.unix_s => replaced.push(last.merge(row)),
            _ => kept.push(row),
        }
    }
    (kept, replaced)
}

fn columns(rows: &[Row], extra_names: &[String], start: f64) -> Samples {
    let column = |channel: Channel| rows.iter().map(|row| row.values[channel as usize]).collect();
    let mut extra = vec![vec![None; rows.len()]; extra_names.len()];
    for (i, row) in rows.iter().enumerate() {
        for &(name, value) in &row.extra {
            extra[name][i] = Some(value);
        }
    }
    let extra: BTreeMap<_, _> =
        extra_names.iter().cloned().zip(extra).filter(|(_, values)| values.iter().any(Option::is_some)).collect();
    Samples {
        time_s: rows.iter().map(|row| row.unix_s - start).collect(),
        power_w: column(Channel::Power),
        cadence_rpm: column(Channel::Cadence),
        heart_rate_bpm: column(Channel::HeartRate),
        speed_m_s: column(Channel::Speed),
        altitude_m: column(Channel::Altitude),
        temperature_c: column(Channel::Temperature),
        distance_m: column(Channel::Distance),
        latitude_deg: column(Channel::Latitude),
        longitude_deg: column(Channel::Longitude),
        right_share_pct: column(Channel::RightShare),
        extra,
    }
}

/// The middle value (the upper of two); `None` of nothing.
pub(super) fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(unix_s: f64, power_w: Option<f64>, cadence_rpm: Option<f64>) -> Row {
        let mut row = Row::at(unix_s);
        row.set(Channel::Power, power_w);
        row.set(Channel::Cadence, cadence_rpm);
        row
    }

    fn ordered(rows: Vec<Row>) -> (Ordered, Vec<String>) {
        let mut cautions = Vec::new();
        let ordered = Table { rows, extra_names: Vec::new() }.into_samples(&mut cautions).unwrap();
        (ordered, cautions)
    }

    #[test]
    fn a_repeated_time_is_merged_and_what_it_replaces_is_kept_apart() {
        let (got, cautions) = ordered(vec![
            row(100.0, Some(200.0), None),
            row(100.0, Some(210.0), Some(90.0)),
            row(101.0, Some(0.0), None),
        ]);
        assert_eq!(got.samples.time_s, [0.0, 1.0]);
        assert_eq!(got.samples.power_w, [Some(210.0), Some(0.0)]);
        assert_eq!(got.samples.cadence_rpm, [Some(90.0), None]);
        assert_eq!(got.replaced.power_w, [Some(200.0)]);
        assert_eq!(got.replaced.cadence_rpm, [None]);
        assert_eq!(
            cautions,
            ["1 record of the same time as the next merged with it; where both have a value, the later one stands"]
        );
    }

    #[test]
    fn time_that_jumps_back_is_put_in_order() {
        let rows = vec![row(102.0, Some(3.0), None), row(100.0, Some(1.0), None), row(101.0, None, None)];
        let (got, cautions) = ordered(rows);
        assert_eq!(got.samples.power_w, [Some(1.0), None, Some(3.0)]);
        assert_eq!(cautions, ["time jumps back 1 time; the records were put in order of time"]);
    }

    #[test]
    fn a_record_of_another_day_is_left_out_aloud() {
        let (got, cautions) = ordered(vec![row(5.0, None, None), row(1e9, None, None), row(1e9 + 1.0, None, None)]);
        assert_eq!(got.samples.time_s, [0.0, 1.0]);
        assert_eq!(cautions, ["1 record dated more than a day from the rest left out"]);
    }
}
