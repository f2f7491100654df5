//! Why a check is decided as it is.

use crate::premise::Premise;
use crate::quantity::{Bound, Unit};
use crate::scoring::{NoValue, Note, Pair};

/// Why a check is undecided or not applicable, or what has to be known of its value.
#[derive(Debug, Clone, PartialEq)]
pub enum Reason {
    /// There is no value; scoring says why.
    NoValue(NoValue),
    /// Said beside the value, one by one.
    Notes(Vec<Note>),
    /// A limit that has no form in the value's unit.
    NotCompared {
        limit: Bound,
        unit: Unit,
    },
    NoClaim,
    References(ReferencesDisagree),
    /// The limit lies within the value's expanded uncertainty.
    NearLimit,
    /// It rests on this, and the recordings contradict it.
    Premise(Premise),
    /// The value is a lower bound, which does not reach the limit.
    OnlyABound,
}

/// References that disagree by more than they allow: what hangs on their gain fails only where it does whichever of
/// them is right, and passes never.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferencesDisagree {
    pub pair: Pair,
    pub over: Over,
}

/// Where references disagree.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Over {
    Session,
    /// In this phase alone.
    Phase,
}
