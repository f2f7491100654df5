//! The error of power over a window, with its budget: what most measures are made of.

use crate::quantity::Unit;
use crate::ride::{Ride, Window};
use crate::stats;

use super::budget::{Budget, Line, Source};
use super::consensus::{Consensus, Member, ReferenceNeed};
use super::losses::Losses;
use super::no_value::NoValue;
use super::paired::{PairedSeconds, PooledScatter};
use super::stop::Signal;
use super::value::{Measured, Value};

/// Below this many effective samples a window's own scatter is too poor a guide, and the session's is used: of five samples
/// a standard deviation is good to 36 % (GUM, table E.1, from memory).
const ENOUGH_EFFECTIVE: f64 = 5.0;
/// Something rounded to whole units, or to the nearest second: rectangular, 1/√12. GUM 4.3.7.
pub const ROUNDING_SD: f64 = 0.288_675;
/// A head unit that stores the mean of a second's four messages, which come a quarter of a second apart, is 0.375 s later
/// than one that stores the last. Which habit each of the two has is not known: even odds for either make a difference of 0
/// or ±0.375 s.
pub const STORAGE_U_S: f64 = 0.375 / std::f64::consts::SQRT_2;
/// By how much the times differ at which two sound crank meters show an edge, from simulation with perfect clocks: root
/// mean square over the pairings of head units that store a second's last message or its mean. benches/gate.rs prints how
/// often single edges and short work, whose scatter hangs on it, cover the truth.
pub const RELEASE_SCATTER_S: f64 = 0.4;
/// The same at an onset.
pub const ONSET_SCATTER_S: f64 = 0.22;

/// What scoring a window needs to know besides the window.
#[derive(Clone, Copy)]
pub struct ScoringContext<'a> {
    pub ride: &'a Ride,
    pub losses: &'a Losses,
    pub pooled: Option<PooledScatter>,
}

impl ScoringContext<'_> {
    /// Scatter line of Σ(u − r) over Σr, in watts at the mean reference power.
    fn scatter_line(&self, paired: &PairedSeconds) -> Option<Line> {
        let ratio = stats::ratio(&paired.unit, &paired.reference)?;
        let mean = stats::mean(&paired.reference)?;
        if ratio.effective_samples >= ENOUGH_EFFECTIVE {
            return Some(Line::scatter(ratio.standard_uncertainty * mean, ratio.effective_samples - 1.0));
        }
        let Some(pooled) = self.pooled else {
            return Some(Line::scatter(ratio.standard_uncertainty * mean, (ratio.effective_samples - 1.0).max(1.0)));
        };
        let effective = (ratio.n as f64 / pooled.samples_per_effective).max(1.0);
        Some(Line::scatter(pooled.relative_sd * mean / effective.sqrt(), pooled.degrees_of_freedom))
    }

    /// How much the mean moves when the unit's samples are read one second earlier or later, times the clock's
    /// uncertainty. Pairing by nearest second leaves up to half a second more, storage its own.
    fn clock_line(&self, consensus: &Consensus, window: Window, signal: impl Fn(usize) -> Option<f64>) -> Line {
        let mean_at = |shift: i64| {
            let shifted = window.seconds().filter_map(|k| k.checked_add_signed(shift as isize)).filter_map(&signal);
            stats::mean(&shifted.collect::<Vec<_>>())
        };
        let per_second = match (mean_at(-1), mean_at(1)) {
            (Some(early), Some(late)) => (late - early) / 2.0,
            _ => 0.0,
        };
        Line::b(Source::Clock, per_second * consensus.clock_u(self.ride).hypot(ROUNDING_SD).hypot(STORAGE_U_S))
    }

    /// Pairs of unit and consensus power.
    pub fn power_pairs(&self, consensus: &Consensus, window: Window) -> PairedSeconds {
        PairedSeconds::over(
            self.ride,
            self.losses,
            window,
            |k| self.ride.unit.power_at(k),
            |k| consensus.power_at(self.ride, k),
        )
    }

    /// Mean error of power over a window, W, with its budget: Σ(P_unit − P_ref)/n.
    pub fn mean_error(&self, need: ReferenceNeed, window: Window, first: Unit) -> Measured {
        let consensus = self.consensus(need, window)?;
        let paired = self.power_pairs(&consensus, window);
        let value = self.error_of(&paired, &consensus, window, first, |k| self.ride.unit.power_at(k))?;
        let lines_w = consensus.lines(self.ride, value.reference);
        Ok(value.with_reference_lines(lines_w))
    }

    pub fn consensus(&self, need: ReferenceNeed, window: Window) -> Result<Consensus, NoValue> {
        Consensus::over(self.ride, need, window).ok_or(NoValue::NoReference(need))
    }

    /// Error without the reference's own lines.
    pub fn error_of(
        &self,
        paired: &PairedSeconds,
        consensus: &Consensus,
        window: Window,
        first: Unit,
        unit_signal: impl Fn(usize) -> Option<f64>,
    ) -> Measured {
        if let Some(why) = paired.refusal(Signal::Power) {
            return Err(why);
        }
        let n = paired.unit.len() as f64;
        let reference_w = paired.reference.iter().sum::<f64>() / n;
        let error_w = (paired.unit.iter().sum::<f64>() - paired.reference.iter().sum::<f64>()) / n;
        let mut budget = Budget::default();
        if let Some(line) = self.scatter_line(paired) {
            budget.push(line);
        }
        budget.push(self.clock_line(consensus, window, unit_signal));
        budget.push(Line::b(Source::Resolution, ROUNDING_SD * (2.0 / n).sqrt()));
        let value = Value::power_error(error_w, reference_w, budget, first);
        // Behind a flywheel nothing leaps: it is the unit that says when its readings do.
        let behind = |member: &Member| self.ride.references[member.reference].trace.located.behind_chain();
        let leaping = if consensus.members.iter().all(behind) { &paired.unit } else { &paired.reference };
        let leaps = leaps_w(leaping) * value.per_watt();
        Ok(Value { references: consensus.indices(), leaps, notes: paired.notes(), ..value })
    }
}

/// Scatter of a mean over seconds, W, that comes of when two sound crank meters show each leap of their readings.
///
/// Each shows a leap at its own time, and a fall to nothing once its own silence is over: the scatter of an onset and of
/// a release, times the leap. Where a window begins and ends in level riding, little leaps; on the road a sprint begins
/// from and ends in coasting, and the work hangs on the second in which each of the two says so.
fn leaps_w(reference_w: &[f64]) -> f64 {
    let late_s = |to_w: f64| if to_w == 0.0 { RELEASE_SCATTER_S } else { ONSET_SCATTER_S };
    let squares = reference_w.windows(2).map(|w| (late_s(w[1]) * (w[1] - w[0])).powi(2)).sum::<f64>();
    squares.sqrt() / reference_w.len().max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn work_between_two_coasts_is_less_certain_than_between_level_riding() {
        let sprint = |aside_w: f64| [vec![aside_w; 4], vec![600.0; 8], vec![aside_w; 4]].concat();
        let relative = |w: &[f64]| leaps_w(w) / stats::mean(w).unwrap();
        // From and to nothing: (0.22² + 0.4²)½ of 600 W, over 8 s of 600 W.
        assert!((relative(&sprint(0.0)) - 0.22_f64.hypot(0.4) / 8.0).abs() < 1e-12);
        assert!(relative(&sprint(130.0)) < 0.5 * relative(&sprint(0.0)));
        assert_eq!(leaps_w(&[200.0; 30]), 0.0);
    }
}
