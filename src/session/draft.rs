//! A session file to fill in, from recordings: what they say is filled in, `?` stands where only a person knows.

use std::fmt::Write as _;
use std::path::{Component, Path, PathBuf};

use chrono::{DateTime, TimeDelta, Utc};

use crate::protocol::Protocol;
use crate::recording::{Recording, Sensor};

/// Recordings of one ride share at least this, or half of the shorter one.
const SHARED_S: f64 = 60.0;
/// A head unit restarted within this time is still on the same ride: a cold soak, a lunch. Common practice, no source.
const RESTART_S: f64 = 3.0 * 3600.0;
/// Two readings of one ride follow each other at least this closely; a lap's mean or an intensity does not.
const ALIKE: f64 = 0.8;

/// A drafted session file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Draft {
    pub text: String,
    /// How many `?` are left to fill in.
    pub asked: usize,
    /// Sentences about recordings that are no part of it.
    pub left_out: Vec<String>,
}

/// Drafts the session of one ride.
///
/// Recordings are one ride if they overlap in time; one that begins where another of the same head unit and power
/// sensor ended is its restart. Whatever fits neither is left out, with a sentence. `folder` is where the draft will
/// lie: paths start there. `None` if no recording holds power.
pub fn draft(recordings: &[Recording], protocol: Option<&Protocol>, folder: &Path) -> Option<Draft> {
    let mut left_out = vec![];
    let strands = one_ride(restarts(with_power(recordings, &mut left_out)), &mut left_out);
    let found: Vec<DraftedInstrument> = strands.iter().flat_map(|strand| instruments(strand)).collect();
    if found.is_empty() {
        return None;
    }
    let (unit, because) = unit_among(&found);
    // Session time is the first reference's clock; a trainer is the least suited.
    let mut references: Vec<&DraftedInstrument> =
        found.iter().enumerate().filter(|(i, _)| *i != unit).map(|(_, f)| f).collect();
    references.sort_by_key(|found| found.is_trainer());

    let mut text = String::from(
        "# Drafted from recordings. Replace each `?`. A line that does not apply may go, except for `label`,\n\
         # `located`, `uncertainty` and `recording`. Then: assize check, assize judge.\n\
         # A laboratory adds: laboratory, address, customer, issued; of the unit: received, condition.\n",
    );
    for sentence in &left_out {
        let _ = writeln!(text, "# Left out: {sentence}");
    }
    let mut lines = vec!["assize_session: 1".to_owned()];
    lines.push(match protocol {
        Some(protocol) => format!("protocol: {}", path(&protocol.file, folder)),
        None => ask("protocol", "what was ridden, as in bench.yaml; without this line the whole ride is compared"),
    });
    lines.push(ask("tester", "who rode, as in tester A"));
    lines.push(ask("place", "where, as in north bench"));
    lines.extend(date(&strands));
    lines.push("unit:".to_owned());
    lines.extend(unit_lines(&found[unit], because, folder).iter().map(|line| format!("  {line}")));
    lines.push("references:".to_owned());
    let missing = protocol.map_or(1, |p| p.needs.references.max(1)).saturating_sub(references.len());
    let labels = reference_labels(&references);
    let blocks = references.iter().zip(labels).map(|(found, label)| reference_lines(found, label, folder));
    for block in blocks.chain((0..missing).map(|_| unrecorded_reference())) {
        let bullets = std::iter::once("  - ").chain(std::iter::repeat("    "));
        lines.extend(bullets.zip(block).map(|(bullet, line)| format!("{bullet}{line}")));
    }
    let recordings: Vec<&Recording> = strands.concat();
    lines.extend(drivetrain(&recordings));
    lines.push("conditions:".to_owned());
    lines.push(format!("  {}", ask("temperature", &format!("of the air, as in 19 °C{}", measured(&recordings)))));
    lines.push(format!("  {}", ask("crank_length", "as in 172.5 mm")));
    lines.push("readings:".to_owned());
    lines.push(format!("  {}", ask("zero_before", "the unit's zero offset before the ride, as in 12")));
    lines.push(format!("  {}", ask("zero_after", "and after it")));
    lines.push("# remarks:".to_owned());
    lines.push("#   - { at: \"14:32:10\", text: chain dropped }".to_owned());

    let asked = lines.iter().filter(|l| l.split_once(": ").is_some_and(|(_, v)| v.starts_with("?  #"))).count();
    lines.iter().for_each(|line| text.push_str(&format!("{line}\n")));
    Some(Draft { text, asked, left_out })
}

