//! What a level would make of a check: whether it explains it.

use super::conditions::BlockConditions;
use super::drills::is_of_one_level;
use super::effect::{Effect, LevelEffects};
use super::evidence::Evidence;
use super::open_checks::{CheckSubject, UnexplainedCheck};
use crate::decide::Decided;
use crate::protocol::{Measure, Selector};
use crate::quantity::Unit;
use crate::stats;

/// An effect has its part in a check that fails where it makes up this share of the limit.
const PART_OF_LIMIT: f64 = 1.0 / 3.0;

impl Evidence<'_> {
    /// Whether a check hangs on the unit's level.
    pub fn is_of_level(&self, open: &UnexplainedCheck) -> bool {
        let of_power = matches!(open.check.measure, Measure::MeanError | Measure::WorkError);
        let drifts = matches!(open.check.measure, Measure::DriftTime | Measure::DriftTemperature);
        let leveled = |phase: usize| is_of_one_level(&self.protocol.phases[phase].drill);
        match open.of {
            CheckSubject::Found(found) => of_power && leveled(self.matches.found[found].phase),
            CheckSubject::Mean(phase) => of_power && leveled(phase),
            CheckSubject::Contrast(_) => of_power,
            CheckSubject::WholeRide => of_power || drifts,
        }
    }

    /// Error that a level predicts for a check, in the check's unit; `None` where it has none.
    fn predicted(&self, level: &LevelEffects, open: &UnexplainedCheck) -> Option<f64> {
        let check = open.check;
        match open.of {
            CheckSubject::Found(found) => self.predicted_found(level, found, check),
            CheckSubject::Mean(phase) => {
                let found = (0..self.matches.found.len()).filter(|&i| self.matches.found[i].phase == phase);
                stats::mean(&found.filter_map(|i| self.predicted_found(level, i, check)).collect::<Vec<_>>())
            }
            CheckSubject::Contrast(index) => {
                let contrast = &self.protocol.contrasts[index];
                let mean = |selector: &Selector| {
                    let found = (0..self.matches.found.len())
                        .filter(|&i| selector.selects(&self.protocol.phases[self.matches.found[i].phase].id));
                    stats::mean(&found.filter_map(|i| self.predicted_found(level, i, check)).collect::<Vec<_>>())
                };
                Some(mean(&contrast.of)? - mean(&contrast.against)?)
            }
            CheckSubject::WholeRide => self.predicted_ride(level, check),
        }
    }

    /// In the check's unit, per cent or watts.
    fn predicted_found(&self, level: &LevelEffects, found: usize, check: &Decided) -> Option<f64> {
        let window = self.scores.phases[found].window?;
        let value = self.value(found, Measure::MeanError)?;
        let error_w = level.at(&self.place(found, value.reference, window));
        Some(if check.unit == Unit::Percent { 100.0 * error_w / value.reference } else { error_w })
    }

    fn predicted_ride(&self, level: &LevelEffects, check: &Decided) -> Option<f64> {
        let of =
            |wanted: Effect| level.effects.iter().find(|(effect, _)| *effect == wanted).map_or(0.0, |(_, size)| *size);
        match check.measure {
            Measure::DriftTime => return Some(of(Effect::Time)),
            Measure::DriftTemperature => return Some(of(Effect::Temperature)),
            _ => {}
        }
        // Minute by minute, on the ring that most of the blocks were ridden on half of the time.
        let (mut error_w, mut power_w, mut seconds) = (0.0, 0.0, 0.0);
        let reference = &self.ride.references.first()?.trace;
        for start in (0..self.ride.length_s).step_by(60) {
            let minute = start..(start + 60).min(self.ride.length_s);
            let read: Vec<f64> = minute.filter_map(|k| reference.power_at(k).filter(|w| *w > 0.0)).collect();
            let Some(mean_w) = stats::mean(&read) else { continue };
            let at_s = start as f64 + 30.0;
            let place =
                BlockConditions { power_w: mean_w, at_s, ring: None, warmer_c: self.warmer_c(at_s), soft: false };
            error_w += read.len() as f64 * level.at(&place);
            power_w += read.len() as f64 * mean_w;
            seconds += read.len() as f64;
        }
        if seconds == 0.0 {
            return None;
        }
        Some(if check.unit == Unit::Percent { 100.0 * error_w / power_w } else { error_w / seconds })
    }

    /// Whether a check would no longer be open with the level taken off.
    pub fn explains(&self, level: &LevelEffects, open: &UnexplainedCheck) -> bool {
        let Some(rest) = open.check.value().zip(self.predicted(level, open)).map(|(value, by)| value - by) else {
            return false;
        };
        open.within(rest)
    }

    /// Whether an effect pushes a check the way that it fails, by enough to matter.
    pub fn has_part(&self, level: &LevelEffects, effect: Effect, open: &UnexplainedCheck) -> bool {
        let alone = LevelEffects { effects: level.effects.iter().copied().filter(|(e, _)| *e == effect).collect() };
        let Some((value, by)) = open.check.value().zip(self.predicted(&alone, open)) else { return false };
        let limit = if value < 0.0 { open.check.ends.low } else { open.check.ends.high };
        value * by > 0.0 && by.abs() >= PART_OF_LIMIT * limit.map_or(0.0, f64::abs)
    }
}
