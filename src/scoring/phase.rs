//! The measures of one ridden phase.

use crate::matching::Ridden;
use crate::protocol::{Check, Drill, Measure, Phase, Side};
use crate::quantity::Unit;
use crate::ride::{Trace, Window};
use crate::session::Sides;
use crate::stats;

use super::budget::{Budget, Line, Source};
use super::edges::{EdgeSignal, Stop, StopEdge};
use super::references::{self, Consensus, ReferenceNeed, serving};
use super::value::{Measured, NoValue, Scored, Value};
use super::windows::{PairedSeconds, ScoringContext, push_in};
use super::{READINGS_FOLLOW_S, SPRINT_TAIL_S, first_unit, needed, ride_wide};

/// A second's mean rounds a sprint's peak off by 0.4 % against its last message (from simulation); even odds for either
/// habit in each head unit make 0 or ±0.4 %.
const PEAK_STORAGE_PCT: f64 = 0.4 / std::f64::consts::SQRT_2;

/// How far balance in a sprint is from what it was seated and easy, in points of the total: harder pushes and the body's
/// weight move it. Standard uncertainty; common practice, no source.
const SEATED_SHARE_STANDARD_PCT: f64 = 2.5;

fn is_of_total(measure: Measure) -> bool {
    matches!(measure, Measure::MeanError | Measure::WorkError)
}

/// One ridden phase.
pub struct PhaseScorer<'a> {
    pub scene: ScoringContext<'a>,
    pub phase: &'a Phase,
    pub ridden: &'a Ridden,
    pub window: Window,
    pub steady: &'a [Window],
}

