//! The true value of every measure: on the noise-free signals of the unit and of an ideal instrument at its place.
//!
//! Ahead of the chain both are the same crank meter, with the same angle and the same silence before it reads zero, so
//! that chance of that kind moves no truth; the unit has its drawn gain and offset and the plan's faults, the ideal one none. Each reading
//! stands until the next, and everything is integrated or timed exactly, without clocks, head units or sampling. This
//! file shares no code with scoring, alignment, matching or statistics.

use crate::protocol::{Check, Contrast, Drill, Measure, Phase, Protocol, Ring};
use crate::quantity::{Limit, Unit};
use crate::session::{Readings, Sides};

use super::hung::{self, TrueLoad};
use super::instrument::SentReadings;
use super::truth_file::{TrueAlso, TrueContrast, TrueRepeats, TrueRing, TrueSpan, TrueValue};

/// A reading that stands until the next one; zero before the first.
#[derive(Debug, Clone, Default, PartialEq)]
struct StepFunction {
    at_s: Vec<f64>,
    value: Vec<f64>,
    /// Integral until each `at_s`.
    until: Vec<f64>,
}

impl StepFunction {
    /// What says the same again changes nothing.
    fn new(points: impl Iterator<Item = (f64, f64)>) -> Self {
        let mut steps = Self::default();
        let mut sum = 0.0;
        for (at_s, value) in points {
            match (steps.at_s.last(), steps.value.last()) {
                (Some(_), Some(stood)) if *stood == value => continue,
                (Some(before_s), Some(stood)) => sum += stood * (at_s - before_s),
                _ => {}
            }
            steps.at_s.push(at_s);
            steps.value.push(value);
            steps.until.push(sum);
        }
        steps
    }

    fn index(&self, t_s: f64) -> Option<usize> {
        self.at_s.partition_point(|at_s| *at_s <= t_s).checked_sub(1)
    }

    fn at(&self, t_s: f64) -> f64 {
        self.index(t_s).map_or(0.0, |i| self.value[i])
    }

    fn until(&self, t_s: f64) -> f64 {
        self.index(t_s).map_or(0.0, |i| self.until[i] + self.value[i] * (t_s - self.at_s[i]))
    }

    fn integral(&self, span: TrueSpan) -> f64 {
        self.until(span.end_s) - self.until(span.start_s)
    }

    fn mean(&self, span: TrueSpan) -> f64 {
        self.integral(span) / span.length_s()
    }

    /// The reading that half of the span reads less than, or no more than.
    fn mostly(&self, span: TrueSpan) -> Option<f64> {
        let mut stood: Vec<(f64, f64)> =
            pieces(&[self], span).iter().map(|piece| (self.at(piece.start_s), piece.length_s())).collect();
        stood.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut left_s = span.length_s() / 2.0;
        stood.into_iter().find_map(|(value, lasts_s)| {
            left_s -= lasts_s;
            (left_s <= 0.0).then_some(value)
        })
    }

    /// Times inside the span at which the reading changes.
    fn changes(&self, span: TrueSpan) -> impl Iterator<Item = f64> + '_ {
        let first = self.at_s.partition_point(|at_s| *at_s <= span.start_s);
        self.at_s[first..].iter().copied().take_while(move |at_s| *at_s < span.end_s)
    }

    /// Best mean over `over_s` inside the span: it begins or ends at a change, or at the span's end.
    fn best_mean(&self, span: TrueSpan, over_s: f64) -> Option<f64> {
        let last_s = span.end_s - over_s;
        let starts = self.changes(span).flat_map(|at_s| [at_s, at_s - over_s]).chain([span.start_s, last_s]);
        let mean = |start_s: f64| self.mean(TrueSpan { start_s, end_s: start_s + over_s });
        starts.filter(|start_s| (span.start_s..=last_s).contains(start_s)).map(mean).reduce(f64::max)
    }
}

/// The span cut wherever one of the readings changes, so that each reads one value in each piece.
fn pieces(of: &[&StepFunction], span: TrueSpan) -> Vec<TrueSpan> {
    let mut borders_s: Vec<f64> =
        of.iter().flat_map(|steps| steps.changes(span)).chain([span.start_s, span.end_s]).collect();
    borders_s.sort_by(f64::total_cmp);
    borders_s.windows(2).filter(|b| b[1] > b[0]).map(|b| TrueSpan { start_s: b[0], end_s: b[1] }).collect()
}

#[derive(Debug, Clone, Default, PartialEq)]
struct TrueReading {
    total_w: StepFunction,
    left_w: StepFunction,
    right_w: StepFunction,
    cadence_rpm: StepFunction,
}

impl TrueReading {
    fn of(output: &SentReadings) -> Self {
        let power =
            |of: fn(f64, f64) -> f64| StepFunction::new(output.power.iter().map(|r| (r.at_s, of(r.left_w, r.right_w))));
        Self {
            total_w: power(|left_w, right_w| left_w + right_w),
            left_w: power(|left_w, _| left_w),
            right_w: power(|_, right_w| right_w),
            cadence_rpm: StepFunction::new(output.cadence.iter().copied()),
        }
    }
}

/// The noise-free readings of the unit and of an ideal instrument at its place, in true time.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueReadings {
    unit: TrueReading,
    ideal: TrueReading,
    /// Whether the unit tells this side.
    tells_left: bool,
    tells_right: bool,
    dropouts: Vec<TrueSpan>,
    /// What no error measure counts: dropouts, and whatever was not heard.
    left_out: Vec<TrueSpan>,
    /// From when to when the unit and some reference were both recorded.
    recorded: TrueSpan,
    /// Of the unit's sensor.
    temperature_c: StepFunction,
    hung: Vec<TrueLoad>,
}

/// One repeat of one phase: what its measures are taken over.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueRidden {
    /// Index into the protocol's phases.
    pub phase_index: usize,
    /// From 1.
    pub repeat: u32,
    pub ring: Ring,
    /// As scored, margins included.
    pub window: TrueSpan,
    /// In order: lead-in, coast and restart, say.
    pub moves: Vec<TrueSpan>,
}

