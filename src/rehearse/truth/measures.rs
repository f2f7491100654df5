//! The true value of every measure: on the noise-free readings of the unit and of an ideal instrument at its place.
//!
//! Everything is integrated or timed exactly, without clocks, head units or sampling. This shares no code with scoring,
//! alignment, matching or statistics. A new measure is a line in [`truth_of`], and what that line takes.

use crate::protocol::{Measure, Side};
use crate::quantity::Unit;

use super::super::drills::Stop;
use super::super::instruments::TrueLoad;
use super::super::span::TrueSpan;
use super::edges::TrueEdge;
use super::number::Number;
use super::readings::{CADENCE, SEEN_TWICE_S, TOTAL, TrueReading, TrueReadings, TruthSignal};
use super::ridden::TrueRidden;
use super::step_function::pieces;

/// Work around a restart is taken from this long before it to this long after it (design of the measures).
const BEFORE_RESTART_S: f64 = 2.0;
const AFTER_RESTART_S: f64 = 5.0;
/// A reading may stand while the reference moves this much; a spike is one above all within this time (design of the
/// measures).
const STANDS_W: f64 = 5.0;
const SPIKE_WITHIN_S: f64 = 5.0;

/// What a measure is taken of: one repeat of a phase, or the whole ride.
pub(super) struct MeasuredPart<'a> {
    pub readings: &'a TrueReadings,
    /// As scored; `None` where nothing of the ride is measured, because masses hang.
    pub window: Option<TrueSpan>,
    /// Averaging time that the check names.
    pub over_s: Option<f64>,
    /// Of a drill that stops and goes on.
    pub stop: Option<Stop>,
    /// Spans at several powers: the steps of a ramp, the steady blocks of a ride.
    pub levels: Option<Vec<TrueSpan>>,
    /// Of the whole ride: its steady blocks.
    pub blocks: Option<&'a [&'a TrueRidden]>,
    /// Where masses hang.
    pub loads: Option<Vec<&'a TrueLoad>>,
    /// Of the display, where the zero is read.
    pub zero_shift: Option<f64>,
}

/// How the truth of one measure is told and taken.
pub(super) struct MeasureTruth {
    /// Errors of power also in per cent.
    pub unit: Unit,
    /// It is unit less ideal instrument in watts, and so has per cents.
    pub is_power_error: bool,
    /// `None` where there is nothing to measure.
    pub of: Box<TakenOf>,
}

type TakenOf = dyn Fn(&MeasuredPart) -> Option<Number>;

/// The one place that knows a measure's truth.
pub(super) fn truth_of(measure: Measure) -> MeasureTruth {
    use Measure::*;
    match measure {
        MeanError | WorkError => power_error(|part| part.error(TOTAL)),
        LeftError => power_error(|part| part.readings.tells_left.then(|| part.error(|shown| &shown.left_w))?),
        RightError => power_error(|part| part.readings.tells_right.then(|| part.error(|shown| &shown.right_w))?),
        Spread => power_error(|part| part.readings.spread(part.window?)),
        PeakError => power_error(peak_error),
        MissingWork => power_error(missing_work),
        CadenceError => plain(Unit::Rpm, |part| part.readings.cadence_error(part.window?)),
        DropoutTime => plain(Unit::Second, |part| Some(part.readings.dropout_s(part.window?))),
        HeldTime => plain(Unit::Second, |part| Some(part.readings.held_s(part.window?))),
        Spike => plain(Unit::Watt, |part| part.readings.spike_w(part.window?)),
        ResidualPower => plain(Unit::Watt, |part| Some(part.readings.residual(part.stop?)?.mean_w)),
        PhantomWork => plain(Unit::Kilojoule, phantom_work_kj),
        ReleaseLag => number(Unit::Second, |part| part.readings.lag(TrueEdge::Release, TOTAL, part.stop?)),
        OnsetLag => number(Unit::Second, |part| part.readings.lag(TrueEdge::Onset, TOTAL, part.stop?)),
        CadenceReleaseLag => number(Unit::Second, |part| part.readings.lag(TrueEdge::Release, CADENCE, part.stop?)),
        CadenceOnsetLag => number(Unit::Second, |part| part.readings.lag(TrueEdge::Onset, CADENCE, part.stop?)),
        Linearity => number(Unit::Percent, |part| part.readings.linearity(part.levels.as_ref()?)),
        DriftTime => plain(Unit::WattPerHour, |part| part.readings.slope(part.blocks?, middle_h)),
        DriftTemperature => plain(Unit::WattPerCelsius, |part| {
            part.readings.slope(part.blocks?, |chunk| part.readings.temperature_c.mean(chunk))
        }),
        TorqueError => plain(Unit::Percent, |part| torque_error_pct(part.loads.as_ref()?)),
        Hysteresis => plain(Unit::NewtonMetre, |part| hysteresis_nm(part.loads.as_ref()?)),
        ZeroShift => plain(Unit::One, |part| part.zero_shift),
    }
}

