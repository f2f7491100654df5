//! What each second says of a move: log likelihoods of the references' power, cadence and ring against free riding.
//!
//! Seconds are not independent: a rider's level is one value over many of them, so that each weighs one over the number for
//! which it stays alike. What changes from second to second is evidence of boundaries (`changes.rs`).

use std::f64::consts::TAU;

use crate::protocol::{DrillMove, Effort, Phase, Ring, Target};
use crate::quantity::Range;
use crate::stats::t_cdf;

use super::parameters::Parameters;
use super::references::COASTING_W;
use super::signals::Signals;

/// Powers above count as this one.
const MOST_W: usize = 2500;
/// Of free riding's log power.
const LEAST_DENSITY: f64 = 0.02;

/// The observation model of one ride.
pub(super) struct Observer<'a> {
    pub signals: &'a Signals,
    /// No second's power is above.
    most_w: usize,
    pub parameters: &'a Parameters,
    /// What single-valued targets of steady riding are multiplied by: the rider's pace.
    paced: f64,
}

impl<'a> Observer<'a> {
    pub fn new(signals: &'a Signals, parameters: &'a Parameters, paced: f64) -> Self {
        let most_w = signals.power_w.iter().flatten().fold(1.0, |most: f64, w| most.max(*w));
        Self { signals, most_w: (most_w.ceil() as usize).min(MOST_W), parameters, paced }
    }

    /// What each second of the ride tells of a move, in nats.
    pub fn told(&self, phase: &Phase, asked: &DrillMove) -> Vec<f64> {
        let power = self.power(phase, asked);
        let ridden = matches!(asked.effort, Effort::Steady(_) | Effort::Short(_) | Effort::AllOut(_));
        let cadence = phase.cadence_rpm.filter(|_| ridden).map(|range| self.cadence(range));
        let ring = phase.ring.filter(|_| ridden);
        let half_s = smoothed_s(asked);
        let of = |k: usize| {
            let cadence_rpm = self.signals.cadence_rpm[k];
            let by_power = match self.signals.power_w[k] {
                None => 0.0,
                Some(power_w) if power_w <= COASTING_W || cadence_rpm == Some(0.0) => power.still,
                Some(power_w) => power.of(self.signals.smoothed_w(k, half_s).unwrap_or(power_w)),
            };
            let by_cadence = cadence
                .as_ref()
                .zip(cadence_rpm)
                .map_or(0.0, |(of, rpm)| of[(rpm.max(0.0) as usize).min(of.len() - 1)]);
            by_power + by_cadence + ring.map_or(0.0, |asked| self.ring(asked, k))
        };
        (0..self.signals.len()).map(of).collect()
    }

    /// What each power says of a move.
    fn power(&self, phase: &Phase, asked: &DrillMove) -> ByPower {
        let p = self.parameters;
        let pieces = 1.0 / alike_s(asked, p);
        let most_w = self.most_w;
        let (free_still, free_moving) = (p.free_coasts, 1.0 - p.free_coasts);
        let spread = |power_w: f64| (power_w / p.free_w).ln() / p.free_spread;
        let free = |power_w: f64| {
            let density = (-0.5 * spread(power_w).powi(2)).exp() / (p.free_spread * TAU.sqrt());
            // Rare efforts are more than a bell's ends hold.
            free_moving * density.max(LEAST_DENSITY)
        };
        let sd = |misses: f64| (p.hits * misses * phase.tolerance).hypot(p.wanders);
        let level = |(low_w, high_w): (f64, f64), sd: f64, elsewhere: f64| {
            let density = 1.0 / ((high_w / low_w).ln() + sd * TAU.sqrt());
            let fits = move |power_w: f64| {
                let off = (low_w / power_w).ln().max((power_w / high_w).ln()).max(0.0) / sd;
                ((1.0 - elsewhere) * density * (-0.5 * off * off).exp() / free(power_w) + elsewhere).ln()
            };
            // Nobody coasts through a level but for what they do elsewhere.
            ByPower::new(most_w, pieces, (elsewhere * 0.25 / free_still).min(1.0).ln(), fits)
        };
        match asked.effort {
            Effort::Free(None) => ByPower::new(most_w, pieces, 0.0, |_| 0.0),
            Effort::Free(Some(range)) => {
                let below = |end: f64| t_cdf(spread(end.max(1.0)), f64::INFINITY);
                let high = range.high.map_or(1.0, below);
                let free = (high - range.low.map_or(0.0, below)).clamp(0.01, 0.99);
                let [inside, outside] = [(1.0 - p.elsewhere) / free, p.elsewhere / (1.0 - free)].map(f64::ln);
                ByPower::new(most_w, pieces, inside, |w| if range.contains(w) { inside } else { outside })
            }
            Effort::OffTheBike | Effort::Coast => {
                ByPower::new(most_w, pieces, (p.coasts / free_still).ln(), |_| ((1.0 - p.coasts) / free_moving).ln())
            }
            Effort::Steady(target) => level(ends(target, self.paced), sd(1.0), p.elsewhere),
            Effort::Short(target) => level(ends(target, 1.0), sd(p.short_misses), p.short_elsewhere),
            Effort::AllOut(effort_w) => {
                // A sprint fades, its first and last second hold less of it, and a weak one is a try.
                let least_w = 0.85 * effort_w.low.or(effort_w.high).unwrap_or(200.0).max(50.0);
                let tried = |power_w: f64| {
                    let short = (least_w / power_w).ln().max(0.0);
                    let rare = p.free_sprints * (2.0 * short).exp();
                    let fits = (-0.5 * (short / p.tries_miss).powi(2)).exp() / rare;
                    ((1.0 - p.short_elsewhere) * fits + p.short_elsewhere).ln()
                };
                ByPower::new(most_w, pieces, p.short_elsewhere.ln(), tried)
            }
        }
    }

