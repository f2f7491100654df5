use std::io::Write;
use std::path::PathBuf;

use anyhow::Context;
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use rayon::prelude::*;
use serde::Serialize;

use super::Exit;
use crate::recording::{self, GearChange, Recording, Samples, Sensor, TimerEvent, TimerKind};

/// Show what recordings hold
#[derive(Debug, clap::Args)]
pub struct InspectArgs {
    /// Recordings (FIT or CSV, told by content)
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Print JSON instead
    #[arg(long)]
    json: bool,
}

pub fn run(args: &InspectArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let mut report = Report { recordings: Vec::new(), unreadable: Vec::new() };
    let results: Vec<_> = args.files.par_iter().map(|file| recording::read_keeping_replaced(file)).collect();
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
    laps: Vec<Stretch>,
    timer_pauses: Vec<Stretch>,
    gear_changes: Vec<GearFacts>,
    sensors: Vec<DeviceFacts>,
    damage: Vec<String>,
    cautions: Vec<String>,
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
    sum: f64,
    /// Of each value without its fractional part, so that it can be compared with readers that ignore it.
    sum_of_whole_parts: f64,
    mean: f64,
    min: f64,
    max: f64,
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
        // A step of less than half an interval is as irregular as a gap.
        let regular = gaps.is_empty() && recording.samples.time_s.windows(2).all(|w| w[1] - w[0] >= interval_s / 2.0);
        Self {
            file: recording.file.display().to_string(),
            format: recording.format.word(),
            bytes: recording.bytes,
            sha256: recording.sha256.clone(),
            head_unit: DeviceFacts {
                kind: None,
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
                .channels()
                .into_iter()
                .map(|column| ChannelFacts::of(column, replaced.channel(column.0).unwrap_or_default()))
                .collect(),
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
    fn of((name, unit, values): recording::Column, replaced: &[Option<f64>]) -> Self {
        let present = || values.iter().chain(replaced).flatten().copied();
        let n = present().count();
        let sum: f64 = present().sum();
        Self {
            name: name.to_owned(),
            unit: unit.to_owned(),
            n,
            sum,
            sum_of_whole_parts: present().map(f64::trunc).sum(),
            mean: sum / n as f64,
            min: present().fold(f64::INFINITY, f64::min),
            max: present().fold(f64::NEG_INFINITY, f64::max),
        }
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
        let Sensor { kind, maker, product, serial, firmware, battery, battery_voltage_v, source } = sensor.clone();
        Self { kind, maker, product, serial, firmware, battery, battery_voltage_v, source }
    }

    /// `maker product, serial 7, firmware 1.80, battery good (3.9 V)`, of what is known.
    fn describe(&self) -> String {
        let name = [&self.kind, &self.maker, &self.product];
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
    for sensor in &facts.sensors {
        line(out, "sensor", &sensor.describe())?;
    }
    let width = facts.channels.iter().map(|c| c.name.chars().count()).fold(7, usize::max);
    writeln!(out, "  {:<width$} {:>8} {:>11} {:>11} {:>11}  unit", "channel", "values", "mean", "least", "most")?;
    for ChannelFacts { name, unit, n, mean, min, max, .. } in &facts.channels {
        // A hundredth of a degree is a kilometre.
        let decimals = if unit == "°" { 5 } else { 2 };
        let row =
            format!("  {name:<width$} {n:>8} {mean:>11.decimals$} {min:>11.decimals$} {max:>11.decimals$}  {unit}");
        writeln!(out, "{}", row.trim_end())?;
    }
    for sentence in &facts.damage {
        line(out, "damage", sentence)?;
    }
    for sentence in &facts.cautions {
        line(out, "caution", sentence)?;
    }
    Ok(())
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
