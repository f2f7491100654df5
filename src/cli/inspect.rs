use std::io::Write;
use std::path::PathBuf;

use anyhow::{Context, bail};
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use rayon::prelude::*;
use serde::Serialize;

use super::exit::Exit;
use crate::recording::{
    self, GearChange, HeadUnitSummary, PositionChange, Recording, RiderPosition, Samples, Sensor, TimerEvent, TimerKind,
};

/// Show what recordings hold
#[derive(Debug, clap::Args)]
pub struct InspectArgs {
    /// Recordings (FIT, TCX, GPX or CSV, plain or gzip, told by content)
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Print JSON instead
    #[arg(long)]
    json: bool,
    /// Print the records of one recording as CSV instead: an empty cell is missing, `invalid` was written as such
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// The column that holds the time, of tables that call it something unusual
    #[arg(long, value_name = "COLUMN")]
    time: Option<String>,
}

pub fn run(args: &InspectArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let time = args.time.as_deref();
    if args.csv {
        let [file] = &args.files[..] else { bail!("--csv exports one recording at a time; name one FILE") };
        recording::write_csv(&recording::read_with(file, time)?, out).context("writing the records")?;
        return Ok(Exit::Done);
    }
    let mut report = Report { recordings: Vec::new(), unreadable: Vec::new() };
    let results: Vec<_> = args.files.par_iter().map(|file| recording::read_keeping_replaced(file, time)).collect();
    for (file, result) in args.files.iter().zip(results) {
        match result {
            Ok((recording, replaced)) => report.recordings.push(Facts::of(&recording, &replaced)),
            Err(error) => {
                report
                    .unreadable
                    .push(Unreadable { file: file.display().to_string(), message: error.kind.to_string() });
            }
        }
    }
    if args.json {
        serde_json::to_writer_pretty(&mut *out, &report)?;
        writeln!(out)?;
    } else {
        write_text(&report, out).context("writing what the recordings hold")?;
    }
    Ok(if report.unreadable.is_empty() { Exit::Done } else { Exit::CouldNotJudge })
}

#[derive(Serialize)]
struct Report {
    recordings: Vec<Facts>,
    unreadable: Vec<Unreadable>,
}

#[derive(Serialize)]
struct Unreadable {
    file: String,
    message: String,
}

#[derive(Serialize)]
struct Facts {
    file: String,
    format: &'static str,
    bytes: u64,
    sha256: String,
    head_unit: DeviceFacts,
    start: String,
    end: String,
    duration_s: f64,
    /// As the file holds them; `merged` of them share their time with a later one.
    records: usize,
    merged: usize,
    sampling: Sampling,
    channels: Vec<ChannelFacts>,
    stores: StorageFacts,
    summaries: Vec<SummaryFacts>,
    positions: Vec<PositionFacts>,
    laps: Vec<Stretch>,
    timer_pauses: Vec<Stretch>,
    gear_changes: Vec<GearFacts>,
    sensors: Vec<DeviceFacts>,
    damage: Vec<String>,
    cautions: Vec<String>,
}

/// How the head unit stores a second, by the rider's stops.
#[derive(Serialize)]
struct StorageFacts {
    what: &'static str,
    stops: usize,
    between: usize,
    gradual: usize,
}

/// The head unit's own.
#[derive(Serialize)]
struct SummaryFacts {
    start_s: f64,
    end_s: f64,
    timer_s: Option<f64>,
    sport: Option<String>,
    mean_power_w: Option<f64>,
}

#[derive(Serialize)]
struct PositionFacts {
    at_s: f64,
    position: &'static str,
}

#[derive(Serialize)]
struct Sampling {
    interval_s: f64,
    regular: bool,
    gaps: Vec<Stretch>,
}

/// Seconds since the recording's start.
#[derive(Serialize)]
struct Stretch {
    start_s: f64,
    end_s: f64,
}

#[derive(Serialize)]
struct ChannelFacts {
    name: String,
    unit: String,
    /// Records that have a value, of all that the file holds; so for the sums.
    n: usize,
    /// Among these.
    zeros: usize,
    /// Records that the file wrote as invalid.
    invalid: usize,
    /// Records that say nothing of this channel.
    missing: usize,
    sum: f64,
    /// Of each value without its fractional part, so that it can be compared with readers that ignore it.
    sum_of_whole_parts: f64,
    mean: Option<f64>,
    min: Option<f64>,
    max: Option<f64>,
}

