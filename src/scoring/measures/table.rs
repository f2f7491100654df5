//! The table of measures: a new one is a row here, with its computation below or in a file beside this one.

use crate::protocol::Measure;
use crate::scoring::value::Value;

use super::measure::{MeasureScoring, Repeats};
use super::{cadence, coasting, drift, lags, linearity, mean, peak, readings, sides, spread, torque, zero_shift};

/// The measure as scoring sees it.
pub fn scoring(measure: Measure) -> MeasureScoring {
    match measure {
        Measure::MeanError => mean::MEAN_ERROR,
        Measure::Spread => spread::SPREAD,
        Measure::LeftError => sides::LEFT_ERROR,
        Measure::RightError => sides::RIGHT_ERROR,
        Measure::CadenceError => cadence::CADENCE_ERROR,
        Measure::DropoutTime => readings::DROPOUT_TIME,
        Measure::HeldTime => readings::HELD_TIME,
        Measure::Spike => readings::SPIKE,
        Measure::WorkError => mean::WORK_ERROR,
        Measure::PeakError => peak::PEAK_ERROR,
        Measure::ResidualPower => coasting::RESIDUAL_POWER,
        Measure::PhantomWork => coasting::PHANTOM_WORK,
        Measure::ReleaseLag => lags::RELEASE_LAG,
        Measure::OnsetLag => lags::ONSET_LAG,
        Measure::CadenceReleaseLag => lags::CADENCE_RELEASE_LAG,
        Measure::CadenceOnsetLag => lags::CADENCE_ONSET_LAG,
        Measure::MissingWork => mean::MISSING_WORK,
        Measure::Linearity => linearity::LINEARITY,
        Measure::DriftTime => drift::DRIFT_TIME,
        Measure::DriftTemperature => drift::DRIFT_TEMPERATURE,
        Measure::TorqueError => torque::TORQUE_ERROR,
        Measure::Hysteresis => torque::HYSTERESIS,
        Measure::ZeroShift => zero_shift::ZERO_SHIFT,
    }
}

/// Scatter of one repeat between two sound crank meters, known from simulation, in the value's unit. Where a session's own
/// repeats say little it stands in; of edges it is the root mean square over the four pairings of head units that store a
/// second's last message or its mean, of work the scale of how it differs from session to session.
pub fn scatter_from_simulation(measure: Measure, value: &Value) -> f64 {
    match scoring(measure).repeats {
        Repeats::Work(scatter) | Repeats::Edges(scatter) => scatter(value),
        Repeats::ShowOwn => value.own_scatter(),
    }
}
