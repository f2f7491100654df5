//! A doubled side: a unit that claims both legs and reads one.

use super::evidence::Evidence;
use super::finding::{Finding, finding};
use crate::pattern::Pattern;
use crate::quantity::Unit;
use crate::session::Sides;
use crate::stats;

/// Pedalling seconds that a balance must stay at one value, or away, before it counts as doubled.
const DOUBLED_SECONDS: usize = 120;
/// Means over this long follow the legs, not the angle at which each crank reports nor the noise of a reference's balance.
const DOUBLED_MEAN_S: usize = 30;
/// Fewer of them tell nothing of their own scatter.
const DOUBLED_MEANS: usize = 12;
/// On the way from the total (0) to twice one leg (1). Of 150 rehearsed sound units without a balance none lay beyond 0.30,
/// of 300 that double a side one lay below 0.57.
const DOUBLED_LEAST: f64 = 0.5;
/// So many standard uncertainties from a meter of both.
const DOUBLED_SURELY: f64 = 3.0;

impl Evidence<'_> {
    /// A unit that claims both sides, and whose balance never moves, or that sends none and follows one leg.
    pub fn doubled_side(&self) -> Option<Finding> {
        let unit = &self.ride.unit;
        if unit.sides != Sides::Both {
            return None;
        }
        let pedalling: Vec<usize> = (0..self.ride.length_s)
            .filter_map(|k| unit.grid[k].filter(|&i| unit.power_w[i].is_some_and(|p| p > 0.0)))
            .collect();
        let shares: Vec<f64> = pedalling.iter().filter_map(|&i| unit.right_share_pct[i]).collect();
        if pedalling.len() < DOUBLED_SECONDS {
            return None;
        }
        if shares.is_empty() {
            return self.follows_one_leg(pedalling.len());
        }
        let first = shares[0];
        let still = shares.len() >= DOUBLED_SECONDS && shares.iter().all(|share| *share == first);
        let says =
            format!("it claims both sides, but its balance stays at {first:.0} % throughout: one side is doubled");
        let evidence = vec![format!("{} pedalling seconds with the same balance", shares.len())];
        still.then(|| finding(Pattern::DoubledSide, first, Unit::Percent, None, says, evidence))
    }

    /// Whether twice one side of a reference that measures both tells the unit's readings better than the total does.
    fn follows_one_leg(&self, pedalling_s: usize) -> Option<Finding> {
        let sided = self.sided()?;
        let (unit, trace) = (&self.ride.unit, sided);
        // Means over stretches in which both pedal throughout: unit, reference's left, right.
        let stretches: Vec<[f64; 3]> = (0..self.ride.length_s / DOUBLED_MEAN_S)
            .filter_map(|n| {
                let mut sums = [0.0; 3];
                for k in n * DOUBLED_MEAN_S..(n + 1) * DOUBLED_MEAN_S {
                    let power_w = unit.power_at(k).filter(|power_w| *power_w > 0.0)?;
                    let reads = [power_w, trace.left_power_at(k)?, trace.right_power_at(k)?];
                    sums.iter_mut().zip(reads).for_each(|(sum, w)| *sum += w / DOUBLED_MEAN_S as f64);
                }
                Some(sums)
            })
            .collect();
        // unit = g·(left + right) + d·(left − right): d is 0 for a meter of both, 1 for twice the left, −1 for twice the
        // right. What of the balance never changes goes into the gain.
        let total = |of: fn(&[f64; 3]) -> f64| stretches.iter().map(of).sum::<f64>();
        fn both(s: &[f64; 3]) -> f64 {
            s[1] + s[2]
        }
        fn differ(s: &[f64; 3]) -> f64 {
            s[1] - s[2]
        }
        let all_w = total(both);
        if stretches.len() < DOUBLED_MEANS || all_w <= 0.0 {
            return None;
        }
        let (gain, lean) = (total(|s| s[0]) / all_w, total(differ) / all_w);
        let rest_w: Vec<f64> = stretches.iter().map(|s| s[0] - gain * both(s)).collect();
        let leans_w: Vec<f64> = stretches.iter().map(|s| differ(s) - lean * both(s)).collect();
        let squares: f64 = leans_w.iter().map(|w| w * w).sum();
        let follows = rest_w.iter().zip(&leans_w).map(|(r, l)| r * l).sum::<f64>() / squares;
        let left_w: Vec<f64> = rest_w.iter().zip(&leans_w).map(|(r, l)| r - follows * l).collect();
        // Neighbours are alike, so there are fewer of them than it seems.
        let n = left_w.len() as f64;
        let u = (left_w.iter().map(|w| w * w).sum::<f64>() / stats::effective_samples(&left_w) / squares).sqrt();
        let side = if follows > 0.0 { "left" } else { "right" };
        let expanded = stats::coverage_factor(self.coverage, f64::INFINITY) * u;
        let says =
            format!("it claims both sides, but sends no balance and follows the {side} leg: one side is doubled");
        let evidence = vec![
            format!("{pedalling_s} pedalling seconds without a balance"),
            format!(
                "from the total of {} (0) to twice its {side} side (1) it reads {:.2} ± {expanded:.2} ({n:.0} means over {DOUBLED_MEAN_S} s)",
                trace.label,
                follows.abs()
            ),
        ];
        let sure = follows.abs() > DOUBLED_LEAST.max(DOUBLED_SURELY * u);
        sure.then(|| finding(Pattern::DoubledSide, follows.abs(), Unit::One, Some(expanded), says, evidence))
    }
}
