//! Stretches that look like a phase and are none: found, so that the ride can be explained anew without them.

use super::marks::MarksEvidence;
use super::moves::ScoredPhases;
use super::segment::Segment;
use super::shape::SteadyBlock;
use super::signals::Signals;
use crate::protocol::{Protocol, Target};

/// Stretches that are no more than likenesses of a phase, most of them beyond the repeats asked for: a recovery near a
/// target gains less per second than the block does, but may hide a sprint that belongs there.
pub(super) fn likenesses(
    protocol: &Protocol,
    plan: &ScoredPhases,
    signals: &Signals,
    instances: &[Segment],
    marks: &MarksEvidence,
) -> Vec<Segment> {
    // A surplus repeat is taken for one from half of a perfect fit on, if it is not much worse than the best …
    const LEAST: f64 = 0.5;
    const LEAST_OF_BEST: f64 = 0.7;
    // … at its level, as a rider who repeats a block aims at the same power …
    const SAME_LEVEL: f64 = 0.06;
    // … and no further off the target than this part of its tolerance: easy riding may be as even as a block …
    const OFF_TARGET: f64 = 0.75;
    // … and not cut out of a longer even stretch, in seconds of misfit.
    const MOST_CUT: f64 = 12.0;
    // The one that comes where the protocol has it may be so much worse a fit than another.
    const IN_ORDER: f64 = 0.2;
    let mut likenesses = Vec::new();
    for (at, entry) in plan.entries.iter().enumerate() {
        let mut repeats: Vec<(f64, &Segment)> = instances
            .iter()
            .filter(|i| i.entry == at && i.forced.is_none())
            .map(|i| (entry.quality(&i.bounds), i))
            .collect();
        let rank = |(quality, i): &(f64, &Segment)| quality + IN_ORDER * in_order(plan, instances, i);
        repeats.sort_by(|a, b| rank(b).total_cmp(&rank(a)));
        let Some(&(best, example)) = repeats.first() else { continue };
        let level_w = |i: &Segment| signals.median_w(i.from(), i.to()).unwrap_or(0.0);
        let phase = &protocol.phases[entry.phase];
        let block = SteadyBlock::of(&phase.drill);
        let off_target = |i: &Segment, paced: f64| match block {
            Some(SteadyBlock { target: Target::Value(asked_w), .. }) => {
                (level_w(i) / (asked_w * paced) - 1.0).abs() > OFF_TARGET * phase.tolerance
            }
            _ => false,
        };
        let cut_out = |i: &Segment| entry.beginning(i.from(), 0.0) + entry.ending(i.to(), 0.0) > MOST_CUT;
        let alike = |(quality, i): &(f64, &Segment)| {
            *quality >= (LEAST_OF_BEST * best).max(LEAST)
                && !cut_out(i)
                && (block.is_none() || (level_w(i) / level_w(example) - 1.0).abs() <= SAME_LEVEL)
                && !off_target(i, 1.0)
        };
        let asked = phase.repeats as usize + marks.added(entry.phase);
        let surplus = repeats.iter().skip(asked).filter(|r| !alike(r));
        // What the order asks for may be off its target or without clear edges, not both.
        let in_name_only = repeats.iter().take(asked).filter(|r| off_target(r.1, plan.paced) && cut_out(r.1));
        likenesses.extend(surplus.chain(in_name_only).map(|r| r.1.clone()));
    }
    likenesses
}

/// 1 where what was ridden before and after a stretch is what the protocol has around its phase, half for either.
fn in_order(plan: &ScoredPhases, instances: &[Segment], of: &Segment) -> f64 {
    let others = |i: &&Segment| i.entry != of.entry;
    let before = instances.iter().filter(others).rfind(|i| i.to() <= of.from()).map(|i| i.entry);
    let after = instances.iter().filter(others).find(|i| i.from() >= of.to()).map(|i| i.entry);
    let follows = |entry: usize, last: Option<usize>| plan.entries[entry].free_after.contains(&last);
    let after = after.map_or(of.entry + 1 == plan.entries.len(), |next| follows(next, Some(of.entry)));
    0.5 * (f64::from(u8::from(follows(of.entry, before))) + f64::from(u8::from(after)))
}