impl PhaseScorer<'_> {
    pub fn score(&self, check: &Check) -> Scored {
        let advisory = check.advisory || self.informs_only(check.measure);
        Scored { check: check.clone(), measured: self.measure(check), advisory }
    }

    /// Whether the measure can only inform here, whatever the protocol asks: of a side.
    fn informs_only(&self, measure: Measure) -> bool {
        let side = match measure {
            Measure::LeftError => Side::Left,
            Measure::RightError => Side::Right,
            _ => return false,
        };
        // What a doubled side can sense informs where the total that it claims decides.
        let doubled = self.scene.ride.unit.sides != Sides::Both && self.total_decides();
        doubled || self.seated_share_for(&self.scene.side_error(side, self.window, Unit::Watt)).is_some()
    }

    fn measure(&self, check: &Check) -> Measured {
        let first = first_unit(&check.limit);
        let scene = &self.scene;
        let need = needed(check.measure, &self.phase.drill);
        // Sides have something to fall back on in sprints.
        if let Some(need) = need.filter(|need| *need != ReferenceNeed::Sides && serving(scene.ride, *need).is_empty()) {
            return Err(NoValue::Undecided(references::lacking(need)));
        }
        match check.measure {
            Measure::MeanError | Measure::WorkError => {
                scene.mean_error(need.unwrap_or(ReferenceNeed::ShortWork), self.window, first)
            }
            Measure::LeftError => self.side(Side::Left, first),
            Measure::RightError => self.side(Side::Right, first),
            Measure::Spread => scene.spread(self.window, first),
            Measure::CadenceError => scene.cadence_error(self.window),
            Measure::DropoutTime => scene.dropout_time(self.window),
            Measure::HeldTime => scene.held_time(self.window),
            Measure::Spike => scene.spike(self.window),
            Measure::PeakError => self.peak(check.over_s.unwrap_or(3.0), first),
            Measure::ResidualPower => scene.residual_power(self.stop()?, false),
            Measure::PhantomWork => scene.residual_power(self.stop()?, true),
            Measure::ReleaseLag => scene.lag(StopEdge::Release, EdgeSignal::Power, self.stop()?),
            Measure::OnsetLag => scene.lag(StopEdge::Onset, EdgeSignal::Power, self.stop()?),
            Measure::CadenceReleaseLag => scene.lag(StopEdge::Release, EdgeSignal::Cadence, self.stop()?),
            Measure::CadenceOnsetLag => scene.lag(StopEdge::Onset, EdgeSignal::Cadence, self.stop()?),
            Measure::MissingWork => self.missing_work(first),
            Measure::Linearity => ride_wide::linearity(scene, &self.steps()),
            Measure::DriftTime
            | Measure::DriftTemperature
            | Measure::TorqueError
            | Measure::Hysteresis
            | Measure::ZeroShift => {
                Err(NoValue::Undecided(format!("`{}` is not a measure of this drill", check.measure.word())))
            }
        }
    }

    /// Of a unit that doubles a side: that side against what it can sense, under the total's limit and for information,
    /// where no check of the protocol asks for it.
    pub fn sensed(&self) -> Option<Scored> {
        let measure = match self.scene.ride.unit.sides {
            Sides::LeftDoubled => Measure::LeftError,
            Sides::RightDoubled => Measure::RightError,
            Sides::Both | Sides::Total => return None,
        };
        let total = self.phase.checks.iter().find(|check| is_of_total(check.measure))?;
        let asked = self.phase.checks.iter().any(|check| check.measure == measure);
        let told = !asked && !serving(self.scene.ride, ReferenceNeed::Sides).is_empty();
        told.then(|| self.score(&Check { measure, advisory: true, ..total.clone() }))
    }

    pub fn stop(&self) -> Result<Stop, NoValue> {
        match self.ridden.moves.as_slice() {
            [_, coast, restart] => {
                let restart = Window { end_s: restart.end_s + READINGS_FOLLOW_S, ..*restart };
                Ok(Stop { coast: *coast, restart })
            }
            _ => Err(NoValue::Undecided("the coast and the restart were not told apart".to_owned())),
        }
    }

    /// Scored windows of a ramp's steps.
    pub fn steps(&self) -> Vec<Window> {
        let settle_s = if let Drill::Ramp { settle_s, .. } = self.phase.drill { settle_s } else { 0.0 };
        self.ridden.moves.iter().map(|step| Window { start_s: step.start_s + settle_s, ..*step }).collect()
    }

    /// Without a sided reference a sprint's sides are held against the unit's own seated balance, for information.
    fn side(&self, side: Side, first: Unit) -> Measured {
        let measured = self.scene.side_error(side, self.window, first);
        let Some(right_share) = self.seated_share_for(&measured) else { return measured };
        let share = if side == Side::Right { right_share } else { 1.0 - right_share };
        let unit = &self.scene.ride.unit;
        let consensus = self.scene.consensus(ReferenceNeed::ShortWork, self.window)?;
        let paired = PairedSeconds::over(
            &self.scene,
            self.window,
            |k| match side {
                _ if unit.power_at(k) == Some(0.0) => Some(0.0),
                Side::Left => unit.left_power_at(k),
                Side::Right => unit.right_power_at(k),
            },
            |k| consensus.power_at(self.scene.ride, k).map(|power_w| power_w * share),
        );
        let n = paired.unit.len() as f64;
        if n < 3.0 {
            return measured;
        }
        let (u, r) = (paired.unit.iter().sum::<f64>() / n, paired.reference.iter().sum::<f64>() / n);
        let mut value = Value::power_error(u - r, r, Budget::default(), first);
        let split_w = SEATED_SHARE_STANDARD_PCT / 100.0 * r / share;
        for line in consensus.lines(self.scene.ride, r).into_iter().chain([Line::b(Source::SideSplit, split_w)]) {
            push_in(&mut value, line);
        }
        value
            .notes
            .push("against the unit's own seated balance: no reference here measures the sides apart".to_owned());
        Ok(value)
    }

    /// Whether some check of this phase holds the unit to its total.
    fn total_decides(&self) -> bool {
        self.phase.checks.iter().any(|check| is_of_total(check.measure) && !check.advisory)
    }

    /// The unit's own seated balance, right of the total, where a side in a sprint has nothing else to be held against.
    fn seated_share_for(&self, measured: &Measured) -> Option<f64> {
        let sprint = matches!(self.phase.drill, Drill::Sprint { .. });
        let open = matches!(measured, Err(NoValue::Undecided(_)));
        let unserved = serving(self.scene.ride, ReferenceNeed::Sides).is_empty();
        if sprint && open && unserved { self.seated_right_share() } else { None }
    }

    fn seated_right_share(&self) -> Option<f64> {
        let unit = &self.scene.ride.unit;
        let (right, total): (Vec<f64>, Vec<f64>) = self
            .steady
            .iter()
            .flat_map(Window::seconds)
            .filter_map(|k| Some((unit.right_power_at(k)?, unit.power_at(k)?)))
            .unzip();
        stats::ratio(&right, &total).map(|ratio| ratio.ratio)
    }

    /// Best mean over `over_s`, each instrument's own best, on its own samples.
    fn peak(&self, over_s: f64, first: Unit) -> Measured {
        let ride = self.scene.ride;
        let reference = self.scene.consensus(ReferenceNeed::Edges, self.window)?.members[0].0;
        let traces = [&ride.unit, &ride.references[reference].trace];
        let best = traces.map(|trace| self.best(trace, over_s));
        let [Some((unit_s, unit_w)), Some((reference_s, reference_w))] = best else {
            return Err(NoValue::Undecided(format!("no {over_s} s without a missing sample")));
        };
        // A best that one of them could not record is not compared with the next best.
        let seen = |trace: &Trace, at_s: f64| {
            let width = over_s.round().max(1.0) as usize + 2;
            let start = trace.time_s.partition_point(|&t| t < at_s - 1.5);
            let around = trace.time_s.iter().zip(&trace.power_w).skip(start).take(width);
            around.clone().all(|(t, power_w)| power_w.is_some() && *t < at_s - 1.5 + width as f64)
                && around.count() == width
        };
        if !seen(traces[0], reference_s) || !seen(traces[1], unit_s) {
            return Err(NoValue::Undecided("a sample is missing where the other instrument peaks".to_owned()));
        }
        let consensus = Consensus::single(reference, reference_w);
        let storage = Line::habits(Source::Storage, PEAK_STORAGE_PCT / 100.0 * reference_w);
        let mut value = Value::power_error(unit_w - reference_w, reference_w, Budget::default(), first);
        for line in consensus.lines(ride, reference_w).into_iter().chain([storage]) {
            push_in(&mut value, line);
        }
        value.references = vec![reference];
        value.leaps = steps_w(traces[1], reference_s, over_s) * value.per_watt();
        Ok(value)
    }

    /// The best mean of so many samples in the window: time of the first one and the mean, W.
    fn best(&self, trace: &Trace, over_s: f64) -> Option<(f64, f64)> {
        let width = over_s.round().max(1.0) as usize;
        let start = trace.time_s.partition_point(|&t| t < self.window.start_s);
        let end = trace.time_s.partition_point(|&t| t < self.window.end_s).max(start);
        let means = trace.power_w[start..end].windows(width).zip(&trace.time_s[start..end]).filter_map(|(w, at_s)| {
            let powers_w = w.iter().copied().collect::<Option<Vec<f64>>>()?;
            Some((*at_s, stats::mean(&powers_w)?))
        });
        means.reduce(|best, next| if next.1 > best.1 { next } else { best })
    }

    /// Reference work less unit work from 2 s before the restart until 5 s after it ended.
    fn missing_work(&self, first: Unit) -> Measured {
        let Stop { restart, .. } = self.stop()?;
        let window =
            Window { start_s: restart.start_s - 2.0, end_s: restart.end_s - READINGS_FOLLOW_S + SPRINT_TAIL_S };
        let mut value = self.scene.mean_error(ReferenceNeed::ShortWork, window, first)?;
        value.value = -value.value;
        Ok(value)
    }
}

/// Scatter of a best mean, W, that comes of how it steps from second to second: a head unit that keeps the last turn of
/// each second misses others, which differ as much. A sprint in surges steps more than one held level.
fn steps_w(trace: &Trace, from_s: f64, over_s: f64) -> f64 {
    /// From simulated sprints on trainers and on the road, whose errors follow it in every quarter of its range.
    const MISSED_S: f64 = 0.36;
    let width = over_s.round().max(1.0) as usize;
    let start = trace.time_s.partition_point(|&t| t < from_s);
    let powers_w: Vec<f64> = trace.power_w.iter().skip(start).take(width).copied().flatten().collect();
    let squares: f64 = powers_w.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum();
    MISSED_S * squares.sqrt() / width as f64
}
