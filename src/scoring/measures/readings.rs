//! Single readings: lost, held, or far too large.

use crate::quantity::Unit;
use crate::ride::Window;
use crate::scoring::budget::{Budget, Line, Source};
use crate::scoring::consensus::ReferenceNeed;
use crate::scoring::context::{ROUNDING_SD, ScoringContext};
use crate::scoring::no_value::NoValue;
use crate::scoring::paired::MOST_SET_ASIDE;
use crate::scoring::value::{Measured, Value, ValueKind};
use crate::stats;

use super::measure::{MeasureScoring, Needs, Repeats};

/// Half of a normal distribution lies within so many standard deviations (tables of the normal distribution).
const NORMAL_QUARTILE: f64 = 0.6745;
/// A range of so many noises in a handful of seconds is more than noise does by itself: of six normal values one range in
/// twenty is as wide (studentized range, from memory: 4.03).
const HELD_NOISES: f64 = 4.0;
/// A reading may stand while the reference moves this much: both are whole watts, each with its own noise, and a second's
/// mean smooths it. With the noises alone 2 of 1,000 sound units at 60 W held for 6 s, with 3 W one: rehearsed sessions of
/// benches/gate.rs, which prints how many sound ones fail.
const HELD_LEAST_W: f64 = 5.0;
/// A reading is a spike beside the reference's largest within so many seconds: a late or smoothed one is none. Part of what
/// the measure means; common practice, no source.
const SPIKE_NEAR_S: usize = 5;

pub const DROPOUT_TIME: MeasureScoring = MeasureScoring {
    in_phase: |phase, _| dropout_time(&phase.context, phase.window),
    over_ride: |ride, _| dropout_time(&ride.context, ride.window),
    ..MeasureScoring::NONE
};

pub const HELD_TIME: MeasureScoring = MeasureScoring {
    needs: Needs::Always(ReferenceNeed::ShortWork),
    in_phase: |phase, _| held_time(&phase.context, phase.window),
    over_ride: |ride, _| held_time(&ride.context, ride.window),
    ..MeasureScoring::NONE
};

// A hub's flywheel hides the peaks that a spike is held against.
pub const SPIKE: MeasureScoring = MeasureScoring {
    needs: Needs::Always(ReferenceNeed::Edges),
    in_phase: |phase, _| spike(&phase.context, phase.window),
    over_ride: |ride, _| spike(&ride.context, ride.window),
    repeats: Repeats::ShowOwn,
    ..MeasureScoring::NONE
};

/// Recorded seconds that the unit lost while the reference shows pedalling.
fn dropout_time(context: &ScoringContext, window: Window) -> Measured {
    let seconds = window.seconds().len();
    if context.losses.set_aside_s(window) as f64 > MOST_SET_ASIDE * seconds as f64 {
        return Err(NoValue::StrapLostInDropouts);
    }
    Ok(Value::count(context.losses.dropout_s(window) as f64, Unit::Second))
}

/// Longest run of one repeated non-zero reading while the reference moves by more than its own noise.
fn held_time(context: &ScoringContext, window: Window) -> Measured {
    let consensus = context.consensus(ReferenceNeed::ShortWork, window)?;
    let reference = |k: usize| consensus.power_at(context.ride, k);
    let steps: Vec<f64> = window.seconds().filter_map(|k| Some((reference(k + 1)? - reference(k)?).abs())).collect();
    let Some(typical_step) = stats::median(&steps) else {
        return Err(NoValue::ReferenceMissing);
    };
    // The difference of two seconds has √2 times the noise of one.
    let noise = typical_step / (NORMAL_QUARTILE * 2f64.sqrt());
    let unit = &context.ride.unit;
    let mut longest = 0usize;
    let mut start = window.seconds().start;
    for k in window.seconds() {
        if k == start || unit.power_at(k) != unit.power_at(k - 1) {
            start = k;
        }
        if unit.power_at(k).is_none_or(|p| p == 0.0) {
            continue;
        }
        let held: Vec<f64> = (start..=k).filter_map(reference).collect();
        let high = held.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let low = held.iter().copied().fold(f64::INFINITY, f64::min);
        if high - low > f64::max(HELD_NOISES * noise, HELD_LEAST_W) {
            longest = longest.max(k + 1 - start);
        }
    }
    Ok(Value::count(longest as f64, Unit::Second))
}

/// Largest unit reading above the reference's largest within 5 s, W.
fn spike(context: &ScoringContext, window: Window) -> Measured {
    let consensus = context.consensus(ReferenceNeed::Edges, window)?;
    let above = |k: usize| {
        let near =
            (k.saturating_sub(SPIKE_NEAR_S)..=k + SPIKE_NEAR_S).filter_map(|j| consensus.power_at(context.ride, j));
        Some(context.ride.unit.power_at(k)? - near.reduce(f64::max)?)
    };
    let largest = window.seconds().filter_map(above).reduce(f64::max);
    let Some(largest) = largest else {
        return Err(NoValue::NothingShared);
    };
    let mut budget = Budget::default();
    for line in consensus.lines(context.ride, consensus.mean_w) {
        budget.push(line);
    }
    budget.push(Line::b(Source::Resolution, ROUNDING_SD));
    let references = consensus.indices();
    Ok(Value {
        kind: ValueKind::Measured,
        budget,
        references,
        gain_sensitive: true,
        ..Value::count(largest, Unit::Watt)
    })
}
