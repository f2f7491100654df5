//! The sessions of a comparison, each counted once and put to its group and its specimen.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};

use super::comparison::{ComparedProtocol, Grouping};
use super::read::VerdictFile;
use super::unpooled::UnpooledRow;

/// Sessions of one protocol, by time.
pub(super) struct Season {
    pub by: Grouping,
    pub protocol: ComparedProtocol,
    pub given: Vec<VerdictFile>,
    /// By session, into `groups` and `specimens`.
    pub group: Vec<usize>,
    pub specimen: Vec<usize>,
    pub groups: Vec<String>,
    pub specimens: Vec<String>,
    pub rows: Vec<UnpooledRow>,
    pub cautions: Vec<String>,
}

impl Season {
    /// Days since the first session, by session.
    pub(super) fn days(&self) -> Vec<f64> {
        let first = self.given.first().map_or(DateTime::<Utc>::MIN_UTC, |g| g.verdict.session.start);
        self.given.iter().map(|g| (g.verdict.session.start - first).as_seconds_f64() / 86400.0).collect()
    }

    pub(super) fn firmware(&self, session: usize) -> Option<&str> {
        self.given[session].verdict.unit.firmware.as_deref()
    }

    pub(super) fn tester(&self, session: usize) -> Option<&str> {
        self.given[session].verdict.session.tester.as_deref()
    }

    pub(super) fn models(&self) -> BTreeSet<&str> {
        self.given.iter().filter_map(|g| g.verdict.unit.model.as_deref()).collect()
    }
}
