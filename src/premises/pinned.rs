//! Whether a pinned stretch is what it is pinned as.

use super::evidence::{Evidence, PhaseRepeat};
use super::premise_names::repeat_name;
use super::tested::TestedPremise;
use crate::matching::{Ground, MatchOutcome, Matches};
use crate::premise::{Premise, Takes};
use crate::protocol::Protocol;

/// A line for each pin that was refused, and one for the others together. Nothing where nobody pinned anything.
pub fn pins(protocol: &Protocol, matches: &Matches) -> Vec<TestedPremise> {
    let refused = matches.refused_pins.iter().map(|pin| {
        let repeat = PhaseRepeat { phase: pin.phase, repeat: pin.repeat.unwrap_or(1) };
        let about = vec![repeat_name(protocol, repeat)];
        let evidence = Evidence::PinRefused { repeat, says: pin.says.clone() };
        TestedPremise::contradicted(Premise::Pins, about, evidence, Takes::Pin)
    });
    let held = matches.found.iter().filter(
        |found| matches!(&found.outcome, MatchOutcome::Ridden(ridden) if ridden.rests_on.contains(&Ground::Pinned)),
    );
    let repeats = held.count();
    let held = (repeats > 0).then(|| TestedPremise::held(Premise::Pins, vec![], Evidence::PinHolds { repeats }));
    refused.chain(held).collect()
}
