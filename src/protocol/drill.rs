//! Drills: what a phase asks of the rider. How each is read, and what is so of all of its kind, is in [`super::drills`].

use super::asked::{Hold, Side, Target};
use crate::quantity::Range;

/// The kind of a phase, with what it asks of the rider. All times in seconds, powers in watts.
#[derive(Debug, Clone, PartialEq)]
pub enum Drill {
    /// Warm-up and recovery: matched, nothing scored.
    Free {
        power_w: Option<Range>,
        lasts_s: Option<Range>,
    },
    /// Off the bike.
    Wait {
        lasts_s: Option<Range>,
    },
    Steady {
        power_w: Target,
        /// Its low end is the least that was asked for, settling included.
        lasts_s: Range,
        settle_s: f64,
    },
    Sprint {
        effort_w: Range,
        lasts_s: Range,
        recover_s: Option<Range>,
    },
    CoastRestart {
        lead_in: Hold,
        coast_s: Range,
        restart: Hold,
        recover_s: Option<Range>,
    },
    SoftPedal {
        surge: Hold,
        soft: Hold,
        recover_s: Option<Range>,
    },
    Ramp {
        steps_w: Vec<f64>,
        each_s: f64,
        settle_s: f64,
    },
    StaticLoad {
        loads_kg: Vec<f64>,
        sides: Vec<Side>,
        angles_deg: Vec<f64>,
    },
    ZeroCheck,
}

/// A drill without what it asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DrillKind {
    Free,
    Wait,
    Steady,
    Sprint,
    CoastRestart,
    SoftPedal,
    Ramp,
    StaticLoad,
    ZeroCheck,
}

/// One stretch of a drill, as it is asked of the rider.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrillMove {
    /// As a mark's `move:` names it.
    pub name: &'static str,
    pub effort: Effort,
    /// Open at both ends where the protocol does not say.
    pub lasts_s: Range,
}

/// What the rider does in a move.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Effort {
    /// As one likes, within a range of power if the protocol gives one.
    Free(Option<Range>),
    OffTheBike,
    /// A power held for long enough that it evens out: a block, a step of a ramp.
    Steady(Target),
    /// A power for a short while, before or after another one.
    Short(Target),
    /// As hard as can be, at least so hard.
    AllOut(Range),
    /// Feet still, riding on.
    Coast,
}

impl DrillMove {
    pub(super) fn of_hold(name: &'static str, hold: &Hold) -> Self {
        Self { name, effort: Effort::Short(hold.power_w), lasts_s: hold.for_s }
    }
}
