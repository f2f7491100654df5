//! What the ride says of the session once phases are matched, and once they are scored.

use super::as_asked::as_asked;
use super::clocks::{RiddenProtocol, clocks};
use super::evidence::Evidence;
use super::pinned::pins;
use super::readings::readings;
use super::references::references;
use super::tested::TestedPremise;
use crate::matching::Matches;
use crate::premise::Premise;
use crate::protocol::Protocol;
use crate::ride::Ride;
use crate::scoring::{Compared, Scores};
use crate::session::Session;
use crate::stats;

/// Of what was ridden, pinned and typed. `unit`: its index.
pub fn of_matches(
    protocol: &Protocol,
    session: &Session,
    unit: usize,
    matches: &Matches,
    ride: &Ride,
) -> Vec<TestedPremise> {
    let mut tested = as_asked(protocol, matches, ride);
    tested.extend(pins(protocol, matches));
    tested.extend(readings(protocol, session, &session.units[unit]));
    let evidence = Evidence::NotTestedYet;
    tested.push(TestedPremise::untested(Premise::ProtocolRidden, vec![protocol.title.clone()], evidence));
    tested
}

/// Of clocks and references.
pub fn of_scores(protocol: &Protocol, matches: &Matches, scores: &Scores, ride: &Ride) -> Vec<TestedPremise> {
    let mut tested = clocks(ride, Some(RiddenProtocol { protocol, matches, scores }), protocol.decision.coverage);
    tested.extend(references(ride, &scores.agreement, protocol.decision.coverage));
    tested
}

/// The same where there is no protocol.
pub fn of_comparison(compared: &Compared, ride: &Ride) -> Vec<TestedPremise> {
    let mut tested = clocks(ride, None, stats::USUAL_COVERAGE);
    tested.extend(references(ride, &compared.agreement, stats::USUAL_COVERAGE));
    tested
}
