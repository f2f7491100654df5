//! Measures over the whole ride or across steady blocks: work, drift, linearity.

use crate::matching::Matches;
use crate::protocol::{Check, Drill, Measure, Protocol, Ring};
use crate::quantity::Unit;
use crate::ride::{Ride, Window};
use crate::stats;

use super::budget::{Budget, Line, Source};
use super::references::ReferenceNeed;
use super::value::{Measured, NoValue, Scored, Value, ValueKind};
use super::windows::ScoringContext;
use super::{SteadyStretch, first_unit};

/// Drift is fitted on means over this long, so that it is seen within blocks too.
const CHUNK_S: usize = 30;
/// Below this share of its variance left after rings and power, a drift can't be told from them.
const LEAST_OWN_VARIANCE: f64 = 0.05;

/// Head units store whole degrees. GUM 4.3.7.
const WHOLE_DEGREE_SD: f64 = 0.288_675;
/// Of the temperature's variance; there is no putting more than this right.
const MOST_BLURRED: f64 = 0.6;

/// From the first to the last second that the unit and some reference both have.
pub fn overlap(ride: &Ride) -> Window {
    let both = |k: &usize| ride.unit.recorded_at(*k) && ride.references.iter().any(|r| r.trace.recorded_at(*k));
    let start = (0..ride.length_s).find(both).unwrap_or(0);
    let end = (0..ride.length_s).rev().find(both).map_or(0, |k| k + 1);
    Window { start_s: start as f64, end_s: end as f64 }
}

/// Scored windows of the steady blocks, each with its ring.
fn steady_blocks(protocol: &Protocol, matches: &Matches, windows: &[Option<Window>]) -> Vec<(Option<Ring>, Window)> {
    matches
        .found
        .iter()
        .zip(windows)
        .filter(|(found, _)| matches!(protocol.phases[found.phase].drill, Drill::Steady { .. }))
        .filter_map(|(found, window)| Some((protocol.phases[found.phase].ring, (*window)?)))
        .collect()
}

/// Steady blocks in parts of [`CHUNK_S`], and soft pedalling as it was scored.
pub fn stretches(
    scene: &ScoringContext,
    protocol: &Protocol,
    matches: &Matches,
    windows: &[Option<Window>],
) -> Vec<SteadyStretch> {
    let mut all = Vec::new();
    for (found, window) in windows.iter().enumerate() {
        let Some(window) = *window else { continue };
        let (need, part_s) = match protocol.phases[matches.found[found].phase].drill {
            Drill::Steady { .. } => (ReferenceNeed::SteadyPower, CHUNK_S as f64),
            Drill::SoftPedal { .. } => (ReferenceNeed::ShortWork, window.length_s()),
            _ => continue,
        };
        let (Ok(consensus), Ok(whole)) = (scene.consensus(need, window), scene.mean_error(need, window, Unit::Watt))
        else {
            continue;
        };
        let own = |source| matches!(source, Source::Scatter | Source::Clock | Source::Resolution);
        let parts = (window.length_s() / part_s).floor().max(1.0);
        let length_s = window.length_s() / parts;
        for n in 0..parts as usize {
            let start_s = window.start_s + n as f64 * length_s;
            let part = Window { start_s, end_s: start_s + length_s };
            let pairs = scene.power_pairs(&consensus, part);
            let (Some(unit_w), Some(power_w)) = (stats::mean(&pairs.unit), stats::mean(&pairs.reference)) else {
                continue;
            };
            if pairs.unit.len() * 2 < pairs.asked_s || power_w <= 0.0 {
                continue;
            }
            all.push(SteadyStretch {
                found,
                window: part,
                power_w,
                error_w: unit_w - power_w,
                own_u_w: whole.budget.part(own) * parts.sqrt(),
                shared: consensus.lines(scene.ride, power_w),
            });
        }
    }
    all
}

