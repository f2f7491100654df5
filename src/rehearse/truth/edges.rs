//! When a signal crosses half of its step as the cranks stop and start, and what the unit reads between.

use super::super::drills::Stop;
use super::super::span::TrueSpan;
use super::number::Number;
use super::readings::{TrueReadings, TruthSignal};
use super::step_function::{StepFunction, pieces};

/// Of a coast, left out after the ideal instrument's release and before it reads again (design of the measures).
const RESIDUAL_FROM_S: f64 = 2.0;
const RESIDUAL_UNTIL_S: f64 = 1.0;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum TrueEdge {
    Release,
    Onset,
}

/// When a signal crosses half of its step.
#[derive(Debug, Clone, Copy, PartialEq)]
enum TrueCrossing {
    At(f64),
    NotBefore(f64),
}

/// What the unit reads over a span in which nobody pedals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Residual {
    pub mean_w: f64,
    pub span: TrueSpan,
}

impl TrueReadings {
    /// The unit's crossing less the ideal instrument's, s.
    pub(super) fn lag(&self, edge: TrueEdge, channel: TruthSignal, Stop { coast, restart }: Stop) -> Option<Number> {
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

    /// What the unit reads while the ideal instrument coasts.
    pub(super) fn residual(&self, Stop { coast, restart }: Stop) -> Option<Residual> {
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
        let span = TrueSpan { start_s: release_s + RESIDUAL_FROM_S, end_s: zero_until_s - RESIDUAL_UNTIL_S };
        // Shorter than from one sample to the next there are no two.
        (span.length_s() >= 1.0).then(|| Residual { mean_w: self.unit.total_w.mean(span), span })
    }
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
