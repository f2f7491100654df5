//! One ride of a phase, with what a picture of it shows.

use super::samples::seconds;
use crate::protocol::DrillKind;
use crate::ride::Ride;
use crate::scoring::{PictureMarks, ReferenceEdges};
use crate::verdict::{MatchFacts, PhaseVerdict};

/// What is shown before and after a phase.
const MARGIN_S: f64 = 5.0;

/// One ride of a phase.
pub(super) struct PhaseRide<'a> {
    pub phase: &'a PhaseVerdict,
    pub matched: &'a MatchFacts,
    pub ride: &'a Ride,
    pub shown: &'a PictureMarks,
    pub edges: Option<&'a ReferenceEdges>,
}

/// Pixels of a picture; `base` is where power is zero.
#[derive(Clone, Copy)]
pub(super) struct PictureSize {
    pub width: f64,
    pub height: f64,
    pub base: f64,
}

impl PhaseRide<'_> {
    /// The stretch of session time that is shown. A coast is shown from before its release, without the lead-in.
    pub fn span_s(&self) -> (f64, f64) {
        let (from_s, to_s) = (seconds(self.ride, self.matched.start), seconds(self.ride, self.matched.end));
        let stops = self.phase.kind().is_some_and(DrillKind::has_stop);
        match self.matched.moves.as_slice() {
            // The levels on which the lags rest: six seconds before, six after.
            [_, coast, ..] if stops => (seconds(self.ride, coast.start) - 6.0, to_s + 6.0),
            _ => (from_s - MARGIN_S, to_s + MARGIN_S),
        }
    }

    pub fn window_s(&self) -> (f64, f64) {
        (seconds(self.ride, self.matched.window.start), seconds(self.ride, self.matched.window.end))
    }
}