#[derive(Serialize)]
struct GearFacts {
    at_s: f64,
    front_teeth: Option<u32>,
    rear_teeth: Option<u32>,
    front_number: Option<u32>,
    rear_number: Option<u32>,
}

#[derive(Serialize)]
struct DeviceFacts {
    #[serde(skip_serializing_if = "Option::is_none")]
    kind: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    maker: Option<String>,
    product: Option<String>,
    serial: Option<String>,
    firmware: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    battery: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    battery_voltage_v: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    source: Option<String>,
}

impl Facts {
    fn of(recording: &Recording, replaced: &Samples) -> Self {
        let unit = recording.head_unit.clone();
        let duration_s = recording.duration_s();
        let gaps = recording.gaps();
        let interval_s = recording.sampling_interval_s();
        let stores = recording.storage();
        let regular = gaps.is_empty() && recording.crowded() == 0;
        Self {
            file: recording.file.display().to_string(),
            format: recording.format.word(),
            bytes: recording.bytes,
            sha256: recording.sha256.clone(),
            head_unit: DeviceFacts {
                kind: None,
                name: None,
                maker: unit.maker,
                product: unit.product,
                serial: unit.serial,
                firmware: unit.firmware,
                battery: None,
                battery_voltage_v: None,
                source: None,
            },
            start: utc(recording.start),
            end: utc(recording.start + TimeDelta::milliseconds((duration_s * 1000.0).round() as i64)),
            duration_s,
            records: recording.samples.len() + replaced.len(),
            merged: replaced.len(),
            sampling: Sampling { interval_s, regular, gaps: gaps.into_iter().map(Stretch::from).collect() },
            channels: recording
                .samples
                .recorded()
                .into_iter()
                .map(|column| ChannelFacts::of(column, &recording.samples, replaced))
                .collect(),
            stores: StorageFacts {
                what: stores.storage.word(),
                stops: stores.stops,
                between: stores.between,
                gradual: stores.gradual,
            },
            summaries: recording.summaries.iter().map(SummaryFacts::of).collect(),
            positions: recording.positions.iter().map(PositionFacts::of).collect(),
            laps: recording.laps.iter().map(|lap| Stretch { start_s: lap.start_s, end_s: lap.end_s }).collect(),
            timer_pauses: pauses(&recording.timer),
            gear_changes: recording.gears.iter().map(GearFacts::of).collect(),
            sensors: recording.sensors.iter().map(DeviceFacts::of).collect(),
            damage: recording.damage.clone(),
            cautions: recording.cautions.clone(),
        }
    }
}

impl From<(f64, f64)> for Stretch {
    fn from((start_s, end_s): (f64, f64)) -> Self {
        Self { start_s, end_s }
    }
}

impl ChannelFacts {
    fn of((name, unit, values): recording::Column, samples: &Samples, replaced: &Samples) -> Self {
        let again = replaced.channel(name).unwrap_or_default();
        let (counts, more) = (samples.counts(name), replaced.counts(name));
        let present = || values.iter().chain(again).flatten().copied();
        let n = counts.values + more.values;
        let sum: f64 = present().sum();
        Self {
            name: name.to_owned(),
            unit: unit.to_owned(),
            n,
            zeros: counts.zeros + more.zeros,
            invalid: counts.invalid + more.invalid,
            missing: counts.missing + more.missing,
            sum,
            sum_of_whole_parts: present().map(f64::trunc).sum(),
            mean: (n > 0).then(|| sum / n as f64),
            min: present().reduce(f64::min),
            max: present().reduce(f64::max),
        }
    }
}

impl SummaryFacts {
    fn of(summary: &HeadUnitSummary) -> Self {
        let HeadUnitSummary { start_s, end_s, timer_s, sport, mean_power_w } = summary.clone();
        Self { start_s, end_s, timer_s, sport, mean_power_w }
    }

    /// `cycling, 1 h 2 min 3 s, timer 58 min 0 s, mean power 201 W`, of what is known.
    fn describe(&self) -> String {
        let parts = [
            self.sport.clone(),
            Some(duration(self.end_s - self.start_s)),
            self.timer_s.map(|timer_s| format!("timer {}", duration(timer_s))),
            self.mean_power_w.map(|w| format!("mean power {w:.0} W")),
        ];
        parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
    }
}

impl PositionFacts {
    fn of(change: &PositionChange) -> Self {
        let position = match change.position {
            RiderPosition::Seated => "seated",
            RiderPosition::Standing => "standing",
        };
        Self { at_s: change.at_s, position }
    }
}

