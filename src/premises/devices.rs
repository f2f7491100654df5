//! Whose recording it is: the power sensors that it names against what the session says.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::evidence::Evidence;
use super::tested::TestedPremise;
use crate::premise::{Premise, Takes};
use crate::recording::{Recording, Sensor};
use crate::session::{Instrument, Session, Unit};

/// Serial numbers as they are compared: case, spaces and leading zeros are how people write.
fn plain(serial: &str) -> String {
    let letters: String = serial.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_uppercase).collect();
    let digits = letters.trim_start_matches('0');
    if digits.is_empty() { letters } else { digits.to_owned() }
}

fn is_number(serial: &str) -> bool {
    let plain = plain(serial);
    !plain.is_empty() && plain.chars().all(|c| c.is_ascii_digit())
}

/// What a recording may call a sensor: its serial number, and the number that it is heard by.
fn numbers(sensor: &Sensor) -> impl Iterator<Item = &str> {
    [&sensor.serial, &sensor.number].into_iter().flatten().map(String::as_str)
}

/// An instrument that owns a recording by what the recording says; `None` where it does not say.
fn is_named(instrument: &Instrument, sensor: &Sensor) -> Option<bool> {
    let serial = instrument.serial.as_deref()?;
    let comparable = |number: &&str| is_number(number) == is_number(serial);
    let mut seen = numbers(sensor).filter(comparable).map(|number| plain(number) == plain(serial)).peekable();
    seen.peek()?;
    Some(seen.any(|alike| alike))
}

/// Each recording of the unit and the references against the sensors that it names, then one instrument in two roles, then
/// the firmware.
pub fn own_recordings(session: &Session, unit: &Unit, recordings: &BTreeMap<PathBuf, Recording>) -> Vec<TestedPremise> {
    let instruments: Vec<&Instrument> = instruments(session, unit);
    let mut tested = vec![];
    for instrument in &instruments {
        let read = instrument.recordings.iter().filter_map(|path| recordings.get(path));
        tested.extend(read.map(|recording| own_recording(instrument, recording, &instruments, recordings)));
    }
    tested.extend(twice(&instruments));
    tested.extend(instruments.iter().filter_map(|instrument| firmware(instrument, recordings)));
    tested
}

/// The unit, then the references.
pub(super) fn instruments<'a>(session: &'a Session, unit: &'a Unit) -> Vec<&'a Instrument> {
    std::iter::once(&unit.instrument).chain(session.references.iter().map(|r| &r.instrument)).collect()
}

fn own_recording(
    instrument: &Instrument,
    recording: &Recording,
    all: &[&Instrument],
    recordings: &BTreeMap<PathBuf, Recording>,
) -> TestedPremise {
    let file = recording.file.clone();
    let about = vec![instrument.label.clone()];
    let sensors = recording.power_sensors();
    let untested = |evidence| TestedPremise::untested(Premise::OwnRecording, about.clone(), evidence);
    let held = |evidence| TestedPremise::held(Premise::OwnRecording, about.clone(), evidence);
    let contradicted =
        |evidence| TestedPremise::contradicted(Premise::OwnRecording, about.clone(), evidence, Takes::Verdict);
    let said: Vec<String> = sensors.iter().filter_map(|sensor| sensor.known_by()).map(str::to_owned).collect();
    let own: Vec<Option<bool>> = sensors.iter().map(|sensor| is_named(instrument, sensor)).collect();
    if own.contains(&Some(true)) {
        let serial = instrument.serial.clone().unwrap_or_default();
        return held(Evidence::SerialAlike { file, serial });
    }
    // Another instrument's own recording may hold both, where one head unit heard both.
    let shares = |other: &Instrument| other.recordings.contains(&file);
    let named = |other: &&&Instrument| sensors.iter().any(|sensor| is_named(other, sensor) == Some(true));
    let others = || all.iter().filter(|other| other.label != instrument.label && !shares(other));
    if let Some(other) = others().find(named) {
        let theirs = other.recordings.iter().find(|path| {
            let sensors = recordings.get(*path).map(Recording::power_sensors).unwrap_or_default();
            sensors.iter().any(|sensor| is_named(instrument, sensor) == Some(true))
        });
        return contradicted(Evidence::Exchanged { file, other: other.label.clone(), theirs: theirs.cloned() });
    }
    match (&instrument.serial, said.first()) {
        (Some(stated), Some(says)) if own.contains(&Some(false)) => {
            let (says, stated) = (if said.is_empty() { vec![says.clone()] } else { said.clone() }, stated.clone());
            contradicted(Evidence::OtherSerial { file, says, stated })
        }
        (Some(stated), Some(says)) => {
            untested(Evidence::SerialsNotComparable { file, says: says.clone(), stated: stated.clone() })
        }
        _ => by_product(instrument, recording, all).unwrap_or_else(|| match said.first() {
            Some(says) => untested(Evidence::SerialNotGiven { file, says: says.clone() }),
            None => untested(Evidence::NoSensorNamed { file }),
        }),
    }
}