/// The truth of everything that a protocol checks.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Truths {
    /// One list for each repeat ridden.
    pub phases: Vec<Vec<TrueValue>>,
    pub repeats: Vec<TrueRepeats>,
    pub rings: Vec<TrueRing>,
    pub contrasts: Vec<TrueContrast>,
    pub whole_ride: Vec<TrueValue>,
}

/// A true number before it is given a unit.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Number {
    value: f64,
    /// Of an error in watts: what per cents are taken of.
    of_w: Option<f64>,
    at_least: bool,
}

impl Number {
    fn plain(value: f64) -> Self {
        Self { value, of_w: None, at_least: false }
    }

    fn error(unit_w: f64, ideal_w: f64) -> Self {
        Self { value: unit_w - ideal_w, of_w: Some(ideal_w), at_least: false }
    }

    /// Errors of power in per cent, everything else as it is.
    fn in_pct(self) -> Option<f64> {
        match self.of_w {
            Some(of_w) if of_w > 0.0 => Some(self.value / of_w * 100.0),
            Some(_) => None,
            None => Some(self.value),
        }
    }

    fn mean(of: &[Number]) -> Option<Number> {
        let n = of.len() as f64;
        let bases_w: Option<Vec<f64>> = of.iter().map(|number| number.of_w).collect();
        (!of.is_empty()).then(|| Number {
            value: of.iter().map(|number| number.value).sum::<f64>() / n,
            of_w: bases_w.map(|bases_w| bases_w.iter().sum::<f64>() / n),
            at_least: of.iter().any(|number| number.at_least),
        })
    }
}

/// Work of a sprint is taken from this long before it to this long after it (design of the measures).
const SPRINT_S: (f64, f64) = (3.0, 5.0);
const RESTART_S: (f64, f64) = (2.0, 5.0);
const SOFT_FROM_S: f64 = 4.0;
const RESIDUAL_S: (f64, f64) = (2.0, 1.0);
/// At one sample a second, shorter silence or a reading that stands for less may be seen once.
const SEEN_TWICE_S: f64 = 2.0;
/// A reading may stand while the reference moves this much.
const STANDS_W: f64 = 5.0;
const SPIKE_WITHIN_S: f64 = 3.0;

