//! How the unit's zero offset moved, as a person typed it.

use crate::quantity::Unit;
use crate::scoring::no_value::NoValue;
use crate::scoring::value::Value;

use super::measure::MeasureScoring;

/// Zero offset after less before, in the display's own counts.
pub const ZERO_SHIFT: MeasureScoring = MeasureScoring {
    of_readings: |typed| match (typed.session.readings.zero_before, typed.session.readings.zero_after) {
        (Some(before), Some(after)) => Ok(Value::count(after - before, Unit::One)),
        _ => Err(NoValue::NoZeroReadings),
    },
    ..MeasureScoring::NONE
};
