//! How late the unit stops and starts, in power and in cadence.

use crate::quantity::Unit;
use crate::scoring::budget::{Budget, Line, Source};
use crate::scoring::consensus::{ReferenceNeed, clock_u};
use crate::scoring::context::{ONSET_SCATTER_S, RELEASE_SCATTER_S, STORAGE_U_S};
use crate::scoring::edges::{SignalEdge, crossing};
use crate::scoring::no_value::NoValue;
use crate::scoring::phase::RiddenPhase;
use crate::scoring::stop::{Signal, StopEdge};
use crate::scoring::value::{Measured, Value, ValueKind};

use super::measure::{MeasureScoring, Needs, Repeats};

/// A crank that reports once a revolution at its own angle, into head units that sample on their own phase: what
/// repeats of one session share. From simulation with perfect clocks; benches/gate.rs prints how often lags and their means
/// cover the truth.
pub const SAMPLING_PHASE_U_S: f64 = 0.1;
/// By how much the times differ at which two sound units show the cadence of a restart: as [`ONSET_SCATTER_S`] is for power.
const CADENCE_ONSET_SCATTER_S: f64 = 0.28;

const LAG: MeasureScoring = MeasureScoring { needs: Needs::Always(ReferenceNeed::Edges), ..MeasureScoring::NONE };

pub const RELEASE_LAG: MeasureScoring = MeasureScoring {
    in_phase: |phase, _| lag(phase, StopEdge::Release, Signal::Power),
    repeats: Repeats::Edges(|_| RELEASE_SCATTER_S),
    ..LAG
};

pub const ONSET_LAG: MeasureScoring = MeasureScoring {
    in_phase: |phase, _| lag(phase, StopEdge::Onset, Signal::Power),
    repeats: Repeats::Edges(|_| ONSET_SCATTER_S),
    ..LAG
};

pub const CADENCE_RELEASE_LAG: MeasureScoring = MeasureScoring {
    in_phase: |phase, _| lag(phase, StopEdge::Release, Signal::Cadence),
    repeats: Repeats::Edges(|_| RELEASE_SCATTER_S),
    ..LAG
};

pub const CADENCE_ONSET_LAG: MeasureScoring = MeasureScoring {
    in_phase: |phase, _| lag(phase, StopEdge::Onset, Signal::Cadence),
    repeats: Repeats::Edges(|_| CADENCE_ONSET_SCATTER_S),
    ..LAG
};

/// The unit's crossing less the reference's, s.
fn lag(phase: &RiddenPhase, edge: StopEdge, signal: Signal) -> Measured {
    let (context, stop) = (&phase.context, phase.stop()?);
    let unit = &context.ride.unit;
    let reference = context.edge_reference(signal, stop)?;
    let reference_s = context.reference_crossing(edge, signal, reference, stop)?;
    if !unit.clock.aligned_on.tells_lag() {
        return Err(NoValue::LagInClock(unit.clock.aligned_on));
    }
    let until_s = match edge {
        StopEdge::Release => stop.restart.start_s,
        StopEdge::Onset => stop.restart.end_s,
    };
    if signal.column(unit).iter().all(Option::is_none) {
        return Err(NoValue::UnitRecordsNo(signal));
    }
    let (lag_s, kind) = match crossing(edge, signal, unit, reference_s, until_s) {
        SignalEdge::At(at_s) => (at_s - reference_s, ValueKind::Measured),
        SignalEdge::NotBefore(at_s) => (at_s - reference_s, ValueKind::AtLeast),
        SignalEdge::Unseen => return Err(NoValue::UnitEdgeUnseen(signal)),
        SignalEdge::NoStep => return Err(NoValue::UnitHasNoStep(signal)),
    };
    let mut budget = Budget::default();
    budget.push(Line::b(Source::Clock, clock_u(context.ride, &[reference])));
    budget.push(Line::b(Source::SamplingPhase, SAMPLING_PHASE_U_S));
    budget.push(Line::habits(Source::Storage, STORAGE_U_S));
    Ok(Value { kind, budget, references: vec![reference], ..Value::count(lag_s, Unit::Second) })
}
