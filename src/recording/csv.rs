//! CSV tables: delimiter, header and times as they come.

use chrono::{DateTime, NaiveDateTime};
use csv::StringRecord;

use super::rows::{Cell, Channel, MOST_FURTHER, Row, median};
use super::{FormatContents, RecordingErrorKind, counted, printable};

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

/// Columns that can be of use: all channels, times, and the further channels that are kept and one to name as left out.
const MOST_COLUMNS: usize = MOST_FURTHER + 30;

/// How far down the header line is looked for: programs put their own remarks before it.
const HEADER_WITHIN_LINES: usize = 30;
/// Likeliest first: a header has no tab or semicolon by chance, but may have commas or blanks in a name.
const DELIMITERS: &[u8] = b"\t;|, ";

/// What a column is read as.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Meaning {
    Time,
    /// Of a time of day in the time column.
    Date,
    Channel {
        channel: Channel,
        scale: f64,
    },
    Extra,
}

/// Reads a table; `time` names its time column where the usual names don't tell.
pub(super) fn read(text: &str, time: Option<&str>) -> Result<FormatContents, RecordingErrorKind> {
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

/// The line that names the columns.
struct Header {
    /// Lines before it.
    line: usize,
    /// Its first byte.
    at: usize,
    delimiter: u8,
    columns: usize,
    /// Of the first [`MOST_COLUMNS`].
    names: Vec<String>,
    meanings: Vec<Meaning>,
}

impl Header {
    /// The first line and the likeliest delimiter that give a time column and one more.
    fn find(text: &str, time: Option<&str>) -> Option<Self> {
        let mut at = 0;
        for (line, content) in text.split_inclusive('\n').take(HEADER_WITHIN_LINES).enumerate() {
            for &delimiter in DELIMITERS {
                let (columns, names) = split(content, delimiter);
                let meanings = meanings(&names, time);
                if columns > 1 && meanings.contains(&Meaning::Time) {
                    return Some(Self { line, at, delimiter, columns, names, meanings });
                }
            }
            at += content.len();
        }
        None
    }
}

/// How many cells a line has, and the first [`MOST_COLUMNS`] of them.
fn split(line: &str, delimiter: u8) -> (usize, Vec<String>) {
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .has_headers(false)
        .trim(csv::Trim::All)
        .from_reader(line.trim_end().as_bytes());
    let first = reader.records().next().and_then(Result::ok);
    first.map(|names| (names.len(), names.iter().take(MOST_COLUMNS).map(printable).collect())).unwrap_or_default()
}

/// What to say of a text without a time column: whether it is a table at all.
fn no_header(text: &str, time: Option<&str>) -> RecordingErrorKind {
    let first = text.lines().find(|line| !line.trim().is_empty()).unwrap_or_default();
    let likeliest = DELIMITERS[..4].iter().find(|d| first.as_bytes().contains(d)).unwrap_or(&b',');
    let columns: Vec<String> = split(first, *likeliest).1.into_iter().filter(|name| !name.is_empty()).collect();
    match (columns.len(), time) {
        (0 | 1, _) => RecordingErrorKind::NotARecording,
        (_, Some(name)) => RecordingErrorKind::NoSuchTimeColumn { name: name.to_owned(), columns },
        (_, None) => RecordingErrorKind::NoTimeColumn { columns },
    }
}

fn meanings(headers: &[String], time: Option<&str>) -> Vec<Meaning> {
    let of =
        |wanted: &[&str]| headers.iter().position(|header| wanted.contains(&normal(unit_apart(header).0).as_str()));
    let time_column = match time {
        Some(name) => headers.iter().position(|header| header == name),
        // A time of day before one that counts from the start: it can be aligned by.
        None => of(&["time", "timestamp", "datetime", "date_time", "utc"])
            .or_else(|| of(&["seconds", "secs", "sec", "time_s", "elapsed", "elapsed_time", "elapsed_s"])),
    };
    let date_column = of(&["date"]);
    let mut seen: Vec<Channel> = Vec::new();
    let meaning = |(column, header): (usize, &String)| {
        if Some(column) == time_column {
            return Meaning::Time;
        }
        if Some(column) == date_column {
            return Meaning::Date;
        }
        match channel(header) {
            // A second power column is another instrument's.
            Some((channel, scale)) if !seen.contains(&channel) => {
                seen.push(channel);
                Meaning::Channel { channel, scale }
            }
            _ => Meaning::Extra,
        }
    };
    headers.iter().enumerate().map(meaning).collect()
}

/// `Speed (km/h)` to `Speed` and `km/h`; a header without brackets has no unit apart.
fn unit_apart(header: &str) -> (&str, &str) {
    let brackets = [('(', ')'), ('[', ']')];
    brackets
        .iter()
        .find_map(|(open, close)| header.strip_suffix(*close)?.rsplit_once(*open))
        .map_or((header, ""), |(name, unit)| (name.trim(), unit.trim()))
}

fn normal(header: &str) -> String {
    header.to_lowercase().replace([' ', '-'], "_")
}

/// The channel that a header names and the factor to its unit here, in any case and with blanks or hyphens for `_`.
pub(super) fn channel(header: &str) -> Option<(Channel, f64)> {
    let (name, unit) = unit_apart(header);
    let name = normal(name);
    let (name, unit) = match name.as_str() {
        "speed_m_s" | "speed_km_h" | "distance_m" | "distance_km" | "altitude_m" | "temperature_c" => {
            name.split_once('_').unwrap_or((&name, ""))
        }
        _ => (name.as_str(), unit),
    };
    let unit = unit.to_lowercase();
    let channel = match (name, unit.as_str()) {
        ("power" | "watts" | "power_w", "" | "w" | "watts" | "watt") => Channel::Power,
        ("cadence" | "rpm" | "cadence_rpm", "" | "rpm" | "1/min") => Channel::Cadence,
        ("heart_rate" | "heartrate" | "hr" | "bpm" | "heart_rate_bpm", "" | "bpm" | "1/min") => Channel::HeartRate,
        ("speed", "m_s" | "m/s" | "km_h" | "km/h" | "kmh" | "kph") => Channel::Speed,
        ("right_share" | "right_share_pct", "" | "%") => Channel::RightShare,
        ("temperature" | "temp", "" | "c" | "°c") => Channel::Temperature,
        ("altitude" | "elevation" | "ele", "" | "m") => Channel::Altitude,
        ("distance", "" | "m" | "km") => Channel::Distance,
        ("latitude" | "lat" | "latitude_deg", "" | "°" | "deg") => Channel::Latitude,
        ("longitude" | "lon" | "lng" | "longitude_deg", "" | "°" | "deg") => Channel::Longitude,
        _ => return None,
    };
    let scale = match unit.as_str() {
        "km_h" | "km/h" | "kmh" | "kph" => 1.0 / 3.6,
        "km" => 1000.0,
        _ => 1.0,
    };
    Some((channel, scale))
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
            if let Meaning::Channel { channel, scale } = self.meanings[column] {
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
        let (unix_s, zoned) = absolute_time(text)?;
        self.without_zone |= !zoned;
        if !zoned && self.unsure_date.is_none() && has_two_dates(text) {
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

/// A date and time in Unix seconds, and whether it states its zone; without one it is read as UTC.
pub(super) fn absolute_time(text: &str) -> Option<(f64, bool)> {
    let seconds = |millis: i64| millis as f64 / 1000.0;
    if let Ok(time) = DateTime::parse_from_rfc3339(text) {
        return Some((seconds(time.timestamp_millis()), true));
    }
    let naive = ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y/%m/%d %H:%M:%S%.f", "%d.%m.%Y %H:%M:%S%.f"];
    let time = first_form(text, &naive).or_else(|| slashed(text, DAY_FIRST)).or_else(|| slashed(text, MONTH_FIRST))?;
    Some((seconds(time.and_utc().timestamp_millis()), false))
}

const DAY_FIRST: [&str; 2] = ["%d/%m/%Y %H:%M:%S%.f", "%d/%m/%Y %I:%M:%S%.f %p"];
const MONTH_FIRST: [&str; 2] = ["%m/%d/%Y %H:%M:%S%.f", "%m/%d/%Y %I:%M:%S%.f %p"];

fn first_form(text: &str, forms: &[&str]) -> Option<NaiveDateTime> {
    forms.iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())
}

fn slashed(text: &str, forms: [&str; 2]) -> Option<NaiveDateTime> {
    text.contains('/').then(|| first_form(text, &forms))?
}

/// Whether a date may be two: `05/06/2026` is in May or in June.
fn has_two_dates(text: &str) -> bool {
    let (day_first, month_first) = (slashed(text, DAY_FIRST), slashed(text, MONTH_FIRST));
    day_first.zip(month_first).is_some_and(|(one, other)| one != other)
}

/// Seconds of `1:02:03.5` or `02:03`.
fn clock_text(text: &str) -> Option<f64> {
    let parts: Vec<&str> = text.split(':').collect();
    if !matches!(parts.len(), 2 | 3) || !text.starts_with(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let (last, before) = parts.split_last()?;
    let whole = before.iter().try_fold(0.0, |sum, part| Some(sum * 60.0 + f64::from(part.parse::<u32>().ok()?)))?;
    let seconds: f64 = last.replacen(',', ".", 1).parse().ok()?;
    (0.0..60.0).contains(&seconds).then_some(whole * 60.0 + seconds)
}

/// A finite number. Of two signs the last is the decimal one (`1.234,5`). A lone comma is it where the delimiter
/// leaves the comma free; else before three digits nobody knows (`1,234`).
fn number(text: &str, comma_is_free: bool) -> Option<f64> {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::rows::Ordered;

    fn table(text: &str) -> (Ordered, Vec<String>, Vec<String>) {
        let contents = read(text, None).unwrap();
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
        assert_eq!(cautions, ["times have no date, so the recording is shown on 1970-01-01"]);
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
        assert!(got.samples.invalid.is_empty());
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
                "line 2: `oops` in column `power` is no number; taken as invalid",
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

    #[test]
    fn delimiter_and_header_are_found_below_a_programs_own_remarks() {
        for text in [
            "# ride 7\n# exported, for the bench\n\nTime (s)|Power (W)|Speed (km/h)|Distance [km]\n0|200|36|1.5\n",
            "ride 7, bench\nsecs power speed_m_s distance_m\n0 200 10 1500\n",
        ] {
            let (got, damage, _) = table(text);
            assert_eq!(got.samples.power_w, [Some(200.0)], "{text}");
            assert_eq!(got.samples.speed_m_s, [Some(10.0)]);
            assert_eq!(got.samples.distance_m, [Some(1500.0)]);
            assert_eq!(damage, [""; 0]);
        }
        let contents = read("remark\ntime,power\n0,1\n1,x\n", None).unwrap();
        assert_eq!(contents.damage, ["line 4: `x` in column `power` is no number; taken as invalid"]);
    }

    #[test]
    fn a_time_of_day_takes_its_date_from_the_column_beside_it() {
        let (got, _, cautions) = table("date,time,power\n2026-03-02,23:59:59,1\n2026-03-03,00:00:00,2\n");
        assert_eq!((got.start_unix_s, got.samples.time_s), (1_772_495_999.0, vec![0.0, 1.0]));
        assert_eq!(cautions, ["times have no zone; they were read as UTC"]);
        // Without a date midnight is seen by the clock beginning again.
        let (got, _, cautions) = table("time;power\n23:59:59,5;1\n0:00:00,5;2\n");
        assert_eq!((got.start_unix_s, got.samples.time_s), (86_399.5, vec![0.0, 1.0]));
        assert_eq!(cautions, ["times have no date, so the recording is shown on 1970-01-01"]);
    }

    #[test]
    fn a_time_that_counts_from_the_start_gives_way_to_one_of_the_day() {
        let (got, _, _) = table("secs,timestamp,power\n5,1600000000,1\n");
        assert_eq!(got.start_unix_s, 1.6e9);
        assert_eq!(got.samples.channel("secs"), Some(&[Some(5.0)][..]));
    }

    #[test]
    fn a_date_with_slashes_has_its_day_first_unless_that_is_no_date() {
        let at = |text: &str| absolute_time(text).unwrap().0;
        let thirteenth = at("2026-06-13T20:00:01Z");
        assert_eq!(at("13/06/2026 20:00:01"), thirteenth);
        assert_eq!(at("6/13/2026 8:00:01 PM"), thirteenth);
        let cautions = |date: &str| read(&format!("time,power\n{date} 08:00:00,1\n"), None).unwrap().cautions;
        assert!(cautions("05/06/2026")[0].contains("day first"));
        assert_eq!(cautions("13/06/2026").len(), 1, "of the zone alone");
        assert_eq!(cautions("06/06/2026").len(), 1);
    }

    #[test]
    fn a_named_column_is_the_time() {
        let text = "when;time;power\n1600000000;7;1\n";
        let contents = read(text, Some("when")).unwrap();
        assert_eq!(contents.table.rows.unix_s[0], 1.6e9);
        let error = read(text, Some("wann")).err().unwrap().to_string();
        assert_eq!(
            error,
            "no column `wann` for the time among `when`, `time`, `power`; say which it is: `time:` in a session file, `inspect --time`"
        );
    }

    #[test]
    fn numbers_are_read_with_either_decimal_sign() {
        for (text, comma_is_free, value) in [
            ("1.5", true, Some(1.5)),
            ("1,5", true, Some(1.5)),
            ("1,5", false, Some(1.5)),
            ("1,234", true, Some(1.234)),
            ("1,234", false, None),
            ("1.234,5", true, Some(1234.5)),
            ("1,234.5", false, Some(1234.5)),
            ("-0,25", true, Some(-0.25)),
            ("1e3", false, Some(1000.0)),
            ("inf", false, None),
            ("", false, None),
        ] {
            assert_eq!(number(text, comma_is_free), value, "{text}");
        }
    }

    #[test]
    fn empty_is_missing_and_a_word_is_invalid() {
        let (got, damage, _) = table("time,power,own\n1600000000,,5\n1600000001,NaN,n/a\n1600000002,0,\n");
        assert_eq!(got.samples.power_w, [None, None, Some(0.0)]);
        assert_eq!(got.samples.invalid, [("power".to_owned(), vec![1]), ("own".to_owned(), vec![1])].into());
        assert_eq!(damage, [""; 0]);
    }

    #[test]
    fn a_time_column_in_days_is_doubted() {
        let (_, _, cautions) = table("time,power\n46083.375,1\n46083.3750115741,2\n46083.3750231481,3\n");
        assert!(cautions[1].starts_with("its samples are 0.000012 s apart if"), "{cautions:?}");
    }
}
