//! What a verdict is made of, besides what was decided.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::align::Aligned;
use crate::recording::Recording;
use crate::ride::Ride;
use crate::session::{Instrument, Session};

/// One unit of one session on its way to a verdict.
pub(crate) struct Case<'a> {
    pub session: &'a Session,
    pub recordings: &'a BTreeMap<PathBuf, Recording>,
    pub aligned: &'a Aligned,
    pub ride: &'a Ride,
    pub unit: usize,
}

impl Case<'_> {
    /// Labels of the references, in the session's order.
    pub fn references(&self) -> Vec<String> {
        self.session.references.iter().map(|r| r.instrument.label.clone()).collect()
    }

    /// The unit judged here, then the references.
    pub fn instruments_here(&self) -> impl Iterator<Item = &Instrument> {
        std::iter::once(&self.session.units[self.unit].instrument)
            .chain(self.session.references.iter().map(|r| &r.instrument))
    }
}
