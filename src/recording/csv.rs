//! CSV tables: delimiter, header and times as they come.

use chrono::{DateTime, NaiveDateTime};
use csv::StringRecord;

use super::rows::{Cell, Channel, Row, median};
use super::{Contents, RecordingErrorKind, counted};

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

pub(super) fn read(text: &str) -> Result<Contents, RecordingErrorKind> {
    let delimiter = delimiter(text.lines().find(|line| !line.trim().is_empty()).unwrap_or_default());
    let mut reader =
        csv::ReaderBuilder::new().delimiter(delimiter).flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let headers: Vec<String> = match reader.headers() {
        Ok(headers) => headers.iter().map(str::to_owned).collect(),
        Err(_) => return Err(RecordingErrorKind::NotARecording),
    };
    let meanings = meanings(&headers);
    let Some(time_column) = meanings.iter().position(|m| matches!(m, Meaning::Time)) else {
        let columns: Vec<String> = headers.into_iter().filter(|header| !header.is_empty()).collect();
        return Err(match columns.len() {
            0 | 1 => RecordingErrorKind::NotARecording,
            _ => RecordingErrorKind::NoTimeColumn { columns },
        });
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
    let name = normal(header);
    if matches!(name.as_str(), "time" | "timestamp" | "seconds" | "secs") {
        return Meaning::Time;
    }
    let scale = if name == "speed_km_h" { 1.0 / 3.6 } else { 1.0 };
    channel(&name).map_or(Meaning::Extra, |channel| Meaning::Channel { channel, scale })
}

fn normal(header: &str) -> String {
    header.to_lowercase().replace([' ', '-'], "_")
}

/// The channel that a header names, in any case and with blanks or hyphens for `_`.
pub(super) fn channel(header: &str) -> Option<Channel> {
    Some(match normal(header).as_str() {
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
        _ => return None,
    })
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
                (Meaning::Channel { channel, scale }, Some(value)) => row.set(*channel, Cell::Value(value * scale)),
                (Meaning::Channel { .. }, None) => self.bad.push(bad),
                (_, Some(value)) => {
                    self.extra[column].numbers += 1;
                    row.push_extra(self.extra[column].index, Cell::Value(value));
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
        let (unix_s, zoned) = absolute_time(cell)?;
        self.without_zone |= !zoned;
        Some(unix_s)
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
            self.contents
                .damage
                .push(format!("{} more that is no number or time", counted(self.bad.len() - NAMED_CELLS, "cell")));
        }
        if self.ragged > 0 {
            self.contents
                .damage
                .push(format!("{} with more or fewer cells than the header", counted(self.ragged, "line")));
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

/// A date and time in Unix seconds, and whether it states its zone; without one it is read as UTC.
pub(super) fn absolute_time(text: &str) -> Option<(f64, bool)> {
    let seconds = |millis: i64| millis as f64 / 1000.0;
    if let Ok(time) = DateTime::parse_from_rfc3339(text) {
        return Some((seconds(time.timestamp_millis()), true));
    }
    let naive = ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y/%m/%d %H:%M:%S%.f", "%d.%m.%Y %H:%M:%S%.f"];
    let time = naive.iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())?;
    Some((seconds(time.and_utc().timestamp_millis()), false))
}

/// A finite number, with a decimal comma where the delimiter leaves the comma free.
fn parse(cell: &str, decimal_comma: bool) -> Option<f64> {
    let value: f64 =
        if decimal_comma && !cell.contains('.') { cell.replacen(',', ".", 1).parse() } else { cell.parse() }.ok()?;
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::rows::Ordered;

    fn table(text: &str) -> (Ordered, Vec<String>, Vec<String>) {
        let contents = read(text).unwrap();
        let mut cautions = contents.cautions;
        (contents.table.into_samples(&mut cautions).unwrap(), contents.damage, cautions)
    }

    #[test]
    fn delimiters_and_decimal_commas_are_told_by_the_header() {
        for text in [
            "time,power,cadence\n1600000000,200.5,90\n1600000001,,0\n",
            "Time;Watts;RPM\r\n1600000000;200,5;90\r\n1600000001;;0\r\n",
            "\u{feff}timestamp\tpower_w\tcadence_rpm\n1600000000\t200,5\t90\n1600000001\t\t0\n",
            "time,power,cadence\n2020-09-13T12:26:40Z,200.5,90\n2020-09-13T14:26:41+02:00,,0\n",
        ] {
            let (got, damage, cautions) = table(text);
            assert_eq!(got.start_unix_s, 1.6e9, "{text}");
            assert_eq!(got.samples.time_s, [0.0, 1.0]);
            assert_eq!(got.samples.power_w, [Some(200.5), None]);
            assert_eq!(got.samples.cadence_rpm, [Some(90.0), Some(0.0)]);
            assert_eq!((damage.len(), cautions.len()), (0, 0), "{damage:?} {cautions:?}");
        }
    }

    #[test]
    fn seconds_since_the_start_have_no_date_and_say_so() {
        let (got, _, cautions) = table("secs,hr\n0,120\n0.5,121\n");
        assert_eq!(got.start_unix_s, 0.0);
        assert_eq!(got.samples.time_s, [0.0, 0.5]);
        assert_eq!(cautions, ["times count from the start, so the recording has no date; it is shown as 1970-01-01"]);
    }

    #[test]
    fn other_columns_are_channels_by_their_header() {
        let (got, damage, cautions) =
            table("time,power,power_2,watts,note,speed_km_h\n1600000000,200,203,198,up the hill,36\n");
        assert_eq!(got.samples.power_w, [Some(200.0)]);
        assert_eq!(got.samples.channel("power_2"), Some(&[Some(203.0)][..]));
        assert_eq!(
            got.samples.channel("watts"),
            Some(&[Some(198.0)][..]),
            "a second power column is another instrument's"
        );
        assert_eq!(got.samples.speed_m_s, [Some(10.0)]);
        assert_eq!(damage, [""; 0]);
        assert_eq!(cautions, ["column `note` holds no numbers and was left out"]);
    }

    #[test]
    fn a_bad_cell_is_named_by_its_line_and_costs_only_itself() {
        let (got, damage, _) = table("time,power,cadence\n1600000000,oops,90\nlater,1,1\n1600000002,210\n");
        assert_eq!(got.samples.power_w, [None, Some(210.0)]);
        assert_eq!(got.samples.cadence_rpm, [Some(90.0), None]);
        assert_eq!(
            damage,
            [
                "line 2: `oops` in column `power` is no number; taken as missing",
                "line 3: `later` in column `time` is no time; the line was left out",
                "1 line with more or fewer cells than the header",
            ]
        );
    }

    #[test]
    fn a_time_without_a_zone_is_utc_with_a_caution() {
        let (got, _, cautions) = table("time,power\n2020-09-13 12:26:40,1\n");
        assert_eq!(got.start_unix_s, 1.6e9);
        assert_eq!(cautions, ["times have no zone; they were read as UTC"]);
    }
}
