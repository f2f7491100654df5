//! The protocol as a chain: its phases as entries, how long their moves last, and what may come after what.

use super::boundaries::Boundaries;
use super::chain::{After, Chain, Entry, Move, PinnedStretch};
use super::lasting::{Flat, Lasting, Tail};
use super::observe::{Observer, alike_s, most_told};
use super::parameters::Parameters;
use crate::protocol::{DrillMove, Effort, Part, Phase, PhaseOrder, Protocol};

/// A protocol's chain for one ride.
pub(super) struct Plan {
    pub chain: Chain,
    /// The phase of each entry, as an index into the protocol's: everything that takes time on the bike or beside it.
    pub phases: Vec<usize>,
}

/// Indices of the phases that take time.
pub(super) fn timed_phases(protocol: &Protocol) -> Vec<usize> {
    (0..protocol.phases.len()).filter(|phase| !protocol.phases[*phase].drill.moves().is_empty()).collect()
}

impl Plan {
    pub fn of(protocol: &Protocol, observer: &Observer, boundaries: &Boundaries, pinned: &[PinnedStretch]) -> Self {
        let p = observer.parameters;
        let phases = timed_phases(protocol);
        let timed: Vec<&Phase> = phases.iter().map(|phase| &protocol.phases[*phase]).collect();
        let moves = |phase: &&Phase| {
            let moves = phase.drill.moves();
            let one = |asked: &DrillMove| Move { lasting: lasting(asked, p), told: observer.told(phase, asked) };
            moves.iter().map(one).collect()
        };
        let (any, after) = match protocol.order {
            PhaseOrder::AsWritten => (p.jumps, after(&timed, p)),
            PhaseOrder::Any => (1.0, again_only(&timed, p)),
        };
        let entry = |(at, (phase, mut after)): (usize, (&&Phase, Vec<After>))| {
            let sooner = |of: Option<usize>| if of == Some(at) { sooner(phase, p) } else { 1.0 };
            let after_a_while = after.iter().map(|&(of, share)| (of, share * sooner(of))).collect();
            // Between repeats riders rest.
            const WITHOUT_A_REST: f64 = 0.1;
            let repeats = phase.repeats > 1;
            after.iter_mut().filter(|of| of.0 == Some(at) && repeats).for_each(|of| of.1 *= WITHOUT_A_REST);
            Entry { moves: moves(phase), after, after_a_while }
        };
        let entries = timed.iter().zip(after).enumerate().map(entry).collect();
        let chain = Chain {
            entries,
            any: any / timed.len().max(1) as f64,
            inner_boundary: boundaries.inner.clone(),
            boundary: boundaries.outer.clone(),
            own_boundary: timed.iter().map(|phase| boundaries.own(phase)).collect(),
            at_once: p.at_once.ln(),
            later: ((1.0 - p.at_once) / p.begins_s).ln(),
            pinned: pinned.to_vec(),
        };
        Self { chain, phases }
    }

    /// What the tester put in while riding was ridden again.
    pub fn expect_again(&mut self, entry: usize) {
        const AS_LIKELY_AS_NOT: f64 = 0.5;
        let Entry { after, after_a_while, .. } = &mut self.chain.entries[entry];
        for after in [after, after_a_while] {
            match after.iter_mut().find(|after| after.0 == Some(entry)) {
                Some(again) => again.1 = again.1.max(AS_LIKELY_AS_NOT),
                None => after.push((Some(entry), AS_LIKELY_AS_NOT)),
            }
        }
    }

    /// Makes the seconds before `at` likelier to be an entry's own, as somebody wrote then that it was ridden.
    pub fn expect_before(&mut self, entry: usize, at: usize, within_s: usize) {
        // Worth about as much as the protocol's order.
        const TOLD: f64 = 2.5;
        for one in &mut self.chain.entries[entry].moves {
            one.told[at.saturating_sub(within_s)..at].iter_mut().for_each(|told| *told += TOLD / within_s as f64);
        }
    }

    /// Whether one entry comes after another (or first) as the protocol has it.
    pub fn follows(&self, entry: usize, last: Option<usize>) -> bool {
        self.chain.entries[entry].after.iter().any(|after| after.0 == last)
    }
}

/// In any order a repeat still comes after a repeat.
fn again_only(phases: &[&Phase], p: &Parameters) -> Vec<Vec<After>> {
    phases.iter().enumerate().map(|(at, phase)| vec![(Some(at), again(phase, p))]).collect()
}

