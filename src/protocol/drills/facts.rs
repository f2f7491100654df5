//! What a drill's own file says of all drills of its kind.

use super::super::asked::Target;
use super::super::drill::Drill;
use super::super::yaml::{MapKeys, SourceFiles};
use crate::quantity::Range;

/// How a drill is done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Conduct {
    /// Warm-ups and recoveries: ridden, nothing scored.
    FreeRiding,
    ScoredRiding,
    OffTheBike,
    /// With somebody at the bike; readings are typed into the session.
    TypedReadings,
}

/// What powers of a drill may refer to.
pub(crate) struct PowerBasis {
    pub threshold_w: Option<f64>,
    /// The first power of `for_each`, where that sets it.
    pub swept: Option<Target>,
}

pub(super) struct DrillFacts {
    /// As the protocol language and the JSON write it.
    pub word: &'static str,
    pub conduct: Conduct,
    /// Whether it is one block at one power: of those a ring's error and a session's steady error are told.
    pub is_block: bool,
    /// Whether its second move is a stop and the third goes on, so that lags are timed.
    pub has_stop: bool,
    /// Whether masses hang on the crank.
    pub hangs_masses: bool,
    /// Whether the zero offset is read.
    pub reads_zero: bool,
    /// Whether the rider goes as hard as can be.
    pub all_out: bool,
    /// Easy riding between repeats, and before the first, where the protocol does not say. Common practice, no source.
    pub usual_recovery_s: Option<Range>,
    /// Sets the power that `for_each` goes over; `recover` then lies between its combinations.
    pub set_power: Option<fn(&mut Drill, Target)>,
    /// Makes the block that is scored so many times as long; `None` of what would be another drill if it were longer.
    pub lengthen: Option<fn(&mut Drill, f64)>,
    /// Reads the drill's own keys.
    pub read: fn(&mut SourceFiles, &mut MapKeys, &PowerBasis) -> Option<Drill>,
}

impl DrillFacts {
    /// A drill of none of the special properties.
    pub const fn of(
        word: &'static str,
        conduct: Conduct,
        read: fn(&mut SourceFiles, &mut MapKeys, &PowerBasis) -> Option<Drill>,
    ) -> Self {
        Self {
            word,
            conduct,
            is_block: false,
            has_stop: false,
            hangs_masses: false,
            reads_zero: false,
            all_out: false,
            usual_recovery_s: None,
            set_power: None,
            lengthen: None,
            read,
        }
    }
}

/// A range of times as long.
pub(super) fn longer(range: &mut Range, times: f64) {
    range.low = range.low.map(|s| s * times);
    range.high = range.high.map(|s| s * times);
}