fn power_error(of: impl Fn(&MeasuredPart) -> Option<Number> + 'static) -> MeasureTruth {
    MeasureTruth { unit: Unit::Watt, is_power_error: true, of: Box::new(of) }
}

fn number(unit: Unit, of: impl Fn(&MeasuredPart) -> Option<Number> + 'static) -> MeasureTruth {
    MeasureTruth { unit, is_power_error: false, of: Box::new(of) }
}

fn plain(unit: Unit, of: impl Fn(&MeasuredPart) -> Option<f64> + 'static) -> MeasureTruth {
    number(unit, move |part| of(part).map(Number::plain))
}

impl MeasuredPart<'_> {
    fn error(&self, channel: TruthSignal) -> Option<Number> {
        self.readings.error(channel, self.window?)
    }
}

fn peak_error(part: &MeasuredPart) -> Option<Number> {
    let (window, over_s) = (part.window?, part.over_s.unwrap_or(3.0));
    let best = |shown: &TrueReading| shown.total_w.best_mean(window, over_s);
    Some(Number::error(best(&part.readings.unit)?, best(&part.readings.ideal)?))
}

fn missing_work(part: &MeasuredPart) -> Option<Number> {
    let restart = part.stop?.restart;
    let span = TrueSpan { start_s: restart.start_s - BEFORE_RESTART_S, end_s: restart.end_s + AFTER_RESTART_S };
    part.readings.error(TOTAL, span).map(|error| Number { value: -error.value, ..error })
}

fn phantom_work_kj(part: &MeasuredPart) -> Option<f64> {
    let residual = part.readings.residual(part.stop?)?;
    Some(residual.mean_w * residual.span.length_s() / 1000.0)
}

/// Of a span, in hours.
fn middle_h(span: TrueSpan) -> f64 {
    (span.start_s + span.end_s) / 2.0 / 3600.0
}

impl TrueReadings {
    /// The limit of agreement farther from zero, without its sign. Source: Bland and Altman (1986), Lancet 327:307-310.
    fn spread(&self, window: TrueSpan) -> Option<Number> {
        let mean = self.error(TOTAL, window)?;
        let (mut lasts_s, mut squares) = (0.0, 0.0);
        for span in self.kept(window) {
            for piece in pieces(&[&self.unit.total_w, &self.ideal.total_w], span) {
                let error_w = self.unit.total_w.at(piece.start_s) - self.ideal.total_w.at(piece.start_s);
                lasts_s += piece.length_s();
                squares += (error_w - mean.value) * (error_w - mean.value) * piece.length_s();
            }
        }
        let half_width_w = 1.96 * (squares / lasts_s).sqrt();
        Some(Number { value: mean.value.abs() + half_width_w, ..mean })
    }

    fn dropout_s(&self, window: TrueSpan) -> f64 {
        self.dropouts.iter().filter_map(|run| run.common(window)).map(|run| run.length_s()).sum()
    }

    /// Mean over the time in which both turn, rpm.
    fn cadence_error(&self, window: TrueSpan) -> Option<f64> {
        let (unit, ideal) = (&self.unit.cadence_rpm, &self.ideal.cadence_rpm);
        let (mut lasts_s, mut sum) = (0.0, 0.0);
        for span in self.kept(window) {
            for piece in pieces(&[unit, ideal], span) {
                let (unit_rpm, ideal_rpm) = (unit.at(piece.start_s), ideal.at(piece.start_s));
                if unit_rpm > 0.0 && ideal_rpm > 0.0 {
                    lasts_s += piece.length_s();
                    sum += (unit_rpm - ideal_rpm) * piece.length_s();
                }
            }
        }
        (lasts_s > 0.0).then(|| sum / lasts_s)
    }

