//! Which column of a recording is which instrument's.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::recording::{Recording, Samples};
use crate::session::Instrument;

/// The column that holds an instrument's channel: the usual one, or the one that its session names. Empty without a
/// value.
pub(super) fn column<'a>(instrument: &Instrument, samples: &'a Samples, name: &str) -> &'a [Option<f64>] {
    samples.channel(instrument.fields.get(name).map_or(name, String::as_str)).unwrap_or(&[])
}

/// Channels that are of the power meter, not of the head unit.
const OF_THE_METER: [&str; 2] = ["cadence", "right_share"];

/// The field that holds an instrument's channel: the one that its session names, else the usual one. `None` where that
/// is another instrument's: of two meters in one recording, cadence and balance are the one's whose power is in the
/// usual field.
pub(crate) fn field<'a>(instrument: &'a Instrument, all: &[&Instrument], name: &'a str) -> Option<&'a str> {
    let shares = |other: &&Instrument| {
        other.label != instrument.label && other.recordings.iter().any(|r| instrument.recordings.contains(r))
    };
    match instrument.fields.get(name) {
        Some(named) => Some(named),
        None if !OF_THE_METER.contains(&name) => Some(name),
        None => (!instrument.fields.contains_key("power") || !all.iter().any(shares)).then_some(name),
    }
}

/// What to say where an instrument is not credited with a channel that its recording holds.
pub(super) fn not_its_own(
    instrument: &Instrument,
    all: &[&Instrument],
    recordings: &BTreeMap<PathBuf, Recording>,
) -> Option<String> {
    let held = |name: &&&str| {
        let read = instrument.recordings.iter().filter_map(|path| recordings.get(path));
        field(instrument, all, name).is_none() && read.into_iter().any(|r| r.samples.channel(name).is_some())
    };
    let names: Vec<&str> = OF_THE_METER.iter().filter(held).copied().collect();
    let names = names.join(" and ");
    (!names.is_empty()).then(|| {
        format!(
            "{}: {names} of its recording taken for another instrument's; where it is its own, say so, as in `cadence: \
             cadence`",
            instrument.label
        )
    })
}
