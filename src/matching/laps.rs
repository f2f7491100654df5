//! What the lap button tells of a ride, against what was found in it.

use crate::protocol::{Drill, Protocol};
use crate::ride::{EdgeKind, Ride};
use crate::stats;

use super::model::{MatchOutcome, Matches};

/// A press this near to a phase's start is meant for it; the next phase is farther away.
const MEANT_S: f64 = 30.0;
/// Nobody presses in the very second; later than this, a press no longer marks the start.
const LATE_S: f64 = 3.0;
/// Of fewer, chance can make a habit.
const FEWEST: usize = 3;

/// One sentence where laps are late as a rule.
pub(crate) fn deviation(protocol: &Protocol, matches: &Matches, ride: &Ride) -> Option<String> {
    let starts_s: Vec<f64> = matches
        .found
        .iter()
        .filter(|m| !matches!(protocol.phases[m.phase].drill, Drill::Free { .. } | Drill::Wait { .. }))
        .filter_map(|m| match &m.outcome {
            MatchOutcome::Ridden(ridden) => Some(ridden.span.start_s),
            MatchOutcome::NotRidden { .. } => None,
        })
        .collect();
    let nearest = |start_s: &f64| {
        let laps = ride.edges.iter().filter(|edge| edge.kind == EdgeKind::Lap).map(|edge| edge.at_s - start_s);
        laps.min_by(|a, b| a.abs().total_cmp(&b.abs())).filter(|late_s| late_s.abs() < MEANT_S)
    };
    let late_s: Vec<f64> = starts_s.iter().filter_map(nearest).collect();
    let typical_s = stats::median(&late_s).filter(|s| *s > LATE_S)?;
    (late_s.len() >= FEWEST && 2 * late_s.len() >= starts_s.len())
        .then(|| format!("the lap button was pressed about {typical_s:.0} s late"))
}
