//! Errors of one side's power.
//!
//! A sprint's sides are held against the unit's own seated balance, for information, where no reference measures the sides
//! apart. Of a unit that doubles a side, that side is held against what it can sense.

use crate::protocol::{Check, Measure, Side};
use crate::quantity::Unit;
use crate::ride::Window;
use crate::scoring::budget::{Budget, Line, Source};
use crate::scoring::consensus::{ReferenceNeed, serving};
use crate::scoring::context::ScoringContext;
use crate::scoring::no_value::{NoValue, Note};
use crate::scoring::paired::{LEAST_SHARED_S, PairedSeconds};
use crate::scoring::phase::{RiddenPhase, is_of_total};
use crate::scoring::value::{Measured, Value};
use crate::session::Sides;
use crate::stats;

use super::measure::{MeasureScoring, Needs, Repeats, first_unit};

/// One point of balance, expanded with k = 2, as a standard uncertainty of a side in per cent of the total. Common practice,
/// no source.
const BALANCE_STANDARD_PCT_OF_TOTAL: f64 = 0.5;
/// A stated uncertainty is for the total. Two sides that err independently and alike each err by √2 of it, relative.
const SIDE_OF_TOTAL: f64 = std::f64::consts::SQRT_2;
/// How far balance in a sprint is from what it was seated and easy, in points of the total: harder pushes and the body's
/// weight move it. Standard uncertainty; common practice, no source.
const SEATED_SHARE_STANDARD_PCT: f64 = 2.5;
/// What a side's work in one repeat scatters by: the scale of how it differs from session to session, fitted to 1,000
/// simulated sessions. benches/gate.rs prints how often single repeats and their means cover the truth.
const SCATTER_PCT: f64 = 1.9;

const SIDE: MeasureScoring = MeasureScoring {
    needs: Needs::Always(ReferenceNeed::Sides),
    repeats: Repeats::Work(|value| value.per_cent(SCATTER_PCT).max(value.leaps)),
    ..MeasureScoring::NONE
};

pub const LEFT_ERROR: MeasureScoring = MeasureScoring {
    in_phase: |phase, check| in_phase(phase, Side::Left, first_unit(&check.limit)),
    over_ride: |ride, check| side_error(&ride.context, Side::Left, ride.window, first_unit(&check.limit)),
    only_informs: |phase| only_informs(phase, Side::Left),
    ..SIDE
};

pub const RIGHT_ERROR: MeasureScoring = MeasureScoring {
    in_phase: |phase, check| in_phase(phase, Side::Right, first_unit(&check.limit)),
    over_ride: |ride, check| side_error(&ride.context, Side::Right, ride.window, first_unit(&check.limit)),
    only_informs: |phase| only_informs(phase, Side::Right),
    ..SIDE
};

/// Of a unit that doubles a side: that side under the total's limit and for information, where no check of the protocol asks
/// for it.
pub fn check_of_sensed_side(phase: &RiddenPhase) -> Option<Check> {
    let measure = match phase.context.ride.unit.sides {
        Sides::LeftDoubled => Measure::LeftError,
        Sides::RightDoubled => Measure::RightError,
        Sides::Both | Sides::Total => return None,
    };
    let total = phase.phase.checks.iter().find(|check| is_of_total(check.measure))?;
    let asked = phase.phase.checks.iter().any(|check| check.measure == measure);
    let told = !asked && !serving(phase.context.ride, ReferenceNeed::Sides).is_empty();
    told.then(|| Check { measure, advisory: true, ..total.clone() })
}

fn only_informs(phase: &RiddenPhase, side: Side) -> bool {
    // What a doubled side can sense informs where the total that it claims decides.
    let doubled = phase.context.ride.unit.sides != Sides::Both && phase.total_decides();
    doubled || seated_share_for(phase, &side_error(&phase.context, side, phase.window, Unit::Watt)).is_some()
}

fn in_phase(phase: &RiddenPhase, side: Side, first: Unit) -> Measured {
    let measured = side_error(&phase.context, side, phase.window, first);
    let Some(right_share) = seated_share_for(phase, &measured) else { return measured };
    against_seated_balance(phase, side, right_share, first).unwrap_or(measured)
}

