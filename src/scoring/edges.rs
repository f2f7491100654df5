//! Where a signal steps when the rider stops or starts, and which reference an edge is timed against.

use crate::ride::{Trace, Window};
use crate::stats;

use super::consensus::{ReferenceNeed, serving};
use super::context::ScoringContext;
use super::no_value::NoValue;
use super::stop::{Signal, Stop, StopEdge};

/// The level before an edge is the mean from so long before it …
const BEFORE_FROM_S: f64 = 6.0;
/// … to so long before it, clear of the edge's own sample.
const BEFORE_TO_S: f64 = 0.5;
/// The level after it is taken from so long after it, past a smoothed reading …
const AFTER_FROM_S: f64 = 3.0;
/// … to so long after it. All four: common practice, no source.
const AFTER_TO_S: f64 = 6.0;
/// The crossing is looked for from so long before the edge, as the matcher's boundary is good to a second or two.
const SEARCH_LEAD_S: f64 = 3.0;
/// Adjacent samples lie no further apart, at one a second and half a second for when they are written; nothing is read
/// across a missing one.
const LONGEST_STEP_S: f64 = 1.5;
/// The signal moved if its step is at least this share of the level it came from. Common practice, no source.
const LEAST_STEP: f64 = 0.5;
/// How well the matcher knows where a coast ends: behind a hole, a reading so near to the end may be the restart's.
/// benches/assignment.rs prints how far edges lie from where the rider began to change.
const BOUNDARY_S: f64 = 2.0;
/// The share of seconds around a stop that a reference must have to time its edges: one in ten may be missing, as a head
/// unit loses some. Common practice, no source.
const SEEN_TENTHS: usize = 9;

/// Where a signal crosses half of its own step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SignalEdge {
    At(f64),
    /// Not until here.
    NotBefore(f64),
    /// Before the search began, or within a hole of the recording.
    Unseen,
    NoStep,
}

/// An edge of a reference's power.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReferenceEdge {
    /// Index into the ride's references.
    pub reference: usize,
    /// Session seconds; `None` where there is no step to time.
    pub at_s: Option<f64>,
}

impl ScoringContext<'_> {
    /// When the power of the reference that lags are taken against crosses at one of its edges; without a time where it
    /// shows no step.
    pub fn reference_edge(&self, edge: StopEdge, stop: Stop) -> Option<ReferenceEdge> {
        let reference = self.edge_reference(Signal::Power, stop).ok()?;
        Some(ReferenceEdge { reference, at_s: self.reference_crossing(edge, Signal::Power, reference, stop).ok() })
    }

    /// The first reference that serves edges and has the signal around the stop.
    pub fn edge_reference(&self, signal: Signal, stop: Stop) -> Result<usize, NoValue> {
        let around = Window { start_s: stop.coast.start_s - BEFORE_FROM_S, end_s: stop.restart.end_s };
        serving(self.ride, ReferenceNeed::Edges)
            .into_iter()
            .find(|&i| {
                let trace = &self.ride.references[i].trace;
                let has = |k: usize| match signal {
                    Signal::Power => trace.power_at(k).is_some(),
                    Signal::Cadence => trace.cadence_at(k).is_some(),
                };
                around.seconds().filter(|&k| has(k)).count() * 10 >= around.seconds().len() * SEEN_TENTHS
            })
            .ok_or(NoValue::NoReference(ReferenceNeed::Edges))
    }

    /// When this reference's signal crosses, session seconds.
    pub fn reference_crossing(
        &self,
        edge: StopEdge,
        signal: Signal,
        reference: usize,
        stop: Stop,
    ) -> Result<f64, NoValue> {
        let trace = &self.ride.references[reference].trace;
        let about_s = stop.about_s(edge);
        let until_s = if edge == StopEdge::Release { stop.coast.end_s } else { stop.restart.end_s };
        // The matcher's boundary is good to a second or two; levels are taken again around the crossing found.
        let first = crossing(edge, signal, trace, about_s, until_s);
        let second = match first {
            SignalEdge::At(at_s) => crossing(edge, signal, trace, at_s, until_s),
            other => other,
        };
        match second {
            SignalEdge::At(at_s) => Ok(at_s),
            _ => Err(NoValue::ReferenceHasNoStep(signal)),
        }
    }
}

