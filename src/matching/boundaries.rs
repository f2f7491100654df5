//! What speaks for a boundary at each second: a change of power and cadence, laps, timer events, prompts, changes of gear,
//! all as log likelihoods of a boundary against none.

use super::changes;
use super::parameters::Parameters;
use super::references::COASTING_W;
use super::signals::Signals;
use crate::protocol::{Phase, Selector};
use crate::ride::{EdgeKind, Ride};

/// Evidence of one step lies within so many seconds of it.
const STEP_S: usize = 5;
/// Laps later than this are another lap's.
const LATEST_LAP_S: usize = 12;
/// Nothing speaks further away from where it was recorded.
const REACH_S: f64 = 8.0;

/// Log odds by second, one more than the ride has.
pub(super) struct Boundaries {
    /// Between two moves of a phase: nobody presses a lap there.
    pub inner: Vec<f64>,
    /// Of any phase.
    pub outer: Vec<f64>,
    /// Of a phase that something recorded or typed names.
    pub named: Vec<(Selector, Vec<f64>)>,
    /// By how much laps came after the rider began to change; `None` where too few tell.
    pub laps_late_s: Option<f64>,
}

impl Boundaries {
    pub fn of(phases: &[&Phase], signals: &Signals, ride: &Ride, p: &Parameters) -> Self {
        let steps = Steps::of(&changes::evidence(signals, p), signals, p);
        let mut inner = steps.boundary;
        let near = |off_s: f64| (-0.5 * (off_s / p.press_sd_s).powi(2)).exp();
        for &shift in &signals.shifts {
            add(&mut inner, shift as f64 - 0.5, |off_s| p.event_odds * near(off_s));
        }
        let mut outer = inner.clone();
        for edge in &ride.edges {
            if matches!(edge.kind, EdgeKind::TimerStart | EdgeKind::TimerStop) {
                add(&mut outer, edge.at_s, |off_s| p.event_odds * near(off_s));
            }
        }
        let boundaries: u32 = phases.iter().map(|phase| 2 * phase.repeats).sum();
        let laps = Laps::of(ride, &steps.share, f64::from(boundaries), p);
        laps.speak(&mut outer, near);
        let mut named: Vec<(Selector, Vec<f64>)> = vec![];
        for edge in &ride.edges {
            if let EdgeKind::Mark(Some(of)) | EdgeKind::Cue(of) = &edge.kind {
                let at = named.iter().position(|n| n.0 == *of).unwrap_or_else(|| {
                    named.push((of.clone(), vec![0.0; outer.len()]));
                    named.len() - 1
                });
                add(&mut named[at].1, edge.at_s, |off_s| p.prompt_odds * near(off_s));
            }
        }
        Self { inner, outer, named, laps_late_s: laps.late_s() }
    }

    /// Of one phase, where something names it.
    pub fn own(&self, phase: &Phase) -> Option<Vec<f64>> {
        let of = self.named.iter().filter(|(selector, _)| selector.selects(&phase.id));
        of.fold(None, |own, (_, named)| {
            let own = own.unwrap_or_else(|| self.outer.clone());
            Some(own.into_iter().zip(named).map(|(own, named)| own + named).collect())
        })
    }
}

/// Adds what was recorded at `at_s`; `odds` by how long after the boundary that is.
fn add(to: &mut [f64], at_s: f64, odds: impl Fn(f64) -> f64) {
    let seconds = (at_s - REACH_S).ceil().max(0.0) as usize..=(at_s + REACH_S).floor().max(0.0) as usize;
    let last = to.len() - 1;
    for k in seconds.filter(|k| *k <= last) {
        to[k] += odds(at_s - k as f64).ln_1p();
    }
}

/// Changes of power and cadence.
struct Steps {
    boundary: Vec<f64>,
    /// Probability that a second is where the rider began to change.
    share: Vec<f64>,
}

