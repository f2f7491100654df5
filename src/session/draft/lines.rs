//! The lines of a drafted session file.

use std::path::Path;

use super::instruments::DraftedInstrument;
use super::rides::{HeadUnitRecordings, end};
use super::texts::{path, quoted, utc};
use crate::recording::{GearChange, Recording, Sensor};

const PLACES: &str = "where it measures: pedals, crank, spindle, spider or hub";
const SIDES: &str = "both, left doubled, right doubled or total";

const BY_NUMBER: &str = "  # the number that it is heard by, as no serial number is recorded";

pub(super) fn ask(key: &str, hint: &str) -> String {
    format!("{key}: ?  # {hint}")
}

pub(super) fn unit_lines(unit: &DraftedInstrument, because: Option<&str>, folder: &Path) -> Vec<String> {
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
pub(super) fn reference_labels(references: &[&DraftedInstrument]) -> Vec<String> {
    let mut labels: Vec<String> = vec![];
    for found in references {
        let numbers = (1..).map(|n| quoted(&format!("reference {n}")));
        labels.extend(found.label("reference").into_iter().chain(numbers).find(|label| !labels.contains(label)));
    }
    labels
}

pub(super) fn reference_lines(reference: &DraftedInstrument, label: String, folder: &Path) -> Vec<String> {
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

pub(super) fn unrecorded_reference() -> Vec<String> {
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
    let mut text = |key: &str, value: Option<String>, because: &str| {
        // A device that calls itself `?` has not said anything, and the session would ask for it.
        let said = value.map(|value| quoted(&value)).filter(|v| !matches!(v.as_str(), "\"\"" | "\"?\"" | "\"？\""));
        lines.extend(said.map(|value| format!("{key}: {value}{because}")));
    };
    if let Some(sensor) = found.sensor() {
        text("model", joined(&[&sensor.maker, &sensor.product], " "), "");
        let by_number = if sensor.serial.is_none() { BY_NUMBER } else { "" };
        text("serial", sensor.known_by().map(str::to_owned), by_number);
        text("firmware", sensor.firmware.clone(), "");
        let voltage = sensor.battery_voltage_v.map(|v| format!("{v:.2} V"));
        text("battery", joined(&[&sensor.battery, &voltage], ", "), "");
    }
    let unit = found.recordings.first().map(|r| r.head_unit.clone()).unwrap_or_default();
    let serial = unit.serial.map(|serial| format!("serial {serial}"));
    let firmware = unit.firmware.map(|firmware| format!("firmware {firmware}"));
    text("head_unit", joined(&[&joined(&[&unit.maker, &unit.product], " "), &serial, &firmware], ", "), "");
    if found.sensor().is_none() {
        let sensor = |s: &&Sensor| {
            let serial = s.known_by().map(|serial| format!("serial {serial}"));
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

pub(super) fn date(head_units: &[HeadUnitRecordings]) -> Option<String> {
    let dated = || head_units.iter().flatten().filter(|r| r.is_dated());
    let from = dated().map(|r| r.start).min()?;
    let to = dated().map(|r| end(r)).max()?;
    Some(format!("date: {}  # recorded from {} to {}", from.format("%Y-%m-%d"), utc(from), utc(to)))
}

pub(super) fn drivetrain(recordings: &[&Recording]) -> Vec<String> {
    let teeth = |of: fn(&GearChange) -> Option<u32>| {
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
pub(super) fn measured(recordings: &[&Recording]) -> String {
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
