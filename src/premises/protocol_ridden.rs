//! Whether this is the protocol that was ridden, and each phase where it was found.

use super::evidence::{Evidence, PhaseRepeat};
use super::premise_names::repeat_name;
use super::tested::TestedPremise;
use crate::matching::{self, MatchOutcome, Matches};
use crate::premise::{Premise, Takes};
use crate::protocol::{self, Part, Protocol};
use crate::ride::Ride;
use crate::session::Session;

/// As sure as expanded uncertainties are.
const SURE: f64 = 0.95;
/// Log odds against which a protocol, or none, is not what was ridden: 1 in 150, below any of 3,000 sound sessions.
const ODDS: f64 = 5.0;
/// Other protocols are looked at where something is missing, or where less than this share of the ride belongs to a phase.
const LEAST_EXPLAINED: f64 = 0.6;

/// A line for the protocol, and one for each repeat that is not surely what it was taken for.
pub fn protocol_ridden(protocol: &Protocol, session: &Session, matches: &Matches, ride: &Ride) -> Vec<TestedPremise> {
    let mut tested = unsure(protocol, matches);
    let about = vec![protocol.title.clone()];
    let likelier = match matches.log_evidence {
        // Nothing of it is ridden on a bike.
        0.0 => return tested,
        evidence if evidence < ODDS => Some((None, evidence)),
        evidence => other(protocol, session, matches, ride)
            .map(|(other, of_other)| (Some(other), evidence - of_other))
            .filter(|(_, odds)| *odds < -ODDS),
    };
    tested.push(match likelier {
        Some((other, log_odds)) => {
            let evidence = Evidence::OtherProtocol { other: other.map(|other| other.title.clone()), log_odds };
            TestedPremise::contradicted(Premise::ProtocolRidden, about, evidence, Takes::Session)
        }
        None => {
            let evidence = Evidence::ProtocolFits { log_odds: matches.log_evidence };
            TestedPremise::held(Premise::ProtocolRidden, about, evidence)
        }
    });
    tested
}

/// Repeats whose phase or ring is less than [`SURE`].
fn unsure(protocol: &Protocol, matches: &Matches) -> Vec<TestedPremise> {
    let of = |found: &matching::PhaseMatch| {
        let MatchOutcome::Ridden(ridden) = &found.outcome else { return None };
        let phase = &protocol.phases[found.phase];
        let ring = phase.ring.is_some() && ridden.ring_confidence < SURE;
        if phase.checks.is_empty() || found.surplus || (ridden.confidence >= SURE && !ring) {
            return None;
        }
        let repeat = PhaseRepeat { phase: found.phase, repeat: found.repeat };
        let probability = if ridden.confidence < SURE { ridden.confidence } else { ridden.ring_confidence };
        let evidence = Evidence::Unsure { repeat, ring: ridden.confidence >= SURE, probability };
        let about = vec![repeat_name(protocol, repeat)];
        // Not known is not contradicted, and decides nothing all the same.
        Some(TestedPremise {
            takes: Takes::Repeat,
            ..TestedPremise::untested(Premise::ProtocolRidden, about, evidence)
        })
    };
    matches.found.iter().filter_map(of).collect()
}

/// The shipped protocol that explains the ride best, with its log evidence; `None` where nothing asks for another one.
fn other(protocol: &Protocol, session: &Session, matches: &Matches, ride: &Ride) -> Option<(&'static Protocol, f64)> {
    let missing = |found: &matching::PhaseMatch| {
        matches!(found.outcome, MatchOutcome::NotRidden { .. }) && protocol.phases[found.phase].part == Part::Required
    };
    let span_s = |found: &matching::PhaseMatch| match &found.outcome {
        MatchOutcome::Ridden(ridden) => ridden.span.length_s(),
        MatchOutcome::NotRidden { .. } => 0.0,
    };
    let explained = matches.found.iter().map(span_s).sum::<f64>() / ride.length_s.max(1) as f64;
    if explained >= LEAST_EXPLAINED && !matches.found.iter().any(missing) {
        return None;
    }
    let others = protocol::shipped().iter().filter(|other| other.title != protocol.title);
    let weighed = others.map(|other| (other, matching::log_evidence(other, session, ride)));
    weighed.max_by(|a, b| a.1.total_cmp(&b.1))
}
