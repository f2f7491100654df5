//! A stop and its two edges, as far as scoring speaks of them.

use crate::ride::{Trace, Window};

/// The moves of one coast-and-restart, session seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stop {
    pub coast: Window,
    /// Longer than ridden by [`READINGS_FOLLOW_S`].
    pub restart: Window,
}

impl Stop {
    /// Where the matcher saw the edge, session seconds; good to a second or two.
    pub fn about_s(&self, edge: StopEdge) -> f64 {
        match edge {
            StopEdge::Release => self.coast.start_s,
            StopEdge::Onset => self.restart.start_s,
        }
    }
}

/// How much later than a move readings may still be of it: a turn of the cranks at 60 rpm takes 1 s, and a head unit writes
/// once a second.
pub const READINGS_FOLLOW_S: f64 = 2.0;

/// Which of the two edges.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StopEdge {
    Release,
    Onset,
}

/// Which of a trace's signals is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signal {
    Power,
    Cadence,
}

impl Signal {
    pub fn column(self, trace: &Trace) -> &[Option<f64>] {
        match self {
            Signal::Power => &trace.power_w,
            Signal::Cadence => &trace.cadence_rpm,
        }
    }

    pub fn word(self) -> &'static str {
        match self {
            Signal::Power => "power",
            Signal::Cadence => "cadence",
        }
    }
}