/// How likely a phase comes once more.
fn again(phase: &Phase, p: &Parameters) -> f64 {
    match f64::from(phase.repeats) {
        repeats if repeats > 1.0 => (repeats - 1.0) / repeats,
        _ => p.again,
    }
}

/// How much sooner a repeat follows than another phase does.
fn sooner(phase: &Phase, p: &Parameters) -> f64 {
    if phase.repeats > 1 { (p.begins_s / within_s(phase)).max(1.0) } else { 1.0 }
}

/// What each phase may come after as the protocol has it, and how likely it comes then.
fn after(phases: &[&Phase], p: &Parameters) -> Vec<Vec<After>> {
    let mut after = vec![vec![]; phases.len()];
    let in_order = 1.0 - p.jumps;
    for last in std::iter::once(None).chain((0..phases.len()).map(Some)) {
        let again = last.map_or(0.0, |at| again(phases[at], p));
        if let Some(at) = last {
            after[at].push((last, in_order * again));
        }
        let mut left = in_order * (1.0 - again);
        for next in last.map_or(0, |at| at + 1)..phases.len() {
            let passed_by = phases[next].part == Part::Optional || !phases[next].drill.kind().is_scored_riding();
            if !passed_by {
                after[next].push((last, left));
                break;
            }
            after[next].push((last, left * (1.0 - p.skips)));
            left *= p.skips;
        }
    }
    after
}

/// Within about this time a repeat follows the one before, s.
fn within_s(phase: &Phase) -> f64 {
    // Where nothing is asked, a minute and a half; and half as long again. Common practice, no source.
    1.5 * phase.drill.recover_s().and_then(|recover| recover.high.or(recover.low)).unwrap_or(90.0)
}

/// How long a move lasts: most of the time as asked, sometimes longer, seldom half as long.
fn lasting(asked: &DrillMove, p: &Parameters) -> Lasting {
    // Where nothing is asked, a mean of five minutes and at least a few seconds.
    const FREELY_S: f64 = 300.0;
    const LEAST_S: usize = 5;
    // Warm-ups and waits are as long as they are in most cases, common practice, no source.
    const AS_ASKED: f64 = 0.6;
    let loose = matches!(asked.effort, Effort::Free(_) | Effort::OffTheBike);
    let (low, high) = match (asked.lasts_s.low, asked.lasts_s.high) {
        (None, None) => {
            let tail = Tail { from: LEAST_S, log_density: -FREELY_S.ln(), per_s: 1.0 / FREELY_S };
            return Lasting { flats: vec![], tail };
        }
        // A duration written as one number is met by a fifth more or less.
        (Some(low), Some(high)) if low == high => (0.8 * low, 1.2 * high),
        (Some(low), Some(high)) => (0.95 * low, high + 1.0),
        // A rider who counts from the beep, and some.
        (Some(low), None) => (0.95 * low, (low + (0.3 * low).min(15.0)).max(1.1 * low)),
        (None, Some(high)) => (1.0, high + 1.0),
    };
    let from = (low.floor() as usize).max(1);
    let to = (high.ceil() as usize).max(from);
    let brief = matches!(asked.effort, Effort::Short(_) | Effort::AllOut(_) | Effort::Coast);
    let (shorter, longer) = match loose {
        true => ((1.0 - AS_ASKED) / 2.0, (1.0 - AS_ASKED) / 2.0),
        false => (if brief { p.shortened / 3.0 } else { p.shortened }, p.longer),
    };
    let flat =
        |share: f64, from: usize, to: usize| Flat { from, to, log_density: (share / (to + 1 - from) as f64).ln() };
    // Less than half of what was asked is no repeat.
    let least = if loose { from / 5 } else { (from as f64 / 0.95 / 2.0).ceil() as usize }.max(1);
    let mut flats = vec![flat(1.0 - shorter - longer, from, to)];
    if least < from {
        flats.insert(0, flat(shorter, least, from - 1));
    }
    let scale_s = if loose { 0.5 * high } else { (0.05 * high).max(3.0).min(p.longer_s) };
    // Seconds beyond what was asked tell nothing more of the move.
    let told = if loose { 0.0 } else { most_told(p) / alike_s(asked, p) };
    let tail = Tail { from: to + 1, log_density: (longer / scale_s).ln(), per_s: 1.0 / scale_s + told };
    Lasting { flats, tail }
}