impl Steps {
    /// A change is as likely in free riding as at `p.changes_per_s`, so that a clear one says no more than that here is one;
    /// where of the seconds near it began is shared among them.
    fn of(evidence: &[f64], signals: &Signals, p: &Parameters) -> Self {
        // Beyond any real one; its exponential is still a number.
        const MOST: f64 = 300.0;
        let odds: Vec<f64> = evidence.iter().map(|e| e.min(MOST).exp()).collect();
        // Of changes in free riding, large ones are rarer.
        const LARGE: f64 = 0.8;
        const LARGEST: f64 = 1.4;
        let level_w = |from: usize, to: usize| signals.mean_w(from, to).unwrap_or(0.0).max(COASTING_W);
        let size = |k: usize| {
            let after_s = p.shows_after_s as usize;
            let (before, after) = (k.saturating_sub(STEP_S), k + after_s + STEP_S);
            (level_w(k + after_s, after) / level_w(before, k)).ln().abs().min(LARGEST)
        };
        let sizes: Vec<f64> = (0..odds.len()).map(size).collect();
        let around = |k: usize| k.saturating_sub(STEP_S)..(k + STEP_S + 1).min(odds.len());
        let rate = |k: usize| {
            let size = sizes[around(k)].iter().copied().fold(0.0, f64::max);
            p.changes_per_s / (1.0 + (size / LARGE).powi(2))
        };
        let rates: Vec<f64> = (0..odds.len()).map(rate).collect();
        let near = |k: usize| 1.0 + around(k).map(|j| rates[j] * odds[j]).sum::<f64>();
        // A boundary that hides lies where nothing else changes, or next to where something does.
        const BESIDE: f64 = 0.05;
        let boundary = |k: usize| {
            let near = near(k);
            ((1.0 - p.hidden) * odds[k] / near + p.hidden * (1.0 / near).max(BESIDE)).ln()
        };
        let share = |k: usize| rates[k] * odds[k] / near(k);
        let all = 0..odds.len();
        Self { boundary: all.clone().map(boundary).collect(), share: all.map(share).collect() }
    }
}

/// How late the rider presses the lap button, and how much a lap tells.
struct Laps {
    at_s: Vec<f64>,
    /// Probability of each lateness in whole seconds.
    late: Vec<f64>,
    /// Share of boundaries at which one is pressed.
    lapped: f64,
    /// How much likelier a lap is at a boundary than anywhere else.
    odds: f64,
}

impl Laps {
    /// `share` is the probability that a second is where the rider began to change, `boundaries` how many are expected.
    fn of(ride: &Ride, share: &[f64], boundaries: f64, p: &Parameters) -> Self {
        // Of laps, so many follow no change that shows, and riders are late by this much, s. Common practice, no source.
        const ELSEWHERE: f64 = 0.2;
        const USUALLY_LATE_S: f64 = 2.0;
        let is_lap = |kind: &EdgeKind| matches!(kind, EdgeKind::Lap | EdgeKind::Mark(None));
        let at_s: Vec<f64> = ride.edges.iter().filter(|e| is_lap(&e.kind)).map(|e| e.at_s).collect();
        let of = |second: f64| share.get(second.max(0.0) as usize).copied().unwrap_or(0.0);
        let follows = |at_s: f64, late: usize| {
            let began = (at_s - late as f64).round();
            (of(began - 1.0) + of(began) + of(began + 1.0)).min(1.0)
        };
        let log = |late: usize| {
            let all: f64 = at_s.iter().map(|at_s| (ELSEWHERE + follows(*at_s, late)).ln()).sum();
            all - late as f64 / USUALLY_LATE_S
        };
        let logs: Vec<f64> = (0..=LATEST_LAP_S).map(log).collect();
        let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let sum: f64 = logs.iter().map(|log| (log - most).exp()).sum();
        let late: Vec<f64> = logs.iter().map(|log| (log - most).exp() / sum).collect();
        let hits: f64 =
            late.iter().zip(0..).map(|(w, late)| w * at_s.iter().map(|at_s| follows(*at_s, late)).sum::<f64>()).sum();
        let elsewhere_per_s = (at_s.len() as f64 + 1.0) / share.len() as f64;
        let lapped = (hits / boundaries.max(1.0)).min(p.most_lapped);
        let at_its_best = 1.0 / (p.press_sd_s * std::f64::consts::TAU.sqrt());
        Self { at_s, late, lapped, odds: at_its_best / elsewhere_per_s }
    }

    /// A boundary with a lap, and one without where most have one.
    fn speak(&self, to: &mut [f64], near: impl Fn(f64) -> f64) {
        let mut pressed = vec![0.0; to.len()];
        for at_s in &self.at_s {
            let from = (at_s - LATEST_LAP_S as f64 - REACH_S).ceil().max(0.0) as usize;
            for (k, pressed) in
                pressed.iter_mut().enumerate().skip(from).take_while(|(k, _)| *k as f64 <= at_s + REACH_S)
            {
                let after_s = at_s - k as f64;
                *pressed += self.odds
                    * self.late.iter().zip(0..).map(|(w, late)| w * near(after_s - f64::from(late))).sum::<f64>();
            }
        }
        to.iter_mut().zip(pressed).for_each(|(to, pressed)| *to += (1.0 - self.lapped + self.lapped * pressed).ln());
    }

    fn late_s(&self) -> Option<f64> {
        const ENOUGH: f64 = 0.2;
        let mean = self.late.iter().zip(0..).map(|(w, late)| w * f64::from(late)).sum();
        (self.lapped > ENOUGH).then_some(mean)
    }
}
