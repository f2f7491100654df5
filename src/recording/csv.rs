//! CSV tables: delimiter, header and times as they come.

use chrono::{DateTime, NaiveDateTime};
use csv::StringRecord;

use super::rows::{Channel, Row, median};
use super::{Contents, RecordingErrorKind};

/// Numbers from here on are Unix seconds (1973 and later), below it seconds since the start: no ride lasts
/// three years.
const UNIX_FROM_S: f64 = 1e8;
/// Numbers from here on are Unix milliseconds; as seconds they would be the year 5138.
const UNIX_MS_FROM: f64 = 1e11;
/// How many bad cells are named one by one.
const NAMED_CELLS: usize = 5;

/// What a column is read as.
enum Meaning {
    Time,
    Channel { channel: Channel, scale: f64 },
    Extra,
}

pub(super) fn read(bytes: &[u8]) -> Result<Contents, RecordingErrorKind> {
    if bytes.contains(&0) {
        return Err(RecordingErrorKind::NotARecording);
    }
    // A header in an older encoding loses a letter or two of a name, no number.
    let text = String::from_utf8_lossy(bytes);
    let text = text.trim_start_matches('\u{feff}');
    let delimiter = delimiter(text.lines().find(|line| !line.trim().is_empty()).unwrap_or_default());
    let mut reader =
        csv::ReaderBuilder::new().delimiter(delimiter).flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let headers: Vec<String> = match reader.headers() {
        Ok(headers) => headers.iter().map(str::to_owned).collect(),
        Err(_) => return Err(RecordingErrorKind::NotARecording),
    };
    let meanings = meanings(&headers);
    let Some(time_column) = meanings.iter().position(|m| matches!(m, Meaning::Time)) else {
        return Err(RecordingErrorKind::NoTimeColumn { columns: headers });
    };

    let mut table = TableReader::new(&headers, &meanings, time_column, delimiter != b',');
    let mut record = StringRecord::new();
    loop {
        match reader.read_record(&mut record) {
            Ok(true) => table.row(&record),
            Ok(false) => break,
            Err(error) => {
                table.contents.damage.push(format!("the table can't be read further: {error}"));
                break;
            }
        }
    }
    Ok(table.finish())
}

/// The likeliest delimiter: a header line has no tab or semicolon by chance, but may have commas in a name.
fn delimiter(header: &str) -> u8 {
    *b"\t;".iter().find(|d| header.as_bytes().contains(d)).unwrap_or(&b',')
}

fn meanings(headers: &[String]) -> Vec<Meaning> {
    let mut seen: Vec<Option<Channel>> = Vec::new();
    headers
        .iter()
        .map(|header| {
            let meaning = meaning(header);
            let channel = match &meaning {
                Meaning::Time => None,
                Meaning::Channel { channel, .. } => Some(*channel),
                Meaning::Extra => return meaning,
            };
            // A second power column is another instrument's.
            if seen.contains(&channel) {
                return Meaning::Extra;
            }
            seen.push(channel);
            meaning
        })
        .collect()
}

fn meaning(header: &str) -> Meaning {
    let name = header.to_lowercase().replace([' ', '-'], "_");
    let channel = match name.as_str() {
        "time" | "timestamp" | "seconds" | "secs" => return Meaning::Time,
        "power" | "watts" | "power_w" => Channel::Power,
        "cadence" | "rpm" | "cadence_rpm" => Channel::Cadence,
        "heart_rate" | "hr" | "bpm" | "heart_rate_bpm" => Channel::HeartRate,
        "speed_m_s" | "speed_km_h" => Channel::Speed,
        "right_share_pct" => Channel::RightShare,
        "temperature_c" => Channel::Temperature,
        "altitude_m" => Channel::Altitude,
        "distance_m" => Channel::Distance,
        "latitude_deg" => Channel::Latitude,
        "longitude_deg" => Channel::Longitude,
        _ => return Meaning::Extra,
    };
    Meaning::Channel { channel, scale: if name == "speed_km_h" { 1.0 / 3.6 } else { 1.0 } }
}

/// A further column, before it is known whether it holds numbers at all.
#[derive(Clone, Default)]
struct ExtraColumn {
    index: usize,
    numbers: usize,
    others: Vec<BadCell>,
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
    time_column: usize,
    decimal_comma: bool,
    contents: Contents,
    extra: Vec<ExtraColumn>,
    bad: Vec<BadCell>,
    ragged: usize,
    without_zone: bool,
}

