//! Measures: what can be computed for a phase, a contrast or the whole ride. The one table of their words, units, drills
//! and properties.
//!
//! A new measure is a variant and a row here, its computation in `scoring` and its truth in `rehearse`.

use super::drill::DrillKind;
use crate::quantity::Unit;

macro_rules! measures {
    ($($variant:ident),+ $(,)?) => {
        /// What can be computed for a phase, a contrast or the whole ride.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum Measure { $($variant),+ }

        impl Measure {
            pub const ALL: &[Measure] = &[$(Measure::$variant),+];
        }
    };
}

measures! {
    MeanError,
    Spread,
    LeftError,
    RightError,
    CadenceError,
    DropoutTime,
    HeldTime,
    Spike,
    WorkError,
    PeakError,
    ResidualPower,
    PhantomWork,
    ReleaseLag,
    OnsetLag,
    CadenceReleaseLag,
    CadenceOnsetLag,
    MissingWork,
    Linearity,
    DriftTime,
    DriftTemperature,
    TorqueError,
    Hysteresis,
    ZeroShift,
}

/// What the language knows of a measure.
struct MeasureRow {
    measure: Measure,
    /// As the protocol language and the JSON write it.
    word: &'static str,
    /// Those in which a limit may be written, its own first.
    units: &'static [Unit],
    /// Whether it is computed for a drill, by what is so of the drill wherever that says it.
    of_drill: fn(DrillKind) -> bool,
    /// Whether it is computed for the whole ride, too.
    of_whole_ride: bool,
    /// Whether zero is a count and not a point on a scale, so that a limit may be `none`.
    counted: bool,
    /// Whether what a maker claims of a power meter is about it, so that a limit may be `within claim`.
    claimed: bool,
    /// Why a difference of two such values says nothing that has an uncertainty, if so.
    no_contrast: Option<&'static str>,
}

const fn row(
    measure: Measure,
    word: &'static str,
    units: &'static [Unit],
    of_drill: fn(DrillKind) -> bool,
) -> MeasureRow {
    let (of_whole_ride, counted, claimed, no_contrast) = (false, false, false, None);
    MeasureRow { measure, word, units, of_drill, of_whole_ride, counted, claimed, no_contrast }
}

const COUNTED: Option<&str> = Some("seconds are counted, and a difference of counts has no uncertainty");
const TYPED: Option<&str> = Some("typed readings belong to no ride");

