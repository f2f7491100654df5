//! What aligning gives.

use chrono::{DateTime, Utc};

use super::error::AlignError;
use crate::ride::{Edge, Gear, Trace};

/// All that was recorded, in session time and in the session's order.
#[derive(Debug, Clone, PartialEq)]
pub struct Aligned {
    /// Session second 0: the whole second in which the first reference's recording starts.
    pub start: DateTime<Utc>,
    /// Grid seconds from there to the first reference's last sample.
    pub length_s: usize,
    pub units: Vec<Trace>,
    pub references: Vec<Trace>,
    pub edges: Vec<Edge>,
    pub gears: Vec<Gear>,
    /// One sentence each.
    pub cautions: Vec<String>,
    /// Instruments without any recording that could be brought onto the clock; their traces are empty.
    pub apart: Vec<ApartInstrument>,
}

/// An instrument that has nothing in common with the first reference.
#[derive(Debug, Clone, PartialEq)]
pub struct ApartInstrument {
    pub label: String,
    pub why: AlignError,
}