/// The side against the reference's total, split as the unit's own seated balance is; `None` of too few seconds.
fn against_seated_balance(phase: &RiddenPhase, side: Side, right_share: f64, first: Unit) -> Option<Measured> {
    let share = if side == Side::Right { right_share } else { 1.0 - right_share };
    let ride = phase.context.ride;
    let unit = &ride.unit;
    let consensus = match phase.context.consensus(ReferenceNeed::ShortWork, phase.window) {
        Ok(consensus) => consensus,
        Err(why) => return Some(Err(why)),
    };
    let unit_side = |k: usize| match side {
        _ if unit.power_at(k) == Some(0.0) => Some(0.0),
        Side::Left => unit.left_power_at(k),
        Side::Right => unit.right_power_at(k),
    };
    let reference_side = |k: usize| consensus.power_at(ride, k).map(|power_w| power_w * share);
    let paired = PairedSeconds::over(ride, phase.context.losses, phase.window, unit_side, reference_side);
    if paired.unit.len() < LEAST_SHARED_S {
        return None;
    }
    let n = paired.unit.len() as f64;
    let (u, r) = (paired.unit.iter().sum::<f64>() / n, paired.reference.iter().sum::<f64>() / n);
    let split = Line::b(Source::SideSplit, SEATED_SHARE_STANDARD_PCT / 100.0 * r / share);
    let lines_w = consensus.lines(ride, r).into_iter().chain([split]);
    let value = Value::power_error(u - r, r, Budget::default(), first).with_reference_lines(lines_w);
    Some(Ok(Value { notes: vec![Note::SeatedBalance], ..value }))
}

/// The unit's own seated balance, right of the total, where a side in a sprint has nothing else to be held against.
fn seated_share_for(phase: &RiddenPhase, measured: &Measured) -> Option<f64> {
    let open = matches!(measured, Err(why) if why.is_applicable());
    let unserved = serving(phase.context.ride, ReferenceNeed::Sides).is_empty();
    if phase.drill.falls_back_on_seated_balance() && open && unserved { seated_right_share(phase) } else { None }
}

fn seated_right_share(phase: &RiddenPhase) -> Option<f64> {
    let unit = &phase.context.ride.unit;
    let (right, total): (Vec<f64>, Vec<f64>) = phase
        .steady
        .iter()
        .flat_map(Window::seconds)
        .filter_map(|k| Some((unit.right_power_at(k)?, unit.power_at(k)?)))
        .unzip();
    stats::ratio(&right, &total).map(|ratio| ratio.ratio)
}

/// The error of one side's power, against references that measure the sides apart.
fn side_error(context: &ScoringContext, side: Side, window: Window, first: Unit) -> Measured {
    let ride = context.ride;
    let unit = &ride.unit;
    let doubled = match unit.sides {
        Sides::Both => false,
        Sides::LeftDoubled if side == Side::Left => true,
        Sides::RightDoubled if side == Side::Right => true,
        sides => return Err(NoValue::SideNotMeasured(sides)),
    };
    if !doubled && !window.seconds().any(|k| unit.right_power_at(k).is_some()) {
        return Err(NoValue::NoBalance);
    }
    let unit_side = |k: usize| match side {
        _ if doubled => unit.power_at(k).map(|power_w| power_w / 2.0),
        Side::Left => unit.left_power_at(k),
        Side::Right => unit.right_power_at(k),
    };
    let consensus = context.consensus(ReferenceNeed::Sides, window)?;
    let reference_side = |k: usize| {
        consensus.blend(|i| {
            let trace = &ride.references[i].trace;
            // Zero watts have no sides to split, and are zero on both.
            if trace.power_at(k) == Some(0.0) {
                return Some(0.0);
            }
            match side {
                Side::Left => trace.left_power_at(k),
                Side::Right => trace.right_power_at(k),
            }
        })
    };
    let unit_side = |k: usize| if unit.power_at(k) == Some(0.0) { Some(0.0) } else { unit_side(k) };
    let paired = PairedSeconds::over(ride, context.losses, window, unit_side, reference_side);
    let value = context.error_of(&paired, &consensus, window, first, unit_side)?;
    let total_w = consensus.mean_w;
    let share = value.reference / total_w * SIDE_OF_TOTAL;
    let of_side = |line: Line| Line { standard_uncertainty: line.standard_uncertainty * share, ..line };
    let split = Line::b(Source::SideSplit, BALANCE_STANDARD_PCT_OF_TOTAL / 100.0 * total_w);
    let lines_w = consensus.lines(ride, total_w).into_iter().map(of_side).chain([split]);
    let value = value.with_reference_lines(lines_w);
    let sensed = doubled.then_some(Note::DoubledSide);
    Ok(Value { notes: value.notes.iter().copied().chain(sensed).collect(), ..value })
}
