//! Remarks that call a repeat spoiled: what they name was ridden then, and is struck.

use super::model::{MatchOutcome, Matches, PhaseMatch};
use super::moves::{ScoredPhase, ScoredPhases, WRITTEN_S};
use super::typed_times::session_seconds;
use crate::protocol::Protocol;
use crate::ride::{Ride, Window};
use crate::session::{Remark, Session};

/// Second of a remark that names a phase.
pub(super) fn remarked(remark: &Remark, ride: &Ride) -> Option<usize> {
    let at_s = session_seconds(ride, remark.at.as_ref()?);
    (at_s >= 0.0 && at_s <= ride.length_s as f64).then_some(at_s as usize)
}

/// Whether a remark at second `at` may be about what was ridden over `span`.
pub(super) fn written_of(span: Window, at: usize) -> bool {
    (span.start_s..=span.end_s + WRITTEN_S as f64).contains(&(at as f64))
}

/// What was remarked on was ridden then.
pub(super) fn expect_remarked(protocol: &Protocol, session: &Session, ride: &Ride, plan: &mut ScoredPhases) {
    for remark in &session.remarks {
        let (Some(selector), Some(at)) = (&remark.spoiled, remarked(remark, ride)) else { continue };
        let named = |e: &&mut ScoredPhase| selector.selects(&protocol.phases[e.phase].id);
        plan.entries.iter_mut().filter(named).for_each(|entry| entry.expect(at));
    }
}

/// How the reason of a struck repeat begins.
pub(super) const STRUCK: &str = "called spoiled by the tester";

/// Strikes the repeat that a remark calls spoiled: what was ridden at its time, else the one with its number.
pub(super) fn spoil(protocol: &Protocol, remark: &Remark, ride: &Ride, matches: &mut Matches) {
    let Some(selector) = &remark.spoiled else { return };
    let named = |m: &PhaseMatch| selector.selects(&protocol.phases[m.phase].id);
    let numbered = |m: &PhaseMatch| named(m) && selector.repeat.is_none_or(|n| n == m.repeat);
    let then = remarked(remark, ride).and_then(|at| {
        let over = |m: &PhaseMatch| matches!(&m.outcome, MatchOutcome::Ridden(r) if written_of(r.span, at));
        // Of two within reach the later had begun.
        matches.found.iter().rposition(|m| named(m) && over(m))
    });
    if let (Some(at), Some(number)) = (then, selector.repeat)
        && matches.found[at].repeat != number
    {
        let id = &protocol.phases[matches.found[at].phase].id;
        matches.cautions.push(format!(
            "the remark \"{}\" calls {id}/{number} spoiled; at its time repeat {} was ridden, so that one was left out",
            remark.text, matches.found[at].repeat
        ));
    }
    let reason = format!("{STRUCK}: {}", remark.text);
    let struck: Vec<usize> = match then {
        Some(at) => vec![at],
        None => (0..matches.found.len()).filter(|&at| numbered(&matches.found[at])).collect(),
    };
    for at in struck {
        matches.found[at].outcome = MatchOutcome::NotRidden { reason: reason.clone() };
    }
}
