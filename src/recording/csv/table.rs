//! Rows of a table below its header.

use csv::StringRecord;

use super::super::cells::Cell;
use super::super::channels::{ChannelColumn, unit_apart};
use super::super::contents::FormatContents;
use super::super::error::RecordingErrorKind;
use super::super::rows::Row;
use super::super::table::median;
use super::super::times::{WrittenTime, absolute_time, clock_text, has_two_dates};
use super::super::wording::{counted, printable};
use super::header::{Header, Meaning, no_header};

/// Numbers from here on are Unix seconds (1973 and later), below it seconds since the start: no ride lasts
/// three years.
const UNIX_FROM_S: f64 = 1e8;
/// Numbers from here on are Unix milliseconds; as seconds they would be the year 5138.
const UNIX_MS_FROM: f64 = 1e11;
const DAY_S: f64 = 86_400.0;
/// No head unit writes more than a hundred records a second (common practice, no source).
const SHORTEST_STEP_S: f64 = 0.01;
/// What programs write into a cell to say that there is no value.
const NO_VALUE: [&str; 8] = ["invalid", "nan", "na", "n/a", "null", "none", "-", "--"];
/// How many bad cells are named one by one.
const NAMED_CELLS: usize = 5;

/// Reads a table; `time` names its time column where the usual names don't tell.
pub(crate) fn read(text: &str, time: Option<&str>) -> Result<FormatContents, RecordingErrorKind> {
    let Some(Header { line, at, delimiter, columns, names, meanings }) = Header::find(text, time) else {
        return Err(no_header(text, time));
    };
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(&text.as_bytes()[at..]);
    let mut table = TableReader::new(&names, &meanings, columns, delimiter != b',', line as u64);
    let mut record = StringRecord::new();
    loop {
        match reader.read_record(&mut record) {
            Ok(true) => table.row(&record),
            Ok(false) => break,
            Err(_) => {
                let line = record.position().map_or(0, csv::Position::line) + line as u64;
                table.contents.damage.push(format!("line {line}: the table can't be read further"));
                break;
            }
        }
    }
    Ok(table.finish())
}

/// A further column, before it is known whether it holds numbers at all.
#[derive(Clone, Default)]
struct ExtraColumn {
    index: usize,
    numbers: usize,
    others: BadCells,
}

/// The first few of a table's bad cells, and how many there are: all of a damaged table would take more than it.
#[derive(Clone, Default)]
struct BadCells {
    first: Vec<BadCell>,
    count: usize,
}

impl BadCells {
    fn push(&mut self, line: u64, column: usize, text: &str) {
        self.count += 1;
        if self.first.len() < NAMED_CELLS {
            self.first.push(BadCell { line, column, text: text.to_owned() });
        }
    }

    fn extend(&mut self, other: Self) {
        self.count += other.count;
        self.first.extend(other.first);
    }
}

#[derive(Clone)]
struct BadCell {
    line: u64,
    column: usize,
    text: String,
}

struct TableReader<'a> {
    headers: &'a [String],
    meanings: &'a [Meaning],
    /// Of the header, those beyond `headers` included.
    columns: usize,
    comma_is_free: bool,
    /// Lines before the header.
    lines_before: u64,
    contents: FormatContents,
    extra: Vec<ExtraColumn>,
    bad: BadCells,
    ragged: usize,
    without_zone: bool,
    /// The first date that may be two.
    unsure_date: Option<String>,
    /// Seconds that the last time of day without a date was at, and days since the first.
    clock: (f64, f64),
}

impl<'a> TableReader<'a> {
    fn new(
        headers: &'a [String],
        meanings: &'a [Meaning],
        columns: usize,
        comma_is_free: bool,
        lines_before: u64,
    ) -> Self {
        let mut contents = FormatContents::default();
        let mut extra = vec![ExtraColumn::default(); headers.len()];
        for (i, header) in headers.iter().enumerate() {
            if meanings[i] == Meaning::Extra {
                let taken = header.is_empty() || contents.table.extra_names.contains(header);
                let name = if taken { format!("{header} column {}", i + 1).trim().to_owned() } else { header.clone() };
                extra[i].index = contents.table.further_column(&name, unit_apart(header).1);
            }
        }
        Self {
            headers,
            meanings,
            columns,
            comma_is_free,
            lines_before,
            contents,
            extra,
            bad: BadCells::default(),
            ragged: 0,
            without_zone: false,
            unsure_date: None,
            clock: (0.0, 0.0),
        }
    }

    fn column(&self, meaning: Meaning) -> Option<usize> {
        self.meanings.iter().position(|m| *m == meaning)
    }

