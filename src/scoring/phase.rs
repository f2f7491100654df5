//! One ride of a phase, with all that scoring it needs.

use crate::matching::Ridden;
use crate::protocol::{Measure, Phase};
use crate::ride::Window;

use super::context::ScoringContext;
use super::drills::{self, ScoredDrill};
use super::no_value::NoValue;
use super::stop::Stop;

/// One ride of a phase.
pub struct RiddenPhase<'a> {
    pub context: ScoringContext<'a>,
    pub phase: &'a Phase,
    pub drill: Box<dyn ScoredDrill + 'a>,
    pub ridden: &'a Ridden,
    /// What of it is scored.
    pub window: Window,
    /// The scored windows of the session's steady blocks.
    pub steady: &'a [Window],
}

impl<'a> RiddenPhase<'a> {
    pub fn of(context: ScoringContext<'a>, phase: &'a Phase, ridden: &'a Ridden, steady: &'a [Window]) -> Self {
        let drill = drills::scored(&phase.drill);
        let window = drill.window(ridden);
        Self { context, phase, drill, ridden, window, steady }
    }

    pub fn stop(&self) -> Result<Stop, NoValue> {
        self.drill.stop(self.ridden).ok_or(NoValue::StopNotToldApart)
    }

    /// Whether some check of this phase holds the unit to its total.
    pub fn total_decides(&self) -> bool {
        self.phase.checks.iter().any(|check| is_of_total(check.measure) && !check.advisory)
    }
}

/// Whether the measure is an error of the unit's total power.
pub fn is_of_total(measure: Measure) -> bool {
    matches!(measure, Measure::MeanError | Measure::WorkError)
}
