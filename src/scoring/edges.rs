//! Stopping and starting: crossings, lags, what is read while coasting.

use crate::quantity::Unit;
use crate::ride::{Trace, Window};
use crate::stats;

use super::budget::{Budget, Line, Source};
use super::references::{ReferenceNeed, lacking, serving};
use super::value::{Measured, NoValue, Value, ValueKind};
use super::windows::{STORAGE_U_S, ScoringContext};

/// A crank that reports once a revolution at its own angle, into head units that sample on their own phase: what
/// repeats of one session share. From simulation with perfect clocks.
const SAMPLING_PHASE_U_S: f64 = 0.1;
/// Three edges each seen once a second: rectangular, GUM 4.3.7.
const SAMPLES_U_S: f64 = 0.5;
/// A rounded watt. GUM 4.3.7.
const ROUNDING_SD_W: f64 = 0.288_675;
/// Adjacent samples lie no further apart; nothing is read across a missing one.
const LONGEST_STEP_S: f64 = 1.5;
/// The unit moved if its step is at least this share of the level it came from.
const LEAST_STEP: f64 = 0.5;

/// Which signal an edge is looked for in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EdgeSignal {
    Power,
    Cadence,
}

impl EdgeSignal {
    fn column(self, trace: &Trace) -> &[Option<f64>] {
        match self {
            EdgeSignal::Power => &trace.power_w,
            EdgeSignal::Cadence => &trace.cadence_rpm,
        }
    }

    fn word(self) -> &'static str {
        match self {
            EdgeSignal::Power => "power",
            EdgeSignal::Cadence => "cadence",
        }
    }
}

/// The moves of one coast-and-restart, session seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stop {
    pub coast: Window,
    pub restart: Window,
}

/// Which of the two edges.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StopEdge {
    Release,
    Onset,
}

/// Where a signal crosses half of its own step.
#[derive(Debug, Clone, Copy, PartialEq)]
enum SignalEdge {
    At(f64),
    /// Not until here.
    NotBefore(f64),
    /// Before the search began, or within a hole of the recording.
    Unseen,
    NoStep,
}

