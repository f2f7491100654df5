//! A file's rows, put in order of time, merged, and turned to columns.

use std::collections::BTreeMap;

use super::cells::{Cell, merged};
use super::channels::Channel;
use super::model::Samples;
use super::rows::{MOST_FURTHER, Rows};
use super::wording::counted;

/// A row further than this from the middle one does not belong to the ride: a clock set on the
/// way, or a damaged byte. No protocol lasts a day.
pub(super) const OTHER_DAY_S: f64 = 86_400.0;

/// Rows in the order of the file.
#[derive(Debug, Default)]
pub(super) struct Table {
    pub rows: Rows,
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
        let Self { rows: Rows { unix_s, columns, extra, .. }, extra_names, extra_units, parts } = self;
        let time = |i: &u32| unix_s[*i as usize];
        let mut order = without_other_days(&unix_s, &parts, cautions);
        if order.len() < read {
            let n = counted(read - order.len(), "record");
            cautions.push(format!("{n} dated more than a day from the rest left out"));
        }
        let back = order.windows(2).filter(|w| time(&w[1]) < time(&w[0])).count();
        if back > 0 {
            order.sort_by(|a, b| time(a).total_cmp(&time(b)));
            cautions.push(format!("time jumps back {}; the records were put in order of time", counted(back, "time")));
        }
        let start_unix_s = time(order.first()?);
        let groups = || order.chunk_by(|a, b| time(a) == time(b));
        let rows = groups().count();
        let repeats = order.len() - rows;
        if repeats > 0 {
            let n = counted(repeats, "record");
            cautions.push(format!(
                "{n} of the same time as the next merged with it; where both have a value, the later one stands"
            ));
        }
        let mut samples = SampleBuilder::of(rows, extra_units.clone());
        let mut replaced = SampleBuilder::of(repeats, extra_units);
        samples.samples.time_s.extend(groups().map(|group| time(&group[0]) - start_unix_s));
        replaced.samples.time_s.extend(groups().flat_map(|group| &group[1..]).map(|i| time(i) - start_unix_s));
        let names =
            Channel::ALL.iter().map(|channel| channel.kind().name).chain(extra_names.iter().map(String::as_str));
        // Each column is given back as soon as it is turned: both forms of all would be half as much again.
        for (n, (name, column)) in names.zip(columns.into_iter().chain(extra)).enumerate() {
            if column.is_empty() {
                continue;
            }
            let cell = |i: u32| column.get(i as usize).map_or(Cell::Missing, |packed| packed.cell());
            for group in groups() {
                let mut stands = cell(group[0]);
                for &later in &group[1..] {
                    let both = merged(stands, cell(later));
                    stands = both.stands;
                    replaced.push(both.replaced);
                }
                samples.push(stands);
            }
            drop(column);
            samples.end_column(n, name);
            replaced.end_column(n, name);
        }
        Some(Ordered { start_unix_s, samples: samples.samples, replaced: replaced.samples })
    }
}

/// Samples as they are put together, one channel after the other.
struct SampleBuilder {
    samples: Samples,
    rows: usize,
    /// How many cells of the present column there are, and its values: none before the first.
    cells: usize,
    values: Vec<Option<f64>>,
    invalid: Vec<usize>,
}

impl SampleBuilder {
    fn of(rows: usize, extra_units: BTreeMap<String, String>) -> Self {
        let samples = Samples { time_s: Vec::with_capacity(rows), extra_units, ..Samples::default() };
        Self { samples, rows, cells: 0, values: Vec::new(), invalid: Vec::new() }
    }

    fn push(&mut self, cell: Cell) {
        match cell {
            Cell::Invalid => self.invalid.push(self.cells),
            Cell::Value(_) if self.values.is_empty() => {
                self.values.reserve_exact(self.rows);
                self.values.resize(self.cells, None);
            }
            _ => {}
        }
        if self.values.capacity() > 0 {
            self.values.push(cell.value());
        }
        self.cells += 1;
    }

