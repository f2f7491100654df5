//! Drills by the shape of their moves: which stretches look alike to the matcher, whatever a drill is called.

use crate::protocol::{Drill, DrillMove, Effort, Target};
use crate::quantity::Range;

/// What a drill's moves are to the eye.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum DrillShape<'a> {
    /// One power held for minutes.
    Block(SteadyBlock),
    /// One short effort as hard as can be.
    AllOut { effort_w: Range, sprint: &'a DrillMove },
    /// A power, feet still, a power again.
    Stop { lead_in: HeldMove<'a>, coast: &'a DrillMove, restart: HeldMove<'a> },
    /// From one short power to another, turning all the while.
    Drop { from: HeldMove<'a>, to: HeldMove<'a> },
    /// Anything else: no edges of its own are looked for beyond those of its moves.
    Other,
}

/// A move at a power.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct HeldMove<'a> {
    pub name: &'a str,
    pub power_w: Target,
    pub lasts_s: Range,
}

/// A drill that is one block.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SteadyBlock {
    pub target: Target,
    pub lasts_s: Range,
}

impl SteadyBlock {
    /// `None` for a drill of other or of more moves.
    pub fn of(drill: &Drill) -> Option<Self> {
        match DrillShape::of(&drill.moves()) {
            DrillShape::Block(block) => Some(block),
            _ => None,
        }
    }
}

impl<'a> DrillShape<'a> {
    pub fn of(moves: &'a [DrillMove]) -> Self {
        let held = |of: &'a DrillMove| match of.effort {
            Effort::Short(power_w) => Some(HeldMove { name: of.name, power_w, lasts_s: of.lasts_s }),
            _ => None,
        };
        match moves {
            [DrillMove { effort: Effort::Steady(target), lasts_s, .. }] => {
                DrillShape::Block(SteadyBlock { target: *target, lasts_s: *lasts_s })
            }
            [sprint @ DrillMove { effort: Effort::AllOut(effort_w), .. }] => {
                DrillShape::AllOut { effort_w: *effort_w, sprint }
            }
            [before, coast @ DrillMove { effort: Effort::Coast, .. }, after] => match (held(before), held(after)) {
                (Some(lead_in), Some(restart)) => DrillShape::Stop { lead_in, coast, restart },
                _ => DrillShape::Other,
            },
            [before, after] => match (held(before), held(after)) {
                (Some(from), Some(to)) => DrillShape::Drop { from, to },
                _ => DrillShape::Other,
            },
            _ => DrillShape::Other,
        }
    }
}