pub fn whole_ride(
    scene: &ScoringContext,
    protocol: &Protocol,
    matches: &Matches,
    windows: &[Option<Window>],
) -> Vec<Scored> {
    let steady = steady_blocks(protocol, matches, windows);
    let window = overlap(scene.ride);
    let score = |check: &Check| match check.measure {
        Measure::DriftTime => drift(scene, &steady, DriftOver::Hours),
        Measure::DriftTemperature => drift(scene, &steady, DriftOver::Temperature),
        Measure::Linearity => linearity(scene, &steady.iter().map(|s| s.1).collect::<Vec<_>>()),
        _ => measure(scene, check, window),
    };
    protocol.whole_ride.iter().map(|check| Scored::of(check, score(check))).collect()
}

/// A measure that needs nothing but a window.
pub fn measure(scene: &ScoringContext, check: &Check, window: Window) -> Measured {
    let first = first_unit(&check.limit);
    match check.measure {
        Measure::WorkError | Measure::MeanError => scene.mean_error(ReferenceNeed::SteadyPower, window, first),
        Measure::Spread => scene.spread(window, first),
        Measure::CadenceError => scene.cadence_error(window),
        Measure::DropoutTime => scene.dropout_time(window),
        Measure::HeldTime => scene.held_time(window),
        Measure::Spike => scene.spike(window),
        Measure::LeftError => scene.side_error(crate::protocol::Side::Left, window, first),
        Measure::RightError => scene.side_error(crate::protocol::Side::Right, window, first),
        other => Err(NoValue::Undecided(format!("`{}` is not a measure of the whole ride", other.word()))),
    }
}

/// Slope of the unit on the reference less one, %: York's fit with the blocks' noise only, the reference's gain added
/// to the slope afterwards.
///
/// Source: York et al. (2004), Am J Phys 72:367-375.
pub fn linearity(scene: &ScoringContext, blocks: &[Window]) -> Measured {
    let (mut x, mut y, mut s, mut noise_degrees) = (vec![], vec![], vec![], 0.0);
    let mut lines = Vec::new();
    for &window in blocks {
        let Ok(consensus) = scene.consensus(ReferenceNeed::SteadyPower, window) else { continue };
        let Ok(value) = scene.mean_error(ReferenceNeed::SteadyPower, window, Unit::Watt) else { continue };
        x.push(value.reference);
        y.push(value.reference + value.value);
        let noise_w = value.budget.part(|source| matches!(source, Source::Scatter | Source::Resolution));
        let scatter = value.budget.0.iter().find(|line| line.source == Source::Scatter);
        noise_degrees += scatter.map_or(0.0, |line| line.degrees_of_freedom);
        s.push((noise_w / 2f64.sqrt()).max(1e-6));
        lines.push((consensus, value.reference));
    }
    let spread = x.iter().copied().fold(f64::NEG_INFINITY, f64::max) - x.iter().copied().fold(f64::INFINITY, f64::min);
    let fit = if x.len() >= 3 && spread > 0.0 { stats::york(&x, &y, &s, &s, 0.0) } else { None };
    let Some(fit) = fit else {
        return Err(NoValue::Undecided("a line needs steady power at three or more levels".to_owned()));
    };
    let mut budget = Budget::default();
    budget.push(slope_scatter(&fit, noise_degrees));
    if let Some((consensus, mean_w)) = lines.last() {
        for line in consensus.lines(scene.ride, *mean_w) {
            budget.push(Line::b(line.source, line.standard_uncertainty / mean_w * 100.0));
        }
    }
    let value = Value::count((fit.line.slope - 1.0) * 100.0, Unit::Percent);
    Ok(Value { kind: ValueKind::Measured, budget, gain_sensitive: true, ..value })
}

