//! What scoring has to know of a measure.

use crate::protocol::{Check, Measure, Side};
use crate::quantity::{Limit, Unit};
use crate::ride::Window;
use crate::scoring::consensus::ReferenceNeed;
use crate::scoring::context::ScoringContext;
use crate::scoring::no_value::{MeasuredOver, NoValue};
use crate::scoring::phase::RiddenPhase;
use crate::scoring::protocol_ride::SteadyBlock;
use crate::scoring::value::{Measured, Value};
use crate::session::Session;

/// A measure as scoring sees it: how it is computed of what, and how it scatters from repeat to repeat.
#[derive(Clone, Copy)]
pub struct MeasureScoring {
    /// What it asks of a reference in a phase.
    pub needs: Needs,
    pub in_phase: fn(&RiddenPhase<'_>, &Check) -> Measured,
    pub over_ride: fn(&WholeRide<'_>, &Check) -> Measured,
    pub of_readings: fn(&TypedReadings<'_>) -> Measured,
    pub repeats: Repeats,
    /// Whether it can only inform in this phase, whatever the protocol asks.
    pub only_informs: fn(&RiddenPhase<'_>) -> bool,
}

impl MeasureScoring {
    /// Computed of nothing; a measure's row says of what it is.
    pub const NONE: Self = Self {
        needs: Needs::Nothing,
        in_phase: |_, check| Err(NoValue::NotAMeasureOf { measure: check.measure, of: MeasuredOver::Drill }),
        over_ride: |_, check| Err(NoValue::NotAMeasureOf { measure: check.measure, of: MeasuredOver::WholeRide }),
        of_readings: |readings| Err(NoValue::NotAMeasureOf { measure: readings.measure, of: MeasuredOver::Drill }),
        repeats: Repeats::Work(Value::own_scatter),
        only_informs: |_| false,
    };
}

/// What a measure asks of a reference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Needs {
    Nothing,
    Always(ReferenceNeed),
    /// What a mean over the drill's window asks.
    AsTheDrill,
}

/// How one repeat of a measure differs from the next. The figures are what one repeat between two sound crank meters
/// scatters by in simulation, in the value's unit.
#[derive(Clone, Copy)]
pub enum Repeats {
    /// Work and means: in some repeats a side may fall short, so that there are kinds of them.
    Work(fn(&Value) -> f64),
    /// Timed at an edge: sampled once a second, edges fall into clusters of their own.
    Edges(fn(&Value) -> f64),
    /// Each ride shows by itself what it scatters by, however short it is.
    ShowOwn,
}

/// A whole ride, with what measures over it look at.
pub struct WholeRide<'a> {
    pub context: ScoringContext<'a>,
    /// From the first to the last second that the unit and some reference both have.
    pub window: Window,
    pub steady: &'a [SteadyBlock],
}

/// What a person typed, for one check of a phase that is not ridden.
pub struct TypedReadings<'a> {
    pub measure: Measure,
    pub session: &'a Session,
    /// The sides that are asked for; none stand for all.
    pub sides: &'a [Side],
}

impl Needs {
    /// In a phase whose drill asks this of a reference for a mean; `None` where nothing is asked.
    pub fn of_phase(self, drill_needs: ReferenceNeed) -> Option<ReferenceNeed> {
        match self {
            Needs::Nothing => None,
            Needs::Always(need) => Some(need),
            Needs::AsTheDrill => Some(drill_needs),
        }
    }
}

/// The unit that a limit speaks in first: an error of power is held in it.
pub fn first_unit(limit: &Limit) -> Unit {
    match limit {
        Limit::Within(bound) | Limit::AtMost(bound) | Limit::AtLeast(bound) => bound.parts[0].unit,
        Limit::Between(low, _) => low.unit,
        Limit::Zero | Limit::WithinClaim => Unit::Percent,
    }
}
