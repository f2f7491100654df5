//! What numbers of a protocol can be and usually are. All of it is common practice, no source, unless it says otherwise:
//! ends are set so wide that nothing real lies outside, and what is usual so that a slip of the pen rarely does.

use super::asked::Target;
use super::sentences::plausible::{Plausibility, PlausibleRange, range};
use super::sentences::quantities::watts;
use super::yaml::{Node, SourceFiles};
use crate::quantity::{Limit, Quantity, Range, Unit};

const WATT: (Unit, &str) = (Unit::Watt, "W");
const SECOND: (Unit, &str) = (Unit::Second, "s");
const MINUTE: (Unit, &str) = (Unit::Second, "min");
const PERCENT: (Unit, &str) = (Unit::Percent, "%");
const DAY_S: f64 = 86_400.0;

/// An hour's best is below 450 W; a motor on a rig may do more.
pub(super) const BLOCK_POWER: PlausibleRange = range("a steady power", WATT, (1.0, 1500.0), (20.0, 500.0));
pub(super) const FREE_POWER: PlausibleRange = range("a power of easy riding", WATT, (0.0, 1500.0), (0.0, 500.0));
/// Seconds long; the best of a second are some 2500 W.
pub(super) const SHORT_POWER: PlausibleRange = range("a short effort", WATT, (0.0, 3000.0), (10.0, 1500.0));
pub(super) const SPRINT_POWER: PlausibleRange = range("a sprint's effort", WATT, (50.0, 3000.0), (150.0, 2000.0));
pub(crate) const THRESHOLD_POWER: PlausibleRange = range("a threshold power", WATT, (40.0, 700.0), (80.0, 480.0));

pub(super) const BLOCK: PlausibleRange = range("a block", MINUTE, (1.0, DAY_S), (10.0, 7200.0));
pub(super) const RIDE: PlausibleRange = range("a stretch of easy riding", MINUTE, (1.0, DAY_S), (5.0, 4.0 * 3600.0));
pub(super) const WAIT: PlausibleRange = range("a wait", MINUTE, (1.0, 7.0 * DAY_S), (10.0, DAY_S));
pub(super) const WARM_UP: PlausibleRange = range("a warm-up", MINUTE, (1.0, DAY_S), (60.0, 3.0 * 3600.0));
pub(super) const SETTLE: PlausibleRange = range("settling", SECOND, (1.0, 3600.0), (1.0, 600.0));
pub(super) const SPRINT: PlausibleRange = range("a sprint", SECOND, (1.0, 180.0), (3.0, 60.0));
pub(super) const COAST: PlausibleRange = range("coasting", SECOND, (1.0, 600.0), (3.0, 120.0));
pub(super) const SHORT: PlausibleRange = range("a short stretch", SECOND, (1.0, 3600.0), (2.0, 600.0));
pub(super) const RECOVERY: PlausibleRange = range("a recovery", SECOND, (1.0, DAY_S), (5.0, 3600.0));
pub(super) const PEAK: PlausibleRange = range("the stretch of a best mean", SECOND, (1.0, 120.0), (1.0, 30.0));

/// Nobody turns faster than some 300 rpm.
pub(super) const CADENCE: PlausibleRange = range("a cadence", (Unit::Rpm, "rpm"), (0.0, 300.0), (20.0, 160.0));
/// The steepest streets climb some 37 %.
pub(super) const GRADE: PlausibleRange = range("a grade", PERCENT, (-45.0, 45.0), (-20.0, 25.0));
pub(super) const TOLERANCE: PlausibleRange = range("a tolerance", PERCENT, (0.1, 100.0), (2.0, 60.0));
pub(super) const LIMIT_PERCENT: PlausibleRange = range("a limit", PERCENT, (-100.0, 100.0), (-50.0, 50.0));
pub(super) const LIMIT_POWER: PlausibleRange = range("a limit", WATT, (-3000.0, 3000.0), (-1000.0, 1000.0));

/// As heavy as a person; nothing at all is a reading, too.
pub(crate) const MASS: PlausibleRange = range("a hung mass", (Unit::Kilogram, "kg"), (0.0, 250.0), (0.0, 60.0));
pub(crate) const ANGLE: PlausibleRange =
    range("a crank's angle", (Unit::Degree, "°"), (-360.0, 360.0), (-180.0, 360.0));

/// A rider's threshold power as an option takes it: `250 W`, `250W`.
///
/// # Errors
/// What is wrong with it, in words.
pub(crate) fn threshold_watts(text: &str) -> Result<f64, String> {
    let power_w = watts(text).map_err(|slip| slip.to_string())?;
    match THRESHOLD_POWER.judge(text, power_w) {
        Plausibility::Impossible { message, help } => {
            Err(format!("{message}{}", help.map(|help| format!("; {help}")).unwrap_or_default()))
        }
        Plausibility::Usual | Plausibility::Unusual(_) => Ok(power_w),
    }
}

impl SourceFiles {
    /// The value, where it can be; what can't is a mistake at `node`, and what is unusual a caution.
    pub fn plausible(&mut self, node: &Node, value: f64, range: &PlausibleRange) -> Option<f64> {
        match range.judge(node.as_text().unwrap_or(""), value) {
            Plausibility::Usual => Some(value),
            Plausibility::Unusual(sentence) => {
                self.caution(sentence);
                Some(value)
            }
            Plausibility::Impossible { message, help } => {
                self.report(node.at, message, help);
                None
            }
        }
    }

    /// [`SourceFiles::plausible`] of both ends of a range.
    pub fn plausible_range(&mut self, node: &Node, asked: Range, range: &PlausibleRange) -> Option<Range> {
        // A range of one value is told once.
        let high = asked.high.filter(|high| asked.low != Some(*high));
        for end in asked.low.into_iter().chain(high) {
            self.plausible(node, end, range)?;
        }
        Some(asked)
    }

    pub(super) fn plausible_target(&mut self, node: &Node, target: Target, range: &PlausibleRange) -> Option<Target> {
        match target {
            Target::Value(power_w) => self.plausible(node, power_w, range).map(Target::Value),
            Target::Within(asked) => self.plausible_range(node, asked, range).map(Target::Within),
        }
    }

    /// A limit in per cent or watts; in other units nothing is impossible.
    pub(super) fn plausible_limit(&mut self, node: &Node, limit: Limit) -> Option<Limit> {
        let parts: Vec<Quantity> = match &limit {
            Limit::Within(bound) | Limit::AtMost(bound) | Limit::AtLeast(bound) => bound.parts.clone(),
            Limit::Between(low, high) => vec![*low, *high],
            Limit::Zero | Limit::WithinClaim => vec![],
        };
        for part in parts {
            match part.unit {
                Unit::Percent => self.plausible(node, part.value, &LIMIT_PERCENT)?,
                Unit::Watt => self.plausible(node, part.value, &LIMIT_POWER)?,
                _ => part.value,
            };
        }
        Some(limit)
    }
}
