//! What recordings hold, on a terminal.

use std::io::Write;

use super::facts::{
    ChannelFacts, DeviceFacts, Facts, Report, Sampling, StorageFacts, Stretch, SummaryFacts, Unreadable,
};
use crate::premise::PremiseState;

pub(super) fn write_text(report: &Report, out: &mut impl Write) -> std::io::Result<()> {
    for (i, facts) in report.recordings.iter().enumerate() {
        if i > 0 {
            writeln!(out)?;
        }
        write_facts(facts, out)?;
    }
    write_premises(report, out)?;
    if !report.recordings.is_empty() && !report.unreadable.is_empty() {
        writeln!(out)?;
    }
    for Unreadable { file, message } in &report.unreadable {
        writeln!(out, "{file}")?;
        line(out, "unreadable", message)?;
    }
    Ok(())
}

/// What they contradict; where nothing is contradicted, what of several was held against each other.
fn write_premises(report: &Report, out: &mut impl Write) -> std::io::Result<()> {
    let of = |state: PremiseState| report.premises.iter().filter(move |premise| premise.state == state.word());
    let (contradicted, untested) = (PremiseState::Contradicted, PremiseState::Untested);
    let alone = report.recordings.len() < 2;
    if report.recordings.is_empty() || alone && of(contradicted).next().is_none() {
        return Ok(());
    }
    writeln!(out, "\n{}", if alone { "what it says of itself" } else { "what they say of each other" })?;
    for premise in of(contradicted) {
        wrapped(out, TOLD, contradicted.word(), &premise.evidence)?;
    }
    for premise in of(untested) {
        wrapped(out, TOLD, untested.word(), &format!("{}: {}", premise.premise, premise.evidence))?;
    }
    let everywhere = |word: &&str| of(contradicted).chain(of(untested)).all(|other| other.premise != *word);
    let mut held: Vec<&str> = of(PremiseState::Held).map(|premise| premise.premise).filter(everywhere).collect();
    held.dedup();
    if held.is_empty() { Ok(()) } else { wrapped(out, TOLD, PremiseState::Held.word(), &held.join(", ")) }
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

/// Columns for a label of a recording's facts, and for the state of a premise.
const LABEL: usize = 13;
const TOLD: usize = 16;

fn line(out: &mut impl Write, label: &str, text: &str) -> std::io::Result<()> {
    wrapped(out, LABEL, label, text)
}

/// A label of `indent` columns and its text, wrapped at 80 columns under itself.
fn wrapped(out: &mut impl Write, indent: usize, label: &str, text: &str) -> std::io::Result<()> {
    const WIDTH: usize = 80;
    let mut row = format!("  {label:<width$}", width = indent - 2);
    let mut used = indent;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if used > indent && used + 1 + length > WIDTH {
            writeln!(out, "{row}")?;
            row = " ".repeat(indent);
            used = indent;
        } else if used > indent {
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

impl SummaryFacts {
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

impl DeviceFacts {
    /// `maker product "unit 017", serial 7, firmware 1.80, battery good (3.9 V)`, of what is known.
    fn describe(&self) -> String {
        let own = self.name.as_ref().map(|name| format!("\"{name}\""));
        let name = [&self.kind, &self.maker, &self.product, &own];
        let name: Vec<&str> = name.into_iter().flatten().map(String::as_str).collect();
        let voltage = self.battery_voltage_v.map(|v| format!("{v:.2} V"));
        let parts = [
            (!name.is_empty()).then(|| name.join(" ")),
            self.serial.as_ref().map(|serial| format!("serial {serial}")),
            self.number.as_ref().map(|number| format!("heard by number {number}")),
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
    fn durations_read_as_a_person_says_them() {
        assert_eq!(duration(4699.0), "1 h 18 min 19 s");
        assert_eq!(duration(61.4), "1 min 1 s");
        assert_eq!(duration(0.0), "0 s");
    }
}
