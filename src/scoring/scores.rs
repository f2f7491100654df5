//! Everything that was computed of a ride.

use crate::protocol::{Contrast, Ring};
use crate::ride::Window;

use super::agreement::{Agreement, Pair};
use super::budget::Line;
use super::marks::PictureMarks;
use super::value::{Scored, Value};

/// Everything that was computed of a ride.
#[derive(Debug, Clone, PartialEq)]
pub struct Scores {
    /// One per `matches.found`, in its order.
    pub phases: Vec<PhaseScore>,
    pub contrasts: Vec<ContrastScore>,
    pub whole_ride: Vec<Scored>,
    /// Phases without a ride: typed readings.
    pub typed: Vec<TypedScore>,
    pub rings: Vec<RingScore>,
    pub agreement: Agreement,
    /// Labels of the references that were compared, in the ride's order.
    pub references: Vec<String>,
    /// Where the unit's level shows, stretch by stretch; diagnosis looks at it.
    pub stretches: Vec<SteadyStretch>,
    /// Seconds of the ride that the control channel set aside.
    pub set_aside_s: usize,
    /// For pictures.
    pub shown: PictureMarks,
}

/// What was computed of a whole ride where there is no protocol.
#[derive(Debug, Clone, PartialEq)]
pub struct Compared {
    pub whole_ride: Vec<Scored>,
    pub agreement: Agreement,
    /// For pictures.
    pub shown: PictureMarks,
}

/// What was computed of one repeat of a phase.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PhaseScore {
    /// What was scored; `None` where the phase was not ridden.
    pub window: Option<Window>,
    /// The phase's own checks in their order, then what a doubled side senses.
    pub checks: Vec<Scored>,
    /// References that agree over the session and not here.
    pub apart: Option<Pair>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct ContrastScore {
    pub contrast: Contrast,
    pub scored: Scored,
}

/// The checks of a phase on readings that a person typed.
#[derive(Debug, Clone, PartialEq)]
pub struct TypedScore {
    /// Index into the protocol's phases.
    pub phase: usize,
    pub checks: Vec<Scored>,
}

/// The unit's error pooled over a ring's steady blocks, W (with per cent beside it).
#[derive(Debug, Clone, PartialEq)]
pub struct RingScore {
    pub ring: Ring,
    pub blocks: usize,
    pub error: Value,
}

/// Part of a steady block, or of soft pedalling: the unit's mean error there and what blurs it.
#[derive(Debug, Clone, PartialEq)]
pub struct SteadyStretch {
    /// Index into `matches.found`.
    pub found: usize,
    pub window: Window,
    pub power_w: f64,
    pub error_w: f64,
    /// Standard uncertainty of the error from scatter, clock and rounding: another draw in each stretch.
    pub own_u_w: f64,
    /// Lines that the references share over the session, W at this power.
    pub shared: Vec<Line>,
}
