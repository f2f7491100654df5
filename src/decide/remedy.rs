//! What would decide a check that is undecided, with a number.

use crate::quantity::Unit;
use crate::scoring::budget::{Budget, Source};
use crate::scoring::value::{Value, ValueKind};

use super::ends::Ends;

/// Nobody rides more than this many times as much to decide one check. Common practice, no source.
const MOST_TIMES: u32 = 50;
/// A reference is asked to be better by whole per cents of what it states, and by less than all of it.
const MOST_LESS_PCT: u32 = 99;
/// Certificates and sessions state uncertainties with this coverage factor.
const STATED_K: f64 = 2.0;

/// What would decide a check that is undecided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Remedy {
    LongerStop,
    /// Once more, as the protocol asks.
    AsAsked,
    /// What was asked for and not read.
    ReadAll,
    /// Clocks that one channel ties together.
    SharedClock,
    /// A reference good to this, %.
    ThirdReference {
        within_pct: f64,
    },
    More(More),
    Better(Better),
    MoreOrBetter(More, Better),
    /// An expanded uncertainty of this, in a unit.
    Uncertainty {
        expanded: f64,
        unit: Unit,
    },
}

/// Scatter averaged away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum More {
    /// So many times as many repeats or seconds.
    Times(u32),
    /// So many repeats besides those ridden.
    Repeats(u32),
}

/// References whose uncertainty together is `to`, in a unit, where it is `now`; expanded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Better {
    pub to: f64,
    pub now: f64,
    pub unit: Unit,
}

/// More of the scatter averaged away, or a better reference. Each number is the least with which this very value would be
/// decided, as `decides` says of a budget in the place of its own.
pub fn of(value: &Value, ends: Ends, decides: impl Fn(Budget) -> bool) -> Option<Remedy> {
    if value.kind == ValueKind::AtLeast {
        return Some(Remedy::LongerStop);
    }
    let more = least(MOST_TIMES, |times| decides(value.budget.after(f64::from(times))));
    let more = more.map(|times| match value.rides {
        0 | 1 => More::Times(times),
        rides => More::Repeats(rides * (times - 1)),
    });
    let reference = |source: Source| {
        matches!(source, Source::ReferenceGain | Source::SideSplit | Source::ChainLoss | Source::RingLoss)
    };
    let better_by = |share: f64| value.budget.widened(share, reference);
    let stated = STATED_K * value.budget.part(reference);
    let better = least(MOST_LESS_PCT, |less_pct| decides(better_by(1.0 - f64::from(less_pct) / 100.0)));
    let better = better.map(|less_pct| 1.0 - f64::from(less_pct) / 100.0);
    let better = better.filter(|_| stated > 0.0);
    let better = better.map(|share| Better { to: share * stated, now: stated, unit: value.unit });
    match (more, better) {
        (Some(more), Some(better)) => Some(Remedy::MoreOrBetter(more, better)),
        (Some(more), None) => Some(Remedy::More(more)),
        (None, Some(better)) => Some(Remedy::Better(better)),
        (None, None) => {
            let ends = [ends.low, ends.high].into_iter().flatten();
            let distance = ends.map(|end| (end - value.value).abs()).reduce(f64::min)?;
            Some(Remedy::Uncertainty { expanded: distance, unit: value.unit })
        }
    }
}

/// The least whole number up to `most` (from 1) of which it is true, where it is true of all larger ones.
fn least(most: u32, is_true: impl Fn(u32) -> bool) -> Option<u32> {
    let (mut low, mut high) = (1, most + 1);
    while low < high {
        let middle = (low + high) / 2;
        if is_true(middle) { high = middle } else { low = middle + 1 }
    }
    (low <= most).then_some(low)
}