    /// What each whole cadence says of a range that was asked for.
    fn cadence(&self, range: Range) -> Vec<f64> {
        // Kept within a few turns.
        const KEPT_RPM: f64 = 3.0;
        let p = self.parameters;
        let low = range.low.unwrap_or(0.0);
        let high = range.high.unwrap_or(low.max(60.0) + 2.5 * p.free_rpm_sd);
        let of = |rpm: usize| {
            let rpm = rpm as f64;
            let z = (rpm - p.free_rpm) / p.free_rpm_sd;
            let free = (-0.5 * z * z).exp().max(0.1) / (p.free_rpm_sd * TAU.sqrt());
            let off = (low - rpm).max(rpm - high).max(0.0) / KEPT_RPM;
            let kept = (-0.5 * off * off).exp() / (high - low + KEPT_RPM * TAU.sqrt());
            ((1.0 - p.other_cadence) * kept / free + p.other_cadence).ln() / p.alike_s
        };
        (0..250).map(of).collect()
    }

    fn ring(&self, asked: Ring, k: usize) -> f64 {
        let p = self.parameters;
        let Some(belief) = self.signals.rings.get(k).copied().flatten() else { return 0.0 };
        let as_asked = if belief.ring == asked { belief.confidence } else { 1.0 - belief.confidence };
        (2.0 * ((1.0 - p.other_ring) * as_asked + p.other_ring * (1.0 - as_asked))).ln() / p.ring_alike_s
    }
}

/// Log likelihoods by whole watts, and of a second without drive.
struct ByPower {
    moving: Vec<f64>,
    still: f64,
}

impl ByPower {
    fn new(most_w: usize, pieces: f64, still: f64, moving: impl Fn(f64) -> f64) -> Self {
        Self { still: still * pieces, moving: (0..=most_w).map(|w| moving(w.max(1) as f64) * pieces).collect() }
    }

    fn of(&self, power_w: f64) -> f64 {
        self.moving[(power_w.max(0.0).round() as usize).min(self.moving.len() - 1)]
    }
}

/// Seconds that make one piece of evidence of a move.
pub(super) fn alike_s(asked: &DrillMove, p: &Parameters) -> f64 {
    match asked.effort {
        Effort::Steady(_) | Effort::Short(_) => (usual_s(asked) / 3.0).clamp(p.short_alike_s, p.alike_s),
        // Feet that stand still are seen at once.
        Effort::Coast => p.short_alike_s / 2.0,
        Effort::AllOut(_) => p.short_alike_s,
        Effort::Free(_) | Effort::OffTheBike => p.alike_s,
    }
}

fn usual_s(asked: &DrillMove) -> f64 {
    asked.lasts_s.low.or(asked.lasts_s.high).unwrap_or(240.0)
}

/// Power is averaged over so many seconds to either side: on the road single seconds of a block scatter by a quarter.
fn smoothed_s(asked: &DrillMove) -> usize {
    match asked.effort {
        Effort::Steady(_) | Effort::Free(_) => (usual_s(asked) / 40.0).clamp(0.0, 3.0) as usize,
        Effort::Short(_) => 1,
        Effort::AllOut(_) | Effort::Coast | Effort::OffTheBike => 0,
    }
}

/// Lowest and highest power of a target, W.
fn ends(target: Target, paced: f64) -> (f64, f64) {
    match target {
        Target::Value(power_w) => ((power_w * paced).max(1.0), (power_w * paced).max(1.0)),
        Target::Within(range) => {
            // Nobody rides far above an end that is all that was asked.
            const BEYOND: f64 = 1.6;
            let low_w = range.low.unwrap_or(COASTING_W).max(COASTING_W);
            (low_w, range.high.unwrap_or(BEYOND * low_w).max(low_w))
        }
    }
}

/// What one piece of evidence tells of a level at most, nats.
pub(super) fn most_told(p: &Parameters) -> f64 {
    (p.free_spread / p.wanders).ln()
}
