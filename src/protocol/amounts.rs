//! Powers, durations and cadences at their place, as keys of protocols and sessions take them.

use super::asked::{Hold, Target};
use super::ranges::{self, THRESHOLD_POWER};
use super::sentences::plausible::PlausibleRange;
use super::sentences::quantities::RangeForm;
use super::yaml::{Node, SourceFiles};
use crate::quantity::{Range, Unit};

/// A cadence written as one value means this much to either side (common practice, no source: nobody
/// holds one cadence).
const CADENCE_HALF_WIDTH_RPM: f64 = 5.0;

/// A rider's threshold power.
pub(crate) fn threshold_power(reading: &mut SourceFiles, node: &Node) -> Option<f64> {
    let power_w = positive(reading, node, Unit::Watt, "a power, as in `250 W`")?;
    reading.plausible(node, power_w, &THRESHOLD_POWER)
}

pub(super) fn duration(reading: &mut SourceFiles, node: &Node, range: &PlausibleRange) -> Option<f64> {
    let duration_s = positive(reading, node, Unit::Second, "a duration, as in `10 min`")?;
    reading.plausible(node, duration_s, range)
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
pub(super) fn times(
    reading: &mut SourceFiles,
    node: &Node,
    bare: fn(f64) -> Range,
    can_be: &PlausibleRange,
) -> Option<Range> {
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
    // From zero on is open at its lower end.
    let told = Range { low: range.low.filter(|low| *low > 0.0), ..range };
    reading.plausible_range(node, told, can_be).map(|_| range)
}

pub(super) fn cadence(reading: &mut SourceFiles, node: &Node) -> Option<Range> {
    let cadence_rpm = reading.words(node, "a cadence, as in `85..95 rpm`", |w| {
        Ok(match w.span(Unit::Rpm)? {
            RangeForm::Bare(rpm) => {
                Range::between((rpm - CADENCE_HALF_WIDTH_RPM).max(0.0), rpm + CADENCE_HALF_WIDTH_RPM)
            }
            RangeForm::Range(range) => range,
        })
    })?;
    reading.plausible_range(node, cadence_rpm, &ranges::CADENCE)
}

pub(super) fn target(
    reading: &mut SourceFiles,
    node: &Node,
    threshold_w: Option<f64>,
    range: &PlausibleRange,
) -> Option<Target> {
    let target = reading.words(node, "a power, as in `200 W`", |w| w.target(threshold_w))?;
    reading.plausible_target(node, target, range)
}

pub(super) fn hold(reading: &mut SourceFiles, node: &Node, threshold_w: Option<f64>) -> Option<Hold> {
    let hold = reading.words(node, "a power and a duration, as in `200 W for 20 s`", |w| w.hold(threshold_w))?;
    reading.plausible_target(node, hold.power_w, &ranges::SHORT_POWER)?;
    reading.plausible_range(node, hold.for_s, &ranges::SHORT)?;
    Some(hold)
}