/// What of a repeat is scored, from its start and its moves.
pub(super) fn scored(drill: &Drill, ridden: TrueSpan, moves: &[TrueSpan]) -> TrueSpan {
    let TrueSpan { start_s, end_s } = ridden;
    match drill {
        Drill::Steady { settle_s, .. } => TrueSpan { start_s: start_s + settle_s, end_s },
        Drill::Sprint { .. } => TrueSpan { start_s: start_s - SPRINT_S.0, end_s: end_s + SPRINT_S.1 },
        Drill::CoastRestart { .. } => TrueSpan { start_s, end_s: end_s + RESTART_S.1 },
        Drill::SoftPedal { .. } => {
            TrueSpan { start_s: moves.first().map_or(start_s, |surge| surge.end_s + SOFT_FROM_S), end_s }
        }
        Drill::Free { .. } | Drill::Wait { .. } | Drill::Ramp { .. } | Drill::StaticLoad { .. } | Drill::ZeroCheck => {
            ridden
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum TrueEdge {
    Release,
    Onset,
}

/// When a signal crosses half of its step.
#[derive(Debug, Clone, Copy, PartialEq)]
enum TrueCrossing {
    At(f64),
    NotBefore(f64),
}

type TruthSignal = fn(&TrueReading) -> &StepFunction;
const TOTAL: TruthSignal = |shown| &shown.total_w;
const CADENCE: TruthSignal = |shown| &shown.cadence_rpm;

impl TrueReadings {
    /// `temperature_c` holds one value per second.
    pub(super) fn of(
        (unit, sides): (&SentReadings, Sides),
        ideal: &SentReadings,
        recorded: TrueSpan,
        temperature_c: &[f64],
        hung: Vec<TrueLoad>,
    ) -> Self {
        let unheard: Vec<TrueSpan> = unit.unheard.iter().map(|&(start_s, end_s)| TrueSpan { start_s, end_s }).collect();
        let tells = |doubled| unit.sends_balance || sides == doubled;
        let (tells_left, tells_right) = (tells(Sides::LeftDoubled), tells(Sides::RightDoubled));
        let (unit, ideal) = (TrueReading::of(unit), TrueReading::of(ideal));
        let dropouts = dropouts(&unit, &unheard, &ideal);
        let left_out = joined(dropouts.iter().chain(&unheard).copied().collect());
        let temperature_c =
            StepFunction::new(temperature_c.iter().enumerate().map(|(at, value_c)| (at as f64, *value_c)));
        Self { unit, ideal, tells_left, tells_right, dropouts, left_out, recorded, temperature_c, hung }
    }

    /// The truth of every check, over these windows; typed readings are the display's own.
    pub(super) fn truths(&self, protocol: &Protocol, ridden: &[TrueRidden], typed: &Readings) -> Truths {
        let numbers = |r: &TrueRidden| -> Vec<Option<Number>> {
            let Phase { drill, checks, .. } = &protocol.phases[r.phase_index];
            let number = |check: &Check| match (check.measure, drill) {
                (Measure::ZeroShift, Drill::ZeroCheck) => Some(Number::plain(typed.zero_after? - typed.zero_before?)),
                (_, Drill::StaticLoad { .. }) => self.of_loads(check.measure, r.phase_index),
                _ => self.of_phase(check.measure, check.over_s, drill, r),
            };
            checks.iter().map(number).collect()
        };
        let all: Vec<Vec<Option<Number>>> = ridden.iter().map(numbers).collect();
        let valued = |r: &TrueRidden, numbers: &[Option<Number>]| {
            let checks = &protocol.phases[r.phase_index].checks;
            checks.iter().zip(numbers).map(|(check, number)| in_its_unit(check, *number)).collect()
        };
        let repeated = protocol.phases.iter().enumerate().filter(|(_, phase)| phase.repeats > 1);
        let repeats = repeated.map(|(index, phase)| {
            let asked: Vec<usize> = (0..ridden.len())
                .filter(|&i| ridden[i].phase_index == index && ridden[i].repeat <= phase.repeats)
                .collect();
            let mean = |(c, check): (usize, &Check)| {
                let of: Vec<Number> = asked.iter().filter_map(|&i| all[i][c]).collect();
                in_its_unit(check, Number::mean(&of))
            };
            TrueRepeats {
                phase: phase.id.to_string(),
                ridden: asked.len(),
                checks: phase.checks.iter().enumerate().map(mean).collect(),
            }
        });
        let steady: Vec<&TrueRidden> =
            ridden.iter().filter(|r| matches!(protocol.phases[r.phase_index].drill, Drill::Steady { .. })).collect();
        Truths {
            phases: ridden.iter().zip(&all).map(|(r, numbers)| valued(r, numbers)).collect(),
            repeats: repeats.collect(),
            rings: [Ring::Big, Ring::Small].into_iter().filter_map(|ring| self.ring(ring, &steady)).collect(),
            contrasts: protocol.contrasts.iter().map(|c| self.contrast(c, protocol, ridden)).collect(),
            whole_ride: protocol
                .whole_ride
                .iter()
                .map(|check| in_its_unit(check, self.of_ride(check.measure, check.over_s, &steady)))
                .collect(),
        }
    }

    fn of_phase(&self, measure: Measure, over_s: Option<f64>, drill: &Drill, ridden: &TrueRidden) -> Option<Number> {
        let stop = match (drill, ridden.moves.as_slice()) {
            (Drill::CoastRestart { .. }, [_, coast, restart]) => Some((*coast, *restart)),
            _ => None,
        };
        match measure {
            Measure::ResidualPower => self.residual(stop?).map(|(mean_w, _)| Number::plain(mean_w)),
            Measure::PhantomWork => {
                self.residual(stop?).map(|(mean_w, span)| Number::plain(mean_w * span.length_s() / 1000.0))
            }
            Measure::ReleaseLag => self.lag(TrueEdge::Release, TOTAL, stop?),
            Measure::OnsetLag => self.lag(TrueEdge::Onset, TOTAL, stop?),
            Measure::CadenceReleaseLag => self.lag(TrueEdge::Release, CADENCE, stop?),
            Measure::CadenceOnsetLag => self.lag(TrueEdge::Onset, CADENCE, stop?),
            Measure::MissingWork => {
                let restart = stop?.1;
                let span = TrueSpan { start_s: restart.start_s - RESTART_S.0, end_s: restart.end_s + RESTART_S.1 };
                self.error(TOTAL, span).map(|error| Number { value: -error.value, ..error })
            }
            Measure::Linearity => match drill {
                Drill::Ramp { settle_s, .. } => {
                    let step = |step: &TrueSpan| TrueSpan { start_s: step.start_s + settle_s, ..*step };
                    self.linearity(ridden.moves.iter().map(step))
                }
                _ => None,
            },
            _ => self.of_window(measure, over_s, ridden.window),
        }
    }

    #[cfg(test)]
    pub(super) fn hung(&self) -> &[TrueLoad] {
        &self.hung
    }

    fn of_loads(&self, measure: Measure, phase_index: usize) -> Option<Number> {
        let hung: Vec<&TrueLoad> = self.hung.iter().filter(|hung| hung.phase_index == phase_index).collect();
        match measure {
            Measure::TorqueError => hung::torque_error_pct(&hung).map(Number::plain),
            Measure::Hysteresis => hung::hysteresis_nm(&hung).map(Number::plain),
            _ => None,
        }
    }

    fn of_ride(&self, measure: Measure, over_s: Option<f64>, steady: &[&TrueRidden]) -> Option<Number> {
        match measure {
            Measure::Linearity => self.linearity(steady.iter().map(|r| r.window)),
            Measure::DriftTime => {
                self.slope(steady, |chunk| (chunk.start_s + chunk.end_s) / 2.0 / 3600.0).map(Number::plain)
            }
            Measure::DriftTemperature => self.slope(steady, |chunk| self.temperature_c.mean(chunk)).map(Number::plain),
            _ => self.of_window(measure, over_s, self.recorded),
        }
    }

    /// Measures that need nothing but a window; `None` for the others and where there is nothing to measure.
    fn of_window(&self, measure: Measure, over_s: Option<f64>, window: TrueSpan) -> Option<Number> {
        match measure {
            Measure::MeanError | Measure::WorkError => self.error(TOTAL, window),
            Measure::LeftError => self.tells_left.then(|| self.error(|shown| &shown.left_w, window))?,
            Measure::RightError => self.tells_right.then(|| self.error(|shown| &shown.right_w, window))?,
            Measure::Spread => self.spread(window),
            Measure::CadenceError => self.cadence_error(window).map(Number::plain),
            Measure::DropoutTime => {
                let lost_s = self.dropouts.iter().filter_map(|run| run.common(window)).map(|run| run.length_s());
                Some(Number::plain(lost_s.sum()))
            }
            Measure::HeldTime => Some(Number::plain(self.held_s(window))),
            Measure::Spike => self.spike_w(window).map(Number::plain),
            Measure::PeakError => {
                let best = |shown: &TrueReading| shown.total_w.best_mean(window, over_s.unwrap_or(3.0));
                Some(Number::error(best(&self.unit)?, best(&self.ideal)?))
            }
            Measure::ResidualPower
            | Measure::PhantomWork
            | Measure::ReleaseLag
            | Measure::OnsetLag
            | Measure::CadenceReleaseLag
            | Measure::CadenceOnsetLag
            | Measure::MissingWork
            | Measure::Linearity
            | Measure::DriftTime
            | Measure::DriftTemperature
            | Measure::TorqueError
            | Measure::Hysteresis
            | Measure::ZeroShift => None,
        }
    }

    /// The window without what no error measure counts.
    fn kept(&self, window: TrueSpan) -> Vec<TrueSpan> {
        let lost = self.left_out.iter().filter_map(|run| run.common(window));
        let mut from_s = window.start_s;
        let mut kept = vec![];
        for run in lost {
            kept.push(TrueSpan { start_s: from_s, end_s: run.start_s });
            from_s = run.end_s;
        }
        kept.push(TrueSpan { start_s: from_s, end_s: window.end_s });
        kept.retain(|span| span.length_s() > 0.0);
        kept
    }

    /// Mean of unit and ideal instrument over the window, W.
    fn means_w(&self, channel: TruthSignal, window: TrueSpan) -> Option<(f64, f64)> {
        let kept = self.kept(window);
        let lasts_s: f64 = kept.iter().map(TrueSpan::length_s).sum();
        let mean = |shown| kept.iter().map(|span| channel(shown).integral(*span)).sum::<f64>() / lasts_s;
        (lasts_s > 0.0).then(|| (mean(&self.unit), mean(&self.ideal)))
    }

    fn error(&self, channel: TruthSignal, window: TrueSpan) -> Option<Number> {
        self.means_w(channel, window).map(|(unit_w, ideal_w)| Number::error(unit_w, ideal_w))
    }

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

    /// Largest reading of the unit above the ideal instrument's largest within 3 s, W.
    fn spike_w(&self, window: TrueSpan) -> Option<f64> {
        let (unit, ideal) = (&self.unit.total_w, &self.ideal.total_w);
        let wider = TrueSpan { start_s: window.start_s - SPIKE_WITHIN_S, end_s: window.end_s + SPIKE_WITHIN_S };
        let above_w = |t_s: f64| {
            let near = TrueSpan { start_s: t_s - SPIKE_WITHIN_S, end_s: t_s + SPIKE_WITHIN_S };
            let largest_w = ideal.changes(near).map(|at_s| ideal.at(at_s)).fold(ideal.at(near.start_s), f64::max);
            unit.at(t_s) - largest_w
        };
        // It can only begin where the unit changes or a reading of the ideal one comes into or leaves the 6 s.
        let moved = ideal.changes(wider).flat_map(|at_s| [at_s - SPIKE_WITHIN_S, at_s + SPIKE_WITHIN_S]);
        let at_s = unit.changes(window).chain(moved).chain([window.start_s]);
        at_s.filter(|at_s| (window.start_s..window.end_s).contains(at_s)).map(above_w).reduce(f64::max)
    }

    /// The unit's crossing less the ideal instrument's, s.
    fn lag(&self, edge: TrueEdge, channel: TruthSignal, (coast, restart): (TrueSpan, TrueSpan)) -> Option<Number> {
        let (about_s, until_s) = match edge {
            TrueEdge::Release => (coast.start_s, restart.start_s),
            TrueEdge::Onset => (restart.start_s, restart.end_s),
        };
        // From the same place in both, so that two equal signals have exactly the same crossing.
        let [ideal, unit] = [&self.ideal, &self.unit].map(|shown| crossing(channel(shown), edge, about_s, until_s));
        let TrueCrossing::At(ideal_s) = ideal? else { return None };
        Some(match unit? {
            TrueCrossing::At(unit_s) => Number::plain(unit_s - ideal_s),
            TrueCrossing::NotBefore(until_s) => Number { at_least: true, ..Number::plain(until_s - ideal_s) },
        })
    }

    /// What the unit reads while the ideal instrument coasts, W, and over which span.
    fn residual(&self, (coast, restart): (TrueSpan, TrueSpan)) -> Option<(f64, TrueSpan)> {
        let TrueCrossing::At(release_s) =
            crossing(&self.ideal.total_w, TrueEdge::Release, coast.start_s, restart.start_s)?
        else {
            return None;
        };
        let after = TrueSpan { start_s: release_s, end_s: restart.end_s };
        let zero_until_s = pieces(&[&self.ideal.total_w], after)
            .into_iter()
            .filter(|piece| self.ideal.total_w.at(piece.start_s) == 0.0)
            .map(|piece| piece.end_s)
            .next()?;
        let span = TrueSpan { start_s: release_s + RESIDUAL_S.0, end_s: zero_until_s - RESIDUAL_S.1 };
        // Shorter than from one sample to the next there are no two.
        (span.length_s() >= 1.0).then(|| (self.unit.total_w.mean(span), span))
    }

    /// Slope of the unit's level on the ideal instrument's, less one, %.
    fn linearity(&self, windows: impl Iterator<Item = TrueSpan>) -> Option<Number> {
        let levels: Vec<(f64, f64)> = windows.filter_map(|window| self.means_w(TOTAL, window)).collect();
        let n = levels.len() as f64;
        let (unit_w, ideal_w) =
            (levels.iter().map(|l| l.0).sum::<f64>() / n, levels.iter().map(|l| l.1).sum::<f64>() / n);
        let squares: f64 = levels.iter().map(|l| (l.1 - ideal_w) * (l.1 - ideal_w)).sum();
        // The slope of the error is that of the level less one, and exactly zero where there is no error.
        let slope: f64 =
            levels.iter().map(|l| (l.1 - ideal_w) * (l.0 - l.1 - (unit_w - ideal_w))).sum::<f64>() / squares;
        (levels.len() >= 3 && squares > 1.0).then(|| Number::plain(slope * 100.0))
    }

    /// Slope of the error in the steady blocks, W for each of `over`, with a level for each ring and a gain beside it.
    fn slope(&self, steady: &[&TrueRidden], over: impl Fn(TrueSpan) -> f64) -> Option<f64> {
        const CHUNK_S: f64 = 30.0;
        let mut rows: Vec<[f64; 5]> = vec![];
        for block in steady {
            // What is left at the end of a block counts from half a chunk on: a second in which the unit is late says nothing.
            let chunks = (block.window.length_s() / CHUNK_S).round() as usize;
            for n in 0..chunks {
                let start_s = block.window.start_s + n as f64 * CHUNK_S;
                let chunk = TrueSpan { start_s, end_s: (start_s + CHUNK_S).min(block.window.end_s) };
                let Some((unit_w, ideal_w)) = self.means_w(TOTAL, chunk) else { continue };
                let small = if block.ring == Ring::Small { 1.0 } else { 0.0 };
                rows.push([1.0, small, ideal_w, over(chunk), unit_w - ideal_w]);
            }
        }
        last_coefficient(&rows)
    }

    fn ring(&self, ring: Ring, steady: &[&TrueRidden]) -> Option<TrueRing> {
        let of: Vec<Number> =
            steady.iter().filter(|r| r.ring == ring).filter_map(|r| self.error(TOTAL, r.window)).collect();
        let mean = Number::mean(&of)?;
        Some(TrueRing {
            ring: ring.word().to_owned(),
            blocks: of.len(),
            error_w: mean.value,
            error_pct: mean.in_pct()?,
        })
    }

    /// Mean difference over the pairs alike in all but the contrasted keys, of power errors in per cent.
    fn contrast(&self, contrast: &Contrast, protocol: &Protocol, ridden: &[TrueRidden]) -> TrueContrast {
        let of_phase = |phase: &Phase| -> Option<f64> {
            let of =
                ridden.iter().filter(|r| protocol.phases[r.phase_index].id == phase.id && r.repeat <= phase.repeats);
            let values: Vec<f64> =
                of.filter_map(|r| self.of_phase(contrast.measure, None, &phase.drill, r)?.in_pct()).collect();
            (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
        };
        let named = |phase: &Phase, key: &(String, String)| phase.id.keys.contains(key);
        let partner = |of: &Phase| {
            protocol.phases.iter().find(|p| {
                contrast.against.selects(&p.id)
                    && p.id.keys.iter().all(|key| contrast.against.keys.contains(key) || named(of, key))
            })
        };
        let differences: Vec<f64> = protocol
            .phases
            .iter()
            .filter(|p| contrast.of.selects(&p.id))
            .filter_map(|of| Some(of_phase(of)? - of_phase(partner(of)?)?))
            .collect();
        let mean = || differences.iter().sum::<f64>() / differences.len() as f64;
        let unit = if is_power_error(contrast.measure) { Unit::Percent } else { unit_of(contrast.measure) };
        let value = TrueValue {
            measure: contrast.measure.word().to_owned(),
            value: (!differences.is_empty()).then(mean),
            unit: unit.symbol().to_owned(),
            also: None,
            at_least: false,
        };
        TrueContrast { contrast: contrast.name.clone(), check: value }
    }
}

/// In order of time, those that touch as one.
fn joined(mut spans: Vec<TrueSpan>) -> Vec<TrueSpan> {
    spans.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let mut found: Vec<TrueSpan> = vec![];
    for span in spans {
        match found.last_mut().filter(|last| last.end_s >= span.start_s) {
            Some(last) => last.end_s = last.end_s.max(span.end_s),
            None => found.push(span),
        }
    }
    found
}

/// The unit reads zero or nothing while the ideal instrument shows pedalling throughout, and a second to either side.
fn dropouts(unit: &TrueReading, unheard: &[TrueSpan], ideal: &TrueReading) -> Vec<TrueSpan> {
    let total = &unit.total_w;
    let zero = (1..total.at_s.len()).filter(|&i| total.value[i - 1] == 0.0);
    let zero = zero.map(|i| TrueSpan { start_s: total.at_s[i - 1], end_s: total.at_s[i] });
    let mut found = joined(zero.chain(unheard.iter().copied()).collect());
    let pedals = |span: TrueSpan| {
        let around = TrueSpan { start_s: span.start_s - 1.0, end_s: span.end_s + 1.0 };
        let turns = |at_s: f64| ideal.total_w.at(at_s) > 0.0 && ideal.cadence_rpm.at(at_s) > 0.0;
        pieces(&[&ideal.total_w, &ideal.cadence_rpm], around).iter().all(|piece| turns(piece.start_s))
    };
    found.retain(|run| run.length_s() >= SEEN_TWICE_S && pedals(*run));
    found
}

/// First crossing of half of the signal's own step from 3 s before `about_s` on; `None` where there is no step.
///
/// A second's mean around each moment is looked at: half of it lies where a single step lies, and between the turns of
/// a rise it moves evenly.
fn crossing(steps: &StepFunction, edge: TrueEdge, about_s: f64, until_s: f64) -> Option<TrueCrossing> {
    let mut found = crossing_about(steps, edge, about_s, until_s)?;
    // Again with the levels around its own crossing, where there are any.
    for _ in 0..3 {
        let TrueCrossing::At(at_s) = found else { break };
        let Some(again) = crossing_about(steps, edge, at_s, until_s) else { break };
        found = again;
    }
    Some(found)
}

fn crossing_about(steps: &StepFunction, edge: TrueEdge, about_s: f64, until_s: f64) -> Option<TrueCrossing> {
    let level = |start_s: f64, end_s: f64| (end_s - start_s >= 1.0).then(|| steps.mean(TrueSpan { start_s, end_s }));
    let search = TrueSpan { start_s: about_s - 3.0, end_s: until_s };
    let before = level(about_s - 6.0, about_s - 0.5)?;
    let after_s = TrueSpan { start_s: about_s + 3.0, end_s: (about_s + 6.0).min(until_s) };
    let after = level(after_s.start_s, after_s.end_s);
    let half = match edge {
        TrueEdge::Release if before > 0.0 => {
            // A reading held until then and zero after it are two levels, and their mean is none.
            let stood = after.and_then(|_| steps.mostly(after_s));
            (before + stood.filter(|after| *after < before / 2.0).unwrap_or(0.0)) / 2.0
        }
        TrueEdge::Release => return None,
        TrueEdge::Onset => match after? {
            // It comes later still, or not at all.
            0.0 if before == 0.0 => {
                let woke_s = steps.changes(search).find(|at_s| steps.at(*at_s) > 0.0);
                return Some(woke_s.map_or(TrueCrossing::NotBefore(until_s), TrueCrossing::At));
            }
            after if before <= after / 2.0 => (before + after) / 2.0,
            _ => return None,
        },
    };
    let around = |t_s: f64| steps.mean(TrueSpan { start_s: t_s - 0.5, end_s: t_s + 0.5 });
    let across = |value: f64| if edge == TrueEdge::Release { value < half } else { value >= half };
    if across(around(search.start_s)) {
        return None;
    }
    let wider = TrueSpan { start_s: search.start_s - 0.5, end_s: search.end_s + 0.5 };
    let mut corners_s: Vec<f64> =
        steps.changes(wider).flat_map(|at_s| [at_s - 0.5, at_s + 0.5]).chain([search.start_s, search.end_s]).collect();
    corners_s.retain(|t_s| (search.start_s..=search.end_s).contains(t_s));
    corners_s.sort_by(f64::total_cmp);
    for pair in corners_s.windows(2) {
        let (from, to) = (around(pair[0]), around(pair[1]));
        if across(to) {
            return Some(TrueCrossing::At(pair[0] + (pair[1] - pair[0]) * (half - from) / (to - from)));
        }
    }
    Some(TrueCrossing::NotBefore(until_s))
}

/// Least squares of the last column on the others, by the normal equations: the last one's coefficient. A column
/// that never changes beside the first is left out; `None` where the last can't be told from the others.
fn last_coefficient(rows: &[[f64; 5]]) -> Option<f64> {
    let n = rows.len() as f64;
    let means: [f64; 5] = std::array::from_fn(|c| rows.iter().map(|row| row[c]).sum::<f64>() / n);
    let product = |a: usize, b: usize| rows.iter().map(|row| (row[a] - means[a]) * (row[b] - means[b])).sum::<f64>();
    let columns: Vec<usize> = (1..4).filter(|&c| product(c, c) > 1e-9).collect();
    if columns.last() != Some(&3) || rows.len() < 8 {
        return None;
    }
    let mut system: Vec<Vec<f64>> =
        columns.iter().map(|&a| columns.iter().chain(&[4]).map(|&b| product(a, b)).collect()).collect();
    for i in 0..system.len() {
        let own = product(columns[i], columns[i]);
        if system[i][i] <= 1e-6 * own {
            return None;
        }
        let (above, below) = system.split_at_mut(i + 1);
        for row in below {
            let share = row[i] / above[i][i];
            row.iter_mut().zip(&above[i]).for_each(|(value, pivot)| *value -= share * pivot);
        }
    }
    let last = system.last()?;
    Some(last[last.len() - 1] / last[last.len() - 2])
}

/// Whether it is unit less ideal instrument in watts, and so has per cents.
fn is_power_error(measure: Measure) -> bool {
    use Measure::*;
    matches!(measure, MeanError | Spread | LeftError | RightError | WorkError | PeakError | MissingWork)
}

/// What a measure is told in; errors of power also in per cent.
fn unit_of(measure: Measure) -> Unit {
    match measure {
        Measure::MeanError
        | Measure::Spread
        | Measure::LeftError
        | Measure::RightError
        | Measure::Spike
        | Measure::WorkError
        | Measure::PeakError
        | Measure::ResidualPower
        | Measure::MissingWork => Unit::Watt,
        Measure::CadenceError => Unit::Rpm,
        Measure::DropoutTime
        | Measure::HeldTime
        | Measure::ReleaseLag
        | Measure::OnsetLag
        | Measure::CadenceReleaseLag
        | Measure::CadenceOnsetLag => Unit::Second,
        Measure::PhantomWork => Unit::Kilojoule,
        Measure::Linearity | Measure::TorqueError => Unit::Percent,
        Measure::DriftTime => Unit::WattPerHour,
        Measure::DriftTemperature => Unit::WattPerCelsius,
        Measure::Hysteresis => Unit::NewtonMetre,
        Measure::ZeroShift => Unit::One,
    }
}

/// An error of power stands in the unit that the limit speaks first, with the other one beside it.
fn in_its_unit(check: &Check, number: Option<Number>) -> TrueValue {
    let measure = check.measure.word().to_owned();
    let at_least = number.is_some_and(|n| n.at_least);
    let symbol = |unit: Unit| unit.symbol().to_owned();
    let plain =
        |unit: Unit, value| TrueValue { measure: measure.clone(), value, unit: symbol(unit), also: None, at_least };
    let pct_first = match &check.limit {
        Limit::Within(bound) | Limit::AtMost(bound) | Limit::AtLeast(bound) => {
            bound.parts.first().is_some_and(|part| part.unit == Unit::Percent)
        }
        Limit::Between(low, _) => low.unit == Unit::Percent,
        Limit::Zero | Limit::WithinClaim => true,
    };
    let Some(number) = number else { return plain(unit_of(check.measure), None) };
    match number.of_w.and_then(|_| number.in_pct()) {
        Some(pct) if pct_first => TrueValue {
            also: Some(TrueAlso { value: number.value, unit: symbol(Unit::Watt) }),
            ..plain(Unit::Percent, Some(pct))
        },
        Some(pct) => TrueValue {
            also: Some(TrueAlso { value: pct, unit: symbol(Unit::Percent) }),
            ..plain(Unit::Watt, Some(number.value))
        },
        None => plain(unit_of(check.measure), Some(number.value)),
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::super::tests::{hold, phase};
    use super::super::{
        BENCHES, FAULT_KINDS, Fault, FaultEffect, Instruments, RehearsalBench, RehearsalPlan, RideHabits, TruthFile,
        simulate,
    };
    use super::*;
    use crate::protocol::{Selector, Side, Target};
    use crate::quantity::{Bound, Range};

    /// Every measure, the power errors held in watts, so that none hangs on a per cent of nothing.
    fn all_checks() -> Vec<Check> {
        let check = |measure: &Measure| {
            let limit = Limit::Within(Bound::single(1.0, unit_of(*measure)));
            Check { measure: *measure, limit, advisory: false, clause: None, over_s: None }
        };
        Measure::ALL.iter().map(check).collect()
    }

    /// Blocks at two or three powers on one ring or both, and each other drill so many times.
    fn protocol(powers_w: &[f64], rings: &[Ring], repeats: u32) -> Protocol {
        let mut protocol = super::super::tests::bench_trial();
        let target = |power_w| Target::Value(power_w);
        let mut phases = vec![];
        for (i, power_w) in powers_w.iter().enumerate() {
            for ring in rings.iter().cycle().skip(i).take(rings.len()) {
                let power = format!("{power_w} W");
                let lasts_s = Range::at_least(70.0);
                let drill = Drill::Steady { power_w: target(*power_w), lasts_s, settle_s: 10.0 };
                phases.push(Phase {
                    ring: Some(*ring),
                    ..phase("steady", &[("ring", ring.word()), ("power", &power)], drill)
                });
            }
        }
        let recover_s = Some(Range::between(20.0, 30.0));
        let (effort_w, lasts_s) = (Range::at_least(500.0), Range::between(6.0, 9.0));
        let sprint = phase("sprint", &[], Drill::Sprint { effort_w, lasts_s, recover_s });
        let lead_in = hold(target(200.0), 6.5, 8.0);
        let restart = hold(Target::Within(Range::at_least(300.0)), 5.0, 9.0);
        let coast_s = Range::between(6.0, 11.0);
        let coast = phase("coast", &[], Drill::CoastRestart { lead_in, coast_s, restart, recover_s });
        let (surge, soft) = (hold(target(300.0), 8.0, 10.0), hold(target(60.0), 15.0, 20.0));
        let soft = phase("soft", &[], Drill::SoftPedal { surge, soft, recover_s });
        let ramp = phase("ramp", &[], Drill::Ramp { steps_w: vec![80.0, 160.0, 240.0], each_s: 25.0, settle_s: 8.0 });
        phases.extend([sprint, coast, soft].map(|p| Phase { repeats, ring: Some(rings[0]), ..p }));
        let loads = Drill::StaticLoad { loads_kg: vec![5.0, 10.0, 5.0], sides: vec![Side::Left], angles_deg: vec![] };
        phases.extend([ramp, phase("zero", &[], Drill::ZeroCheck), phase("loads", &[], loads)]);
        for phase in &mut phases {
            phase.checks = all_checks();
        }
        let selector = |ring: Ring| Selector {
            name: "steady".to_owned(),
            keys: vec![("ring".to_owned(), ring.word().to_owned())],
            repeat: None,
        };
        protocol.contrasts = vec![Contrast {
            name: "ring-shift".to_owned(),
            of: selector(Ring::Small),
            against: selector(Ring::Big),
            measure: Measure::MeanError,
            limit: Limit::Within(Bound::single(1.0, Unit::Percent)),
            advisory: false,
        }];
        protocol.whole_ride = all_checks();
        protocol.needs.warm_up_s = Some(60.0);
        protocol.phases = phases;
        protocol
    }

    fn any_protocol() -> impl Strategy<Value = Protocol> {
        let powers_w = prop::sample::subsequence(vec![100.0, 160.0, 220.0], 2..=3);
        let rings = prop::sample::subsequence(vec![Ring::Big, Ring::Small], 1..=2);
        (powers_w, rings, 1_u32..=3).prop_map(|(powers_w, rings, repeats)| protocol(&powers_w, &rings, repeats))
    }

    fn truth(protocol: &Protocol, seed: u64, faults: &[Fault]) -> TruthFile {
        let plan = RehearsalPlan {
            faults: faults.to_vec(),
            instruments: Instruments::Ideal,
            habits: RideHabits::varied(seed),
            ..RehearsalPlan::new(seed)
        };
        simulate(protocol, &plan).truth_file()
    }

    fn values(truth: &TruthFile) -> Vec<&TrueValue> {
        let phases = truth.phases.iter().flat_map(|p| &p.checks);
        let repeats = truth.repeats.iter().flat_map(|r| &r.checks);
        phases.chain(repeats).chain(truth.contrasts.iter().map(|c| &c.check)).chain(&truth.whole_ride).collect()
    }

    /// Measures whose truth differs somewhere.
    fn moved(sound: &TruthFile, faulty: &TruthFile) -> BTreeSet<Measure> {
        let differ = |(a, b): &(&TrueValue, &TrueValue)| match (a.value, b.value) {
            (Some(a), Some(b)) => (a - b).abs() > 1e-9,
            (a, b) => a.is_some() != b.is_some(),
        };
        let pairs = values(sound).into_iter().zip(values(faulty));
        pairs.filter(differ).map(|(a, _)| Measure::from_word(&a.measure).unwrap()).collect()
    }

    /// Each kind as it is listed, and some with a place or a share.
    fn any_fault() -> impl Strategy<Value = Fault> {
        let placed = ["gain=3@P", "late=2@T", "gain=2@1/3", "offset=-4@left", "ring-offset=5@small,1/2", "late=2@0.5"];
        let forms = FAULT_KINDS.iter().map(|kind| kind.form).chain(placed).collect::<Vec<_>>();
        prop::sample::select(forms).prop_map(|form| form.parse().unwrap())
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

        #[test]
        fn ideal_instruments_without_a_fault_have_no_error_in_any_measure(
            protocol in any_protocol(),
            seed in any::<u32>(),
        ) {
            for value in values(&truth(&protocol, u64::from(seed), &[])) {
                match (value.measure.as_str(), value.value) {
                    // Nothing reads above the largest around it; the display's own shift is no error.
                    ("spike", Some(spike_w)) => prop_assert!(spike_w <= 0.0, "{spike_w}"),
                    ("zero_shift", shift) => prop_assert!(shift.is_none_or(|shift| shift == 2.0)),
                    (_, Some(error)) => prop_assert_eq!(error, 0.0, "{}", &value.measure),
                    (_, None) => {}
                }
                prop_assert!(!value.at_least);
            }
        }

        #[test]
        fn a_fault_moves_the_truth_of_no_measure_but_its_own(
            protocol in any_protocol(),
            seed in any::<u32>(),
            fault in any_fault(),
        ) {
            let seed = u64::from(seed);
            let own: BTreeSet<Measure> = fault.measures(&RehearsalBench::both()).into_iter().collect();
            let moved = moved(&truth(&protocol, seed, &[]), &truth(&protocol, seed, std::slice::from_ref(&fault)));
            let strangers: Vec<_> = moved.difference(&own).collect();
            prop_assert!(strangers.is_empty(), "{fault} moves {strangers:?}");
        }
    }

    #[test]
    fn each_fault_moves_the_truth_of_each_of_its_measures() {
        let protocol = protocol(&[100.0, 160.0, 220.0], &[Ring::Big, Ring::Small], 3);
        for kind in FAULT_KINDS {
            // In every repeat, so that each kind of edge is struck; lateness of less than two seconds never reaches into
            // what is read while coasting.
            let fault: Fault = match kind.kind {
                FaultEffect::Late => "late=4",
                FaultEffect::HeldReading => "held-reading=5",
                FaultEffect::Spike => "spike=400",
                FaultEffect::Stuck => "stuck=5",
                _ => kind.form,
            }
            .parse()
            .unwrap();
            let moved_by =
                |seed| moved(&truth(&protocol, seed, &[]), &truth(&protocol, seed, std::slice::from_ref(&fault)));
            // A short coast, a dropout at its place: some are moved in some rides only.
            let moved: BTreeSet<Measure> = (1..=4).flat_map(moved_by).collect();
            assert_eq!(moved, fault.measures(&RehearsalBench::both()).into_iter().collect(), "{fault}");
        }
    }

    /// The value of a measure in the phases so named.
    fn of(truth: &TruthFile, phase: &str, measure: Measure) -> Vec<f64> {
        let checks = truth.phases.iter().filter(|p| p.phase.starts_with(phase)).flat_map(|p| &p.checks);
        checks.filter(|c| c.measure == measure.word()).filter_map(|c| c.value).collect()
    }

    #[test]
    fn the_truth_of_a_fault_is_of_its_size() {
        let protocol = protocol(&[100.0, 220.0], &[Ring::Big, Ring::Small], 2);
        let near = |fault: &str, phase: &str, measure: Measure, expected: &[f64], within: f64| {
            let values = of(&truth(&protocol, 9, &[fault.parse().unwrap()]), phase, measure);
            assert!(!values.is_empty(), "{fault}: no {measure:?}");
            for value in values {
                let distance = expected.iter().map(|e| (value - e).abs()).fold(f64::INFINITY, f64::min);
                assert!(distance <= within, "{fault}: {measure:?} {value}, not of {expected:?}");
            }
        };
        near("offset=-4", "steady", Measure::MeanError, &[-4.0], 1e-9);
        near("offset=-4", "steady", Measure::LeftError, &[-2.0], 1e-9);
        near("ring-offset=-14@big", "steady", Measure::MeanError, &[-14.0, 0.0], 1e-9);
        near("late=1.5", "coast", Measure::ReleaseLag, &[1.5], 0.02);
        near("late=1.5", "coast", Measure::CadenceOnsetLag, &[1.5], 0.05);
        near("late-cadence=2", "coast", Measure::CadenceReleaseLag, &[2.0], 0.02);
        near("late-cadence=2", "coast", Measure::OnsetLag, &[0.0], 0.0);
        near("held-reading=3", "coast", Measure::ReleaseLag, &[3.0], 0.2);
        // It counts from the first turn, before half of the step, and lasts until a turn ends.
        near("late-wake=2.5", "coast", Measure::OnsetLag, &[2.5], 0.8);
        near("soft-dropout=0.3", "soft", Measure::MeanError, &[0.0], 1e-9);
    }

    #[test]
    fn a_drift_is_told_from_rings_and_gain() {
        let protocol = protocol(&[100.0, 160.0, 220.0], &[Ring::Big, Ring::Small], 1);
        let value = |drift: &str, measure: Measure| {
            let faults = ["gain=2", "ring-offset=-14@big", drift].map(|fault| fault.parse().unwrap());
            let truth = truth(&protocol, 3, &faults);
            truth.whole_ride.iter().find(|c| c.measure == measure.word()).unwrap().value.unwrap()
        };
        // A reading is that of the turn before it, so a chunk's drift is that of its turns.
        assert!((value("drift=6", Measure::DriftTime) - 6.0).abs() < 0.05);
        assert!((value("temperature-drift=3", Measure::DriftTemperature) - 3.0).abs() < 0.05);
    }

    #[test]
    fn wherever_it_is_worn_a_sound_unit_reads_what_an_ideal_one_there_would() {
        let protocol = protocol(&[100.0, 220.0], &[Ring::Big, Ring::Small], 1);
        for listed in BENCHES {
            let plan =
                RehearsalPlan { bench: (listed.bench)(), instruments: Instruments::Ideal, ..RehearsalPlan::new(4) };
            let doubled = plan.bench.unit.sides == Sides::LeftDoubled;
            let truth = simulate(&protocol, &plan).truth_file();
            for error_w in of(&truth, "steady", Measure::MeanError) {
                // A hub is smoothed; a doubled side differs by twice what the sides do.
                assert!(if doubled { error_w.abs() > 0.05 } else { error_w.abs() < 0.3 }, "{}: {error_w}", listed.word);
            }
            let sided = plan.bench.unit.sides == Sides::Both || doubled;
            assert_eq!(
                of(&truth, "steady", Measure::LeftError),
                vec![0.0; if sided { 4 } else { 0 }],
                "{}",
                listed.word
            );
        }
    }

    #[test]
    fn a_unit_that_never_lets_go_has_a_bound_and_no_onset() {
        let protocol = protocol(&[100.0, 220.0], &[Ring::Big], 2);
        let truth = truth(&protocol, 2, &["held-reading=30".parse().unwrap()]);
        let of = |measure: Measure| {
            let coasts = truth.phases.iter().filter(|p| p.phase == "coast");
            coasts.flat_map(|p| &p.checks).filter(|c| c.measure == measure.word()).collect::<Vec<_>>()
        };
        assert!(of(Measure::ReleaseLag).iter().all(|c| c.at_least && c.value.is_some_and(|lag_s| lag_s > 4.0)));
        assert!(of(Measure::OnsetLag).iter().all(|c| c.value.is_none()));
    }

    #[test]
    fn a_reading_stands_until_the_next_and_is_integrated_exactly() {
        let steps = StepFunction::new([(1.0, 100.0), (2.5, 0.0), (4.0, 50.0)].into_iter());
        let span = |start_s, end_s| TrueSpan { start_s, end_s };
        assert_eq!(steps.at(0.5), 0.0);
        assert_eq!(steps.at(2.4), 100.0);
        assert_eq!(steps.integral(span(0.0, 2.0)), 100.0);
        assert_eq!(steps.integral(span(2.0, 5.0)), 50.0 + 50.0);
        assert_eq!(steps.best_mean(span(0.0, 5.0), 1.5), Some(100.0));
        assert_eq!(steps.best_mean(span(0.0, 1.0), 1.5), None);
    }
}
