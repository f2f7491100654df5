//! Torque that the unit shows under hung masses, as a person typed it.

use crate::protocol::Side;
use crate::quantity::Unit;
use crate::scoring::budget::{Budget, Line, Source};
use crate::scoring::no_value::{NoValue, Note};
use crate::scoring::value::{Measured, SecondUnit, Value, ValueKind};
use crate::session::{Conditions, LoadReading};
use crate::stats;

use super::measure::{MeasureScoring, TypedReadings};

/// What normal gravity at a known latitude and height leaves open, rectangular (common practice, no source) …
const GRAVITY_LOCAL_HALF_WIDTH: f64 = 0.0005;
/// … and what a height of up to 2 km that nobody stated does: the free-air gradient, 3.086e-6 s⁻² of 9.8 m/s² per metre, about
/// the middle.
const GRAVITY_HEIGHT_HALF_WIDTH: f64 = 0.0003;
/// A calibrated mass for training or shop use: 0.5 % as a standard uncertainty. Common practice, no source.
const MASS_U: f64 = 0.005;
/// Crank length to 0.5 mm, rectangular. Common practice, no source.
const LENGTH_HALF_WIDTH_M: f64 = 0.0005;
/// A crank levelled by eye or phone: 1°, rectangular. Common practice, no source.
const ANGLE_HALF_WIDTH_DEG: f64 = 1.0;
/// Gravity where nobody said where: from pole to equator it is 0.53 % (GRS80, Moritz 1988), rectangular.
const GRAVITY_HALF_WIDTH: f64 = 0.0027;
/// A torque typed with one decimal, the step of a display (common practice, no source): 0.1/√12.
const TORQUE_ROUNDING_SD_NM: f64 = 0.028_867_5;
/// Near the vertical a degree is all of the torque, and its share is cut off at the whole: no angle that a person types
/// comes so near that this matters.
const LEAST_TANGENT: f64 = 1e-9;
/// A hanging mass turns most at a horizontal crank, which is meant where nobody said the angle.
const HORIZONTAL_DEG: f64 = 90.0;

pub const TORQUE_ERROR: MeasureScoring =
    MeasureScoring { of_readings: |typed| torque_error(&HungLoads::of(typed)?), ..MeasureScoring::NONE };

pub const HYSTERESIS: MeasureScoring =
    MeasureScoring { of_readings: |typed| hysteresis(&HungLoads::of(typed)?), ..MeasureScoring::NONE };

/// The loads that were hung from the sides asked for.
struct HungLoads<'a> {
    readings: Vec<&'a LoadReading>,
    conditions: &'a Conditions,
    crank_m: f64,
}

impl<'a> HungLoads<'a> {
    fn of(typed: &TypedReadings<'a>) -> Result<Self, NoValue> {
        let (session, sides) = (typed.session, typed.sides);
        let readings: Vec<&LoadReading> = session
            .readings
            .loads
            .iter()
            .filter(|r| sides.is_empty() || r.side.is_none_or(|side| sides.contains(&side)))
            .collect();
        let crank_m = session.conditions.crank_length_m.ok_or(NoValue::NoCrankLength)?;
        if readings.is_empty() {
            return Err(NoValue::NoLoads);
        }
        Ok(Self { readings, conditions: &session.conditions, crank_m })
    }

    fn true_nm(&self, reading: &LoadReading) -> f64 {
        let gravity = self.conditions.latitude_deg.map_or(stats::STANDARD_GRAVITY_M_S2, |latitude_deg| {
            stats::normal_gravity(latitude_deg, self.conditions.height_m.unwrap_or(0.0))
        });
        let angle_deg = reading.angle_deg.unwrap_or(HORIZONTAL_DEG);
        stats::hanging_mass_torque(reading.mass_kg, gravity, self.crank_m, angle_deg)
    }
}

/// Of two sides the one that is farther off, as their mean is of neither: a left side 6 % high and a right one 6 % low are no
/// sound unit.
fn torque_error(loads: &HungLoads) -> Measured {
    let of_side = |side: Side| {
        let readings: Vec<&LoadReading> = loads.readings.iter().copied().filter(|r| r.side == Some(side)).collect();
        (!readings.is_empty()).then_some((side, HungLoads { readings, ..*loads }))
    };
    let sides = [Side::Left, Side::Right].map(of_side);
    let [Some((left, of_left)), Some((right, of_right))] = sides else { return mean_torque_error(loads) };
    let [of_left, of_right] = [mean_torque_error(&of_left)?, mean_torque_error(&of_right)?];
    let worse = |worse: Value, side: Side, other: &Value| {
        let notes = vec![Note::WorseSide { side, other_pct: other.value }];
        Ok(Value { notes, ..worse })
    };
    if of_left.value.abs() >= of_right.value.abs() {
        worse(of_left, left, &of_right)
    } else {
        worse(of_right, right, &of_left)
    }
}