/// In the order in which a drill's measures are listed in messages.
const TABLE: &[MeasureRow; Measure::ALL.len()] = {
    use Measure::*;
    &[
        MeasureRow {
            claimed: true,
            ..row(MeanError, "mean_error", &[Unit::Percent, Unit::Watt], |kind| {
                kind.is_block() || kind == DrillKind::SoftPedal
            })
        },
        MeasureRow {
            no_contrast: Some("limits of agreement lie on both sides of the error; contrast `mean_error`"),
            ..row(Spread, "spread", &[Unit::Percent, Unit::Watt], DrillKind::is_block)
        },
        MeasureRow {
            claimed: true,
            of_whole_ride: true,
            ..row(WorkError, "work_error", &[Unit::Percent], DrillKind::is_all_out)
        },
        MeasureRow {
            claimed: true,
            ..row(PeakError, "peak_error", &[Unit::Percent, Unit::Watt], DrillKind::is_all_out)
        },
        MeasureRow {
            claimed: true,
            ..row(LeftError, "left_error", &[Unit::Percent, Unit::Watt], |kind| kind.is_block() || kind.is_all_out())
        },
        MeasureRow {
            claimed: true,
            ..row(RightError, "right_error", &[Unit::Percent, Unit::Watt], |kind| kind.is_block() || kind.is_all_out())
        },
        row(CadenceError, "cadence_error", &[Unit::Rpm], DrillKind::is_block),
        row(ResidualPower, "residual_power", &[Unit::Watt], DrillKind::has_stop),
        row(PhantomWork, "phantom_work", &[Unit::Kilojoule], DrillKind::has_stop),
        row(ReleaseLag, "release_lag", &[Unit::Second], DrillKind::has_stop),
        row(OnsetLag, "onset_lag", &[Unit::Second], DrillKind::has_stop),
        row(CadenceReleaseLag, "cadence_release_lag", &[Unit::Second], DrillKind::has_stop),
        row(CadenceOnsetLag, "cadence_onset_lag", &[Unit::Second], DrillKind::has_stop),
        row(MissingWork, "missing_work", &[Unit::Percent], DrillKind::has_stop),
        MeasureRow { of_whole_ride: true, ..row(DriftTime, "drift_time", &[Unit::WattPerHour], |_| false) },
        MeasureRow {
            of_whole_ride: true,
            ..row(DriftTemperature, "drift_temperature", &[Unit::WattPerCelsius], |_| false)
        },
        MeasureRow {
            of_whole_ride: true,
            ..row(Linearity, "linearity", &[Unit::Percent], |kind| kind == DrillKind::Ramp)
        },
        MeasureRow {
            counted: true,
            of_whole_ride: true,
            no_contrast: COUNTED,
            ..row(DropoutTime, "dropout_time", &[Unit::Second], DrillKind::is_scored_riding)
        },
        MeasureRow {
            counted: true,
            of_whole_ride: true,
            no_contrast: COUNTED,
            ..row(HeldTime, "held_time", &[Unit::Second], DrillKind::is_scored_riding)
        },
        MeasureRow {
            of_whole_ride: true,
            no_contrast: Some(
                "it is the largest of many readings, and what chance does to the largest is in no budget",
            ),
            ..row(Spike, "spike", &[Unit::Watt], DrillKind::is_scored_riding)
        },
        MeasureRow {
            no_contrast: TYPED,
            ..row(TorqueError, "torque_error", &[Unit::Percent, Unit::NewtonMetre], DrillKind::hangs_masses)
        },
        MeasureRow {
            no_contrast: TYPED,
            ..row(Hysteresis, "hysteresis", &[Unit::NewtonMetre], DrillKind::hangs_masses)
        },
        MeasureRow {
            counted: true,
            no_contrast: TYPED,
            ..row(ZeroShift, "zero_shift", &[Unit::One], DrillKind::reads_zero)
        },
    ]
};

/// Where each measure stands in [`TABLE`]; a variant without a row does not compile.
const ROW_OF: [usize; TABLE.len()] = {
    let mut row_of = [usize::MAX; TABLE.len()];
    let mut row = 0;
    while row < TABLE.len() {
        assert!(row_of[TABLE[row].measure as usize] == usize::MAX, "a measure has two rows");
        row_of[TABLE[row].measure as usize] = row;
        row += 1;
    }
    row_of
};

impl Measure {
    fn row(self) -> &'static MeasureRow {
        &TABLE[ROW_OF[self as usize]]
    }

    /// The word that the protocol language and the JSON use.
    pub fn word(self) -> &'static str {
        self.row().word
    }

    /// Whether a second's error of the unit's clock moves it: the lags, and what is read within seconds of an edge.
    pub fn hangs_on_clock(self) -> bool {
        use Measure::*;
        matches!(
            self,
            ReleaseLag | OnsetLag | CadenceReleaseLag | CadenceOnsetLag | ResidualPower | PhantomWork | MissingWork
        )
    }

    pub fn from_word(word: &str) -> Option<Self> {
        TABLE.iter().find(|row| row.word == word).map(|row| row.measure)
    }

    /// The units in which its limit may be written, its own first.
    pub fn units(self) -> &'static [Unit] {
        self.row().units
    }

    /// Whether it can be asked to be `none`: counted, so that zero is a value and not a point on a scale.
    pub fn is_counted(self) -> bool {
        self.row().counted
    }

    /// Whether what a maker claims of a power meter is about it.
    pub fn is_claimed(self) -> bool {
        self.row().claimed
    }

    /// Why a difference of such values says nothing that has an uncertainty, if so.
    pub(super) fn no_contrast(self) -> Option<&'static str> {
        self.row().no_contrast
    }

    /// What can be computed for a drill.
    pub fn of_drill(kind: DrillKind) -> Vec<Measure> {
        TABLE.iter().filter(|row| (row.of_drill)(kind)).map(|row| row.measure).collect()
    }

    /// What can be computed for the whole ride.
    pub fn of_whole_ride() -> Vec<Measure> {
        TABLE.iter().filter(|row| row.of_whole_ride).map(|row| row.measure).collect()
    }
}
