//! What laps, timer events and marks say of where phases begin and end.

use super::moves::{JUMP, ScoredPhases};
use super::segment::{EdgeCosts, LAP, Segment};
use super::signals::Signals;
use crate::protocol::Protocol;
use crate::ride::{Edge, EdgeKind, Ride};

/// What was prompted at either end may fit this badly, in seconds of misfit: as much as half of the order is worth.
pub(super) const PROMPTED: f64 = JUMP / 2.0;

/// How near a boundary lies to a lap, an event or a mark that tells of it.
const REACH_S: f64 = 3.0;

/// Whether marks made while riding name a stretch's phase at both of its ends.
pub(super) fn prompted(protocol: &Protocol, plan: &ScoredPhases, ride: &Ride, instance: &Segment) -> bool {
    let id = &protocol.phases[plan.entries[instance.entry].phase].id;
    let near = |second: usize| {
        let named = |e: &&Edge| matches!(&e.kind, EdgeKind::Cue(of) if of.selects(id));
        ride.edges.iter().filter(named).any(|e| (e.at_s - second as f64).abs() <= REACH_S)
    };
    near(instance.from()) && near(instance.to())
}

/// What boundaries cost: negative near a lap, timer event or mark.
pub(super) fn edge_costs(protocol: &Protocol, plan: &ScoredPhases, signals: &Signals, ride: &Ride) -> EdgeCosts {
    let mut costs = EdgeCosts::none(plan.entries.len(), ride.length_s);
    for edge in &ride.edges {
        let worth = match &edge.kind {
            EdgeKind::Lap | EdgeKind::Mark(None) => LAP,
            EdgeKind::TimerStart | EdgeKind::TimerStop => LAP / 2.0,
            EdgeKind::Mark(Some(_)) | EdgeKind::Cue(_) => 2.5 * LAP,
        };
        let whose: Vec<Option<usize>> = match &edge.kind {
            EdgeKind::Mark(Some(selector)) | EdgeKind::Cue(selector) => {
                let named = |e: &usize| selector.selects(&protocol.phases[plan.entries[*e].phase].id);
                (0..plan.entries.len()).filter(named).map(Some).collect()
            }
            _ => vec![None],
        };
        let late_s = if edge.kind == EdgeKind::Lap { signals.laps_late_s.unwrap_or(0.0) } else { 0.0 };
        let at_s = edge.at_s - late_s;
        let near = (at_s - REACH_S).ceil().max(0.0) as usize..=(at_s + REACH_S).floor().max(0.0) as usize;
        for second in near.filter(|&s| s <= ride.length_s) {
            let closeness = 1.0 - (second as f64 - at_s).abs() / (REACH_S + 1.0);
            whose.iter().for_each(|&entry| costs.lower(entry, second, -worth * closeness));
        }
    }
    costs
}
