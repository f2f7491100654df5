//! The recursion: an explicit-duration (semi-Markov) chain over the protocol's phases and filler.
//!
//! Between two phases the chain is in the state "phase p was last", within a phase in one of its moves. A move from second
//! `i` to second `t` weighs its duration's density times its seconds' likelihoods against filler, which are differences of
//! running sums; a boundary weighs what is recorded there. A second costs a constant time per move (`lasting.rs`). The same
//! recursion over (max, +) finds the likeliest way, as Viterbi's does, over (+, ×) it is the forward half of forward and
//! backward (`posterior.rs`). Sources: Rabiner, Proceedings of the IEEE 77 (1989) 257, section IV D; Yu, Hidden semi-Markov
//! models, Artificial Intelligence 174 (2010) 215.

use super::lasting::{Beginnings, Best, Lasting, Weights};

/// One move of a phase.
pub(super) struct Move {
    pub lasting: Lasting,
    /// Log likelihood of each second against filler.
    pub told: Vec<f64>,
}

/// An entry (`None`: the ride's start) after which another comes, and with which probability.
pub(super) type After = (Option<usize>, f64);

/// One phase of the protocol.
pub(super) struct Entry {
    pub moves: Vec<Move>,
    /// What may come before, `None` being the ride's start, and with which probability this comes then.
    pub after: Vec<After>,
    /// The same where something lies between, times how much sooner than other phases this one then comes.
    pub after_a_while: Vec<After>,
}

/// The whole model of a ride.
pub(super) struct Chain {
    pub entries: Vec<Entry>,
    /// Probability of an entry after any other one, beside `after`.
    pub any: f64,
    /// Log odds at each second of a boundary between two moves of a phase, against none.
    pub inner_boundary: Vec<f64>,
    /// The same of a phase's beginning or end, of any entry.
    pub boundary: Vec<f64>,
    /// The same of entries for which something was recorded or typed by name.
    pub own_boundary: Vec<Option<Vec<f64>>>,
    /// Log probability that a phase begins where another one ended (or at the ride's first second).
    pub at_once: f64,
    /// Log density, per second, of one that begins later.
    pub later: f64,
    /// Stretches that a person gave to an entry.
    pub pinned: Vec<PinnedStretch>,
}

/// An entry that a person put at seconds `from..to`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PinnedStretch {
    pub entry: usize,
    pub from: usize,
    pub to: usize,
}

/// One stretch of a ride as one entry.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Segment {
    pub entry: usize,
    /// Seconds where its moves begin, then where the last one ends.
    pub bounds: Vec<usize>,
    /// Index of the pin that put it there.
    pub pinned: Option<usize>,
}

impl Segment {
    pub fn from(&self) -> usize {
        self.bounds[0]
    }

    pub fn to(&self) -> usize {
        self.bounds[self.bounds.len() - 1]
    }

    pub fn middle(&self) -> usize {
        (self.from() + self.to()) / 2
    }
}

/// Weights at each second, in units of `exp(scale)` there.
pub(super) struct Forward {
    /// Of beginning each move, by move, then second.
    pub open: Vec<Vec<f64>>,
    /// Of each entry's end.
    pub ended: Vec<Vec<f64>>,
    /// Of "this was last", first "nothing yet", all of one second together; of all seconds for the best way, else of the last.
    pub last: Vec<f64>,
    pub scale: Vec<f64>,
}

impl Chain {
    /// Seconds of the ride.
    pub fn seconds(&self) -> usize {
        self.boundary.len() - 1
    }

    /// Each entry's first move among all, then their number.
    pub fn firsts(&self) -> Vec<usize> {
        let counts = self.entries.iter().scan(0, |sum, entry| {
            *sum += entry.moves.len();
            Some(*sum)
        });
        std::iter::once(0).chain(counts).collect()
    }

    pub fn boundary_of(&self, entry: usize, second: usize) -> f64 {
        self.own_boundary[entry].as_ref().unwrap_or(&self.boundary)[second]
    }

    /// Whether a second lies in a pinned stretch.
    pub fn pinned_at(&self, second: usize) -> bool {
        self.pinned.iter().any(|p| (p.from..p.to).contains(&second))
    }