impl ScoringContext<'_> {
    /// The unit's crossing less the reference's, s.
    pub fn lag(&self, edge: StopEdge, signal: EdgeSignal, stop: Stop) -> Measured {
        let reference = self.edge_reference(signal, stop)?;
        let trace = &self.ride.references[reference].trace;
        let about = match edge {
            StopEdge::Release => stop.coast.start_s,
            StopEdge::Onset => stop.restart.start_s,
        };
        let reference_s = self.reference_crossing(edge, signal, trace, about, stop)?;
        if !self.ride.unit.clock.aligned_on.tells_lag() {
            return Err(NoValue::Undecided(format!(
                "the clocks were aligned on {}, so a constant lag can't be told from a clock offset",
                self.ride.unit.clock.aligned_on.word()
            )));
        }
        let until_s = match edge {
            StopEdge::Release => stop.restart.start_s,
            StopEdge::Onset => stop.restart.end_s,
        };
        if signal.column(&self.ride.unit).iter().all(Option::is_none) {
            return Err(NoValue::Undecided(format!("the unit's recording holds no {}", signal.word())));
        }
        let (lag_s, kind) = match crossing(edge, signal, &self.ride.unit, reference_s, until_s) {
            SignalEdge::At(at_s) => (at_s - reference_s, ValueKind::Measured),
            SignalEdge::NotBefore(at_s) => (at_s - reference_s, ValueKind::AtLeast),
            SignalEdge::Unseen => {
                let word = signal.word();
                return Err(NoValue::Undecided(format!("a sample is missing where the unit's {word} has its edge")));
            }
            SignalEdge::NoStep => {
                let word = signal.word();
                return Err(NoValue::Undecided(format!("the unit's {word} shows no step here to time")));
            }
        };
        let mut budget = Budget::default();
        budget.push(Line::b(Source::Clock, super::references::clock_u(self.ride, &[reference])));
        budget.push(Line::b(Source::SamplingPhase, SAMPLING_PHASE_U_S));
        budget.push(Line::habits(Source::Storage, STORAGE_U_S));
        Ok(Value { kind, budget, references: vec![reference], ..Value::count(lag_s, Unit::Second) })
    }

    /// When the reference let go, session seconds; for windows that hang on it.
    fn release_s(&self, stop: Stop) -> Result<(usize, f64), NoValue> {
        let reference = self.edge_reference(EdgeSignal::Power, stop)?;
        let trace = &self.ride.references[reference].trace;
        let at_s = self.reference_crossing(StopEdge::Release, EdgeSignal::Power, trace, stop.coast.start_s, stop)?;
        Ok((reference, at_s))
    }

    /// The reference's power at one of its edges, for whoever shows it: which one, and when, where there is a step.
    pub(super) fn reference_edge(&self, edge: StopEdge, stop: Stop) -> Option<(usize, Option<f64>)> {
        let reference = self.edge_reference(EdgeSignal::Power, stop).ok()?;
        let trace = &self.ride.references[reference].trace;
        let about_s = if edge == StopEdge::Release { stop.coast.start_s } else { stop.restart.start_s };
        Some((reference, self.reference_crossing(edge, EdgeSignal::Power, trace, about_s, stop).ok()))
    }

    /// The first reference that serves edges and has the signal around the stop.
    fn edge_reference(&self, signal: EdgeSignal, stop: Stop) -> Result<usize, NoValue> {
        let around = Window { start_s: stop.coast.start_s - 6.0, end_s: stop.restart.end_s };
        serving(self.ride, ReferenceNeed::Edges)
            .into_iter()
            .find(|&i| {
                let trace = &self.ride.references[i].trace;
                let has = |k: usize| match signal {
                    EdgeSignal::Power => trace.power_at(k).is_some(),
                    EdgeSignal::Cadence => trace.cadence_at(k).is_some(),
                };
                around.seconds().filter(|&k| has(k)).count() * 10 >= around.seconds().len() * 9
            })
            .ok_or_else(|| NoValue::Undecided(lacking(ReferenceNeed::Edges)))
    }

    fn reference_crossing(
        &self,
        edge: StopEdge,
        signal: EdgeSignal,
        trace: &Trace,
        about_s: f64,
        stop: Stop,
    ) -> Result<f64, NoValue> {
        let until_s = if edge == StopEdge::Release { stop.coast.end_s } else { stop.restart.end_s };
        // The matcher's boundary is good to a second or two; levels are taken again around the crossing found.
        let first = crossing(edge, signal, trace, about_s, until_s);
        let second = match first {
            SignalEdge::At(at_s) => crossing(edge, signal, trace, at_s, until_s),
            other => other,
        };
        match second {
            SignalEdge::At(at_s) => Ok(at_s),
            _ => Err(NoValue::Undecided(format!("the reference's {} shows no step here to time", signal.word()))),
        }
    }

    /// Mean unit power while the reference coasts, from 2 s after its release until 1 s before its last zero second.
    ///
    /// With `integral`, the same times its duration: phantom work, kJ.
    pub fn residual_power(&self, stop: Stop, integral: bool) -> Measured {
        let (reference, release_s) = self.release_s(stop)?;
        let trace = &self.ride.references[reference].trace;
        let last_zero = stop.coast.seconds().chain(stop.coast.seconds().end..stop.restart.seconds().end);
        let Some(last_zero) = last_zero
            .take_while(|&k| (k as f64) < stop.restart.start_s + 2.0)
            .filter(|&k| trace.power_at(k) == Some(0.0))
            .last()
        else {
            return Err(NoValue::Undecided("the reference never reads zero in this coast".to_owned()));
        };
        let window = Window { start_s: release_s + 2.0, end_s: last_zero as f64 - 1.0 + 1e-6 };
        let unit = &self.ride.unit;
        let readings: Vec<f64> = unit
            .time_s
            .iter()
            .zip(&unit.power_w)
            .filter(|(t, _)| (window.start_s..window.end_s).contains(t))
            .filter_map(|(_, power_w)| *power_w)
            .collect();
        if readings.len() < 2 {
            return Err(NoValue::Undecided(
                "fewer than two readings of the unit while the reference coasted".to_owned(),
            ));
        }
        let mean_w = stats::mean(&readings).unwrap_or(0.0);
        // A clock that is off reads the tail of the release, or the first of the restart, into the window.
        let slope_w_s = (readings[0] - readings[readings.len() - 1]).abs() / readings.len() as f64;
        let mut budget = Budget::default();
        budget.push(Line::b(Source::Clock, slope_w_s * super::references::clock_u(self.ride, &[reference])));
        // Where the reference let go and came back is known to about a second's sample each; so is the unit's own edge.
        let edges_s = SAMPLING_PHASE_U_S.hypot(STORAGE_U_S).hypot(SAMPLES_U_S);
        budget.push(Line::b(Source::SamplingPhase, slope_w_s * edges_s));
        budget.push(Line::rectangular(Source::Resolution, ROUNDING_SD_W));
        let (value, unit, budget) = if integral {
            let factor = window.length_s() / 1000.0;
            (mean_w * factor, Unit::Kilojoule, budget.times(factor))
        } else {
            (mean_w, Unit::Watt, budget)
        };
        Ok(Value { kind: ValueKind::Measured, budget, references: vec![reference], ..Value::count(value, unit) })
    }
}

