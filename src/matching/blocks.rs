//! Steady blocks as found, against what was asked: whether the rider rode as asked, or at a pace of their own.

use super::moves::ScoredPhases;
use super::segment::Segment;
use super::shape::SteadyBlock;
use super::signals::Signals;
use crate::protocol::{Protocol, Target};

/// Steady blocks with one target, against what was asked.
pub(super) struct Blocks {
    asked: usize,
    found: usize,
    surplus: usize,
    /// Within 6 % of the target times the pace.
    near: usize,
}

impl Blocks {
    pub fn of(protocol: &Protocol, plan: &ScoredPhases, signals: &Signals, instances: &[Segment]) -> Self {
        const NEAR: f64 = 0.06;
        let mut blocks = Self { asked: 0, found: 0, surplus: 0, near: 0 };
        for (at, entry) in plan.entries.iter().enumerate() {
            let phase = &protocol.phases[entry.phase];
            let Some(SteadyBlock { target: Target::Value(aim_w), .. }) = SteadyBlock::of(&phase.drill) else {
                continue;
            };
            let repeats: Vec<&Segment> = instances.iter().filter(|i| i.entry == at).collect();
            let level_w = |i: &&&Segment| signals.median_w(i.from(), i.to()).unwrap_or(0.0);
            let asked = phase.repeats as usize;
            blocks.asked += asked;
            blocks.found += repeats.len().min(asked);
            blocks.surplus += repeats.len().saturating_sub(asked);
            let near = repeats.iter().filter(|i| (level_w(i) / (aim_w * plan.paced) - 1.0).abs() < NEAR).count();
            blocks.near += near.min(asked);
        }
        blocks
    }

    /// All there, and most of them hit.
    pub fn as_asked(&self) -> bool {
        self.surplus == 0 && self.found == self.asked && 2 * self.near >= self.found
    }

    /// Enough there and hit to speak of a pace.
    pub fn share_a_pace(&self) -> bool {
        self.found >= 3 && 3 * self.found >= 2 * self.asked && 4 * self.near >= 3 * self.found
    }
}
