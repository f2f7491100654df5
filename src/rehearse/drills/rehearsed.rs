//! What each drill's file answers.

use crate::protocol::{Phase, Ring, Side};
use crate::session::Sides;

use super::super::span::TrueSpan;
use super::super::stretches::{RepeatOf, ScriptBuilder, aim_within};

/// A repeat to be ridden.
pub(crate) struct AskedRepeat<'a> {
    pub phase: &'a Phase,
    pub of: RepeatOf,
    /// The ring that the next phase asks for.
    pub next_ring: Option<Ring>,
}

impl AskedRepeat<'_> {
    /// The cadence that the phase asks for: its middle, above an open end, or what is usual.
    pub fn cadence_rpm(&self, usual_rpm: f64) -> f64 {
        self.phase.cadence_rpm.map_or(usual_rpm, |range| aim_within(&range, 1.2))
    }
}

/// The coast and the restart of one repeat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stop {
    pub coast: TrueSpan,
    pub restart: TrueSpan,
}

/// A mass that is hung on one crank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct HungMass {
    pub mass_kg: f64,
    pub side: Side,
    /// `None` where the protocol does not say.
    pub angle_deg: Option<f64>,
}

/// One drill in the simulation.
pub(crate) trait RehearsedDrill {
    /// Writes the stretches of one repeat. What is drawn in which order is part of what a seed means.
    fn ride(&self, script: &mut ScriptBuilder, asked: &AskedRepeat);

    /// What of a repeat its measures are taken over, from the whole repeat and its moves.
    fn window(&self, whole: TrueSpan, _moves: &[TrueSpan]) -> TrueSpan {
        whole
    }

    /// Whether it is one block at one power: of those the truth of rings and drifts is taken.
    fn is_block(&self) -> bool {
        false
    }

    /// Whether something of it lasts so long that a rider may stop in the middle.
    fn is_held_long(&self) -> bool {
        false
    }

    /// Of a drill whose point is to stop and to go on.
    fn stop(&self, _moves: &[TrueSpan]) -> Option<Stop> {
        None
    }

    /// What is hung in one repeat, in order, on a unit that senses these sides.
    fn masses(&self, _senses: Sides) -> Vec<HungMass> {
        vec![]
    }

    /// The spans in which one power after another was held, for a drill that asks for several.
    fn levels(&self, _moves: &[TrueSpan]) -> Option<Vec<TrueSpan>> {
        None
    }
}
