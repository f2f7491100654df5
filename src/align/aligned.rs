//! What aligning gives.

use chrono::{DateTime, Utc};

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
}
