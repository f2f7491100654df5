//! The error of a sprint's peak: each instrument's own best mean over some seconds.

use crate::quantity::Unit;
use crate::ride::{Trace, Window};
use crate::scoring::budget::{Budget, Line, Source};
use crate::scoring::consensus::{Consensus, ReferenceNeed};
use crate::scoring::context::ScoringContext;
use crate::scoring::no_value::NoValue;
use crate::scoring::value::{Measured, Value};
use crate::stats;

use super::measure::{MeasureScoring, Needs, Repeats, first_unit};

/// A second's mean rounds a sprint's peak off by 0.4 % against its last message (from simulation); even odds for either
/// habit in each head unit make 0 or ±0.4 %. benches/gate.rs prints how often peaks cover the truth.
const STORAGE_PCT: f64 = 0.4 / std::f64::consts::SQRT_2;
/// Averaging time where the protocol says none. Common practice, no source.
const USUAL_OVER_S: f64 = 3.0;
/// A peak is seen by the other instrument if it has a sample before and after: those that begin a second earlier, to the
/// nearest sample.
const AROUND_S: f64 = 1.5;
/// What one peak scatters by besides how its sprint steps, of sprints between level riding: fitted to simulated sprints;
/// benches/gate.rs prints how often single peaks and their means cover the truth.
const SCATTER_PCT: f64 = 1.25;
/// The part of a step that shows as scatter, in seconds: fitted to simulated sprints on trainers and on the road, whose
/// errors follow it in every quarter of its range; benches/gate.rs prints the coverage.
const MISSED_S: f64 = 0.36;

pub const PEAK_ERROR: MeasureScoring = MeasureScoring {
    needs: Needs::Always(ReferenceNeed::Edges),
    in_phase: |phase, check| {
        peak(&phase.context, phase.window, check.over_s.unwrap_or(USUAL_OVER_S), first_unit(&check.limit))
    },
    // Known for sprints between level riding; elsewhere readings leap more.
    repeats: Repeats::Work(|value| value.per_cent(SCATTER_PCT).hypot(value.leaps)),
    ..MeasureScoring::NONE
};

/// Best mean over `over_s`, each instrument's own best, on its own samples.
fn peak(context: &ScoringContext, window: Window, over_s: f64, first: Unit) -> Measured {
    let ride = context.ride;
    let reference = context.consensus(ReferenceNeed::Edges, window)?.members[0].reference;
    let traces = [&ride.unit, &ride.references[reference].trace];
    let [Some(unit), Some(of_reference)] = traces.map(|trace| best(trace, window, over_s)) else {
        return Err(NoValue::NoWholeStretch { over_s });
    };
    // A best that one of them could not record is not compared with the next best.
    let seen = |trace: &Trace, at_s: f64| {
        let width = samples(over_s) + 2;
        let start = trace.time_s.partition_point(|&t| t < at_s - AROUND_S);
        let around = trace.time_s.iter().zip(&trace.power_w).skip(start).take(width);
        around.clone().all(|(t, power_w)| power_w.is_some() && *t < at_s - AROUND_S + width as f64)
            && around.count() == width
    };
    if !seen(traces[0], of_reference.at_s) || !seen(traces[1], unit.at_s) {
        return Err(NoValue::PeakUnseen);
    }
    let reference_w = of_reference.mean_w;
    let storage = Line::habits(Source::Storage, STORAGE_PCT / 100.0 * reference_w);
    let lines_w = Consensus::single(reference, reference_w).lines(ride, reference_w).into_iter().chain([storage]);
    let value = Value::power_error(unit.mean_w - reference_w, reference_w, Budget::default(), first);
    let leaps = steps_w(traces[1], of_reference.at_s, over_s) * value.per_watt();
    Ok(Value { references: vec![reference], leaps, ..value.with_reference_lines(lines_w) })
}

/// A stretch of samples.
struct BestMean {
    /// Time of the first one, session seconds.
    at_s: f64,
    mean_w: f64,
}

/// How many samples a stretch of this length has.
fn samples(over_s: f64) -> usize {
    over_s.round().max(1.0) as usize
}

/// The best mean of so many samples in the window.
fn best(trace: &Trace, window: Window, over_s: f64) -> Option<BestMean> {
    let start = trace.time_s.partition_point(|&t| t < window.start_s);
    let end = trace.time_s.partition_point(|&t| t < window.end_s).max(start);
    let stretches = trace.power_w[start..end].windows(samples(over_s)).zip(&trace.time_s[start..end]);
    let means = stretches.filter_map(|(powers_w, at_s)| {
        let powers_w = powers_w.iter().copied().collect::<Option<Vec<f64>>>()?;
        Some(BestMean { at_s: *at_s, mean_w: stats::mean(&powers_w)? })
    });
    means.reduce(|best, next| if next.mean_w > best.mean_w { next } else { best })
}

/// Scatter of a best mean, W, that comes of how it steps from second to second: a head unit that keeps the last turn of
/// each second misses others, which differ as much. A sprint in surges steps more than one held level.
fn steps_w(trace: &Trace, from_s: f64, over_s: f64) -> f64 {
    let width = samples(over_s);
    let start = trace.time_s.partition_point(|&t| t < from_s);
    let powers_w: Vec<f64> = trace.power_w.iter().skip(start).take(width).copied().flatten().collect();
    let squares: f64 = powers_w.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum();
    MISSED_S * squares.sqrt() / width as f64
}