/// Mean of the samples in a stretch, or the middle one where the signal `may_step` in it; `None` below two.
fn level(signal: EdgeSignal, trace: &Trace, from_s: f64, to_s: f64, may_step: bool) -> Option<f64> {
    let start = trace.time_s.partition_point(|&t| t < from_s);
    let end = trace.time_s.partition_point(|&t| t <= to_s);
    let mut values: Vec<f64> = signal.column(trace)[start..end.max(start)].iter().copied().flatten().collect();
    let middle = values.len() / 2;
    match values.len() {
        0 | 1 => None,
        _ if may_step => Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1),
        _ => stats::mean(&values),
    }
}

/// How well the matcher knows where a coast ends: behind a hole, a reading so near to the end may be the restart's.
const BOUNDARY_S: f64 = 2.0;

/// Where `trace` crosses half of its own step around `about_s`: levels from −6 to −0.5 s and from +3 to +6 s, first
/// crossing, linear between adjacent samples, never across a missing one.
fn crossing(edge: StopEdge, signal: EdgeSignal, trace: &Trace, about_s: f64, until_s: f64) -> SignalEdge {
    let before = level(signal, trace, about_s - 6.0, about_s - 0.5, false);
    // A reading held until then and zero after it are two levels: half way between them there is none.
    let after = level(signal, trace, about_s + 3.0, (about_s + 6.0).min(until_s), edge == StopEdge::Release);
    let half = match (edge, before, after) {
        // A unit that still reads on has not stepped yet: half of what it came from, down to nothing, is awaited.
        (StopEdge::Release, Some(before), after) if before > 0.0 => {
            let after = after.filter(|after| *after < before * LEAST_STEP).unwrap_or(0.0);
            (before + after) / 2.0
        }
        (StopEdge::Onset, before, Some(after)) if after > 0.0 => {
            let before = before.unwrap_or(0.0);
            if before > after * LEAST_STEP {
                return SignalEdge::NoStep;
            }
            (before + after) / 2.0
        }
        // Silent until the end: the level it will come back to is not known, that it has not come back is.
        (StopEdge::Onset, Some(0.0), _) => f64::MIN_POSITIVE,
        _ => return SignalEdge::NoStep,
    };
    let across = |value: f64| if edge == StopEdge::Release { value < half } else { value >= half };
    let start = trace.time_s.partition_point(|&t| t < about_s - 3.0);
    let mut last: Option<(f64, f64)> = None;
    // Until when it was seen not to have crossed: what was not recorded shows nothing.
    let mut seen_s = None;
    for i in start..trace.time_s.len() {
        let at_s = trace.time_s[i];
        // The first sample at or after the end may still show the crossing that lies before it.
        if last.is_some_and(|(t, _)| t >= until_s) {
            break;
        }
        let Some(value) = signal.column(trace)[i] else {
            last = None;
            continue;
        };
        if across(value) {
            return match last {
                Some((t, v)) if at_s - t <= LONGEST_STEP_S && !across(v) => {
                    SignalEdge::At(t + (at_s - t) * (half - v) / (value - v))
                }
                _ => SignalEdge::Unseen,
            };
        }
        let joined = last.is_some_and(|(t, _)| at_s - t <= LONGEST_STEP_S);
        if joined || at_s < until_s - BOUNDARY_S {
            seen_s = Some(at_s.min(until_s));
        } else if seen_s.is_some() {
            break;
        }
        last = Some((at_s, value));
    }
    seen_s.filter(|s| *s > about_s).map_or(SignalEdge::Unseen, SignalEdge::NotBefore)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ride::{AlignedOn, Clock};
    use crate::session::{Location, Sides};

    fn trace(samples: &[(f64, f64)]) -> Trace {
        let clock = Clock {
            offset_s: 0.0,
            drift_ppm: 0.0,
            standard_uncertainty_s: 0.0,
            aligned_on: AlignedOn::SessionClock,
            also: vec![],
            reset: None,
            windows: vec![],
        };
        let nothing = vec![None; samples.len()];
        Trace {
            label: "unit 017".to_owned(),
            located: Location::Spindle,
            sides: Sides::Both,
            clock,
            time_s: samples.iter().map(|s| s.0).collect(),
            power_w: samples.iter().map(|s| Some(s.1)).collect(),
            cadence_rpm: nothing.clone(),
            heart_rate_bpm: nothing.clone(),
            speed_m_s: nothing.clone(),
            altitude_m: nothing.clone(),
            temperature_c: nothing.clone(),
            right_share_pct: nothing,
            grid: vec![],
        }
    }

    /// 0 W before `at_s`, 300 W from it on, one sample a second.
    fn step(at_s: usize) -> Vec<(f64, f64)> {
        (0..30).map(|t| (t as f64, if t < at_s { 0.0 } else { 300.0 })).collect()
    }

    #[test]
    fn an_onset_lies_half_way_up_between_two_samples() {
        let found = crossing(StopEdge::Onset, EdgeSignal::Power, &trace(&step(12)), 11.0, 25.0);
        assert_eq!(found, SignalEdge::At(11.5));
    }

    #[test]
    fn an_edge_in_a_hole_of_the_recording_is_not_timed() {
        let mut samples = step(12);
        samples.retain(|s| s.0 != 11.0);
        assert_eq!(crossing(StopEdge::Onset, EdgeSignal::Power, &trace(&samples), 11.0, 25.0), SignalEdge::Unseen);
    }

    #[test]
    fn a_unit_that_never_lets_go_has_a_lower_bound() {
        let held: Vec<(f64, f64)> = (0..30).map(|t| (t as f64, 200.0)).collect();
        assert_eq!(
            crossing(StopEdge::Release, EdgeSignal::Power, &trace(&held), 10.0, 18.0),
            SignalEdge::NotBefore(18.0)
        );
    }

    #[test]
    fn a_reading_held_until_the_level_after_is_taken_is_not_that_level() {
        // The last turn before the coast was easier, and its reading stands for 5 s.
        let power_w = |t: usize| [200.0, 150.0, 0.0][usize::from(t >= 10) + usize::from(t >= 15)];
        let held: Vec<(f64, f64)> = (0..30).map(|t| (t as f64, power_w(t))).collect();
        let SignalEdge::At(at_s) = crossing(StopEdge::Release, EdgeSignal::Power, &trace(&held), 10.0, 25.0) else {
            panic!("it lets go");
        };
        // Half of 200 W lies a third of the way down from 150 W.
        assert!((at_s - (14.0 + 1.0 / 3.0)).abs() < 1e-9, "{at_s}");
    }

    #[test]
    fn what_was_not_recorded_is_no_reading_held() {
        let held: Vec<(f64, f64)> = (0..30).filter(|t| !(13..20).contains(t)).map(|t| (f64::from(t), 200.0)).collect();
        // Nothing is known after second 12, though the unit reads on when the rider pedals again.
        assert_eq!(
            crossing(StopEdge::Release, EdgeSignal::Power, &trace(&held), 10.0, 18.0),
            SignalEdge::NotBefore(12.0)
        );
        let mut lost = trace(&(0..30).map(|t| (f64::from(t), 200.0)).collect::<Vec<_>>());
        lost.power_w[9..20].fill(None);
        assert_eq!(crossing(StopEdge::Release, EdgeSignal::Power, &lost, 10.0, 18.0), SignalEdge::Unseen);
    }

    #[test]
    fn a_unit_that_reads_on_shows_no_onset() {
        let held: Vec<(f64, f64)> = (0..30).map(|t| (t as f64, 200.0)).collect();
        assert_eq!(crossing(StopEdge::Onset, EdgeSignal::Power, &trace(&held), 18.0, 25.0), SignalEdge::NoStep);
    }
}
