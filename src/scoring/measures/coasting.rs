//! What the unit reads while the reference coasts: its mean, and the work that it makes up.

use crate::quantity::Unit;
use crate::ride::Window;
use crate::scoring::budget::{Budget, Line, Source};
use crate::scoring::consensus::{ReferenceNeed, clock_u};
use crate::scoring::context::{ROUNDING_SD, STORAGE_U_S};
use crate::scoring::no_value::NoValue;
use crate::scoring::phase::RiddenPhase;
use crate::scoring::stop::{READINGS_FOLLOW_S, Signal, StopEdge};
use crate::scoring::value::{Value, ValueKind};
use crate::stats;

use super::lags::SAMPLING_PHASE_U_S;
use super::measure::{MeasureScoring, Needs, Repeats};

/// Three edges, each seen once a second: rectangular, √3/√12. GUM 4.3.7.
const SAMPLES_U_S: f64 = 0.5;
/// What the unit reads counts from so long after the reference let go, when a sound unit's reading has fallen …
const FALL_S: f64 = 2.0;
/// … until so long before the reference's last zero. Both are part of what the measure means; common practice, no source.
const RISE_S: f64 = 1.0;
/// A reading at the very end counts, whatever its time was rounded to: far less than the time between two samples.
const INCLUDED_S: f64 = 1e-6;
/// What the mean of one coast scatters by between two sound units, from simulation; benches/gate.rs prints the coverage.
const SCATTER_W: f64 = 0.3;

pub const RESIDUAL_POWER: MeasureScoring = MeasureScoring {
    needs: Needs::Always(ReferenceNeed::Edges),
    in_phase: |phase, _| {
        let Coasting { mean_w, budget_w, reference, .. } = while_coasting(phase)?;
        let value = Value::count(mean_w, Unit::Watt);
        Ok(Value { kind: ValueKind::Measured, budget: budget_w, references: vec![reference], ..value })
    },
    repeats: Repeats::Edges(|_| SCATTER_W),
    ..MeasureScoring::NONE
};

/// Mean times duration, kJ.
pub const PHANTOM_WORK: MeasureScoring = MeasureScoring {
    in_phase: |phase, _| {
        let Coasting { mean_w, budget_w, window, reference } = while_coasting(phase)?;
        let kilojoules = window.length_s() / 1000.0;
        let budget = budget_w.times(kilojoules);
        let value = Value::count(mean_w * kilojoules, Unit::Kilojoule);
        Ok(Value { kind: ValueKind::Measured, budget, references: vec![reference], ..value })
    },
    repeats: Repeats::Edges(Value::own_scatter),
    ..RESIDUAL_POWER
};

/// What the unit reads in one coast.
struct Coasting {
    mean_w: f64,
    budget_w: Budget,
    window: Window,
    /// Which one coasted.
    reference: usize,
}

/// Mean unit power while the reference coasts, from 2 s after its release until 1 s before its last zero second.
fn while_coasting(phase: &RiddenPhase) -> Result<Coasting, NoValue> {
    let (ride, stop) = (phase.context.ride, phase.stop()?);
    let reference = phase.context.edge_reference(Signal::Power, stop)?;
    let release_s = phase.context.reference_crossing(StopEdge::Release, Signal::Power, reference, stop)?;
    let trace = &ride.references[reference].trace;
    let last_zero = stop.coast.seconds().chain(stop.coast.seconds().end..stop.restart.seconds().end);
    let Some(last_zero) = last_zero
        .take_while(|&k| (k as f64) < stop.restart.start_s + READINGS_FOLLOW_S)
        .filter(|&k| trace.power_at(k) == Some(0.0))
        .last()
    else {
        return Err(NoValue::ReferenceNeverZero);
    };
    let window = Window { start_s: release_s + FALL_S, end_s: last_zero as f64 - RISE_S + INCLUDED_S };
    let unit = &ride.unit;
    let readings: Vec<f64> = unit
        .time_s
        .iter()
        .zip(&unit.power_w)
        .filter(|(t, _)| (window.start_s..window.end_s).contains(t))
        .filter_map(|(_, power_w)| *power_w)
        .collect();
    if readings.len() < 2 {
        return Err(NoValue::FewCoastingReadings);
    }
    let mean_w = stats::mean(&readings).unwrap_or(0.0);
    // A clock that is off reads the tail of the release, or the first of the restart, into the window.
    let slope_w_s = (readings[0] - readings[readings.len() - 1]).abs() / readings.len() as f64;
    let mut budget = Budget::default();
    budget.push(Line::b(Source::Clock, slope_w_s * clock_u(ride, &[reference])));
    // Where the reference let go and came back is known to about a second's sample each; so is the unit's own edge.
    let edges_s = SAMPLING_PHASE_U_S.hypot(STORAGE_U_S).hypot(SAMPLES_U_S);
    budget.push(Line::b(Source::SamplingPhase, slope_w_s * edges_s));
    budget.push(Line::rectangular(Source::Resolution, ROUNDING_SD));
    Ok(Coasting { mean_w, budget_w: budget, window, reference })
}
