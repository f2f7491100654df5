//! Pins: where a person says that a repeat was ridden.

use super::moves::ScoredPhases;
use super::typed_times::session_seconds;
use crate::protocol::Protocol;
use crate::ride::{Ride, Window};
use crate::session::{Pin, Session};

/// A pin whose phase and seconds are known.
pub(super) struct ResolvedPin<'a> {
    pub pin: &'a Pin,
    pub entry: usize,
    pub seconds: (usize, usize),
    pub span: Window,
}

pub(super) fn resolve_pins<'a>(
    protocol: &Protocol,
    session: &'a Session,
    ride: &Ride,
    plan: &ScoredPhases,
    cautions: &mut Vec<String>,
) -> Vec<ResolvedPin<'a>> {
    let mut resolved: Vec<ResolvedPin> = Vec::new();
    for pin in &session.pins {
        let mut ignore = |why: &str| cautions.push(format!("the pin on {} was not used: {why}", pin.phase));
        let entries: Vec<usize> = (0..plan.entries.len())
            .filter(|&e| pin.phase.selects(&protocol.phases[plan.entries[e].phase].id))
            .collect();
        let [entry] = entries[..] else {
            ignore(if entries.is_empty() {
                "no phase that is scored by riding has that name"
            } else {
                "it names more than one phase"
            });
            continue;
        };
        let span = Window { start_s: session_seconds(ride, &pin.from), end_s: session_seconds(ride, &pin.to) };
        let (from, to) = (span.start_s.round(), span.end_s.round());
        if from < 0.0 || to > ride.length_s as f64 {
            ignore("it lies outside the ride (times are UTC unless written otherwise)");
            continue;
        }
        let seconds = (from as usize, to as usize);
        if seconds.1 < seconds.0 + plan.entries[entry].moves.len() {
            ignore("it ends before it could hold the phase");
        } else if resolved.iter().any(|r| seconds.0 < r.seconds.1 && r.seconds.0 < seconds.1) {
            ignore("it overlaps another pin");
        } else if resolved
            .iter()
            .any(|r| r.entry == entry && r.pin.phase.repeat == pin.phase.repeat && pin.phase.repeat.is_some())
        {
            ignore("another pin names the same repeat");
        } else {
            resolved.push(ResolvedPin { pin, entry, seconds, span });
        }
    }
    resolved
}