impl GearFacts {
    fn of(gear: &GearChange) -> Self {
        let &GearChange { at_s, front_teeth, rear_teeth, front_number, rear_number } = gear;
        Self { at_s, front_teeth, rear_teeth, front_number, rear_number }
    }
}

impl DeviceFacts {
    fn of(sensor: &Sensor) -> Self {
        let Sensor { kind, name, maker, product, serial, firmware, battery, battery_voltage_v, source } =
            sensor.clone();
        Self { kind, name, maker, product, serial, firmware, battery, battery_voltage_v, source }
    }

    /// `maker product "unit 017", serial 7, firmware 1.80, battery good (3.9 V)`, of what is known.
    fn describe(&self) -> String {
        let own = self.name.as_ref().map(|name| format!("\"{name}\""));
        let name = [&self.kind, &self.maker, &self.product, &own];
        let name: Vec<&str> = name.into_iter().flatten().map(String::as_str).collect();
        let voltage = self.battery_voltage_v.map(|v| format!("{v:.2} V"));
        let parts = [
            (!name.is_empty()).then(|| name.join(" ")),
            self.serial.as_ref().map(|serial| format!("serial {serial}")),
            self.firmware.as_ref().map(|firmware| format!("firmware {firmware}")),
            match (&self.battery, voltage) {
                (Some(battery), Some(voltage)) => Some(format!("battery {battery} ({voltage})")),
                (Some(battery), None) => Some(format!("battery {battery}")),
                (None, voltage) => voltage.map(|voltage| format!("battery {voltage}")),
            },
            self.source.as_ref().map(|source| format!("by {source}")),
        ];
        let known: Vec<String> = parts.into_iter().flatten().collect();
        if known.is_empty() { "not stated".to_owned() } else { known.join(", ") }
    }
}