/// Scatter of a slope, %: as the blocks' own noise says, unless they lie farther from the line than one such fit in twenty
/// does; then as they lie.
fn slope_scatter(fit: &stats::York, noise_degrees: f64) -> Line {
    if fit.p < 0.05 {
        return Line::scatter(fit.scaled().u_slope * 100.0, fit.dof);
    }
    Line::scatter(fit.line.u_slope * 100.0, noise_degrees)
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum DriftOver {
    Hours,
    Temperature,
}

/// Slope of the error over time or temperature, fitted jointly with a level for each ring and with the gain.
fn drift(scene: &ScoringContext, steady: &[(Option<Ring>, Window)], against: DriftOver) -> Measured {
    let ride = scene.ride;
    let mut rows: Vec<DriftPoint> = Vec::new();
    for (ring, window) in steady {
        let consensus = scene.consensus(ReferenceNeed::SteadyPower, *window)?;
        let seconds: Vec<usize> = window.seconds().collect();
        let first = rows.len();
        for chunk in seconds.chunks(CHUNK_S) {
            let pairs: Vec<(f64, f64)> = chunk
                .iter()
                .filter(|&&k| scene.losses.usable(k))
                .filter_map(|&k| Some((ride.unit.power_at(k)?, consensus.power_at(ride, k)?)))
                .collect();
            let temperature: Vec<f64> = chunk.iter().filter_map(|&k| ride.unit.temperature_at(k)).collect();
            let x = match against {
                DriftOver::Hours => Some(chunk[0] as f64 / 3600.0),
                DriftOver::Temperature => stats::mean(&temperature),
            };
            if let (Some(x), true) = (x, pairs.len() * 2 > CHUNK_S) {
                let n = pairs.len() as f64;
                let power_w = pairs.iter().map(|p| p.1).sum::<f64>() / n;
                let error_w = pairs.iter().map(|p| p.0 - p.1).sum::<f64>() / n;
                rows.push(DriftPoint { x, power_w, error_w, small: *ring == Some(Ring::Small) });
            }
        }
        // What scatters in a chunk's reference stands in its error too, with the other sign. Beside a power that rises
        // from block to block that would be a gain, and what the gain takes the drift gives back.
        let block = &mut rows[first..];
        if let Some(power_w) = stats::mean(&block.iter().map(|chunk| chunk.power_w).collect::<Vec<_>>()) {
            block.iter_mut().for_each(|chunk| chunk.power_w = power_w);
        }
    }
    let what = if against == DriftOver::Hours { "time" } else { "temperature" };
    let cannot = |why: &str| Err(NoValue::Undecided(format!("drift with {what}: {why}")));
    if rows.len() < 8 {
        return cannot("too little steady riding");
    }
    let column = |f: fn(&DriftPoint) -> f64| rows.iter().map(f).collect::<Vec<f64>>();
    let others = [vec![1.0; rows.len()], column(|r| f64::from(u8::from(r.small))), column(|r| r.power_w)];
    let x = column(|r| r.x);
    let (x_own, y_own) = (orthogonal_to(&others, &x), orthogonal_to(&others, &column(|r| r.error_w)));
    let centred = orthogonal_to(&others[..1], &x);
    let own = dot(&x_own, &x_own);
    if own <= LEAST_OWN_VARIANCE * dot(&centred, &centred) || own <= 0.0 {
        return cannot("this ride can't tell it from rings and power");
    }
    let slope = dot(&x_own, &y_own) / own;
    let residuals: Vec<f64> = y_own.iter().zip(&x_own).map(|(y, x)| y - slope * x).collect();
    let effective = stats::effective_samples(&residuals);
    let fitted = 4.0;
    let variance = dot(&residuals, &residuals) / (rows.len() as f64 - fitted);
    // Correlated chunks count as fewer: the slope's variance grows by chunks per effective chunk.
    let inflation = rows.len() as f64 / effective;
    let u_slope = (variance * inflation / own).sqrt();
    // Rounding blurs temperatures, and a slope over blurred ones is too flat by as much as it is of their variance (Fuller
    // 1987, Measurement Error Models, 1.1; from memory). Rounding that goes with the temperature blurs it less, so half of
    // what is put right is taken as uncertain.
    let blurred = WHOLE_DEGREE_SD.powi(2) * rows.len() as f64 / own;
    let steeper = if against == DriftOver::Temperature { 1.0 / (1.0 - blurred.min(MOST_BLURRED)) } else { 1.0 };
    let mut budget = Budget::default();
    budget.push(Line::scatter(u_slope * steeper, (effective - fitted).max(1.0)));
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
        if dot(&own, &own) > 1e-9 * dot(column, column) {
            basis.push(own);
        }
    }
    less_basis(&basis, y)
}