/// Mean error over all loads, per cent of the mean torque.
fn mean_torque_error(loads: &HungLoads) -> Measured {
    let readings = &loads.readings;
    let n = readings.len() as f64;
    let truth = readings.iter().map(|r| loads.true_nm(r)).sum::<f64>() / n;
    let error = readings.iter().map(|r| r.torque_nm - loads.true_nm(r)).sum::<f64>() / n;
    if truth <= 0.0 {
        return Err(NoValue::NoTorque);
    }
    let errors: Vec<f64> = readings.iter().map(|r| (r.torque_nm / loads.true_nm(r) - 1.0) * 100.0).collect();
    let mut budget = Budget::default();
    if let Some(sd) = stats::sample_sd(&errors) {
        budget.push(Line::scatter(sd / n.sqrt(), n - 1.0));
    }
    for line in load_lines_pct(loads) {
        budget.push(line);
    }
    budget.push(Line::b(Source::Resolution, TORQUE_ROUNDING_SD_NM / n.sqrt() / truth * 100.0));
    let also = Some(SecondUnit { unit: Unit::NewtonMetre, factor: truth / 100.0 });
    let value = Value::count(error / truth * 100.0, Unit::Percent);
    Ok(Value { kind: ValueKind::Measured, budget, also, reference: truth, ..value })
}

/// Mass, gravity, crank length and angle, per cent of the torque.
fn load_lines_pct(loads: &HungLoads) -> [Line; 4] {
    let Conditions { latitude_deg, height_m, .. } = *loads.conditions;
    let gravity = match (latitude_deg, height_m) {
        (None, _) => GRAVITY_HALF_WIDTH,
        (Some(_), None) => GRAVITY_LOCAL_HALF_WIDTH.hypot(GRAVITY_HEIGHT_HALF_WIDTH),
        (Some(_), Some(_)) => GRAVITY_LOCAL_HALF_WIDTH,
    };
    // Set once for all loads, so that it does not average out.
    let angle = loads.readings.iter().map(|r| angle_half_width(r)).fold(0.0, f64::max);
    let rectangular = |source, half_width: f64| Line::rectangular(source, 100.0 * half_width / 3f64.sqrt());
    [
        Line::b(Source::Mass, 100.0 * MASS_U),
        rectangular(Source::Gravity, gravity),
        rectangular(Source::CrankLength, LENGTH_HALF_WIDTH_M / loads.crank_m),
        rectangular(Source::CrankAngle, angle),
    ]
}

/// What a degree does to the torque, relative: near the horizontal the sine is flat and only its curvature counts,
/// (1 − cos a); elsewhere its slope.
fn angle_half_width(reading: &LoadReading) -> f64 {
    let half_width = ANGLE_HALF_WIDTH_DEG.to_radians();
    let slope = half_width / reading.angle_deg.unwrap_or(HORIZONTAL_DEG).to_radians().tan().abs().max(LEAST_TANGENT);
    slope.min(1.0).max(1.0 - half_width.cos())
}