// ---- which recordings belong together ----

/// The recordings of one head unit, in order of time: several where it was restarted.
type HeadUnitRecordings<'a> = Vec<&'a Recording>;

fn with_power<'a>(recordings: &'a [Recording], left_out: &mut Vec<String>) -> Vec<&'a Recording> {
    let mut kept: Vec<&Recording> = vec![];
    for recording in recordings {
        let name = quoted(&recording.file.to_string_lossy());
        if let Some(twin) = kept.iter().find(|k| k.sha256 == recording.sha256) {
            left_out.push(format!("{name} is the same file as {}", quoted(&twin.file.to_string_lossy())));
        } else if power_fields(recording).is_empty() {
            left_out.push(format!("{name} holds no power"));
        } else {
            kept.push(recording);
        }
    }
    kept
}

/// In the order in which their first recordings were given.
fn restarts(given: Vec<&Recording>) -> Vec<HeadUnitRecordings<'_>> {
    let mut by_time: Vec<usize> = (0..given.len()).collect();
    by_time.sort_by_key(|&i| given[i].start);
    let mut strands: Vec<Vec<usize>> = vec![];
    for i in by_time {
        let ended = |strand: &&mut Vec<usize>| strand.last().is_some_and(|&last| is_restart(given[last], given[i]));
        match strands.iter_mut().find(ended) {
            Some(strand) => strand.push(i),
            None => strands.push(vec![i]),
        }
    }
    strands.sort_by_key(|strand| strand.iter().min().copied());
    strands.into_iter().map(|strand| strand.into_iter().map(|i| given[i]).collect()).collect()
}

fn is_restart(earlier: &Recording, later: &Recording) -> bool {
    let unit = |r: &Recording| (r.head_unit.maker.clone(), r.head_unit.product.clone(), r.head_unit.serial.clone());
    let sensors = |r: &Recording| power_sensors(r).iter().map(|s| s.serial.clone()).collect::<Vec<_>>();
    let known = later.head_unit.serial.is_some() || later.head_unit.product.is_some();
    let pause_s = seconds(later.start - end(earlier));
    let dated = earlier.is_dated() && later.is_dated();
    dated
        && known
        && unit(earlier) == unit(later)
        && sensors(earlier) == sensors(later)
        && (0.0..=RESTART_S).contains(&pause_s)
}

/// The most strands that hang together by overlapping; undated ones stay, for nothing says that they don't.
fn one_ride<'a>(strands: Vec<HeadUnitRecordings<'a>>, left_out: &mut Vec<String>) -> Vec<HeadUnitRecordings<'a>> {
    let mut ride: Vec<usize> = (0..strands.len()).collect();
    for i in 0..strands.len() {
        for j in 0..i {
            if ride[i] != ride[j] && overlap(&strands[i], &strands[j]) {
                let (from, to) = (ride[i].max(ride[j]), ride[i].min(ride[j]));
                ride.iter_mut().filter(|r| **r == from).for_each(|r| *r = to);
            }
        }
    }
    let dated = |i: usize| strands[i].iter().all(|r| r.is_dated());
    let size = |n: usize| (0..strands.len()).filter(|&i| dated(i) && ride[i] == n).count();
    let main = (0..strands.len()).rev().max_by_key(|&n| size(n));
    let kept: Vec<bool> = (0..strands.len()).map(|i| !dated(i) || Some(ride[i]) == main).collect();
    for recording in strands.iter().zip(&kept).filter(|(_, kept)| !**kept).flat_map(|(strand, _)| strand) {
        left_out.push(format!(
            "{}, {} to {}, overlaps none of the others and is no restart of one's head unit and sensor; \
             draft another ride by itself, or add the file to an instrument's `recording: [ , ]`",
            quoted(&recording.file.to_string_lossy()),
            utc(recording.start),
            utc(end(recording)),
        ));
    }
    strands.into_iter().zip(kept).filter(|(_, kept)| *kept).map(|(strand, _)| strand).collect()
}