impl<'a> TableReader<'a> {
    fn new(headers: &'a [String], meanings: &'a [Meaning], time_column: usize, decimal_comma: bool) -> Self {
        let mut contents = Contents::default();
        let mut extra = vec![ExtraColumn::default(); headers.len()];
        for (i, header) in headers.iter().enumerate() {
            if matches!(meanings[i], Meaning::Extra) {
                let taken = header.is_empty() || contents.table.extra_names.contains(header);
                let name = if taken { format!("{header} column {}", i + 1).trim().to_owned() } else { header.clone() };
                extra[i].index = contents.table.extra_column(&name);
            }
        }
        Self {
            headers,
            meanings,
            time_column,
            decimal_comma,
            contents,
            extra,
            bad: Vec::new(),
            ragged: 0,
            without_zone: false,
        }
    }

    fn row(&mut self, record: &StringRecord) {
        let line = record.position().map_or(0, csv::Position::line);
        let time = record.get(self.time_column).unwrap_or_default();
        let Some(unix_s) = self.time(time) else {
            self.bad.push(BadCell { line, column: self.time_column, text: time.to_owned() });
            return;
        };
        self.ragged += usize::from(record.len() != self.headers.len());
        let mut row = Row::at(unix_s);
        for (column, cell) in record.iter().enumerate().take(self.headers.len()) {
            if cell.is_empty() || column == self.time_column {
                continue;
            }
            let value = parse(cell, self.decimal_comma);
            let bad = BadCell { line, column, text: cell.to_owned() };
            match (&self.meanings[column], value) {
                (Meaning::Channel { channel, scale }, Some(value)) => row.set(*channel, Some(value * scale)),
                (Meaning::Channel { .. }, None) => self.bad.push(bad),
                (_, Some(value)) => {
                    self.extra[column].numbers += 1;
                    row.push_extra(self.extra[column].index, value);
                }
                (_, None) => self.extra[column].others.push(bad),
            }
        }
        self.contents.table.rows.push(row);
    }

    fn time(&mut self, cell: &str) -> Option<f64> {
        if let Some(seconds) = parse(cell, self.decimal_comma) {
            let seconds = if seconds.abs() >= UNIX_MS_FROM { seconds / 1000.0 } else { seconds };
            return (seconds.abs() < UNIX_MS_FROM).then_some(seconds);
        }
        let seconds = |millis: i64| millis as f64 / 1000.0;
        if let Ok(time) = DateTime::parse_from_rfc3339(cell) {
            return Some(seconds(time.timestamp_millis()));
        }
        let naive = ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f"];
        let time = naive.iter().find_map(|form| NaiveDateTime::parse_from_str(cell, form).ok())?;
        self.without_zone = true;
        Some(seconds(time.and_utc().timestamp_millis()))
    }

    fn finish(mut self) -> Contents {
        for (column, extra) in self.extra.into_iter().enumerate() {
            if extra.numbers > 0 {
                self.bad.extend(extra.others);
            } else if !extra.others.is_empty() {
                let header = &self.headers[column];
                self.contents.cautions.push(format!("column `{header}` holds no numbers and was left out"));
            }
        }
        self.bad.sort_by_key(|cell| (cell.line, cell.column));
        for cell in self.bad.iter().take(NAMED_CELLS) {
            let BadCell { line, column, text } = cell;
            let header = &self.headers[*column];
            self.contents.damage.push(if *column == self.time_column {
                format!("line {line}: `{text}` in column `{header}` is no time; the line was left out")
            } else {
                format!("line {line}: `{text}` in column `{header}` is no number; taken as missing")
            });
        }
        if self.bad.len() > NAMED_CELLS {
            self.contents.damage.push(format!("{} more cells that are no numbers", self.bad.len() - NAMED_CELLS));
        }
        if self.ragged > 0 {
            self.contents.damage.push(format!("{} lines have more or fewer cells than the header", self.ragged));
        }
        if self.without_zone {
            self.contents.cautions.push("times have no zone; they were read as UTC".to_owned());
        }
        let times = self.contents.table.rows.iter().map(|row| row.unix_s);
        if median(times).is_some_and(|middle| middle < UNIX_FROM_S) {
            self.contents
                .cautions
                .push("times count from the start, so the recording has no date; it is shown as 1970-01-01".to_owned());
        }
        self.contents
    }
}

/// A finite number, with a decimal comma where the delimiter leaves the comma free.
fn parse(cell: &str, decimal_comma: bool) -> Option<f64> {
    let value: f64 =
        if decimal_comma && !cell.contains('.') { cell.replacen(',', ".", 1).parse() } else { cell.parse() }.ok()?;
    value.is_finite().then_some(value)
}
