//! What the recordings say of the session before any clock is set.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::evidence::Evidence;
use super::tested::{Premises, TestedPremise};
use super::{dates, devices, identical, measured};
use crate::premise::{Premise, Takes};
use crate::recording::Recording;
use crate::session::Session;

/// Devices, firmware, copies, silence, dates: for one unit, by its index, and all references.
pub fn of_recordings(session: &Session, unit: usize, recordings: &BTreeMap<PathBuf, Recording>) -> Premises {
    let unit = &session.units[unit];
    let mut premises = Premises::default();
    premises.push(devices::own_recordings(session, unit, recordings));
    premises.push(identical::two_instruments(session, unit, recordings));
    premises.push(measured::measured(session, unit, recordings));
    premises.push(dates::certificates(session, recordings));
    premises.push(dates::dates(session, unit, recordings));
    if !premises.take_verdict() {
        premises.push(no_reference_left(&premises, session));
    }
    premises
}

/// Where what is said of the references takes every one of them.
pub(super) fn no_reference_left(premises: &Premises, session: &Session) -> Option<TestedPremise> {
    let all = || session.references.iter().map(|reference| reference.instrument.label.clone()).collect();
    premises
        .without_taken(session)
        .references
        .is_empty()
        .then(|| TestedPremise::contradicted(Premise::Measured, all(), Evidence::NoReferenceLeft, Takes::Verdict))
}