fn overlap(one: &[&Recording], other: &[&Recording]) -> bool {
    one.iter().any(|a| {
        other.iter().any(|b| {
            let shared_s = seconds(end(a).min(end(b)) - a.start.max(b.start));
            shared_s >= SHARED_S.min(a.duration_s().min(b.duration_s()) / 2.0)
        })
    })
}

fn end(recording: &Recording) -> DateTime<Utc> {
    recording.start + TimeDelta::milliseconds((recording.duration_s() * 1000.0) as i64)
}

fn seconds(span: TimeDelta) -> f64 {
    span.num_milliseconds() as f64 / 1000.0
}

// ---- what a recording says of its instruments ----

/// One instrument, as far as its recordings tell.
struct DraftedInstrument<'a> {
    recordings: &'a [&'a Recording],
    /// The field of its power, where it is not the usual one.
    power: Option<String>,
    /// The power sensors that it may be.
    sensors: Vec<&'a Sensor>,
    shares_recording: bool,
}

fn instruments<'a>(recordings: &'a [&'a Recording]) -> Vec<DraftedInstrument<'a>> {
    let Some(first) = recordings.first() else { return vec![] };
    let fields = power_fields(first);
    let shares_recording = fields.len() > 1;
    let found = |power| DraftedInstrument { recordings, power, sensors: power_sensors(first), shares_recording };
    fields.into_iter().map(found).collect()
}

/// The fields that hold an instrument's power; `None` is the usual one.
fn power_fields(recording: &Recording) -> Vec<Option<String>> {
    let main = recording.samples.channel("power");
    let further = recording.samples.extra.iter().filter(|(name, values)| {
        let name = name.to_lowercase();
        (name.contains("power") || name.contains("watt")) && main.is_none_or(|main| alike(main, values))
    });
    main.map(|_| None).into_iter().chain(further.map(|(name, _)| Some(name.clone()))).collect()
}

/// Whether two channels may be two readings of one power: near in mean, and rising and falling together.
fn alike(one: &[Option<f64>], other: &[Option<f64>]) -> bool {
    let both: Vec<(f64, f64)> = one.iter().zip(other).filter_map(|(a, b)| Some(((*a)?, (*b)?))).collect();
    let n = both.len() as f64;
    let (mean_a, mean_b) = (both.iter().map(|p| p.0).sum::<f64>() / n, both.iter().map(|p| p.1).sum::<f64>() / n);
    let sum = |f: fn(f64, f64) -> f64| both.iter().map(|p| f(p.0 - mean_a, p.1 - mean_b)).sum::<f64>();
    let correlation = sum(|a, b| a * b) / (sum(|a, _| a * a) * sum(|_, b| b * b)).sqrt();
    (0.5..2.0).contains(&(mean_b / mean_a)) && correlation >= ALIKE
}

const TRAINER_KINDS: [&str; 2] = ["fitness equipment", "bike trainer"];

fn power_sensors(recording: &Recording) -> Vec<&Sensor> {
    let kind =
        |sensor: &&Sensor| sensor.kind.as_deref().is_some_and(|k| k == "bike power" || TRAINER_KINDS.contains(&k));
    recording.sensors.iter().filter(kind).collect()
}

impl DraftedInstrument<'_> {
    /// Its sensor, if there is only one that it can be.
    fn sensor(&self) -> Option<&Sensor> {
        match self.sensors[..] {
            [sensor] if !self.shares_recording => Some(sensor),
            _ => None,
        }
    }

    fn is_trainer(&self) -> bool {
        self.sensor().and_then(|s| s.kind.as_deref()).is_some_and(|kind| TRAINER_KINDS.contains(&kind))
    }

    fn called_unit(&self) -> bool {
        self.power.is_none()
            && self.recordings.iter().all(|r| {
                let stem = r.file.file_stem().unwrap_or_default().to_string_lossy().to_lowercase();
                stem.split(|c: char| !c.is_alphabetic()).any(|word| word == "unit")
            })
    }

    /// A neutral name with the serial number that the file states.
    fn label(&self, role: &str) -> Option<String> {
        Some(quoted(&format!("{role} {}", self.sensor()?.serial.as_ref()?.trim())))
    }
}