fn utc(time: DateTime<Utc>) -> String {
    time.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

/// From each stop of the timer to the start after it; a last stop opens no pause.
fn pauses(timer: &[TimerEvent]) -> Vec<Stretch> {
    let mut found = Vec::new();
    let mut stopped_s = None;
    for event in timer {
        match event.kind {
            TimerKind::Stop => stopped_s = stopped_s.or(Some(event.at_s)),
            TimerKind::Start => found.extend(stopped_s.take().map(|start_s| Stretch { start_s, end_s: event.at_s })),
        }
    }
    found
}

fn write_text(report: &Report, out: &mut impl Write) -> std::io::Result<()> {
    for (i, facts) in report.recordings.iter().enumerate() {
        if i > 0 {
            writeln!(out)?;
        }
        write_facts(facts, out)?;
    }
    if !report.recordings.is_empty() && !report.unreadable.is_empty() {
        writeln!(out)?;
    }
    for Unreadable { file, message } in &report.unreadable {
        writeln!(out, "{file}")?;
        line(out, "unreadable", message)?;
    }
    Ok(())
}

fn write_facts(facts: &Facts, out: &mut impl Write) -> std::io::Result<()> {
    writeln!(out, "{}", facts.file)?;
    line(out, "format", &format!("{}, {} bytes, sha256 {}…", facts.format, facts.bytes, &facts.sha256[..12]))?;
    line(out, "head unit", &facts.head_unit.describe())?;
    line(out, "start", &facts.start)?;
    line(out, "duration", &format!("{}, to {}", duration(facts.duration_s), facts.end))?;
    let Sampling { interval_s, regular, gaps } = &facts.sampling;
    let sampling = match (regular, gaps.len()) {
        (true, _) => format!("every {interval_s} s"),
        (false, 0) => format!("every {interval_s} s, irregular"),
        (false, 1) => format!("every {interval_s} s, 1 gap{}", longest(gaps)),
        (false, n) => format!("every {interval_s} s, {n} gaps{}", longest(gaps)),
    };
    let merged = if facts.merged > 0 { format!(" ({} merged)", facts.merged) } else { String::new() };
    line(out, "records", &format!("{}{merged}, {sampling}", facts.records))?;
    line(out, "laps", &facts.laps.len().to_string())?;
    line(out, "pauses", &format!("{}{}", facts.timer_pauses.len(), longest(&facts.timer_pauses)))?;
    line(out, "gears", &format!("{} changes", facts.gear_changes.len()))?;
    if !facts.positions.is_empty() {
        line(out, "position", &format!("{} changes between seated and standing", facts.positions.len()))?;
    }
    for summary in &facts.summaries {
        line(out, "summary", &summary.describe())?;
    }
    let StorageFacts { what, stops, between, gradual } = facts.stores;
    let stops = format!("{stops} sudden stops, {between} with a value between, {gradual} gradual");
    line(out, "stores", &format!("of a second: {what} ({stops})"))?;
    for sensor in &facts.sensors {
        line(out, "sensor", &sensor.describe())?;
    }
    writeln!(
        out,
        "  {:<NAME$} {:>6} {:>6} {:>7} {:>7} {:>9} {:>9} {:>9}  unit",
        "channel", "values", "zeros", "invalid", "missing", "mean", "least", "most"
    )?;
    for channel in &facts.channels {
        write_channel(channel, out)?;
    }
    for sentence in &facts.damage {
        line(out, "damage", sentence)?;
    }
    for sentence in &facts.cautions {
        line(out, "caution", sentence)?;
    }
    Ok(())
}

/// Columns for a channel's name; a longer one has a line of its own.
const NAME: usize = 12;

fn write_channel(channel: &ChannelFacts, out: &mut impl Write) -> std::io::Result<()> {
    let ChannelFacts { name, unit, n, zeros, invalid, missing, .. } = channel;
    let number = |value: Option<f64>| match value {
        None => "-".to_owned(),
        // A hundredth of a degree is a kilometre.
        Some(value) if unit == "°" => format!("{value:.4}"),
        Some(value) if value.abs() >= 100_000.0 => format!("{value:.0}"),
        Some(value) => format!("{value:.2}"),
    };
    let (mean, min, max) = (number(channel.mean), number(channel.min), number(channel.max));
    let name = if name.chars().count() > NAME {
        writeln!(out, "  {name}")?;
        ""
    } else {
        name
    };
    let row =
        format!("  {name:<NAME$} {n:>6} {zeros:>6} {invalid:>7} {missing:>7} {mean:>9} {min:>9} {max:>9}  {unit}");
    writeln!(out, "{}", row.trim_end())
}

/// ` (longest 40 s)`; nothing of nothing.
fn longest(stretches: &[Stretch]) -> String {
    let longest_s = stretches.iter().map(|s| s.end_s - s.start_s).max_by(f64::total_cmp);
    longest_s.map(|s| format!(" (longest {})", duration(s))).unwrap_or_default()
}

/// A label and its text, wrapped at 80 columns under itself.
fn line(out: &mut impl Write, label: &str, text: &str) -> std::io::Result<()> {
    const LABEL: usize = 13;
    const WIDTH: usize = 80;
    let mut row = format!("  {label:<width$}", width = LABEL - 2);
    let mut used = LABEL;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if used > LABEL && used + 1 + length > WIDTH {
            writeln!(out, "{row}")?;
            row = " ".repeat(LABEL);
            used = LABEL;
        } else if used > LABEL {
            row.push(' ');
            used += 1;
        }
        row.push_str(word);
        used += length;
    }
    writeln!(out, "{row}")
}

/// `1 h 18 min 19 s`, without leading zero parts.
fn duration(seconds: f64) -> String {
    let whole = seconds.round() as u64;
    match (whole / 3600, whole / 60 % 60, whole % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, min, s) => format!("{min} min {s} s"),
        (h, min, s) => format!("{h} h {min} min {s} s"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_sentence_is_wrapped_under_itself_within_eighty_columns() {
        let mut out = Vec::new();
        line(&mut out, "caution", &"twelve chars ".repeat(12)).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert!(text.lines().count() > 1);
        assert!(text.lines().all(|l| l.chars().count() <= 80));
        assert!(text.lines().skip(1).all(|l| l.starts_with("             t") || l.starts_with("             c")));
    }

    #[test]
    fn a_pause_lasts_from_its_first_stop_to_the_next_start() {
        let event = |at_s, kind| TimerEvent { at_s, kind };
        let timer = [
            event(0.0, TimerKind::Start),
            event(10.0, TimerKind::Stop),
            event(12.0, TimerKind::Stop),
            event(40.0, TimerKind::Start),
            event(90.0, TimerKind::Stop),
        ];
        let found: Vec<_> = pauses(&timer).iter().map(|p| (p.start_s, p.end_s)).collect();
        assert_eq!(found, [(10.0, 40.0)]);
    }

    #[test]
    fn durations_read_as_a_person_says_them() {
        assert_eq!(duration(4699.0), "1 h 18 min 19 s");
        assert_eq!(duration(61.4), "1 min 1 s");
        assert_eq!(duration(0.0), "0 s");
    }
}
