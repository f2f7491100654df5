//! The way through this folder: the ride explained without marks, then with them.

use super::assign::assign;
use super::marks::MarksEvidence;
use super::model::Matches;
use crate::protocol::Protocol;
use crate::ride::Ride;
use crate::session::Session;

/// Finds every phase of the protocol in the ride, in protocol order, then by repeat.
///
/// Typed drills (`static_load`, `zero_check`) are not ridden and are left out of [`Matches::found`].
/// Time and memory grow with the ride's length times the number of phases. Marks made while riding help to find what
/// they name, if their clock can be set by what is found without them.
pub fn find(protocol: &Protocol, session: &Session, ride: &Ride) -> Matches {
    let alone = assign(protocol, session, ride, &MarksEvidence::default());
    let Some(marks) = &session.marks_file else { return alone };
    let evidence = MarksEvidence::of(protocol, marks, &alone, ride);
    let (session, ride) = evidence.added_to(session, ride);
    let mut matches = assign(protocol, &session, &ride, &evidence);
    matches.cautions.splice(0..0, evidence.cautions.iter().cloned());
    evidence.explain(protocol, &mut matches);
    matches
}