/// Which is the unit under test, and what says so.
fn unit_among(found: &[DraftedInstrument]) -> (usize, Option<&'static str>) {
    let only = |is: &dyn Fn(&DraftedInstrument) -> bool| {
        let mut those = found.iter().enumerate().filter(|(_, f)| is(f)).map(|(i, _)| i);
        those.next().filter(|_| those.next().is_none())
    };
    if let Some(i) = only(&|f| f.called_unit()) {
        return (i, Some("its file's name says that it is the unit"));
    }
    match only(&|f| !f.is_trainer()) {
        Some(i) if found.len() > 1 => (i, Some("taken for the unit, as every other one is a trainer")),
        _ => (found.iter().position(|f| !f.is_trainer()).unwrap_or(0), None),
    }
}

// ---- lines ----

const PLACES: &str = "where it measures: pedals, crank, spindle, spider or hub";
const SIDES: &str = "both, left doubled, right doubled or total";

fn ask(key: &str, hint: &str) -> String {
    format!("{key}: ?  # {hint}")
}

fn unit_lines(unit: &DraftedInstrument, because: Option<&str>, folder: &Path) -> Vec<String> {
    let label = match (because, unit.label("unit")) {
        (Some(because), Some(label)) => format!("label: {label}  # {because}"),
        (Some(because), None) => ask("label", &format!("as in unit 017; {because}")),
        (None, _) => ask("label", "as in unit 017, if this is the unit: nothing says so. If not, give its file first"),
    };
    let mut lines = vec![label];
    lines.extend(instrument_lines(unit, folder));
    lines.push(ask("claimed", "what its maker claims (k = 2), as in 1.5 %"));
    lines
}

/// By serial number, else (or where two head units heard one instrument) by the least number that is free.
fn reference_labels(references: &[&DraftedInstrument]) -> Vec<String> {
    let mut labels: Vec<String> = vec![];
    for found in references {
        let numbers = (1..).map(|n| quoted(&format!("reference {n}")));
        labels.extend(found.label("reference").into_iter().chain(numbers).find(|label| !labels.contains(label)));
    }
    labels
}

fn reference_lines(reference: &DraftedInstrument, label: String, folder: &Path) -> Vec<String> {
    let mut lines = vec![format!("label: {label}")];
    lines.extend(instrument_lines(reference, folder));
    lines.push(match reference.is_trainer() {
        true => ask("mode", "resistance or constant power"),
        false => "# mode: resistance, or constant power, if it is a trainer".to_owned(),
    });
    lines.push(ask("uncertainty", "expanded (k = 2), from its certificate or data sheet, as in 1.0 % or 2 W"));
    lines.push("# certificate: { number: P-12, date: 2026-03-02 }".to_owned());
    lines
}

fn unrecorded_reference() -> Vec<String> {
    vec![
        ask("label", "what the unit is judged against, as in pedal pair P; no recording of it was given"),
        ask("located", PLACES),
        ask("sides", SIDES),
        ask("uncertainty", "expanded (k = 2), from its certificate or data sheet, as in 1.0 % or 2 W"),
        ask("recording", "its file, as in pedals-p.fit"),
    ]
}

