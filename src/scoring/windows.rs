//! Errors over a window of paired seconds: means, work, sides, cadence, spread, and plain counts.

use crate::protocol::Side;
use crate::quantity::Unit;
use crate::ride::{Ride, Window};
use crate::session::Sides;
use crate::stats;

use super::budget::{Budget, Line, Source};
use super::losses::Losses;
use super::references::{Consensus, ReferenceNeed, lacking, serving};
use super::value::{Measured, NoValue, Value, ValueKind};

/// Below this many effective samples a window's own scatter is too poor a guide; the session's is used.
const ENOUGH_EFFECTIVE: f64 = 5.0;
/// Over this share of a window set aside for the radio, nothing is decided.
const MOST_SET_ASIDE: f64 = 0.1;
/// A recorded watt, rounded: rectangular, GUM 4.3.7.
const ROUNDING_SD: f64 = 0.288_675;
/// A head unit that stores the mean of a second's four messages is 0.375 s later than one that stores the last. Which
/// habit each of the two has is not known: even odds for either make a difference of 0 or ±0.375 s.
pub const STORAGE_U_S: f64 = 0.375 / std::f64::consts::SQRT_2;
/// A reading may stand while the reference moves this much: both are whole watts, each with its own noise, and a
/// second's mean smooths it. With 4 noises alone 2 of 1,000 sound units at 60 W held for 6 s, with 3 W one.
const HELD_LEAST_W: f64 = 5.0;
/// One point of balance, expanded with k = 2, as a standard uncertainty of a side in per cent of the total.
const BALANCE_STANDARD_PCT_OF_TOTAL: f64 = 0.5;
/// By how much the times differ at which two sound crank meters show an edge, from simulation with perfect clocks: root
/// mean square over the pairings of head units that store a second's last message or its mean.
pub const RELEASE_SCATTER_S: f64 = 0.4;
pub const ONSET_SCATTER_S: f64 = 0.22;
/// Two cadence sensors; standard uncertainty. Common practice, no source.
const REFERENCE_CADENCE_U_RPM: f64 = 0.3;

/// Seconds that unit and references both have, and what was left out.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PairedSeconds {
    pub unit: Vec<f64>,
    pub reference: Vec<f64>,
    /// Reference work in seconds lost to dropouts, J.
    pub lost_work_j: f64,
    pub lost_s: usize,
    pub set_aside_s: usize,
    /// Seconds of the window in which any head unit wrote.
    pub asked_s: usize,
}

impl PairedSeconds {
    /// Pairs two signals over a window; seconds lost or set aside are counted, not paired.
    pub fn over(
        scene: &ScoringContext,
        window: Window,
        unit: impl Fn(usize) -> Option<f64>,
        reference: impl Fn(usize) -> Option<f64>,
    ) -> Self {
        let ScoringContext { ride, losses, .. } = *scene;
        let mut paired = PairedSeconds::default();
        for k in window.seconds().filter(|&k| ride.recorded_at(k)) {
            paired.asked_s += 1;
            let reference = reference(k);
            if losses.set_aside[k] {
                paired.set_aside_s += 1;
            } else if losses.dropout[k] {
                paired.lost_s += 1;
                paired.lost_work_j += reference.unwrap_or(0.0);
            } else if let (Some(u), Some(r)) = (unit(k), reference) {
                paired.unit.push(u);
                paired.reference.push(r);
            }
        }
        paired
    }

    /// Why these pairs can't carry a value, if they can't.
    fn refusal(&self) -> Option<String> {
        if self.set_aside_s as f64 > MOST_SET_ASIDE * self.asked_s as f64 {
            return Some(format!(
                "the unit's head unit lost the heart-rate strap with the power in {} of {} s: suspect the radio",
                self.set_aside_s, self.asked_s
            ));
        }
        let few = self.unit.len() * 2 < self.asked_s || self.unit.len() < 3;
        few.then(|| format!("unit and reference share only {} of {} s", self.unit.len(), self.asked_s))
    }

    fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        if self.lost_s > 0 {
            let work_kj = self.lost_work_j / 1000.0;
            notes.push(format!("{} s of dropout left out ({work_kj:.1} kJ on the reference)", self.lost_s));
        }
        if self.set_aside_s > 0 {
            notes.push(format!("{} s set aside: the head unit lost the strap too", self.set_aside_s));
        }
        notes
    }
}

/// Scatter of steady riding, pooled over the session, for windows too short for their own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PooledScatter {
    /// Residual standard deviation over mean reference power.
    pub relative_sd: f64,
    /// Samples per effective sample, at least 1.
    pub samples_per_effective: f64,
    pub degrees_of_freedom: f64,
}

impl PooledScatter {
    /// From all steady windows; `None` if none gives an estimate.
    pub fn of(pairs: &[PairedSeconds]) -> Option<Self> {
        let (mut variance, mut dof, mut samples, mut effective) = (0.0, 0.0, 0.0, 0.0);
        for paired in pairs {
            let (Some(ratio), Some(mean)) =
                (stats::ratio(&paired.unit, &paired.reference), stats::mean(&paired.reference))
            else {
                continue;
            };
            let own_dof = (ratio.effective_samples - 1.0).max(0.5);
            variance += own_dof * (ratio.residual_sd / mean).powi(2);
            dof += own_dof;
            samples += ratio.n as f64;
            effective += ratio.effective_samples;
        }
        (dof > 0.0).then(|| Self {
            relative_sd: (variance / dof).sqrt(),
            samples_per_effective: samples / effective,
            degrees_of_freedom: dof,
        })
    }
}

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
        PairedSeconds::over(self, window, |k| self.ride.unit.power_at(k), |k| consensus.power_at(self.ride, k))
    }

    /// Mean error of power over a window, W, with its budget: Σ(P_unit − P_ref)/n.
    pub fn mean_error(&self, need: ReferenceNeed, window: Window, first: Unit) -> Measured {
        let consensus = self.consensus(need, window)?;
        let paired = self.power_pairs(&consensus, window);
        let mut value = self.error_of(&paired, &consensus, window, first, |k| self.ride.unit.power_at(k))?;
        for line in consensus.lines(self.ride, value.reference) {
            push_in(&mut value, line);
        }
        Ok(value)
    }

    pub fn consensus(&self, need: ReferenceNeed, window: Window) -> Result<Consensus, NoValue> {
        Consensus::over(self.ride, need, window).ok_or_else(|| NoValue::Undecided(lacking(need)))
    }

    /// Error without the reference's own lines.
    fn error_of(
        &self,
        paired: &PairedSeconds,
        consensus: &Consensus,
        window: Window,
        first: Unit,
        unit_signal: impl Fn(usize) -> Option<f64>,
    ) -> Measured {
        if let Some(reason) = paired.refusal() {
            return Err(NoValue::Undecided(reason));
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
        let mut value = Value::power_error(error_w, reference_w, budget, first);
        value.references = consensus.indices();
        // Behind a flywheel nothing leaps: it is the unit that says when its readings do.
        let behind = |&(i, _): &(usize, f64)| self.ride.references[i].trace.located.behind_chain();
        let leaping = if consensus.members.iter().all(behind) { &paired.unit } else { &paired.reference };
        value.leaps = leaps_w(leaping) * value.per_watt();
        value.notes = paired.notes();
        Ok(value)
    }

    /// The same by side, against references that measure the sides apart.
    pub fn side_error(&self, side: Side, window: Window, first: Unit) -> Measured {
        let unit = &self.ride.unit;
        let doubled = match unit.sides {
            Sides::Both => false,
            Sides::LeftDoubled if side == Side::Left => true,
            Sides::RightDoubled if side == Side::Right => true,
            sides => return Err(NoValue::NotApplicable(format!("the unit measures: {}", sides.word()))),
        };
        if !doubled && !window.seconds().any(|k| unit.right_power_at(k).is_some()) {
            return Err(NoValue::Undecided(
                "the unit's recording holds no balance that says which side it is".to_owned(),
            ));
        }
        let unit_side = |k: usize| match side {
            _ if doubled => unit.power_at(k).map(|power_w| power_w / 2.0),
            Side::Left => unit.left_power_at(k),
            Side::Right => unit.right_power_at(k),
        };
        let consensus = self.consensus(ReferenceNeed::Sides, window)?;
        let reference_side = |k: usize| {
            consensus.blend(|i| {
                let trace = &self.ride.references[i].trace;
                // Zero watts have no sides to split, and are zero on both.
                if trace.power_at(k) == Some(0.0) {
                    return Some(0.0);
                }
                match side {
                    Side::Left => trace.left_power_at(k),
                    Side::Right => trace.right_power_at(k),
                }
            })
        };
        let unit_side = |k: usize| if unit.power_at(k) == Some(0.0) { Some(0.0) } else { unit_side(k) };
        let paired = PairedSeconds::over(self, window, unit_side, reference_side);
        let mut value = self.error_of(&paired, &consensus, window, first, unit_side)?;
        let total_w = consensus.mean_w;
        // A stated uncertainty is for the total: for a side √2 of its share, and one point of balance.
        for line in consensus.lines(self.ride, total_w) {
            let share = value.reference / total_w * 2f64.sqrt();
            push_in(&mut value, Line { standard_uncertainty: line.standard_uncertainty * share, ..line });
        }
        push_in(&mut value, Line::b(Source::SideSplit, BALANCE_STANDARD_PCT_OF_TOTAL / 100.0 * total_w));
        if doubled {
            value.notes.push("half of the doubled reading against that side: what the unit can sense".to_owned());
        }
        Ok(value)
    }

    /// Mean cadence error, rpm, over the seconds in which both turn.
    pub fn cadence_error(&self, window: Window) -> Measured {
        let unit = &self.ride.unit;
        let with_cadence: Vec<usize> = serving(self.ride, ReferenceNeed::SteadyPower)
            .into_iter()
            .filter(|&i| window.seconds().any(|k| self.ride.references[i].trace.cadence_at(k).is_some()))
            .collect();
        let Some(&reference) = with_cadence.first() else {
            return Err(NoValue::Undecided("no reference recorded cadence here".to_owned()));
        };
        let turning = |cadence: Option<f64>| cadence.filter(|c| *c > 0.0);
        let trace = &self.ride.references[reference].trace;
        let paired =
            PairedSeconds::over(self, window, |k| turning(unit.cadence_at(k)), |k| turning(trace.cadence_at(k)));
        if let Some(reason) = paired.refusal() {
            return Err(NoValue::Undecided(format!("cadence: {reason}")));
        }
        let differences: Vec<f64> = paired.unit.iter().zip(&paired.reference).map(|(u, r)| u - r).collect();
        let mean = stats::mean(&differences).unwrap_or(0.0);
        let effective = stats::effective_samples(&differences);
        let sd = stats::sample_sd(&differences).unwrap_or(0.0);
        let mut budget = Budget::default();
        budget.push(Line::scatter(sd / effective.sqrt(), (effective - 1.0).max(1.0)));
        budget.push(Line::b(Source::ReferenceGain, REFERENCE_CADENCE_U_RPM));
        let references = vec![reference];
        Ok(Value { kind: ValueKind::Measured, budget, references, ..Value::count(mean, Unit::Rpm) })
    }

    /// The limit of agreement farther from zero, without its sign, of the per-second error; both limits beside it.
    ///
    /// Whatever scatters in the reference is part of it: it is how far the two instruments differ.
    pub fn spread(&self, window: Window, first: Unit) -> Measured {
        let consensus = self.consensus(ReferenceNeed::SteadyPower, window)?;
        let paired = self.power_pairs(&consensus, window);
        let mean = self.error_of(&paired, &consensus, window, Unit::Watt, |k| self.ride.unit.power_at(k))?;
        let differences: Vec<f64> = paired.unit.iter().zip(&paired.reference).map(|(u, r)| u - r).collect();
        let (Some(limits), Some(scatter)) = (stats::limits_of_agreement(&differences), limit_scatter(&differences))
        else {
            return Err(NoValue::Undecided("too few seconds for limits of agreement".to_owned()));
        };
        let mut budget = Budget::default();
        budget.push(scatter);
        for line in consensus.lines(self.ride, mean.reference) {
            budget.push(line);
        }
        let farther_w = limits.high.max(-limits.low);
        let mut spread = Value::power_error(farther_w, mean.reference, budget, first);
        spread.agreement = Some([limits.low, limits.high].map(|limit_w| limit_w * spread.per_watt()));
        spread.references = mean.references;
        spread.notes = mean.notes;
        Ok(spread)
    }

    /// Recorded seconds that the unit lost while the reference shows pedalling.
    pub fn dropout_time(&self, window: Window) -> Measured {
        let seconds = window.seconds().len();
        if self.losses.set_aside_s(window) as f64 > MOST_SET_ASIDE * seconds as f64 {
            return Err(NoValue::Undecided(
                "the head unit lost the heart-rate strap as well: suspect the radio".to_owned(),
            ));
        }
        Ok(Value::count(self.losses.dropout_s(window) as f64, Unit::Second))
    }

    /// Longest run of one repeated non-zero reading while the reference moves by more than its own noise.
    pub fn held_time(&self, window: Window) -> Measured {
        let consensus = self.consensus(ReferenceNeed::ShortWork, window)?;
        let reference = |k: usize| consensus.power_at(self.ride, k);
        let steps: Vec<f64> =
            window.seconds().filter_map(|k| Some((reference(k + 1)? - reference(k)?).abs())).collect();
        let Some(typical_step) = stats::median(&steps) else {
            return Err(NoValue::Undecided("the reference is missing here".to_owned()));
        };
        // A normal difference of two seconds has its median at 0.6745 √2 of the noise; a range of four noises in
        // a handful of seconds is more than noise does by itself.
        let noise = typical_step / (0.6745 * 2f64.sqrt());
        let unit = &self.ride.unit;
        let mut longest = 0usize;
        let mut start = window.seconds().start;
        for k in window.seconds() {
            if k == start || unit.power_at(k) != unit.power_at(k - 1) {
                start = k;
            }
            if unit.power_at(k).is_none_or(|p| p == 0.0) {
                continue;
            }
            let held: Vec<f64> = (start..=k).filter_map(reference).collect();
            let high = held.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let low = held.iter().copied().fold(f64::INFINITY, f64::min);
            if high - low > f64::max(4.0 * noise, HELD_LEAST_W) {
                longest = longest.max(k + 1 - start);
            }
        }
        Ok(Value::count(longest as f64, Unit::Second))
    }

    /// Largest unit reading above the reference's largest within 3 s, W.
    pub fn spike(&self, window: Window) -> Measured {
        let consensus = self.consensus(ReferenceNeed::ShortWork, window)?;
        let above = |k: usize| {
            let near = (k.saturating_sub(3)..=k + 3).filter_map(|j| consensus.power_at(self.ride, j));
            Some(self.ride.unit.power_at(k)? - near.reduce(f64::max)?)
        };
        let largest = window.seconds().filter_map(above).reduce(f64::max);
        let Some(largest) = largest else {
            return Err(NoValue::Undecided("unit and reference share no second here".to_owned()));
        };
        let mut budget = Budget::default();
        for line in consensus.lines(self.ride, consensus.mean_w) {
            budget.push(line);
        }
        budget.push(Line::b(Source::Resolution, ROUNDING_SD));
        let references = consensus.indices();
        Ok(Value {
            kind: ValueKind::Measured,
            budget,
            references,
            gain_sensitive: true,
            ..Value::count(largest, Unit::Watt)
        })
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

/// Scatter line of either limit of agreement of differences that remember their neighbours; `None` of too few.
///
/// The limit m ± 1.96 s is as uncertain as m and s: u² = s²/n + 1.96²·Var(d²)/(4 s² n'), with the effective numbers n of
/// the differences and n' of their squared deviations. For independent normal ones that is Bland and Altman's s²·(1/n +
/// 1.96²/2n), their 2.92 s²/n (1999, Stat Methods Med Res 8:135-160), which they round to 3 s²/n (1986, Lancet 327:307-310).
fn limit_scatter(differences: &[f64]) -> Option<Line> {
    let (mean, sd) = (stats::mean(differences)?, stats::sample_sd(differences)?);
    if sd == 0.0 {
        return Some(Line::scatter(0.0, f64::INFINITY));
    }
    let squares: Vec<f64> = differences.iter().map(|d| (d - mean).powi(2)).collect();
    let [n, n_squares] = [differences, &squares].map(stats::effective_samples);
    let u_mean2 = sd * sd / n;
    let u_sd2 = stats::sample_sd(&squares)?.powi(2) / (4.0 * sd * sd * n_squares);
    // Squares of normal values have a kurtosis of 15: their own variance is known with a seventh of the degrees of freedom.
    let parts = [(u_mean2.sqrt(), (n - 1.0).max(1.0)), (1.96 * u_sd2.sqrt(), ((n_squares - 1.0) / 7.0).max(1.0))];
    let (u, degrees_of_freedom) = stats::welch_satterthwaite(&parts);
    Some(Line::scatter(u, degrees_of_freedom))
}

/// Adds a line of the reference that is known in watts to a value that may be held in per cent.
///
/// Per cents are of the reference, u/r − 1, so that what is not known of r counts (1 + e) times.
pub(super) fn push_in(value: &mut Value, line_w: Line) {
    let over_reference = if value.unit == Unit::Percent { 1.0 + value.value / 100.0 } else { 1.0 };
    let factor = value.per_watt() * over_reference;
    value.budget.push(Line { standard_uncertainty: line_w.standard_uncertainty * factor.abs(), ..line_w });
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

    /// 95 % limits of agreement of seconds that remember their neighbours, against what they are in the long run.
    #[test]
    fn limits_of_agreement_cover_what_they_are_in_the_long_run() {
        use rand::{RngExt, SeedableRng};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1999);
        let mut normal = move || {
            let (a, b): (f64, f64) = (rng.random(), rng.random());
            (-2.0 * (1.0 - a).ln()).sqrt() * (std::f64::consts::TAU * b).cos()
        };
        for (phi, n) in [(0.0, 210), (0.6, 210), (0.8, 210), (0.3, 100)] {
            let trials = 1500;
            let mut hits = 0;
            for _ in 0..trials {
                let mut x = normal();
                let mut series = vec![];
                for _ in 0..n {
                    x = phi * x + f64::sqrt(1.0 - phi * phi) * normal();
                    series.push(2.0 + 5.0 * x);
                }
                let expanded = Budget(vec![limit_scatter(&series).unwrap()]).combine(0.95).expanded();
                let limits = stats::limits_of_agreement(&series).unwrap();
                hits += u64::from((limits.high - (2.0 + 1.96 * 5.0)).abs() <= expanded);
            }
            let (low, high) = stats::clopper_pearson(hits, trials, 0.999, stats::Sides::Two);
            println!("phi {phi}, n {n}: {hits} of {trials}");
            assert!(high >= 0.93 && low <= 0.97, "phi {phi}, n {n}: {hits} of {trials}");
        }
    }

    #[test]
    fn independent_seconds_give_bland_and_altmans_standard_error() {
        use rand::{RngExt, SeedableRng};
        // Quantiles of a normal distribution stand for a perfect sample: 2.92 s²/n.
        let n = 2000;
        let middle = |i: i32| stats::t_quantile((f64::from(i) + 0.5) / f64::from(n), f64::INFINITY);
        // In an order of chance, so that none remembers the one before.
        let mut sample: Vec<f64> = (0..n).map(middle).collect();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1986);
        (1..sample.len()).rev().for_each(|i| sample.swap(i, rng.random_range(0..=i)));
        let u = limit_scatter(&sample).unwrap().standard_uncertainty;
        assert!((u / f64::sqrt(2.92 / f64::from(n)) - 1.0).abs() < 0.1, "{u}");
    }
}
