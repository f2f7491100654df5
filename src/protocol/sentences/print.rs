//! How what a protocol asks is printed: in the sentences that it is read from.

use std::fmt;

use crate::protocol::asked::{Hold, Target};
use crate::protocol::model::Accept;
use crate::quantity::{Range, Unit};

/// A number as people write it: no trailing zeros, at most six decimals.
pub fn trim(value: f64) -> String {
    let text = format!("{value:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// `85..95 rpm`, `at least 600 W`; a range of one value prints as that value.
pub fn range_in_words(range: &Range, unit: Unit) -> String {
    let symbol = unit.symbol();
    match (range.low, range.high) {
        (Some(low), Some(high)) if low == high => format!("{low} {symbol}"),
        (Some(low), Some(high)) => format!("{low}..{high} {symbol}"),
        (Some(low), None) => format!("at least {low} {symbol}"),
        (None, Some(high)) => format!("at most {high} {symbol}"),
        (None, None) => "any".into(),
    }
}

impl fmt::Display for Target {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Target::Value(power_w) => write!(f, "{power_w} W"),
            Target::Within(range) => f.write_str(&range_in_words(range, Unit::Watt)),
        }
    }
}

impl fmt::Display for Hold {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} for {}", self.power_w, range_in_words(&self.for_s, Unit::Second))
    }
}

impl fmt::Display for Accept {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Accept::EveryRepeat => f.write_str("every repeat"),
            Accept::AtLeast { passing, of } => write!(f, "at least {passing} of {of}"),
            Accept::FaultRateBelow(p) => write!(f, "fault rate below {} %", trim(p * 100.0)),
        }
    }
}
