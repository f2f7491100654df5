//! Why a check has no value, and what has to be known beside one. The verdict makes the words (`verdict/reasons.rs`).

use crate::protocol::{Measure, Side};
use crate::ride::AlignedOn;
use crate::session::Sides;

use super::consensus::ReferenceNeed;
use super::stop::Signal;

/// Why a check has no value. It could have had one in all cases but the first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoValue {
    /// By its declared nature the unit has no reading of this side.
    SideNotMeasured(Sides),
    /// No reference that serves covers the window.
    NoReference(ReferenceNeed),
    NotAMeasureOf {
        measure: Measure,
        of: MeasuredOver,
    },
    NoRepeatRidden,
    NoPairRidden {
        pairs: usize,
    },
    /// The other side of a contrast is only a lower bound.
    HeldAgainstABound,

    /// The unit's head unit lost the strap with the power, in so many of these seconds.
    StrapLostWithPower {
        lost_s: usize,
        of_s: usize,
        compared: Signal,
    },
    /// The same where seconds of dropout were to be counted.
    StrapLostInDropouts,
    /// Unit and reference share so few of these seconds.
    FewShared {
        shared_s: usize,
        of_s: usize,
        compared: Signal,
    },
    NothingShared,
    ReferenceMissing,
    NoReferenceCadence,
    NoBalance,
    TooFewForLimitsOfAgreement,
    /// No stretch of this length without a missing sample.
    NoWholeStretch {
        over_s: f64,
    },
    /// A sample is missing where the other instrument peaks.
    PeakUnseen,

    /// The moves of a coast-and-restart were not told apart.
    StopNotToldApart,
    /// A constant lag can't be told from a clock offset.
    LagInClock(AlignedOn),
    UnitRecordsNo(Signal),
    /// A sample is missing where the unit has its edge.
    UnitEdgeUnseen(Signal),
    UnitHasNoStep(Signal),
    ReferenceHasNoStep(Signal),
    ReferenceNeverZero,
    FewCoastingReadings,

    TooFewPowers,
    TooLittleForDrift(DriftOver),
    /// Drift can't be told from rings and power.
    DriftMixed(DriftOver),

    NoCrankLength,
    NoLoads,
    NoTorque,
    NoLoadTwice,
    NoZeroReadings,
}

impl NoValue {
    /// Whether the unit could have such a reading at all.
    pub fn is_applicable(&self) -> bool {
        !matches!(self, NoValue::SideNotMeasured(_))
    }
}

/// What a measure was asked of, where there is no such measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MeasuredOver {
    Drill,
    WholeRide,
}

/// What an error drifts with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DriftOver {
    Hours,
    Temperature,
}

/// What has to be known beside a value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Note {
    /// Seconds of dropout left out, with the reference's work in them, J.
    DropoutLeftOut {
        lost_s: usize,
        lost_work_j: f64,
    },
    /// Seconds in which the head unit lost the strap too.
    SetAside {
        seconds: usize,
    },
    /// Half of a doubled reading is held against the side that the unit senses.
    DoubledSide,
    /// A side is held against the unit's own seated balance.
    SeatedBalance,
    /// Of both sides the one that is farther off.
    WorseSide {
        side: Side,
        other_pct: f64,
    },
    PairsRidden {
        ridden: usize,
        pairs: usize,
    },
}
