//! The factor by which a rider missed all targets alike, as one does who paces by a meter that reads wrong. Blocks that
//! would each be taken for a neighbouring target are told apart once it is known.

use std::collections::BTreeMap;

use crate::protocol::{Protocol, Target};

use super::shape::SteadyBlock;
use super::signals::Signals;

/// Sought from a quarter low to a third high, in steps of 1 %.
const PERCENT: std::ops::RangeInclusive<u32> = 75..=133;
/// Power counts as held at a level where means before, at and after a second lie this near to it.
const NEAR: f64 = 0.05;
/// A pace is taken up where the part of the blocks asked for that it explains, averaged over the targets, is this many
/// times what riding as asked explains.
const LEAST_BETTER: f64 = 1.2;

/// The pace at which the ride holds the steady targets for as long as was asked; `None` where riding as asked explains
/// it about as well.
pub(super) fn of(protocol: &Protocol, signals: &Signals) -> Option<f64> {
    let asked = seconds_at(protocol);
    let shortest_s = asked.iter().map(|a| a.shortest_s).fold(f64::INFINITY, f64::min);
    // Three quarters of a block must be level: neither a recovery nor the mean of a sprint and its rest is.
    let half = (shortest_s / 8.0).clamp(1.0, 60.0) as usize;
    let mut held_w: Vec<f64> =
        (3 * half..signals.len().saturating_sub(3 * half)).filter_map(|k| held(signals, k, half)).collect();
    held_w.sort_by(f64::total_cmp);
    let below = |w: f64| held_w.partition_point(|held| *held < w) as f64;
    let near = |level_w: f64| below(level_w * (1.0 + NEAR)) - below(level_w * (1.0 - NEAR));
    // The geometric mean: easy riding may stand for one target, it must not make up for another.
    let explained = |pace: f64| {
        let part = |a: &SteadyTarget| near(a.aim_w * pace) / (a.seconds - 6.0 * half as f64 * a.blocks).max(1.0);
        asked.iter().map(|a| part(a).clamp(0.05, 1.0).ln()).sum::<f64>() / asked.len() as f64
    };
    let as_asked = explained(1.0);
    let paces = PERCENT.map(|percent| f64::from(percent) / 100.0).map(|pace| (explained(pace), pace));
    // Of paces that explain the ride alike, the one nearest to none.
    let further = |pace: f64| pace.ln().abs();
    let (most, pace) = paces.max_by(|a, b| a.0.total_cmp(&b.0).then(further(b.1).total_cmp(&further(a.1))))?;
    (most >= as_asked + LEAST_BETTER.ln()).then_some(pace)
}

/// The level held around second `k`, W.
fn held(signals: &Signals, k: usize, half: usize) -> Option<f64> {
    let means = [k - 2 * half, k, k + 2 * half].map(|at| signals.smoothed_w(at, half));
    let [Some(before), Some(at), Some(after)] = means else { return None };
    let level_w = (before + at + after) / 3.0;
    [before, at, after].iter().all(|mean| (mean - level_w).abs() <= NEAR * level_w).then_some(level_w)
}

/// What the protocol asks for at one power of its steady blocks.
struct SteadyTarget {
    aim_w: f64,
    blocks: f64,
    seconds: f64,
    shortest_s: f64,
}

fn seconds_at(protocol: &Protocol) -> Vec<SteadyTarget> {
    // Positive numbers sort as their bits do.
    let mut at: BTreeMap<u64, SteadyTarget> = BTreeMap::new();
    for phase in &protocol.phases {
        if let Some(SteadyBlock { target: Target::Value(aim_w), lasts_s }) = SteadyBlock::of(&phase.drill) {
            let aim_w = aim_w.max(1.0);
            let each_s = lasts_s.low.or(lasts_s.high).unwrap_or(0.0);
            let asked = at.entry(aim_w.to_bits()).or_insert(SteadyTarget {
                aim_w,
                blocks: 0.0,
                seconds: 0.0,
                shortest_s: each_s,
            });
            asked.blocks += f64::from(phase.repeats);
            asked.seconds += each_s * f64::from(phase.repeats);
            asked.shortest_s = asked.shortest_s.min(each_s);
        }
    }
    at.into_values().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::matching::tests::bench;

    /// Blocks at 120, 180 and 240 W times `pace`, 4 min each, with a minute of easy riding at 100 W after each, and five
    /// minutes of it at either end.
    fn ridden(pace: f64) -> Option<f64> {
        let easy = |s: usize| std::iter::repeat_n(100.0, s);
        let blocks = [120.0, 120.0, 180.0, 180.0, 240.0, 240.0];
        let blocks = blocks.iter().flat_map(|w| std::iter::repeat_n(w * pace, 240).chain(easy(60)));
        let power_w: Vec<_> = easy(300).chain(blocks).chain(easy(300)).map(Some).collect();
        let cadence_rpm = vec![None; power_w.len()];
        of(&bench(), &Signals::of_columns(power_w, cadence_rpm))
    }

    #[test]
    fn a_common_factor_is_found_and_easy_riding_is_not_taken_for_one() {
        assert_eq!(ridden(1.0), None);
        assert_eq!(ridden(0.97), None);
        for pace in [0.8, 0.85, 1.2, 1.25] {
            let found = ridden(pace).unwrap_or_else(|| panic!("none at {pace}"));
            assert!((found / pace - 1.0).abs() <= 0.05, "{found} at {pace}");
        }
    }
}