/// Where no serial numbers can be compared: the product that the recording names is this instrument's, or another's.
fn by_product(instrument: &Instrument, recording: &Recording, all: &[&Instrument]) -> Option<TestedPremise> {
    let products: Vec<&String> =
        recording.power_sensors().iter().filter_map(|sensor| sensor.product.as_ref()).collect();
    let names =
        |of: &Instrument| of.model.as_ref().is_some_and(|model| products.iter().any(|p| plain(p) == plain(model)));
    let file = recording.file.clone();
    let about = vec![instrument.label.clone()];
    if names(instrument) {
        let product = instrument.model.clone()?;
        return Some(TestedPremise::held(Premise::OwnRecording, about, Evidence::ProductAlike { file, product }));
    }
    // A model that the session does not give tells nothing against it.
    instrument.model.as_ref()?;
    let other = all.iter().find(|other| other.label != instrument.label && names(other))?;
    let evidence = Evidence::Exchanged { file, other: other.label.clone(), theirs: other.recordings.first().cloned() };
    Some(TestedPremise::contradicted(Premise::OwnRecording, about, evidence, Takes::Verdict))
}

/// Each serial number that is given to two instruments.
pub(super) fn twice(instruments: &[&Instrument]) -> Vec<TestedPremise> {
    let found = instruments.iter().enumerate().filter_map(|(i, this)| {
        let serial = this.serial.as_deref()?;
        let alike = |other: &&&Instrument| {
            other.serial.as_deref().is_some_and(|theirs| plain(theirs) == plain(serial)) && other.model == this.model
        };
        let other = instruments[..i].iter().find(alike)?;
        let about = vec![other.label.clone(), this.label.clone()];
        let evidence = Evidence::OneInstrumentTwice { serial: serial.to_owned() };
        Some(TestedPremise::contradicted(Premise::OwnRecording, about, evidence, Takes::Verdict))
    });
    found.collect()
}

/// The sensor's software version, where only one can be the instrument's.
pub fn recorded_firmware<'r>(instrument: &Instrument, recordings: &'r BTreeMap<PathBuf, Recording>) -> Option<&'r str> {
    let read = instrument.recordings.iter().filter_map(|path| recordings.get(path));
    let of = |recording: &'r Recording| {
        let sensors = recording.power_sensors();
        let mut own = sensors.iter().filter(|sensor| is_named(instrument, sensor) == Some(true)).copied();
        let alone = match sensors[..] {
            // Another instrument's recording says nothing of this one's firmware.
            [alone] if instrument.fields.is_empty() && is_named(instrument, alone) != Some(false) => Some(alone),
            _ => None,
        };
        own.next().or(alone)?.firmware.as_deref()
    };
    read.into_iter().find_map(of)
}

/// The firmware to go by: the recording's where it says another than the session.
pub fn true_firmware(stated: Option<String>, recorded: Option<String>) -> Option<String> {
    match (stated, recorded) {
        (Some(stated), Some(recorded)) if !same_version(&stated, &recorded) => Some(recorded),
        (stated, _) => stated,
    }
}

/// Versions as they are compared: `1.8` is how people write `1.80`.
fn same_version(stated: &str, recorded: &str) -> bool {
    let number = |text: &str| text.trim().trim_start_matches(['v', 'V']).parse::<f64>().ok();
    match (number(stated), number(recorded)) {
        (Some(a), Some(b)) => (a - b).abs() < 1e-9,
        // Not of the form that recordings hold: nothing to compare.
        _ => stated.trim() == recorded.trim() || number(stated).is_none(),
    }
}

fn firmware(instrument: &Instrument, recordings: &BTreeMap<PathBuf, Recording>) -> Option<TestedPremise> {
    let stated = instrument.firmware.as_deref()?;
    let recorded = recorded_firmware(instrument, recordings)?;
    let about = vec![instrument.label.clone()];
    Some(if same_version(stated, recorded) {
        TestedPremise::held(Premise::Firmware, about, Evidence::FirmwareAlike { firmware: stated.to_owned() })
    } else {
        let evidence = Evidence::OtherFirmware { stated: stated.to_owned(), recorded: recorded.to_owned() };
        TestedPremise::contradicted(Premise::Firmware, about, evidence, Takes::Nothing)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn serials_and_versions_are_compared_as_people_write_them() {
        assert_eq!(plain("00 17"), "17");
        assert_eq!(plain("ab-12"), "AB12");
        assert_eq!(plain("000"), "000");
        assert!(same_version("1.8", "1.80") && same_version("v1.80", "1.80") && same_version("B7", "1.80"));
        assert!(!same_version("1.8", "1.08") && !same_version("1.80", "1.81"));
    }
}