    /// Ends column `n`, counted from the channels of fixed meaning on, of which a further one may have the name too.
    fn end_column(&mut self, n: usize, name: &str) {
        self.cells = 0;
        let (values, mut invalid) = (std::mem::take(&mut self.values), std::mem::take(&mut self.invalid));
        if !invalid.is_empty() {
            invalid.shrink_to_fit();
            self.samples.invalid.entry(name.to_owned()).or_default().extend(invalid);
        }
        if let Some(channel) = Channel::ALL.get(n) {
            *self.samples.columns_mut()[*channel as usize] = values;
        } else if !values.is_empty() {
            self.samples.extra.insert(name.to_owned(), values);
        }
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

/// The rows of the same day as the rest of their part; a part that is as a whole of another day stays.
fn without_other_days(unix_s: &[f64], parts: &[usize], cautions: &mut Vec<String>) -> Vec<u32> {
    let mut kept = Vec::with_capacity(unix_s.len());
    let mut middles: Vec<f64> = Vec::new();
    let mut first = 0;
    for end in parts.iter().map(|&next| next.min(unix_s.len())).chain([unix_s.len()]) {
        if let Some(middle) = median(unix_s[first..end].iter().copied()) {
            kept.extend((first..end).filter(|&i| (unix_s[i] - middle).abs() <= OTHER_DAY_S).map(|i| i as u32));
            middles.push(middle);
        }
        first = end;
    }
    let (first, last) = middles.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), m| (a.min(*m), b.max(*m)));
    if last - first > OTHER_DAY_S {
        cautions.push(format!(
            "its {} parts are up to {:.0} days apart; all were kept, but only one ride can be judged",
            middles.len(),
            (last - first) / OTHER_DAY_S
        ));
    }
    kept
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
    use crate::recording::rows::Row;

    fn row(unix_s: f64, power_w: Option<f64>, cadence_rpm: Option<f64>) -> Row {
        let mut row = Row::at(unix_s);
        row.set(Channel::Power, power_w.map_or(Cell::Invalid, Cell::Value));
        row.set(Channel::Cadence, cadence_rpm.map_or(Cell::Missing, Cell::Value));
        row
    }

    fn stored(rows: impl IntoIterator<Item = Row>) -> Rows {
        let mut stored = Rows::default();
        rows.into_iter().for_each(|row| stored.push(row));
        stored
    }

    fn ordered(rows: Vec<Row>) -> (Ordered, Vec<String>) {
        let mut cautions = Vec::new();
        let ordered = Table { rows: stored(rows), ..Table::default() }.into_samples(&mut cautions).unwrap();
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
        assert_eq!(got.replaced.cadence_rpm, [], "no value at all is no column");
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
        let table = Table { rows: stored(rows), parts: vec![3], ..Table::default() };
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
    fn a_channel_that_comes_late_or_ends_early_keeps_its_place() {
        let (got, _) = ordered(vec![row(1.0, Some(5.0), None), row(2.0, None, Some(90.0)), Row::at(3.0)]);
        assert_eq!(got.samples.power_w, [Some(5.0), None, None]);
        assert_eq!(got.samples.cadence_rpm, [None, Some(90.0), None]);
        assert_eq!(got.samples.invalid, [("power".to_owned(), vec![1])].into());
    }

    #[test]
    fn channels_beyond_any_use_are_left_out_aloud() {
        let mut table = Table::default();
        let columns: Vec<usize> = (0..MOST_FURTHER + 9).map(|n| table.extra_column(&format!("c{n}"))).collect();
        let mut row = Row::at(1e9);
        columns.iter().for_each(|&column| row.push_extra(column, Cell::Value(1.0)));
        table.rows.push(row);
        let mut cautions = Vec::new();
        let samples = table.into_samples(&mut cautions).unwrap().samples;
        assert_eq!((samples.extra.len(), samples.channel("c249")), (MOST_FURTHER, Some(&[Some(1.0)][..])));
        assert_eq!(cautions, ["more than 250 further channels; `c250` and those after it left out"]);
    }
}
