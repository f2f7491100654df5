//! One stretch of a ride: what the rider does, for which phase, how hard and in which gear.

use crate::protocol::{Posture, Ring};

/// What the rider does in one stretch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RiderAction {
    /// Sits still, or is off the bike.
    Still,
    /// Feet down in the middle of something, the wheel braked to a stand.
    Stop,
    /// Warm-up, cool-down, a `free` phase.
    Ride,
    Recovery,
    Block,
    Sprint,
    LeadIn,
    Coast,
    Restart,
    Surge,
    Soft,
    Step,
}

impl RiderAction {
    /// The feet are still.
    pub(crate) fn stops(self) -> bool {
        matches!(self, RiderAction::Coast | RiderAction::Still | RiderAction::Stop)
    }

    pub fn word(self) -> &'static str {
        match self {
            RiderAction::Still => "still",
            RiderAction::Stop => "stop",
            RiderAction::Ride => "ride",
            RiderAction::Recovery => "recovery",
            RiderAction::Block => "block",
            RiderAction::Sprint => "sprint",
            RiderAction::LeadIn => "lead-in",
            RiderAction::Coast => "coast",
            RiderAction::Restart => "restart",
            RiderAction::Surge => "surge",
            RiderAction::Soft => "soft",
            RiderAction::Step => "step",
        }
    }
}

/// One repeat of one phase of the protocol.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct RepeatOf {
    /// Index into the protocol's phases.
    pub phase_index: usize,
    /// From 1.
    pub repeat: u32,
}

/// One stretch of the ride, in true time.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ScriptStretch {
    pub act: RiderAction,
    /// `None` for what the protocol did not write.
    pub phase: Option<RepeatOf>,
    pub start_s: f64,
    pub end_s: f64,
    pub aim_w: f64,
    pub cadence_rpm: f64,
    pub ring: Ring,
    pub posture: Posture,
    /// Of the road, where the protocol asks for one.
    pub grade_pct: Option<f64>,
    /// Metres that one turn of the cranks drives the wheel.
    pub development_m: f64,
}