    /// Longest time that one reading of the unit stands, not zero, while the ideal instrument moves.
    fn held_s(&self, window: TrueSpan) -> f64 {
        let mut longest_s = 0.0_f64;
        for run in pieces(&[&self.unit.total_w], window) {
            if run.length_s() < SEEN_TWICE_S || self.unit.total_w.at(run.start_s) == 0.0 {
                continue;
            }
            let ideal_w = || pieces(&[&self.ideal.total_w], run).into_iter().map(|p| self.ideal.total_w.at(p.start_s));
            let moved_w = ideal_w().fold(f64::MIN, f64::max) - ideal_w().fold(f64::MAX, f64::min);
            if moved_w > STANDS_W {
                longest_s = longest_s.max(run.length_s());
            }
        }
        longest_s
    }

    /// Largest reading of the unit above the ideal instrument's largest within 5 s, W.
    fn spike_w(&self, window: TrueSpan) -> Option<f64> {
        let (unit, ideal) = (&self.unit.total_w, &self.ideal.total_w);
        let wider = TrueSpan { start_s: window.start_s - SPIKE_WITHIN_S, end_s: window.end_s + SPIKE_WITHIN_S };
        let above_w = |t_s: f64| {
            let near = TrueSpan { start_s: t_s - SPIKE_WITHIN_S, end_s: t_s + SPIKE_WITHIN_S };
            let largest_w = ideal.changes(near).map(|at_s| ideal.at(at_s)).fold(ideal.at(near.start_s), f64::max);
            unit.at(t_s) - largest_w
        };
        // It can only begin where the unit changes or a reading of the ideal one comes into or leaves the 10 s.
        let moved = ideal.changes(wider).flat_map(|at_s| [at_s - SPIKE_WITHIN_S, at_s + SPIKE_WITHIN_S]);
        let at_s = unit.changes(window).chain(moved).chain([window.start_s]);
        at_s.filter(|at_s| (window.start_s..window.end_s).contains(at_s)).map(above_w).reduce(f64::max)
    }
}

/// Error of the side that is farther off, or of all loads where only one side, or none, is named.
fn torque_error_pct(hung: &[&TrueLoad]) -> Option<f64> {
    let on = |side| hung.iter().copied().filter(|h| h.typed.side == Some(side)).collect::<Vec<_>>();
    let (left, right) = (on(Side::Left), on(Side::Right));
    if left.is_empty() || right.is_empty() {
        return mean_torque_error_pct(hung);
    }
    let (left_pct, right_pct) = (mean_torque_error_pct(&left)?, mean_torque_error_pct(&right)?);
    Some(if right_pct.abs() > left_pct.abs() { right_pct } else { left_pct })
}

/// Mean error of these loads, % of their mean torque.
fn mean_torque_error_pct(hung: &[&TrueLoad]) -> Option<f64> {
    let true_nm: f64 = hung.iter().map(|h| h.true_nm).sum();
    let off_nm: f64 = hung.iter().map(|h| h.felt_nm - h.true_nm).sum();
    (true_nm > 0.0).then(|| 100.0 * off_nm / true_nm)
}

/// What the unit's error under one load becomes from the first to the last time that it hangs, where that is most, N·m.
fn hysteresis_nm(hung: &[&TrueLoad]) -> Option<f64> {
    let load = |h: &TrueLoad| (h.typed.mass_kg, h.typed.side, h.typed.angle_deg);
    let change = |(n, first): (usize, &&TrueLoad)| {
        let last = hung[n + 1..].iter().rfind(|last| load(last) == load(first))?;
        Some((last.felt_nm - last.true_nm) - (first.felt_nm - first.true_nm))
    };
    let changes = hung.iter().enumerate().filter_map(change);
    changes.reduce(|most, next| if next.abs() > most.abs() { next } else { most })
}
