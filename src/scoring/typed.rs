//! Checks on readings that a person typed: hung masses and zero offsets.

use crate::protocol::{Check, Drill, Measure, Protocol, Side};
use crate::quantity::Unit;
use crate::session::{LoadReading, Readings, Session};
use crate::stats;

use super::budget::{Budget, Line, Source};
use super::value::{Kind, Measured, NoValue, Scored, Value};

/// A calibrated mass for training or shop use: 0.5 % as a standard uncertainty. Common practice, no source.
const MASS_U: f64 = 0.005;
/// Crank length to 0.5 mm, rectangular.
const LENGTH_HALF_WIDTH_M: f64 = 0.0005;
/// A crank levelled by eye or phone: 1°, rectangular.
const ANGLE_HALF_WIDTH_DEG: f64 = 1.0;
/// Gravity where nobody said where: the span from pole to equator is 0.53 %, rectangular.
const GRAVITY_HALF_WIDTH: f64 = 0.0027;
/// A torque typed with one decimal.
const TORQUE_ROUNDING_SD_NM: f64 = 0.028_867_5;

/// All phases without a ride.
pub fn score(session: &Session, protocol: &Protocol) -> Vec<(usize, Vec<Scored>)> {
    let mut typed = Vec::new();
    for (index, phase) in protocol.phases.iter().enumerate() {
        let measure: &dyn Fn(&Check) -> Measured = match &phase.drill {
            Drill::StaticLoad { sides, .. } => &|check: &Check| static_load(session, sides, check),
            Drill::ZeroCheck => &|check: &Check| zero_shift(&session.readings, check),
            _ => continue,
        };
        let checks = phase.checks.iter().map(|c| Scored { check: c.clone(), measured: measure(c) }).collect();
        typed.push((index, checks));
    }
    typed
}

/// Zero offset after less before, in the display's own counts.
fn zero_shift(readings: &Readings, check: &Check) -> Measured {
    if check.measure != Measure::ZeroShift {
        return Err(NoValue::Undecided(format!("`{}` is not a measure of a zero check", check.measure.word())));
    }
    match (readings.zero_before, readings.zero_after) {
        (Some(before), Some(after)) => Ok(Value::count(after - before, Unit::One)),
        _ => Err(NoValue::Undecided("the session gives no `zero_before` and `zero_after`".to_owned())),
    }
}

fn static_load(session: &Session, sides: &[Side], check: &Check) -> Measured {
    let readings: Vec<&LoadReading> = session
        .readings
        .loads
        .iter()
        .filter(|r| sides.is_empty() || r.side.is_none_or(|side| sides.contains(&side)))
        .collect();
    let Some(crank_m) = session.conditions.crank_length_m else {
        return Err(NoValue::Undecided("the session gives no `crank_length`".to_owned()));
    };
    if readings.is_empty() {
        return Err(NoValue::Undecided("the session gives no `loads` under `readings`".to_owned()));
    }
    let gravity = session.conditions.latitude_deg.map_or(stats::STANDARD_GRAVITY_M_S2, |latitude_deg| {
        stats::normal_gravity(latitude_deg, session.conditions.height_m.unwrap_or(0.0))
    });
    let true_nm =
        |r: &LoadReading| stats::hanging_mass_torque(r.mass_kg, gravity, crank_m, r.angle_deg.unwrap_or(90.0));
    match check.measure {
        Measure::TorqueError => {
            let n = readings.len() as f64;
            let truth = readings.iter().map(|r| true_nm(r)).sum::<f64>() / n;
            let error = readings.iter().map(|r| r.torque_nm - true_nm(r)).sum::<f64>() / n;
            if truth <= 0.0 {
                return Err(NoValue::Undecided("the hung loads give no torque".to_owned()));
            }
            let errors: Vec<f64> = readings.iter().map(|r| (r.torque_nm / true_nm(r) - 1.0) * 100.0).collect();
            let mut budget = Budget::default();
            if let Some(sd) = stats::sample_sd(&errors) {
                budget.push(Line::scatter(sd / n.sqrt(), n - 1.0));
            }
            budget.push(Line::b(Source::Load, load_u_pct(session, &readings, crank_m)));
            budget.push(Line::b(Source::Resolution, TORQUE_ROUNDING_SD_NM / n.sqrt() / truth * 100.0));
            let also = Some(super::value::Also { unit: Unit::NewtonMetre, factor: truth / 100.0 });
            let value = Value::count(error / truth * 100.0, Unit::Percent);
            Ok(Value { kind: Kind::Measured, budget, also, reference: truth, ..value })
        }
        Measure::Hysteresis => hysteresis(&readings),
        other => Err(NoValue::Undecided(format!("`{}` is not a measure of a static load", other.word()))),
    }
}

/// Mass, crank length, angle and gravity, per cent of the torque.
fn load_u_pct(session: &Session, readings: &[&LoadReading], crank_m: f64) -> f64 {
    let rectangular = 3f64.sqrt();
    let length = LENGTH_HALF_WIDTH_M / crank_m / rectangular;
    let gravity = if session.conditions.latitude_deg.is_some() { 0.0 } else { GRAVITY_HALF_WIDTH / rectangular };
    let half_width = ANGLE_HALF_WIDTH_DEG.to_radians();
    // Near the horizontal the sine is flat: what is lost is its curvature, (1 − cos a), or the slope where it is not flat.
    let angle = readings
        .iter()
        .map(|r| {
            let angle = r.angle_deg.unwrap_or(90.0).to_radians();
            let slope = half_width / angle.tan().abs().max(1e-9);
            slope.min(1.0).max(1.0 - half_width.cos()) / rectangular
        })
        .fold(0.0, f64::max);
    100.0 * (MASS_U.powi(2) + length.powi(2) + gravity.powi(2) + angle.powi(2)).sqrt()
}

/// Largest difference between going up and coming down at one load, N·m.
fn hysteresis(readings: &[&LoadReading]) -> Measured {
    let same =
        |a: &LoadReading, b: &LoadReading| a.mass_kg == b.mass_kg && a.side == b.side && a.angle_deg == b.angle_deg;
    let largest = readings
        .iter()
        .enumerate()
        .filter_map(|(i, up)| {
            let down = readings[i + 1..].iter().rev().find(|down| same(up, down))?;
            Some(down.torque_nm - up.torque_nm)
        })
        .max_by(|a, b| a.abs().total_cmp(&b.abs()));
    let Some(largest) = largest else {
        return Err(NoValue::Undecided("no load was hung twice, so hysteresis can't show".to_owned()));
    };
    let mut budget = Budget::default();
    budget.push(Line::b(Source::Resolution, TORQUE_ROUNDING_SD_NM * 2f64.sqrt()));
    Ok(Value { kind: Kind::Measured, budget, ..Value::count(largest, Unit::NewtonMetre) })
}