/// Mean of the samples in a stretch, or the middle one where the signal `may_step` in it; `None` below two.
fn level(signal: Signal, trace: &Trace, from_s: f64, to_s: f64, may_step: bool) -> Option<f64> {
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

/// Where `trace` crosses half of its own step around `about_s`: levels from −6 to −0.5 s and from +3 to +6 s, first
/// crossing, linear between adjacent samples, never across a missing one.
pub fn crossing(edge: StopEdge, signal: Signal, trace: &Trace, about_s: f64, until_s: f64) -> SignalEdge {
    let before = level(signal, trace, about_s - BEFORE_FROM_S, about_s - BEFORE_TO_S, false);
    // A reading held until then and zero after it are two levels: half way between them there is none.
    let after =
        level(signal, trace, about_s + AFTER_FROM_S, (about_s + AFTER_TO_S).min(until_s), edge == StopEdge::Release);
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
    let start = trace.time_s.partition_point(|&t| t < about_s - SEARCH_LEAD_S);
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
            apart: vec![],
            reset: None,
            windows: vec![],
        };
        Trace {
            time_s: samples.iter().map(|s| s.0).collect(),
            power_w: samples.iter().map(|s| Some(s.1)).collect(),
            grid: vec![],
            ..Trace::without_values("unit 017", Location::Spindle, Sides::Both, clock, samples.len())
        }
    }

    /// 0 W before `at_s`, 300 W from it on, one sample a second.
    fn step(at_s: usize) -> Vec<(f64, f64)> {
        (0..30).map(|t| (t as f64, if t < at_s { 0.0 } else { 300.0 })).collect()
    }

    #[test]
    fn an_onset_lies_half_way_up_between_two_samples() {
        let found = crossing(StopEdge::Onset, Signal::Power, &trace(&step(12)), 11.0, 25.0);
        assert_eq!(found, SignalEdge::At(11.5));
    }

    #[test]
    fn an_edge_in_a_hole_of_the_recording_is_not_timed() {
        let mut samples = step(12);
        samples.retain(|s| s.0 != 11.0);
        assert_eq!(crossing(StopEdge::Onset, Signal::Power, &trace(&samples), 11.0, 25.0), SignalEdge::Unseen);
    }

    #[test]
    fn a_unit_that_never_lets_go_has_a_lower_bound() {
        let held: Vec<(f64, f64)> = (0..30).map(|t| (t as f64, 200.0)).collect();
        assert_eq!(crossing(StopEdge::Release, Signal::Power, &trace(&held), 10.0, 18.0), SignalEdge::NotBefore(18.0));
    }

    #[test]
    fn a_reading_held_until_the_level_after_is_taken_is_not_that_level() {
        // The last turn before the coast was easier, and its reading stands for 5 s.
        let power_w = |t: usize| [200.0, 150.0, 0.0][usize::from(t >= 10) + usize::from(t >= 15)];
        let held: Vec<(f64, f64)> = (0..30).map(|t| (t as f64, power_w(t))).collect();
        let SignalEdge::At(at_s) = crossing(StopEdge::Release, Signal::Power, &trace(&held), 10.0, 25.0) else {
            panic!("it lets go");
        };
        // Half of 200 W lies a third of the way down from 150 W.
        assert!((at_s - (14.0 + 1.0 / 3.0)).abs() < 1e-9, "{at_s}");
    }

    #[test]
    fn what_was_not_recorded_is_no_reading_held() {
        let held: Vec<(f64, f64)> = (0..30).filter(|t| !(13..20).contains(t)).map(|t| (f64::from(t), 200.0)).collect();
        // Nothing is known after second 12, though the unit reads on when the rider pedals again.
        assert_eq!(crossing(StopEdge::Release, Signal::Power, &trace(&held), 10.0, 18.0), SignalEdge::NotBefore(12.0));
        let mut lost = trace(&(0..30).map(|t| (f64::from(t), 200.0)).collect::<Vec<_>>());
        lost.power_w[9..20].fill(None);
        assert_eq!(crossing(StopEdge::Release, Signal::Power, &lost, 10.0, 18.0), SignalEdge::Unseen);
    }

    #[test]
    fn a_unit_that_reads_on_shows_no_onset() {
        let held: Vec<(f64, f64)> = (0..30).map(|t| (t as f64, 200.0)).collect();
        assert_eq!(crossing(StopEdge::Onset, Signal::Power, &trace(&held), 18.0, 25.0), SignalEdge::NoStep);
    }
}