    /// The forward half, of those beginnings alone that `may` be (by move, then second).
    pub fn forward<W: Weights>(&self, may: impl Fn(usize, usize) -> bool) -> Forward {
        let (n, firsts) = (self.seconds(), self.firsts());
        let moves: Vec<&Move> = self.entries.iter().flat_map(|e| &e.moves).collect();
        let mut beginnings: Vec<Beginnings<W>> = moves.iter().map(|m| Beginnings::of(&m.lasting, n)).collect();
        let mut open = vec![vec![W::NONE; n + 1]; moves.len()];
        let mut ended = vec![vec![W::NONE; n + 1]; self.entries.len()];
        let (mut scale, mut history) = (vec![0.0; n + 1], vec![]);
        let weighed = |after: &[After]| {
            after.iter().map(|&(of, share)| (state(of), W::of(share.ln()))).collect::<Vec<(usize, f64)>>()
        };
        let after: Vec<_> = self.entries.iter().map(|e| [weighed(&e.after_a_while), weighed(&e.after)]).collect();
        let [any, later, at_once] = [self.any.ln(), self.later, self.at_once].map(W::of);
        let weigh = |logs: &Vec<f64>| logs.iter().map(|log| W::of(*log)).collect::<Vec<f64>>();
        let (inner, outer) = (weigh(&self.inner_boundary), weigh(&self.boundary));
        let own: Vec<Option<Vec<f64>>> = self.own_boundary.iter().map(|own| own.as_ref().map(weigh)).collect();
        let boundary = |e: usize, t: usize| own[e].as_ref().unwrap_or(&outer)[t];
        // What was last, and what ended at this very second.
        let mut last = vec![W::NONE; self.entries.len() + 1];
        let mut fresh = last.clone();
        let mut before_pin = vec![W::NONE; self.pinned.len()];
        fresh[0] = W::ONE;
        for t in 0..=n {
            if t > 0 {
                let (factor, log) = W::scale(last.iter().copied().fold(W::NONE, W::plus));
                last.iter_mut().chain(&mut before_pin).for_each(|w| *w = W::times(*w, factor));
                scale[t] = scale[t - 1] + log;
                fresh[0] = W::NONE;
                for e in 0..self.entries.len() {
                    for at in firsts[e]..firsts[e + 1] {
                        let end = beginnings[at].end(W::times(W::of(moves[at].told[t - 1]), factor));
                        if at + 1 < firsts[e + 1] {
                            open[at + 1][t] = W::times(end, inner[t]);
                        } else {
                            ended[e][t] = W::times(end, boundary(e, t));
                            fresh[e + 1] = ended[e][t];
                        }
                    }
                }
            }
            // What a pin keeps from going on is followed back through it.
            let mut reached = None;
            for (pin, before) in self.pinned.iter().zip(&mut before_pin) {
                if pin.to == t {
                    fresh[pin.entry + 1] = *before;
                    if W::BEST {
                        ended[pin.entry][t] = *before;
                    }
                } else if pin.from == t {
                    // Nothing may run into a pin or across it.
                    *before = last.iter().chain(&fresh).copied().fold(W::NONE, W::plus);
                    reached =
                        Some(last.iter().zip(&fresh).map(|(last, fresh)| W::plus(*last, *fresh)).collect::<Vec<f64>>());
                    [&mut last, &mut fresh].into_iter().for_each(|w| w.fill(W::NONE));
                    beginnings.iter_mut().for_each(Beginnings::clear);
                }
            }
            if !self.pinned_at(t) {
                let all = [&last, &fresh].map(|of| W::times(of.iter().copied().fold(W::NONE, W::plus), any));
                for (e, [a_while, once]) in after.iter().enumerate() {
                    let add = |sum: f64, of: &[f64], after: &[(usize, f64)]| {
                        after.iter().fold(sum, |sum, &(s, share)| W::plus(sum, W::times(of[s], share)))
                    };
                    let old = W::times(W::times(add(all[0], &last, a_while), later), boundary(e, t));
                    open[firsts[e]][t] = W::plus(old, W::times(add(all[1], &fresh, once), at_once));
                }
            }
            for (at, (beginnings, open)) in beginnings.iter_mut().zip(&mut open).enumerate() {
                if open[t] != W::NONE && !may(at, t) {
                    open[t] = W::NONE;
                }
                beginnings.begin(open[t]);
            }
            last.iter_mut().zip(&fresh).for_each(|(last, fresh)| *last = W::plus(*last, *fresh));
            if W::BEST || t == n {
                history.extend_from_slice(reached.as_ref().unwrap_or(&last));
            }
        }
        Forward { open, ended, last: history, scale }
    }

    /// The likeliest way, in order of time, of those beginnings alone that `may` be.
    pub fn best(&self, may: impl Fn(usize, usize) -> bool) -> Vec<Segment> {
        let forward = self.forward::<Best>(may);
        let mut t = self.seconds();
        let mut way = vec![];
        let states = self.entries.len() + 1;
        let mut last = largest(0..states, |s| forward.last[t * states + s]);
        while let Some(entry) = last.checked_sub(1).filter(|_| forward.last[t * states + last] > f64::NEG_INFINITY) {
            let pin = self.pinned.iter().position(|p| p.to == t && p.entry == entry);
            if let Some((at, PinnedStretch { from, to, .. })) = pin.map(|at| (at, self.pinned[at])) {
                way.push(Segment {
                    entry,
                    bounds: divided(&self.entries[entry].moves.iter().collect::<Vec<_>>(), from, to),
                    pinned: Some(at),
                });
                t = from;
                last = largest(0..states, |s| held(&forward, s, t).max(ended(&forward, s, t)));
            } else if forward.ended[entry][t] >= forward.last[t * states + last] {
                let bounds = self.began(&forward, entry, t);
                t = bounds[0];
                way.push(Segment { entry, bounds, pinned: None });
                last = self.came_after(&forward, entry, t);
            } else {
                t -= 1;
            }
        }
        way.reverse();
        way
    }