/// Largest difference between going up and coming down at one load, N·m.
fn hysteresis(loads: &HungLoads) -> Measured {
    let readings = &loads.readings;
    let same =
        |a: &LoadReading, b: &LoadReading| a.mass_kg == b.mass_kg && a.side == b.side && a.angle_deg == b.angle_deg;
    let largest = readings
        .iter()
        .enumerate()
        .filter_map(|(i, up)| {
            let down = readings[i + 1..].iter().rev().find(|down| same(up, down))?;
            Some((down.torque_nm - up.torque_nm, angle_half_width(up) * up.torque_nm))
        })
        .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
    let Some((largest, angle_nm)) = largest else {
        return Err(NoValue::NoLoadTwice);
    };
    let mut budget = Budget::default();
    budget.push(Line::triangular(Source::Resolution, TORQUE_ROUNDING_SD_NM * 2f64.sqrt()));
    // The crank is levelled for each of the two; mass, gravity and length are the same. The difference of two rectangles of
    // half-width a has a standard deviation of √2·a/√3.
    budget.push(Line::triangular(Source::CrankAngle, angle_nm * (2.0 / 3.0_f64).sqrt()));
    Ok(Value { kind: ValueKind::Measured, budget, ..Value::count(largest, Unit::NewtonMetre) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::Measure;
    use crate::session::Session;

    fn session(loads: &[(f64, f64)]) -> Session {
        let mut session = Session::default();
        session.conditions.crank_length_m = Some(0.1725);
        let hung = |&(mass_kg, torque_nm): &(f64, f64)| LoadReading { mass_kg, torque_nm, side: None, angle_deg: None };
        session.readings.loads = loads.iter().map(hung).collect();
        session
    }

    fn measured(session: &Session, measure: Measure) -> Value {
        let scoring = if measure == Measure::Hysteresis { HYSTERESIS } else { TORQUE_ERROR };
        (scoring.of_readings)(&TypedReadings { measure, session, sides: &[] }).unwrap()
    }

    fn u_of(value: &Value, wanted: Source) -> f64 {
        value.budget.part(|source| source == wanted)
    }

    #[test]
    fn each_part_of_a_hung_load_has_its_line() {
        // 10 kg · 9.80665 m/s² · 0.1725 m = 16.9165 N·m; the unit reads 1 % more.
        let value = measured(&session(&[(10.0, 17.0857), (10.0, 17.0857)]), Measure::TorqueError);
        assert!((value.value - 1.0).abs() < 1e-3, "{}", value.value);
        assert!((u_of(&value, Source::Mass) - 0.5).abs() < 1e-12);
        // 0.5 mm of 172.5 mm and 0.27 % of gravity, each over √3.
        assert!((u_of(&value, Source::CrankLength) - 0.16735).abs() < 1e-4);
        assert!((u_of(&value, Source::Gravity) - 0.15588).abs() < 1e-4);
        // One degree beside the horizontal loses 0.015 %.
        assert!((u_of(&value, Source::CrankAngle) - 0.00879).abs() < 1e-4);
    }

    #[test]
    fn latitude_and_height_change_the_torque_and_narrow_its_gravity() {
        let mut here = session(&[(10.0, 17.0), (10.0, 17.0)]);
        let anywhere = measured(&here, Measure::TorqueError);
        here.conditions.latitude_deg = Some(0.0);
        let no_height = measured(&here, Measure::TorqueError);
        here.conditions.height_m = Some(2000.0);
        let known = measured(&here, Measure::TorqueError);
        // Normal gravity at the equator is 9.780327 m/s² (GRS80), 0.27 % below the standard one: the same reading errs by
        // as much more.
        assert!((no_height.value - anywhere.value - 0.27).abs() < 0.005, "{} {}", no_height.value, anywhere.value);
        assert!(known.value > no_height.value + 0.05);
        let u = [&anywhere, &no_height, &known].map(|value| u_of(value, Source::Gravity));
        assert!(u[0] > 3.0 * u[1] && u[1] > u[2] && u[2] > 0.0, "{u:?}");
    }

    #[test]
    fn two_sides_that_err_apart_are_not_their_mean() {
        let mut apart = session(&[(10.0, 17.9315), (10.0, 17.9315), (10.0, 15.9015), (10.0, 15.9015)]);
        for (i, load) in apart.readings.loads.iter_mut().enumerate() {
            load.side = Some(if i < 2 { Side::Left } else { Side::Right });
        }
        // 10 kg · 9.80665 m/s² · 0.1725 m = 16.9165 N·m: 6 % more and 6 % less.
        let value = measured(&apart, Measure::TorqueError);
        assert!((value.value - 6.0).abs() < 0.01, "{}", value.value);
        assert!(matches!(value.notes[..], [Note::WorseSide { side: Side::Left, .. }]));
    }

    #[test]
    fn an_angle_off_the_horizontal_matters_by_its_slope() {
        let mut leaning = session(&[(10.0, 12.0), (10.0, 12.0)]);
        leaning.readings.loads.iter_mut().for_each(|load| load.angle_deg = Some(45.0));
        // One degree at 45° is 1.745 % either way, over √3.
        assert!((u_of(&measured(&leaning, Measure::TorqueError), Source::CrankAngle) - 1.0077).abs() < 1e-3);
    }

    #[test]
    fn hysteresis_is_the_largest_difference_at_one_load_and_knows_its_rounding() {
        let loads = [(5.0, 8.4), (10.0, 16.9), (20.0, 33.8), (10.0, 17.3), (5.0, 8.5)];
        let value = measured(&session(&loads), Measure::Hysteresis);
        assert!((value.value - 0.4).abs() < 1e-9);
        // Two readings rounded to 0.1 N·m differ by up to 0.1; 95 % of a triangle: 0.1·(1 − √0.05).
        assert!((value.budget.combine(0.95).expanded() - 0.0776).abs() < 0.002);
        let once = session(&loads[..3]);
        let typed = TypedReadings { measure: Measure::Hysteresis, session: &once, sides: &[] };
        assert_eq!((HYSTERESIS.of_readings)(&typed), Err(NoValue::NoLoadTwice));
    }
}
