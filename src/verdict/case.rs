//! What a verdict is made of, besides what was decided.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::recording::Recording;
use crate::ride::Ride;
use crate::session::{Instrument, Session};

/// One unit of one session on its way to a verdict.
pub(crate) struct Case<'a> {
    /// As the session file says.
    pub stated: &'a Session,
    /// As it is judged: without what a premise took.
    pub session: &'a Session,
    pub recordings: &'a BTreeMap<PathBuf, Recording>,
    /// Of the clocks, one sentence each.
    pub cautions: &'a [String],
    pub ride: &'a Ride,
    pub unit: usize,
}

impl Case<'_> {
    /// Labels of the references that judge, in the session's order.
    pub fn references(&self) -> Vec<String> {
        self.session.references.iter().map(|r| r.instrument.label.clone()).collect()
    }

    /// The unit judged here, then all references.
    pub fn instruments_here(&self) -> impl Iterator<Item = &Instrument> {
        std::iter::once(&self.stated.units[self.unit].instrument)
            .chain(self.stated.references.iter().map(|r| &r.instrument))
    }

    /// Whether a reference is left out by a premise.
    pub fn is_out(&self, label: &str) -> bool {
        self.session.references.iter().all(|reference| reference.instrument.label != label)
    }
}