fn instrument_lines(found: &DraftedInstrument, folder: &Path) -> Vec<String> {
    let files: Vec<String> = found.recordings.iter().map(|r| path(&r.file, folder)).collect();
    let mut lines = vec![match &files[..] {
        [file] => format!("recording: {file}"),
        files => format!("recording: [{}]", files.join(", ")),
    }];
    if let Some(field) = &found.power {
        lines.push(format!("power: {}  # an instrument of its own? If not, delete its lines", quoted(field)));
    }
    let has_sides =
        found.power.is_none() && found.recordings.iter().any(|r| r.samples.channel("right_share").is_some());
    lines.push(if found.is_trainer() { "located: hub".to_owned() } else { ask("located", PLACES) });
    lines.push(match (has_sides, found.is_trainer()) {
        (true, _) => "sides: both".to_owned(),
        (false, true) => "sides: total".to_owned(),
        (false, false) => ask("sides", SIDES),
    });
    let mut text = |key: &str, value: Option<String>| {
        // A device that calls itself `?` has not said anything, and the session would ask for it.
        let said = value.map(|value| quoted(&value)).filter(|v| !matches!(v.as_str(), "\"\"" | "\"?\"" | "\"？\""));
        lines.extend(said.map(|value| format!("{key}: {value}")));
    };
    if let Some(sensor) = found.sensor() {
        text("model", joined(&[&sensor.maker, &sensor.product], " "));
        text("serial", sensor.serial.clone());
        text("firmware", sensor.firmware.clone());
        let voltage = sensor.battery_voltage_v.map(|v| format!("{v:.2} V"));
        text("battery", joined(&[&sensor.battery, &voltage], ", "));
    }
    let unit = found.recordings.first().map(|r| r.head_unit.clone()).unwrap_or_default();
    let serial = unit.serial.map(|serial| format!("serial {serial}"));
    let firmware = unit.firmware.map(|firmware| format!("firmware {firmware}"));
    text("head_unit", joined(&[&joined(&[&unit.maker, &unit.product], " "), &serial, &firmware], ", "));
    if found.sensor().is_none() {
        let sensor = |s: &&Sensor| {
            let serial = s.serial.as_ref().map(|serial| format!("serial {serial}"));
            let firmware = s.firmware.as_ref().map(|firmware| format!("firmware {firmware}"));
            joined(&[&s.kind, &s.product, &serial, &firmware], " ").map(|text| quoted(&text))
        };
        let sensors: Vec<String> = found.sensors.iter().filter_map(sensor).collect();
        if !sensors.is_empty() {
            lines.push(format!("# its `serial` and `firmware` are of one of these: {}", sensors.join(", ")));
        }
    }
    if !found.recordings.iter().all(|r| r.is_dated()) {
        lines.push("# its times have no true date: judge aligns it by shared channels only, if at all".to_owned());
    }
    lines
}

fn date(strands: &[HeadUnitRecordings]) -> Option<String> {
    let dated = || strands.iter().flatten().filter(|r| r.is_dated());
    let from = dated().map(|r| r.start).min()?;
    let to = dated().map(|r| end(r)).max()?;
    Some(format!("date: {}  # recorded from {} to {}", from.format("%Y-%m-%d"), utc(from), utc(to)))
}

fn drivetrain(recordings: &[&Recording]) -> Vec<String> {
    let teeth = |of: fn(&crate::recording::GearChange) -> Option<u32>| {
        let mut teeth: Vec<u32> = recordings.iter().flat_map(|r| &r.gears).filter_map(of).filter(|n| *n >= 5).collect();
        teeth.sort_unstable();
        teeth.dedup();
        teeth
    };
    let list = |teeth: &[u32]| teeth.iter().map(u32::to_string).collect::<Vec<_>>().join(", ");
    let (mut rings, cogs) = (teeth(|g| g.front_teeth), teeth(|g| g.rear_teeth));
    rings.reverse();
    let rings = match rings[..] {
        [] => ask("chainrings", "teeth, as in [52, 36]"),
        [one] => ask("chainrings", &format!("teeth, as in [52, 36]; only {one} was used")),
        _ => format!("chainrings: [{}]  # from the gear changes", list(&rings)),
    };
    let cogs = match cogs[..] {
        [] => ask("cassette", "teeth, as in [11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28, 30]"),
        _ => format!("cassette: [{}]  # from the gear changes; add the cogs that were not used", list(&cogs)),
    };
    let wheel = ask("wheel", "circumference, as in 2105 mm");
    let indented = [rings, cogs, wheel].map(|line| format!("  {line}"));
    std::iter::once("drivetrain:".to_owned()).chain(indented).collect()
}

/// What the recordings measured, for whoever has no thermometer.
fn measured(recordings: &[&Recording]) -> String {
    let all = || recordings.iter().flat_map(|r| r.samples.temperature_c.iter().flatten().copied());
    let (low, high) = (all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max));
    if low > high {
        return String::new();
    }
    format!("; the recordings have {low} to {high} °C, warmed by whatever the sensor sits on")
}

