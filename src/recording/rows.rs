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

/// Head units and programs write some dozens of further channels. Each takes its memory for every record, even if it
/// has a single value, so that a small file of many names would fill the memory.
const MOST_FURTHER: usize = 250;

/// Name and unit of each [`Channel`], in its order.
pub(super) const NAMED: [(&str, &str); CHANNELS] = [
    ("power", "W"),
    ("cadence", "rpm"),
    ("heart_rate", "bpm"),
    ("speed", "m/s"),
    ("altitude", "m"),
    ("temperature", "°C"),
    ("distance", "m"),
    ("latitude", "°"),
    ("longitude", "°"),
    ("right_share", "%"),
];

/// What a record says of a channel: nothing, that there is no valid value, or a value (which may be zero).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) enum Cell {
    #[default]
    Missing,
    Invalid,
    Value(f64),
}

impl Cell {
    pub fn value(self) -> Option<f64> {
        match self {
            Cell::Value(value) => Some(value),
            Cell::Missing | Cell::Invalid => None,
        }
    }

    pub fn map(self, change: impl FnOnce(f64) -> f64) -> Self {
        match self {
            Cell::Value(value) => Cell::Value(change(value)),
            other => other,
        }
    }

    /// The one that says more; of two values the first.
    pub fn or(self, other: Self) -> Self {
        match (self, other) {
            (Cell::Value(_), _) | (_, Cell::Missing) => self,
            _ => other,
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub unix_s: f64,
    values: [Cell; CHANNELS],
    /// Index into [`Table::extra_names`], cell.
    extra: Vec<(usize, Cell)>,
}

impl Row {
    pub fn at(unix_s: f64) -> Self {
        Self { unix_s, values: [Cell::Missing; CHANNELS], extra: Vec::new() }
    }

    pub fn set(&mut self, channel: Channel, cell: Cell) {
        self.values[channel as usize] = cell;
    }

    pub fn push_extra(&mut self, column: usize, cell: Cell) {
        if column < MOST_FURTHER {
            self.extra.push((column, cell));
        }
    }

    pub fn drop_extra(&mut self, column: usize) {
        self.extra.retain(|(c, _)| *c != column);
    }

    /// Takes over what `later` has, and returns what that replaced: both together say all that the two said.
    fn merge(&mut self, later: Row) -> Row {
        let mut replaced = Row::at(self.unix_s);
        for (i, new) in later.values.into_iter().enumerate() {
            (self.values[i], replaced.values[i]) = merged(self.values[i], new);
        }
        for (column, new) in later.extra {
            match self.extra.iter_mut().find(|(c, _)| *c == column) {
                Some((_, old)) => {
                    let (kept, lost) = merged(*old, new);
                    *old = kept;
                    replaced.extra.push((column, lost));
                }
                None => self.extra.push((column, new)),
            }
        }
        replaced
    }
}

/// Of an earlier and a later cell: the one that stands, and the other.
fn merged(old: Cell, new: Cell) -> (Cell, Cell) {
    let stands = new.or(old);
    (stands, if stands == new { old } else { new })
}

/// Rows in the order of the file.
#[derive(Debug, Default)]
pub(super) struct Table {
    pub rows: Vec<Row>,
    pub extra_names: Vec<String>,
    /// By name, where a further channel has a unit.
    pub extra_units: BTreeMap<String, String>,
    /// Index of the first row of each further part of a chained file.
    pub parts: Vec<usize>,
}

impl Table {
    /// The column for a further channel; the same name gives the same column. Column [`MOST_FURTHER`] has the name of
    /// the first channel too many, and stands for all of them.
    pub fn extra_column(&mut self, name: &str) -> usize {
        self.extra_names.iter().position(|n| n == name).unwrap_or_else(|| {
            if self.extra_names.len() <= MOST_FURTHER {
                self.extra_names.push(name.to_owned());
            }
            self.extra_names.len() - 1
        })
    }

    /// The same, with the channel's unit if there is one.
    pub fn further_column(&mut self, name: &str, unit: &str) -> usize {
        if !unit.is_empty() && !self.extra_units.contains_key(name) {
            self.extra_units.insert(name.to_owned(), unit.to_owned());
        }
        self.extra_column(name)
    }

    /// Orders, merges and turns to columns; whatever that changed is a caution.
    ///
    /// `None` if there are no rows.
    pub fn into_samples(self, cautions: &mut Vec<String>) -> Option<Ordered> {
        let read = self.rows.len();
        if let Some(first) = self.extra_names.get(MOST_FURTHER) {
            cautions.push(format!("more than {MOST_FURTHER} further channels; `{first}` and those after it left out"));
        }
        let Self { rows, extra_names, extra_units, parts } = self;
        let mut rows = without_other_days(rows, &parts, cautions);
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
        let columns =
            |rows: &[Row]| Samples { extra_units: extra_units.clone(), ..columns(rows, &extra_names, start_unix_s) };
        Some(Ordered { start_unix_s, samples: columns(&rows), replaced: columns(&replaced) })
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

/// Leaves out rows of another day than the rest of their part; a part that is as a whole of another day stays.
fn without_other_days(mut rows: Vec<Row>, parts: &[usize], cautions: &mut Vec<String>) -> Vec<Row> {
    let mut kept = Vec::with_capacity(rows.len());
    let mut middles: Vec<f64> = Vec::new();
    for first in parts.iter().rev().copied().chain([0]) {
        let part = rows.split_off(first.min(rows.len()));
        if let Some(middle) = median(part.iter().map(|row| row.unix_s)) {
            kept.push(part.into_iter().filter(|row| (row.unix_s - middle).abs() <= OTHER_DAY_S).collect::<Vec<_>>());
            middles.push(middle);
        }
    }
    let (first, last) = middles.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), m| (a.min(*m), b.max(*m)));
    if last - first > OTHER_DAY_S {
        cautions.push(format!(
            "its {} parts are up to {:.0} days apart; all were kept, but only one ride can be judged",
            middles.len(),
            (last - first) / OTHER_DAY_S
        ));
    }
    let mut parts = kept.into_iter().rev();
    let mut rows = parts.next().unwrap_or_default();
    rows.extend(parts.flatten());
    rows
}

fn merge_repeats(mut rows: Vec<Row>) -> (Vec<Row>, Vec<Row>) {
    let mut replaced = Vec::new();
    // In place: a second copy of the rows would be half of the memory that reading takes.
    rows.dedup_by(|later, kept| {
        let same = later.unix_s == kept.unix_s;
        if same {
            replaced.push(kept.merge(std::mem::replace(later, Row::at(kept.unix_s))));
        }
        same
    });
    rows.shrink_to_fit();
    (rows, replaced)
}

fn columns(rows: &[Row], extra_names: &[String], start: f64) -> Samples {
    let mut invalid: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    let mut note = |name: &str, i: usize| invalid.entry(name.to_owned()).or_default().push(i);
    let mut column = |channel: Channel| {
        let mut values = Vec::with_capacity(rows.len());
        for (i, row) in rows.iter().enumerate() {
            let cell = row.values[channel as usize];
            if cell == Cell::Invalid {
                note(NAMED[channel as usize].0, i);
            }
            values.push(cell.value());
        }
        values
    };
    let mut samples = Samples {
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
        ..Samples::default()
    };
    let mut extra = vec![Vec::new(); extra_names.len()];
    for (i, row) in rows.iter().enumerate() {
        for &(name, cell) in &row.extra {
            if let Some(value) = cell.value() {
                extra[name].resize(rows.len(), None);
                extra[name][i] = Some(value);
            }
            if cell == Cell::Invalid {
                note(&extra_names[name], i);
            }
        }
    }
    let valued = |(_, values): &(String, Vec<Option<f64>>)| values.iter().any(Option::is_some);
    samples.extra = extra_names.iter().cloned().zip(extra).filter(valued).collect();
    samples.invalid = invalid;
    samples
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
        row.set(Channel::Power, power_w.map_or(Cell::Invalid, Cell::Value));
        row.set(Channel::Cadence, cadence_rpm.map_or(Cell::Missing, Cell::Value));
        row
    }

    fn ordered(rows: Vec<Row>) -> (Ordered, Vec<String>) {
        let mut cautions = Vec::new();
        let ordered = Table { rows, ..Table::default() }.into_samples(&mut cautions).unwrap();
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

    #[test]
    fn a_part_of_another_day_is_kept_aloud() {
        let rows = [1e9, 1e9 + 1.0, 5.0, 2e9, 2e9 + 1.0, 2e9 + 2.0].map(|t| row(t, None, None));
        let mut cautions = Vec::new();
        let table = Table { rows: rows.into(), parts: vec![3], ..Table::default() };
        let got = table.into_samples(&mut cautions).unwrap();
        assert_eq!(got.samples.time_s, [0.0, 1.0, 1e9, 1e9 + 1.0, 1e9 + 2.0]);
        assert_eq!(
            cautions,
            [
                "its 2 parts are up to 11574 days apart; all were kept, but only one ride can be judged",
                "1 record dated more than a day from the rest left out"
            ]
        );
    }

    #[test]
    fn invalid_and_missing_stay_apart_through_a_merge() {
        let rows = vec![
            row(1.0, None, None),
            row(1.0, Some(0.0), None),
            row(2.0, Some(7.0), None),
            row(2.0, None, None),
            row(3.0, None, Some(0.0)),
        ];
        let (got, _) = ordered(rows);
        assert_eq!(got.samples.power_w, [Some(0.0), Some(7.0), None]);
        assert_eq!(got.samples.invalid, [("power".to_owned(), vec![2])].into());
        assert_eq!(got.replaced.invalid, [("power".to_owned(), vec![0, 1])].into());
    }

    #[test]
    fn channels_beyond_any_use_are_left_out_aloud() {
        let mut table = Table::default();
        let columns: Vec<usize> = (0..MOST_FURTHER + 9).map(|n| table.extra_column(&format!("c{n}"))).collect();
        let mut row = Row::at(1e9);
        columns.iter().for_each(|&column| row.push_extra(column, Cell::Value(1.0)));
        table.rows = vec![row];
        let mut cautions = Vec::new();
        let samples = table.into_samples(&mut cautions).unwrap().samples;
        assert_eq!((samples.extra.len(), samples.channel("c249")), (MOST_FURTHER, Some(&[Some(1.0)][..])));
        assert_eq!(cautions, ["more than 250 further channels; `c250` and those after it left out"]);
    }
}
