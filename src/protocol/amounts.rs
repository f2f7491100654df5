//! Powers, durations and cadences at their place, as keys of protocols and sessions take them.

use super::asked::{Hold, Target};
use super::sentences::quantities::RangeForm;
use super::yaml::{Node, SourceFiles};
use crate::quantity::{Range, Unit};

/// A cadence written as one value means this much to either side (common practice, no source: nobody
/// holds one cadence).
const CADENCE_HALF_WIDTH_RPM: f64 = 5.0;

/// A power above zero.
pub(crate) fn power(reading: &mut SourceFiles, node: &Node) -> Option<f64> {
    positive(reading, node, Unit::Watt, "a power, as in `250 W`")
}

pub(super) fn duration(reading: &mut SourceFiles, node: &Node) -> Option<f64> {
    positive(reading, node, Unit::Second, "a duration, as in `10 min`")
}

pub(crate) fn positive(reading: &mut SourceFiles, node: &Node, unit: Unit, what: &str) -> Option<f64> {
    let value = reading.words(node, what, |w| w.amount(unit))?;
    if value == 0.0 {
        reading.report(node.at, format!("expected {what}, more than zero"), None);
        return None;
    }
    Some(value)
}

/// A range of durations; a bare one becomes what `bare` makes of it.
pub(super) fn times(reading: &mut SourceFiles, node: &Node, bare: fn(f64) -> Range) -> Option<Range> {
    let range = reading.words(node, "a duration, as in `4 min` or `6..12 s`", |w| {
        Ok(match w.span(Unit::Second)? {
            RangeForm::Bare(duration_s) => bare(duration_s),
            RangeForm::Range(range) => range,
        })
    })?;
    if range.high.or(range.low) == Some(0.0) {
        reading.report(node.at, "expected a duration of more than zero", None);
        return None;
    }
    Some(range)
}

pub(super) fn cadence(reading: &mut SourceFiles, node: &Node) -> Option<Range> {
    reading.words(node, "a cadence, as in `85..95 rpm`", |w| {
        Ok(match w.span(Unit::Rpm)? {
            RangeForm::Bare(rpm) => {
                Range::between((rpm - CADENCE_HALF_WIDTH_RPM).max(0.0), rpm + CADENCE_HALF_WIDTH_RPM)
            }
            RangeForm::Range(range) => range,
        })
    })
}

pub(super) fn target(reading: &mut SourceFiles, node: &Node, threshold_w: Option<f64>) -> Option<Target> {
    reading.words(node, "a power, as in `200 W`", |w| w.target(threshold_w))
}

pub(super) fn hold(reading: &mut SourceFiles, node: &Node, threshold_w: Option<f64>) -> Option<Hold> {
    reading.words(node, "a power and a duration, as in `200 W for 20 s`", |w| w.hold(threshold_w))
}
