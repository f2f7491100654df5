//! How the unit's error drifts over time or with temperature, told from rings and from power.

use crate::protocol::Ring;
use crate::quantity::Unit;
use crate::scoring::budget::{Budget, Line, Source};
use crate::scoring::consensus::ReferenceNeed;
use crate::scoring::drills::CHUNK_S;
use crate::scoring::no_value::{DriftOver, NoValue};
use crate::scoring::protocol_ride::SteadyBlock;
use crate::scoring::value::{Measured, Value, ValueKind};
use crate::stats;

use super::measure::{MeasureScoring, WholeRide};

/// Below this share of its variance left after rings and power, a drift can't be told from them: its uncertainty would be
/// √20 times that of a drift alone. Common practice, no source.
const LEAST_OWN_VARIANCE: f64 = 0.05;
/// A level for each of two rings, a gain and the drift are fitted.
const FITTED: f64 = 4.0;
/// As many points again as are fitted, so that what is left over tells the scatter. Common practice, no source.
const LEAST_POINTS: usize = 8;
/// Head units store whole degrees: 1/√12. GUM 4.3.7.
const WHOLE_DEGREE_SD: f64 = 0.288_675;
/// Of the temperature's variance; there is no putting more than this right, as a slope would grow to 2.5 times what it is.
/// Common practice, no source.
const MOST_BLURRED: f64 = 0.6;
/// What is left of a column that others explain is rounding, below this share of it: some ten million times what rounding
/// makes of a number.
const ROUNDING_LEFT: f64 = 1e-9;

pub const DRIFT_TIME: MeasureScoring =
    MeasureScoring { over_ride: |ride, _| drift(ride, DriftOver::Hours), ..MeasureScoring::NONE };

pub const DRIFT_TEMPERATURE: MeasureScoring =
    MeasureScoring { over_ride: |ride, _| drift(ride, DriftOver::Temperature), ..MeasureScoring::NONE };

/// Means over each chunk of steady riding that has enough in it.
fn points(over: &WholeRide, against: DriftOver) -> Result<Vec<DriftPoint>, NoValue> {
    let (context, ride) = (&over.context, over.context.ride);
    let mut points: Vec<DriftPoint> = Vec::new();
    for SteadyBlock { ring_asked, window, .. } in over.steady {
        let consensus = context.consensus(ReferenceNeed::SteadyPower, *window)?;
        let seconds: Vec<usize> = window.seconds().collect();
        let first = points.len();
        for chunk in seconds.chunks(CHUNK_S) {
            let pairs: Vec<(f64, f64)> = chunk
                .iter()
                .filter(|&&k| context.losses.usable(k))
                .filter_map(|&k| Some((ride.unit.power_at(k)?, consensus.power_at(ride, k)?)))
                .collect();
            let temperature: Vec<f64> = chunk.iter().filter_map(|&k| ride.unit.temperature_at(k)).collect();
            let x = match against {
                DriftOver::Hours => Some(chunk[0] as f64 / 3600.0),
                DriftOver::Temperature => stats::mean(&temperature),
            };
            // Half of the chunk must be there, as of a window that is scored.
            if let (Some(x), true) = (x, pairs.len() * 2 > CHUNK_S) {
                let n = pairs.len() as f64;
                let power_w = pairs.iter().map(|p| p.1).sum::<f64>() / n;
                let error_w = pairs.iter().map(|p| p.0 - p.1).sum::<f64>() / n;
                points.push(DriftPoint { x, power_w, error_w, small: *ring_asked == Some(Ring::Small) });
            }
        }
        // What scatters in a chunk's reference stands in its error too, with the other sign. Beside a power that rises
        // from block to block that would be a gain, and what the gain takes the drift gives back.
        let block = &mut points[first..];
        if let Some(power_w) = stats::mean(&block.iter().map(|chunk| chunk.power_w).collect::<Vec<_>>()) {
            block.iter_mut().for_each(|chunk| chunk.power_w = power_w);
        }
    }
    Ok(points)
}

/// Slope of the error over time or temperature, fitted jointly with a level for each ring and with the gain.
fn drift(over: &WholeRide, against: DriftOver) -> Measured {
    let rows = points(over, against)?;
    if rows.len() < LEAST_POINTS {
        return Err(NoValue::TooLittleForDrift(against));
    }
    let column = |f: fn(&DriftPoint) -> f64| rows.iter().map(f).collect::<Vec<f64>>();
    let others = [vec![1.0; rows.len()], column(|r| f64::from(u8::from(r.small))), column(|r| r.power_w)];
    let x = column(|r| r.x);
    let (x_own, y_own) = (orthogonal_to(&others, &x), orthogonal_to(&others, &column(|r| r.error_w)));
    let centred = orthogonal_to(&others[..1], &x);
    let own = dot(&x_own, &x_own);
    if own <= LEAST_OWN_VARIANCE * dot(&centred, &centred) || own <= 0.0 {
        return Err(NoValue::DriftMixed(against));
    }
    let slope = dot(&x_own, &y_own) / own;
    let residuals: Vec<f64> = y_own.iter().zip(&x_own).map(|(y, x)| y - slope * x).collect();
    let effective = stats::effective_samples(&residuals);
    let variance = dot(&residuals, &residuals) / (rows.len() as f64 - FITTED);
    // Correlated chunks count as fewer: the slope's variance grows by chunks per effective chunk.
    let inflation = rows.len() as f64 / effective;
    let u_slope = (variance * inflation / own).sqrt();
    // Rounding blurs temperatures, and a slope over blurred ones is too flat by as much as it is of their variance (Fuller
    // 1987, Measurement Error Models, 1.1; from memory). Rounding that goes with the temperature blurs it less, so half of
    // what is put right is taken as uncertain.
    let blurred = WHOLE_DEGREE_SD.powi(2) * rows.len() as f64 / own;
    let steeper = if against == DriftOver::Temperature { 1.0 / (1.0 - blurred.min(MOST_BLURRED)) } else { 1.0 };
    let mut budget = Budget::default();
    budget.push(Line::scatter(u_slope * steeper, (effective - FITTED).max(1.0)));
    budget.push(Line::b(Source::Resolution, slope * (steeper - 1.0) / 2.0));
    let slope = slope * steeper;
    let unit = if against == DriftOver::Hours { Unit::WattPerHour } else { Unit::WattPerCelsius };
    Ok(Value { kind: ValueKind::Measured, budget, ..Value::count(slope, unit) })
}

struct DriftPoint {
    x: f64,
    power_w: f64,
    error_w: f64,
    small: bool,
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// What of `y` the columns can't explain (Gram and Schmidt, columns first made orthogonal to each other).
fn orthogonal_to(columns: &[Vec<f64>], y: &[f64]) -> Vec<f64> {
    let mut basis: Vec<Vec<f64>> = Vec::new();
    let less_basis = |basis: &[Vec<f64>], v: &[f64]| {
        basis.iter().fold(v.to_vec(), |v, b| {
            let share = dot(&v, b) / dot(b, b);
            v.iter().zip(b).map(|(v, b)| v - share * b).collect()
        })
    };
    for column in columns {
        let own = less_basis(&basis, column);
        if dot(&own, &own) > ROUNDING_LEFT * dot(column, column) {
            basis.push(own);
        }
    }
    less_basis(&basis, y)
}
