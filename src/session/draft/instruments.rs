//! What a recording says of the instruments that it was made with.

use super::texts::quoted;
use crate::recording::{self, Recording, Sensor};

/// Two readings of one ride follow each other at least this closely; a lap's mean or an intensity does not.
const ALIKE: f64 = 0.8;

/// One instrument, as far as its recordings tell.
pub(super) struct DraftedInstrument<'a> {
    pub recordings: &'a [&'a Recording],
    /// The field of its power, where it is not the usual one.
    pub power: Option<String>,
    /// The power sensors that it may be.
    pub sensors: Vec<&'a Sensor>,
    shares_recording: bool,
}

pub(super) fn instruments<'a>(recordings: &'a [&'a Recording]) -> Vec<DraftedInstrument<'a>> {
    let Some(first) = recordings.first() else { return vec![] };
    let fields = power_fields(first);
    let shares_recording = fields.len() > 1;
    let found = |power| DraftedInstrument { recordings, power, sensors: first.power_sensors(), shares_recording };
    fields.into_iter().map(found).collect()
}

/// The fields that hold an instrument's power; `None` is the usual one.
pub(super) fn power_fields(recording: &Recording) -> Vec<Option<String>> {
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

impl DraftedInstrument<'_> {
    /// Its sensor, if there is only one that it can be.
    pub fn sensor(&self) -> Option<&Sensor> {
        match self.sensors[..] {
            [sensor] if !self.shares_recording => Some(sensor),
            _ => None,
        }
    }

    pub fn is_trainer(&self) -> bool {
        self.sensor().and_then(|s| s.kind.as_deref()).is_some_and(recording::is_trainer)
    }

    fn called_unit(&self) -> bool {
        self.power.is_none()
            && self.recordings.iter().all(|r| {
                let stem = r.file.file_stem().unwrap_or_default().to_string_lossy().to_lowercase();
                stem.split(|c: char| !c.is_alphabetic()).any(|word| word == "unit")
            })
    }

    /// A neutral name with the serial number that the file states, else the number that it is heard by.
    pub fn label(&self, role: &str) -> Option<String> {
        Some(quoted(&format!("{role} {}", self.sensor()?.known_by()?.trim())))
    }
}

/// Which instrument is taken for the unit under test.
pub(super) struct LikelyUnit {
    pub index: usize,
    /// What says so; `None` where nothing does.
    pub because: Option<&'static str>,
}

pub(super) fn unit_among(found: &[DraftedInstrument]) -> LikelyUnit {
    let only = |is: &dyn Fn(&DraftedInstrument) -> bool| {
        let mut those = found.iter().enumerate().filter(|(_, f)| is(f)).map(|(i, _)| i);
        those.next().filter(|_| those.next().is_none())
    };
    if let Some(index) = only(&|f| f.called_unit()) {
        return LikelyUnit { index, because: Some("its file's name says that it is the unit") };
    }
    match only(&|f| !f.is_trainer()) {
        Some(index) if found.len() > 1 => {
            LikelyUnit { index, because: Some("taken for the unit, as every other one is a trainer") }
        }
        _ => LikelyUnit { index: found.iter().position(|f| !f.is_trainer()).unwrap_or(0), because: None },
    }
}