fn joined(parts: &[&Option<String>], by: &str) -> Option<String> {
    let known: Vec<&str> = parts.iter().filter_map(|part| part.as_deref()).collect();
    (!known.is_empty()).then(|| known.join(by))
}

fn utc(time: DateTime<Utc>) -> String {
    time.format("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// A text from a file as a YAML scalar on one line. What could not be shown (control characters, marks that turn
/// the direction of writing) becomes `�`.
fn quoted(text: &str) -> String {
    let shown = |c: char| {
        let unseen =
            c.is_control() || matches!(c, '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
        if unseen || matches!(c, '\u{feff}' | '\u{fffe}' | '\u{ffff}') { '\u{fffd}' } else { c }
    };
    let mut quoted = String::from("\"");
    for c in text.trim().chars().map(shown) {
        if matches!(c, '"' | '\\') {
            quoted.push('\\');
        }
        quoted.push(c);
    }
    quoted + "\""
}

fn path(file: &Path, folder: &Path) -> String {
    let path = relative(file, folder);
    let path = path.to_string_lossy();
    // A slash works everywhere.
    quoted(&if cfg!(windows) { path.replace('\\', "/") } else { path.into_owned() })
}

/// `file` as seen from `folder`; as it is where either can't be resolved.
pub(crate) fn relative(file: &Path, folder: &Path) -> PathBuf {
    let (Ok(target), Ok(from)) = (file.canonicalize(), folder.canonicalize()) else { return file.to_owned() };
    let common = target.components().zip(from.components()).take_while(|(a, b)| a == b).count();
    let up = from.components().skip(common).map(|_| Component::ParentDir);
    up.chain(target.components().skip(common)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::{Format, GearChange, HeadUnit, Samples};

    /// A recording of a head unit and a sensor by their serial numbers, from and to these minutes.
    fn recording(file: &str, serials: (&str, &str), minutes: (i64, i64)) -> Recording {
        let length = (minutes.1 - minutes.0) as usize * 60 + 1;
        let sensor = Sensor { kind: Some("bike power".into()), serial: Some(serials.1.into()), ..Sensor::default() };
        Recording {
            file: file.into(),
            sha256: file.into(),
            bytes: 1,
            format: Format::Fit,
            head_unit: HeadUnit { serial: Some(serials.0.into()), ..HeadUnit::default() },
            start: DateTime::from_timestamp(1_795_267_800 + minutes.0 * 60, 0).unwrap(),
            samples: Samples {
                time_s: (0..length).map(|i| i as f64).collect(),
                power_w: (0..length).map(|i| Some(150.0 + (i % 97) as f64)).collect(),
                ..Samples::default()
            },
            laps: vec![],
            timer: vec![],
            gears: vec![],
            positions: vec![],
            summaries: vec![],
            sensors: vec![sensor],
            damage: vec![],
            cautions: vec![],
        }
    }

    fn drafted(recordings: &[Recording]) -> Draft {
        draft(recordings, None, Path::new("")).unwrap()
    }

    #[test]
    fn a_restart_joins_its_instrument_and_another_ride_is_left_out_aloud() {
        let draft = drafted(&[
            recording("a.fit", ("1", "17"), (0, 30)),
            recording("b.fit", ("2", "18"), (0, 75)),
            recording("a2.fit", ("1", "17"), (35, 75)),
            recording("c.fit", ("3", "19"), (80, 90)),
            recording("other-sensor.fit", ("1", "20"), (90, 99)),
        ]);
        assert!(draft.text.contains("recording: [\"a.fit\", \"a2.fit\"]"), "{}", draft.text);
        assert_eq!(draft.left_out.len(), 2);
        assert!(draft.left_out[0].starts_with("\"c.fit\", 2026-11-21T14:50:00Z to"), "{:?}", draft.left_out);
        assert!(draft.left_out[1].starts_with("\"other-sensor.fit\""));
        assert!(draft.text.contains("# Left out: \"c.fit\""));
    }

    #[test]
    fn what_holds_no_power_or_came_twice_is_no_instrument() {
        let (a, b) = (recording("a.fit", ("1", "17"), (0, 9)), recording("b.fit", ("2", "18"), (0, 9)));
        let twin = Recording { file: "a-copy.fit".into(), ..a.clone() };
        let mut strap = recording("strap.fit", ("3", "19"), (0, 9));
        strap.samples.power_w.clear();
        assert_eq!(draft(std::slice::from_ref(&strap), None, Path::new("")), None);
        let left_out = drafted(&[a, twin, b, strap]).left_out;
        assert_eq!(left_out, ["\"a-copy.fit\" is the same file as \"a.fit\"", "\"strap.fit\" holds no power"]);
    }

    #[test]
    fn the_unit_is_told_by_its_files_name_or_by_the_trainers_else_it_is_asked_for() {
        let (a, mut b) = (recording("a.fit", ("1", "17"), (0, 9)), recording("b.fit", ("2", "18"), (0, 9)));
        let unit_label = |draft: Draft| draft.text.lines().skip_while(|l| *l != "unit:").nth(1).unwrap().to_owned();
        assert!(unit_label(drafted(&[a.clone(), b.clone()])).starts_with("  label: ?  # "));
        let named = Recording { file: "my_Unit-2.fit".into(), ..b.clone() };
        assert!(unit_label(drafted(&[a.clone(), named])).starts_with("  label: \"unit 18\"  # its file's name"));
        b.sensors[0].kind = Some("fitness equipment".into());
        let draft = drafted(&[b, a]);
        assert!(draft.text.contains("located: hub\n    sides: total"), "{}", draft.text);
        assert!(unit_label(draft).starts_with("  label: \"unit 17\"  # taken for the unit"));
    }

    #[test]
    fn a_second_power_field_is_an_instrument_and_a_mean_of_the_first_is_not() {
        let mut shared = recording("a.fit", ("1", "17"), (0, 9));
        let power_w = shared.samples.power_w.clone();
        shared.samples.extra.insert("developer power_2".into(), power_w.iter().map(|p| p.map(|p| p + 3.0)).collect());
        shared.samples.extra.insert("lap power".into(), vec![Some(198.0); power_w.len()]);
        let text = drafted(&[shared]).text;
        assert!(text.contains("    recording: \"a.fit\"\n    power: \"developer power_2\"  # "), "{text}");
        assert!(!text.contains("lap power"));
        // Which of the two the only sensor is, nobody can tell.
        assert!(!text.contains("\n  serial:") && text.contains("are of one of these: \"bike power serial 17\""));
    }

    #[test]
    fn one_instrument_heard_by_two_head_units_gets_two_labels() {
        let text = drafted(&[
            recording("unit.fit", ("1", "17"), (0, 9)),
            recording("b.fit", ("2", "18"), (0, 9)),
            recording("c.fit", ("3", "18"), (0, 9)),
        ])
        .text;
        assert!(text.contains("label: \"reference 18\"\n") && text.contains("label: \"reference 1\"\n"));
    }

    #[test]
    fn gears_are_listed_as_they_were_used() {
        let mut ride = recording("a.fit", ("1", "17"), (0, 9));
        let gear = |front, rear| GearChange {
            at_s: 1.0,
            front_teeth: front,
            rear_teeth: rear,
            front_number: None,
            rear_number: None,
        };
        ride.gears = vec![gear(Some(36), Some(15)), gear(Some(52), Some(11)), gear(Some(52), None)];
        let text = drafted(&[ride]).text;
        assert!(text.contains("chainrings: [52, 36]  #") && text.contains("cassette: [11, 15]  #"), "{text}");
    }

    #[test]
    fn a_clock_that_was_never_set_neither_joins_nor_leaves() {
        let mut undated = recording("a.csv", ("1", "17"), (0, 9));
        undated.start = DateTime::from_timestamp(0, 0).unwrap();
        let draft = drafted(&[undated, recording("b.fit", ("2", "18"), (0, 9))]);
        assert_eq!(draft.left_out, [""; 0]);
        assert!(draft.text.contains("# its times have no true date"));
    }
}
