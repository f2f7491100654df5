//! What the unit and an ideal instrument at its place read, both without noise, in true time.
//!
//! Ahead of the chain both are the same crank meter, with the same angle and the same silence before it reads zero, so
//! that chance of that kind moves no truth; the unit has its drawn gain and offset and the plan's faults, the ideal one none.

use crate::session::Sides;

use super::super::instruments::TrueLoad;
use super::super::readings::SentReadings;
use super::super::span::TrueSpan;
use super::number::Number;
use super::step_function::{StepFunction, pieces};

/// At one sample a second, shorter silence or a reading that stands for less may be seen once (design of the measures).
pub(super) const SEEN_TWICE_S: f64 = 2.0;

#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct TrueReading {
    pub total_w: StepFunction,
    pub left_w: StepFunction,
    pub right_w: StepFunction,
    pub cadence_rpm: StepFunction,
}

impl TrueReading {
    fn of(output: &SentReadings) -> Self {
        let power =
            |of: fn(f64, f64) -> f64| StepFunction::new(output.power.iter().map(|r| (r.at_s, of(r.left_w, r.right_w))));
        Self {
            total_w: power(|left_w, right_w| left_w + right_w),
            left_w: power(|left_w, _| left_w),
            right_w: power(|_, right_w| right_w),
            cadence_rpm: StepFunction::new(output.cadence.iter().map(|c| (c.at_s, c.value))),
        }
    }
}

/// The noise-free readings of the unit and of an ideal instrument at its place, in true time.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueReadings {
    pub(super) unit: TrueReading,
    pub(super) ideal: TrueReading,
    /// Whether the unit tells this side.
    pub(super) tells_left: bool,
    pub(super) tells_right: bool,
    pub(super) dropouts: Vec<TrueSpan>,
    /// What no error measure counts: dropouts, and whatever was not heard.
    left_out: Vec<TrueSpan>,
    /// From when to when the unit and some reference were both recorded.
    pub(super) recorded: TrueSpan,
    /// Of the unit's sensor.
    pub(super) temperature_c: StepFunction,
    pub(super) hung: Vec<TrueLoad>,
}

/// Of unit and ideal instrument over the same time, W.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Means {
    pub unit_w: f64,
    pub ideal_w: f64,
}

/// One signal of an instrument.
pub(super) type TruthSignal = fn(&TrueReading) -> &StepFunction;
pub(super) const TOTAL: TruthSignal = |shown| &shown.total_w;
pub(super) const CADENCE: TruthSignal = |shown| &shown.cadence_rpm;

impl TrueReadings {
    /// `temperature_c` holds one value per second.
    pub(crate) fn of(
        (unit, sides): (&SentReadings, Sides),
        ideal: &SentReadings,
        recorded: TrueSpan,
        temperature_c: &[f64],
        hung: Vec<TrueLoad>,
    ) -> Self {
        let unheard = unit.unheard.clone();
        let tells = |doubled| unit.sends_balance || sides == doubled;
        let (tells_left, tells_right) = (tells(Sides::LeftDoubled), tells(Sides::RightDoubled));
        let (unit, ideal) = (TrueReading::of(unit), TrueReading::of(ideal));
        let dropouts = dropouts(&unit, &unheard, &ideal);
        let left_out = joined(dropouts.iter().chain(&unheard).copied().collect());
        let temperature_c =
            StepFunction::new(temperature_c.iter().enumerate().map(|(at, value_c)| (at as f64, *value_c)));
        Self { unit, ideal, tells_left, tells_right, dropouts, left_out, recorded, temperature_c, hung }
    }

    #[cfg(test)]
    pub(crate) fn hung(&self) -> &[TrueLoad] {
        &self.hung
    }

    /// The window without what no error measure counts.
    pub(super) fn kept(&self, window: TrueSpan) -> Vec<TrueSpan> {
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

    /// Means over the window.
    pub(super) fn means(&self, channel: TruthSignal, window: TrueSpan) -> Option<Means> {
        let kept = self.kept(window);
        let lasts_s: f64 = kept.iter().map(TrueSpan::length_s).sum();
        let mean = |shown| kept.iter().map(|span| channel(shown).integral(*span)).sum::<f64>() / lasts_s;
        (lasts_s > 0.0).then(|| Means { unit_w: mean(&self.unit), ideal_w: mean(&self.ideal) })
    }

    pub(super) fn error(&self, channel: TruthSignal, window: TrueSpan) -> Option<Number> {
        self.means(channel, window).map(|means| Number::error(means.unit_w, means.ideal_w))
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
