//! Powers and ranges that are asked for, in words.

use crate::protocol::{Target, trim};
use crate::quantity::Range;

/// The power asked for, watts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PowerAim {
    At(f64),
    Between(f64, f64),
    AtLeast(f64),
    AtMost(f64),
}

impl PowerAim {
    /// `None` for a range open at both ends.
    pub fn of(range: &Range) -> Option<Self> {
        Some(match (range.low, range.high) {
            (Some(low), Some(high)) if low == high => PowerAim::At(low),
            (Some(low), Some(high)) => PowerAim::Between(low, high),
            (Some(low), None) => PowerAim::AtLeast(low),
            (None, Some(high)) => PowerAim::AtMost(high),
            (None, None) => return None,
        })
    }

    pub(super) fn of_target(target: &Target) -> Option<Self> {
        match target {
            Target::Value(power_w) => Some(PowerAim::At(*power_w)),
            Target::Within(range) => PowerAim::of(range),
        }
    }

    /// Each watt multiplied by `scale`, rounded to `decimals` and written with `unit`.
    fn words(&self, scale: f64, decimals: i32, unit: &str) -> String {
        let step = 10f64.powi(decimals);
        let n = |power_w: f64| trim((power_w * scale * step).round() / step);
        match *self {
            PowerAim::At(power) => format!("{} {unit}", n(power)),
            PowerAim::Between(low, high) => format!("{} to {} {unit}", n(low), n(high)),
            PowerAim::AtLeast(low) => format!("at least {} {unit}", n(low)),
            PowerAim::AtMost(high) => format!("at most {} {unit}", n(high)),
        }
    }

    /// In whole per cent of a threshold power: `80 %`, `12 to 36 %`.
    pub fn of_threshold(&self, threshold_power_w: f64) -> String {
        self.words(100.0 / threshold_power_w, 0, "%")
    }
}

impl std::fmt::Display for PowerAim {
    /// `200 W`, `30 to 90 W`, `at least 600 W`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.words(1.0, 1, "W"))
    }
}

/// `80 to 95 rpm`, `at least 50 rpm`; `None` where anything goes.
pub(crate) fn spoken(range: &Range, unit: &str) -> Option<String> {
    Some(match (range.low, range.high) {
        (Some(low), Some(high)) if low == high => format!("{} {unit}", trim(low)),
        (Some(low), Some(high)) => format!("{} to {} {unit}", trim(low), trim(high)),
        (Some(low), None) => format!("at least {} {unit}", trim(low)),
        (None, Some(high)) => format!("at most {} {unit}", trim(high)),
        (None, None) => return None,
    })
}
