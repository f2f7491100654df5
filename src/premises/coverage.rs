//! Whether each recording covers the drills.

use super::evidence::Evidence;
use super::tested::TestedPremise;
use crate::premise::{Premise, Takes};
use crate::ride::{Ride, Trace};

/// Head units on one bike are started and stopped within a minute. Common practice, no source.
const LEAVES_S: i64 = 60;

/// Each instrument's recordings against the seconds in which another one recorded power.
pub fn coverage(ride: &Ride) -> Vec<TestedPremise> {
    let references = ride.references.iter().map(|reference| &reference.trace);
    let traces: Vec<&Trace> = std::iter::once(&ride.unit).chain(references).filter(|t| !t.time_s.is_empty()).collect();
    let seconds: Vec<RecordedSeconds> = traces.iter().map(|trace| RecordedSeconds::of(trace)).collect();
    let tested = traces.iter().zip(&seconds).enumerate().map(|(i, (trace, own))| {
        let others = seconds.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, other)| other);
        let mut ridden: Vec<i64> = others.flat_map(|other| other.with_power.iter().copied()).collect();
        ridden.sort_unstable();
        ridden.dedup();
        let left: Vec<i64> = ridden.into_iter().filter(|second| own.recorded.binary_search(second).is_err()).collect();
        let about = vec![trace.label.clone()];
        // A second in which nobody pushed the pedals does not end a stretch.
        let longest = left.chunk_by(|a, b| b - a <= LEAVES_S).max_by_key(|run| run.len());
        match longest.filter(|run| run.len() as i64 > LEAVES_S) {
            Some(run) => {
                let evidence = Evidence::Leaves { from_s: run[0] as f64, to_s: (run[run.len() - 1] + 1) as f64 };
                TestedPremise::contradicted(Premise::Covered, about, evidence, Takes::Unrecorded)
            }
            None => TestedPremise::held(Premise::Covered, about, Evidence::SpansAll),
        }
    });
    tested.collect()
}

/// Whole seconds of session time, in order.
struct RecordedSeconds {
    recorded: Vec<i64>,
    with_power: Vec<i64>,
}

impl RecordedSeconds {
    fn of(trace: &Trace) -> Self {
        let at = |time_s: &f64| time_s.round() as i64;
        let mut recorded: Vec<i64> = trace.time_s.iter().map(at).collect();
        // A head unit that writes every other second covers the one between.
        recorded.extend(
            trace.time_s.windows(2).filter(|w| w[1] - w[0] <= LEAVES_S as f64).flat_map(|w| at(&w[0])..at(&w[1])),
        );
        recorded.sort_unstable();
        recorded.dedup();
        let powered = trace.time_s.iter().zip(&trace.power_w).filter(|(_, power_w)| power_w.is_some_and(|w| w > 0.0));
        Self { recorded, with_power: powered.map(|(time_s, _)| at(time_s)).collect() }
    }
}
