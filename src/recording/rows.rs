//! Rows in the order of the file, by column.

use super::cells::{Cell, CellColumn, PackedCell, set};
use super::channels::Channel;
use super::wording::counted;

/// Head units and programs write some dozens of further channels. Each takes its memory for every record, even if it
/// has a single value, so that a small file of many names would fill the memory.
pub(super) const MOST_FURTHER: usize = 250;

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub unix_s: f64,
    values: [Cell; Channel::COUNT],
    /// Each with the number of its further channel.
    extra: Vec<(usize, Cell)>,
}

impl Row {
    #[inline]
    pub fn at(unix_s: f64) -> Self {
        Self { unix_s, values: [Cell::Missing; Channel::COUNT], extra: Vec::new() }
    }

    #[inline]
    pub fn set(&mut self, channel: Channel, cell: Cell) {
        self.values[channel as usize] = cell;
    }

    #[inline]
    pub fn push_extra(&mut self, column: usize, cell: Cell) {
        if column < MOST_FURTHER {
            self.extra.push((column, cell));
        }
    }
}

/// No ride has more: five million seconds are 58 days. A packed table of short lines could else take several GB.
const MOST_ROWS: usize = 5_000_000;

/// Of all further channels, empty ones included: a day of 1 Hz with all of [`MOST_FURTHER`] has half as many. A single
/// value late in a long file makes a whole column, so that a small packed file could else take a hundred times its size.
const MOST_EXTRA_CELLS: usize = 40_000_000;

/// Rows in the order of the file, by column.
#[derive(Debug, Default)]
pub(super) struct Rows {
    pub unix_s: Vec<f64>,
    pub columns: [CellColumn; Channel::COUNT],
    pub extra: Vec<CellColumn>,
    extra_cells: usize,
    beyond: usize,
    /// Cells of further channels left out.
    beyond_extra: usize,
}

impl Rows {
    pub fn push(&mut self, row: Row) {
        let i = self.len();
        if i == MOST_ROWS {
            self.beyond += 1;
            return;
        }
        self.unix_s.push(row.unix_s);
        for (column, cell) in self.columns.iter_mut().zip(row.values) {
            set(column, i, cell);
        }
        for (column, cell) in row.extra {
            if self.extra.len() <= column {
                self.extra.resize(column + 1, CellColumn::new());
            }
            let column = &mut self.extra[column];
            let grows = (i + 1).saturating_sub(column.len());
            if self.extra_cells + grows > MOST_EXTRA_CELLS {
                self.beyond_extra += 1;
                continue;
            }
            self.extra_cells += grows;
            // A record may have a field twice: of two values the later stands.
            let before =
                if column.len() > i { column.pop().map_or(Cell::Missing, PackedCell::cell) } else { Cell::Missing };
            set(column, i, cell.or(before));
        }
    }

    pub fn len(&self) -> usize {
        self.unix_s.len()
    }

    pub fn drop_extra(&mut self, column: usize) {
        self.extra.get_mut(column).into_iter().for_each(|column| *column = CellColumn::new());
    }

    /// What to say of rows that were too many.
    pub fn damage(&self) -> Option<String> {
        let n = counted(self.beyond, "record");
        let rows = (self.beyond > 0)
            .then(|| format!("more than {MOST_ROWS} records, which is no ride; {n} after those left out"));
        let cells = counted(self.beyond_extra, "value");
        rows.or((self.beyond_extra > 0).then(|| {
            format!("more records and further channels than any ride has; {cells} of further channels left out")
        }))
    }

    #[cfg(test)]
    pub fn to_vec(&self) -> Vec<Row> {
        let at = |column: &CellColumn, i: usize| column.get(i).map_or(Cell::Missing, |packed| packed.cell());
        let row = |i| Row {
            unix_s: self.unix_s[i],
            values: self.columns.each_ref().map(|column| at(column, i)),
            extra: self
                .extra
                .iter()
                .map(|column| at(column, i))
                .enumerate()
                .filter(|(_, c)| *c != Cell::Missing)
                .collect(),
        };
        (0..self.len()).map(row).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_beyond_any_ride_are_left_out_aloud() {
        let rows = (0..MOST_ROWS + 2).map(|i| Row::at(i as f64)).fold(Rows::default(), |mut rows, row| {
            rows.push(row);
            rows
        });
        assert_eq!(rows.len(), MOST_ROWS);
        assert_eq!(
            rows.damage().as_deref(),
            Some("more than 5000000 records, which is no ride; 2 records after those left out")
        );
    }

    #[test]
    fn further_channels_that_would_fill_the_memory_are_left_out_aloud() {
        let mut rows = Rows { extra_cells: MOST_EXTRA_CELLS - 1, ..Rows::default() };
        for at_s in [1.0, 2.0] {
            let mut row = Row::at(at_s);
            row.push_extra(0, Cell::Value(7.0));
            rows.push(row);
        }
        assert_eq!((rows.len(), rows.extra[0].len()), (2, 1));
        assert!(rows.damage().unwrap().ends_with("1 value of further channels left out"));
    }
}