    fn row(&mut self, record: &StringRecord) {
        let line = self.lines_before + record.position().map_or(0, csv::Position::line);
        let time_column = self.column(Meaning::Time).unwrap_or_default();
        let time = record.get(time_column).unwrap_or_default();
        let date = self.column(Meaning::Date).and_then(|column| record.get(column));
        let Some(unix_s) = self.time(time, date) else {
            self.bad.push(line, time_column, time);
            return;
        };
        self.ragged += usize::from(record.len() != self.columns);
        let mut row = Row::at(unix_s);
        for (column, text) in record.iter().enumerate().take(self.headers.len()) {
            if text.is_empty() || matches!(self.meanings[column], Meaning::Time | Meaning::Date) {
                continue;
            }
            let cell = match number(text, self.comma_is_free) {
                Some(value) => Cell::Value(value),
                None => Cell::Invalid,
            };
            let wrong = cell == Cell::Invalid && !NO_VALUE.iter().any(|word| text.eq_ignore_ascii_case(word));
            if let Meaning::Channel(ChannelColumn { channel, scale }) = self.meanings[column] {
                row.set(channel, cell.map(|value| value * scale));
                if wrong {
                    self.bad.push(line, column, text);
                }
            } else {
                let extra = &mut self.extra[column];
                extra.numbers += usize::from(cell != Cell::Invalid);
                if wrong {
                    extra.others.push(line, column, text);
                }
                row.push_extra(extra.index, cell);
            }
        }
        self.contents.table.rows.push(row);
    }

    fn time(&mut self, text: &str, date: Option<&str>) -> Option<f64> {
        if let Some(seconds) = number(text, self.comma_is_free) {
            let seconds = if seconds.abs() >= UNIX_MS_FROM { seconds / 1000.0 } else { seconds };
            return (seconds.abs() < UNIX_MS_FROM).then_some(seconds);
        }
        if let Some(seconds) = clock_text(text) {
            if let Some(unix_s) = date.and_then(|date| self.dated(&format!("{date} {text}"))) {
                return Some(unix_s);
            }
            // Behind midnight the clock begins again.
            let (last, days) = self.clock;
            self.clock = (seconds, if last - seconds > DAY_S / 2.0 { days + 1.0 } else { days });
            return Some(seconds + DAY_S * self.clock.1);
        }
        self.dated(text)
    }

    fn dated(&mut self, text: &str) -> Option<f64> {
        let WrittenTime { unix_s, states_zone } = absolute_time(text)?;
        self.without_zone |= !states_zone;
        if !states_zone && self.unsure_date.is_none() && has_two_dates(text) {
            self.unsure_date = Some(printable(text));
        }
        Some(unix_s)
    }

    fn finish(mut self) -> FormatContents {
        for (column, extra) in self.extra.into_iter().enumerate() {
            if extra.numbers > 0 {
                self.bad.extend(extra.others);
            } else if extra.others.count > 0 {
                let header = &self.headers[column];
                self.contents.table.rows.drop_extra(extra.index);
                self.contents.cautions.push(format!("column `{header}` holds no numbers and was left out"));
            }
        }
        self.bad.first.sort_by_key(|cell| (cell.line, cell.column));
        for cell in self.bad.first.iter().take(NAMED_CELLS) {
            let BadCell { line, column, text } = cell;
            let header = &self.headers[*column];
            let text = shown(text);
            self.contents.damage.push(if self.meanings[*column] == Meaning::Time {
                format!("line {line}: `{text}` in column `{header}` is no time; the line was left out")
            } else {
                format!("line {line}: `{text}` in column `{header}` is no number; taken as invalid")
            });
        }
        if self.bad.count > NAMED_CELLS {
            self.contents
                .damage
                .push(format!("{} more that is no number or time", counted(self.bad.count - NAMED_CELLS, "cell")));
        }
        if self.ragged > 0 {
            self.contents
                .damage
                .push(format!("{} with more or fewer cells than the header", counted(self.ragged, "line")));
        }
        if let Some(text) = self.unsure_date {
            self.contents.cautions.push(format!("`{text}` was read with the day first; it may be the month"));
        }
        if self.without_zone {
            self.contents.cautions.push("times have no zone; they were read as UTC".to_owned());
        }
        let unix_s = &self.contents.table.rows.unix_s;
        if median(unix_s.iter().copied()).is_some_and(|middle| middle < UNIX_FROM_S) {
            self.contents.cautions.push("times have no date, so the recording is shown on 1970-01-01".to_owned());
        }
        if let Some(step_s) = median(unix_s.windows(2).map(|w| w[1] - w[0]))
            && (0.0..SHORTEST_STEP_S).contains(&step_s)
        {
            self.contents.cautions.push(format!(
                "its samples are {step_s:.6} s apart if the time column counts seconds; check the column's unit"
            ));
        }
        self.contents
    }
}

/// A finite number. Of two signs the last is the decimal one (`1.234,5`). A lone comma is it where the delimiter
/// leaves the comma free; else before three digits nobody knows (`1,234`).
pub(super) fn number(text: &str, comma_is_free: bool) -> Option<f64> {
    let value: f64 = match (text.rfind(','), text.rfind('.')) {
        (Some(comma), Some(dot)) => {
            let thousands = if comma > dot { '.' } else { ',' };
            text.replace(thousands, "").replacen(',', ".", 1).parse()
        }
        (Some(comma), None) if comma_is_free || text.len() - comma != 4 => text.replacen(',', ".", 1).parse(),
        _ => text.parse(),
    }
    .ok()?;
    value.is_finite().then_some(value)
}

/// A cell's text for a message.
fn shown(text: &str) -> String {
    const LONGEST: usize = 40;
    let text = printable(text);
    if text.chars().count() <= LONGEST { text } else { text.chars().take(LONGEST).chain(['…']).collect() }
}