    /// Where the moves of an entry that ended at `to` began, then `to`.
    fn began(&self, forward: &Forward, entry: usize, to: usize) -> Vec<usize> {
        let mut bounds = vec![to];
        for (at, one) in (self.firsts()[entry]..).zip(&self.entries[entry].moves).collect::<Vec<_>>().into_iter().rev()
        {
            bounds.push(one.began(&forward.open[at], bounds[bounds.len() - 1]));
        }
        bounds.reverse();
        bounds
    }

    /// What was last where an entry began.
    fn came_after(&self, forward: &Forward, entry: usize, t: usize) -> usize {
        largest(0..=self.entries.len(), |s| {
            let share = |after: &[After]| {
                after.iter().find(|after| state(after.0) == s).map_or(0.0, |after| after.1).max(self.any).ln()
            };
            let Entry { after, after_a_while, .. } = &self.entries[entry];
            let later = held(forward, s, t) + self.later + self.boundary_of(entry, t) + share(after_a_while);
            later.max(ended(forward, s, t) + self.at_once + share(after))
        })
    }
}

impl Move {
    /// Where it most likely began that ends at `to`, by the log weights of beginning at each second.
    fn began(&self, open: &[f64], to: usize) -> usize {
        let (mut told, mut best) = (0.0, (to, f64::NEG_INFINITY));
        for from in (to.saturating_sub(self.lasting.most())..to).rev() {
            told += self.told[from];
            let weight = open[from] + told + self.lasting.log_density(to - from);
            if weight > best.1 {
                best = (from, weight);
            }
        }
        best.0
    }
}

/// Place of "this was last" among the states.
pub(super) fn state(of: Option<usize>) -> usize {
    of.map_or(0, |entry| entry + 1)
}

/// Weight of a state that was one the second before.
fn held(forward: &Forward, state: usize, t: usize) -> f64 {
    let states = forward.ended.len() + 1;
    t.checked_sub(1).map_or(f64::NEG_INFINITY, |before| forward.last[before * states + state])
}

/// Weight of a state that begins at this second.
fn ended(forward: &Forward, state: usize, t: usize) -> f64 {
    match state.checked_sub(1) {
        Some(entry) => forward.ended[entry][t],
        None if t == 0 => 0.0,
        None => f64::NEG_INFINITY,
    }
}

/// Where a weight is largest; of equals the first.
fn largest(of: impl Iterator<Item = usize>, weight: impl Fn(usize) -> f64) -> usize {
    of.fold((0, f64::NEG_INFINITY), |best, i| if weight(i) > best.1 { (i, weight(i)) } else { best }).0
}

/// The likeliest division of seconds `from..to` among moves that must fill them; in equal parts where it is far too short or
/// long for them.
pub(super) fn divided(moves: &[&Move], from: usize, to: usize) -> Vec<usize> {
    let mut begin = vec![f64::NEG_INFINITY; to + 1];
    begin[from] = 0.0;
    let weights = run(moves, begin);
    if weights[moves.len()][to] == f64::NEG_INFINITY {
        return (0..=moves.len()).map(|part| from + part * (to - from) / moves.len()).collect();
    }
    back(moves, &weights, to)
}

/// The stretch of a ride likeliest to be these moves in a row, and its log weight.
pub(super) fn closest(moves: &[&Move]) -> (Vec<usize>, f64) {
    let weights = run(moves, vec![0.0; moves[0].told.len() + 1]);
    let ends = &weights[moves.len()];
    let to = largest(0..ends.len(), |t| ends[t]);
    (back(moves, &weights, to), ends[to])
}

/// [`closest`] within some seconds.
pub(super) fn closest_within(moves: &[Move], (from, to): (usize, usize)) -> (Vec<usize>, f64) {
    let cut = |of: &Move| Move { lasting: of.lasting.clone(), told: of.told[from..to].to_vec() };
    let cut: Vec<Move> = moves.iter().map(cut).collect();
    let (bounds, weight) = closest(&cut.iter().collect::<Vec<_>>());
    (bounds.into_iter().map(|second| second + from).collect(), weight)
}

/// Best log weights of beginning each move at each second, then of ending the last.
fn run(moves: &[&Move], begin: Vec<f64>) -> Vec<Vec<f64>> {
    moves.iter().fold(vec![begin], |mut weights, one| {
        let mut beginnings = Beginnings::<Best>::of(&one.lasting, one.told.len());
        let mut ends = vec![f64::NEG_INFINITY];
        for (open, told) in weights[weights.len() - 1].iter().zip(&one.told) {
            beginnings.begin(*open);
            ends.push(beginnings.end(*told));
        }
        weights.push(ends);
        weights
    })
}

fn back(moves: &[&Move], weights: &[Vec<f64>], to: usize) -> Vec<usize> {
    let mut bounds = vec![to];
    for (one, open) in moves.iter().zip(weights).rev() {
        bounds.push(one.began(open, bounds[bounds.len() - 1]));
    }
    bounds.reverse();
    bounds
}
