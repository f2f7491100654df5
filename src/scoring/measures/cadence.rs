//! The error of the unit's cadence.

use crate::quantity::Unit;
use crate::ride::Window;
use crate::scoring::budget::{Budget, Line, Source};
use crate::scoring::consensus::{ReferenceNeed, serving};
use crate::scoring::context::ScoringContext;
use crate::scoring::no_value::NoValue;
use crate::scoring::paired::PairedSeconds;
use crate::scoring::stop::Signal;
use crate::scoring::value::{Measured, Value, ValueKind};
use crate::stats;

use super::measure::{MeasureScoring, Needs, Repeats};

/// Two cadence sensors; standard uncertainty. Common practice, no source.
const REFERENCE_CADENCE_U_RPM: f64 = 0.3;

pub const CADENCE_ERROR: MeasureScoring = MeasureScoring {
    needs: Needs::Always(ReferenceNeed::SteadyPower),
    in_phase: |phase, _| cadence_error(&phase.context, phase.window),
    over_ride: |ride, _| cadence_error(&ride.context, ride.window),
    repeats: Repeats::ShowOwn,
    ..MeasureScoring::NONE
};

/// Mean cadence error, rpm, over the seconds in which both turn.
fn cadence_error(context: &ScoringContext, window: Window) -> Measured {
    let ride = context.ride;
    let unit = &ride.unit;
    let with_cadence: Vec<usize> = serving(ride, ReferenceNeed::SteadyPower)
        .into_iter()
        .filter(|&i| window.seconds().any(|k| ride.references[i].trace.cadence_at(k).is_some()))
        .collect();
    let Some(&reference) = with_cadence.first() else {
        return Err(NoValue::NoReferenceCadence);
    };
    let turning = |cadence: Option<f64>| cadence.filter(|c| *c > 0.0);
    let trace = &ride.references[reference].trace;
    let unit_rpm = |k: usize| turning(unit.cadence_at(k));
    let reference_rpm = |k: usize| turning(trace.cadence_at(k));
    let paired = PairedSeconds::over(ride, context.losses, window, unit_rpm, reference_rpm);
    if let Some(why) = paired.refusal(Signal::Cadence) {
        return Err(why);
    }
    let differences = paired.differences();
    let mean = stats::mean(&differences).unwrap_or(0.0);
    let effective = stats::effective_samples(&differences);
    let sd = stats::sample_sd(&differences).unwrap_or(0.0);
    let mut budget = Budget::default();
    budget.push(Line::scatter(sd / effective.sqrt(), (effective - 1.0).max(1.0)));
    budget.push(Line::b(Source::ReferenceGain, REFERENCE_CADENCE_U_RPM));
    let references = vec![reference];
    Ok(Value { kind: ValueKind::Measured, budget, references, ..Value::count(mean, Unit::Rpm) })
}
