//! Forward and backward: the probability of every boundary of every move at every second, given the whole ride.

use super::chain::{After, Chain, Entry, Forward, Move, Segment, state};
use super::lasting::{All, Beginnings, Weights};

/// Probabilities of boundaries at each second.
pub(super) struct Posterior {
    /// Of each move's beginning.
    begins: Vec<Vec<f64>>,
    /// Of each entry's end.
    ends: Vec<Vec<f64>>,
    /// Each entry's first move, then the number of moves.
    firsts: Vec<usize>,
    /// Probability that a second belongs to an entry.
    within: Vec<Vec<f32>>,
    /// Of the whole model against filler alone.
    pub log_evidence: f64,
}

impl Chain {
    /// Of the whole model against filler alone.
    pub fn log_evidence(&self) -> f64 {
        let Forward { last, scale, .. } = self.forward::<All>(|_, _| true);
        last.iter().sum::<f64>().ln() + scale[self.seconds()]
    }

    pub fn posterior(&self) -> Posterior {
        let Forward { open: mut begins, ended: mut ends, last, scale } = self.forward::<All>(|_, _| true);
        let (n, firsts) = (self.seconds(), self.firsts());
        let log_evidence = last.iter().sum::<f64>().ln() + scale[n];
        let moves: Vec<&Move> = self.entries.iter().flat_map(|e| &e.moves).collect();
        let mut endings: Vec<Beginnings<All>> = moves.iter().map(|m| Beginnings::of(&m.lasting, n)).collect();
        let exp = |logs: &Vec<f64>| logs.iter().map(|log| log.exp()).collect::<Vec<f64>>();
        let (inner, outer) = (exp(&self.inner_boundary), exp(&self.boundary));
        let own: Vec<Option<Vec<f64>>> = self.own_boundary.iter().map(|own| own.as_ref().map(exp)).collect();
        let boundary = |e: usize, t: usize| own[e].as_ref().unwrap_or(&outer)[t];
        let (at_once, later) = (self.at_once.exp(), self.later.exp());
        // Logarithm of the unit of what comes after.
        let mut ahead = 0.0;
        // What comes after "this was last".
        let mut rest = vec![1.0; self.entries.len() + 1];
        let mut after_pin = vec![0.0; self.pinned.len()];
        let mut goes_on = vec![0.0; moves.len()];
        for t in (0..=n).rev() {
            if t < n {
                let (factor, log) = All::scale(rest.iter().sum());
                rest.iter_mut().chain(&mut after_pin).for_each(|w| *w *= factor);
                ahead += log;
                for ((goes_on, ending), one) in goes_on.iter_mut().zip(&mut endings).zip(&moves) {
                    *goes_on = ending.end(one.told[t].exp() * factor);
                }
            }
            if let Some(pin) = self.pinned.iter().position(|p| p.from == t) {
                rest.fill(after_pin[pin]);
            }
            let mut fresh = rest.clone();
            if !self.pinned_at(t) {
                let begin = |e: usize| goes_on[firsts[e]];
                self.add(&mut fresh, |entry| &entry.after, |e| begin(e) * at_once);
                self.add(&mut rest, |entry| &entry.after_a_while, |e| begin(e) * later * boundary(e, t));
            }
            let unit = (scale[t] + ahead - log_evidence).exp();
            for e in 0..self.entries.len() {
                for at in firsts[e]..firsts[e + 1] {
                    begins[at][t] *= goes_on[at] * unit;
                    endings[at].begin(match at + 1 < firsts[e + 1] {
                        true => inner[t] * goes_on[at + 1],
                        false => boundary(e, t) * fresh[e + 1],
                    });
                }
                ends[e][t] *= fresh[e + 1] * unit;
            }
            if let Some(pin) = self.pinned.iter().position(|p| p.to == t) {
                after_pin[pin] = fresh[self.pinned[pin].entry + 1];
                rest.fill(0.0);
                endings.iter_mut().for_each(Beginnings::clear);
            }
        }
        let within = (0..self.entries.len()).map(|e| within(&begins[firsts[e]], &ends[e])).collect();
        Posterior { begins, ends, firsts, within, log_evidence }
    }

    /// Adds, to what comes after each state, that an entry begins.
    fn add(&self, to: &mut [f64], after: impl Fn(&Entry) -> &[After], begins: impl Fn(usize) -> f64) {
        let begins: Vec<f64> = (0..self.entries.len()).map(begins).collect();
        let any = self.any * begins.iter().sum::<f64>();
        to.iter_mut().for_each(|weight| *weight += any);
        for (entry, begins) in self.entries.iter().zip(begins) {
            after(entry).iter().for_each(|&(of, share)| to[state(of)] += share * begins);
        }
    }
}

/// What began and did not end yet.
fn within(begins: &[f64], ends: &[f64]) -> Vec<f32> {
    let mut inside = 0.0;
    let of = |(begins, ends): (&f64, &f64)| {
        inside += begins - ends;
        inside.clamp(0.0, 1.0) as f32
    };
    begins.iter().zip(ends).map(of).collect()
}

impl Posterior {
    /// The likeliest way, of those whose every boundary is not all but impossible: where one is less likely than this, some
    /// other way is likelier.
    pub fn best(&self, chain: &Chain) -> Vec<Segment> {
        const IMPOSSIBLE: f64 = 1e-9;
        chain.best(|at, t| self.begins[at][t] > IMPOSSIBLE)
    }

    /// Probability that a second belongs to an entry. What a person pinned is not counted.
    pub fn within(&self, entry: usize, second: usize) -> f64 {
        f64::from(self.within[entry][second])
    }

    /// Probabilities of where a move of an entry begins (past its last one: of where it ends), by second.
    pub fn edge(&self, entry: usize, of: usize) -> &[f64] {
        let at = self.firsts[entry] + of;
        if at < self.firsts[entry + 1] { &self.begins[at] } else { &self.ends[entry] }
    }
}

#[cfg(test)]
mod tests {
    use super::super::chain::PinnedStretch;
    use super::super::lasting::{Flat, Lasting, Tail};
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    const SECONDS: usize = 11;

    /// Two phases, the first of two moves, with durations, boundaries and seconds drawn anew.
    fn drawn(seed: u64, pinned: Vec<PinnedStretch>) -> Chain {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut logs = |n: usize| (0..n).map(|_| 3.0 * rng.random::<f64>() - 1.5).collect::<Vec<f64>>();
        let flat = |from, to, log_density| Flat { from, to, log_density };
        let lastings = [
            Lasting {
                flats: vec![flat(1, 1, -2.0), flat(2, 3, -0.7)],
                tail: Tail { from: 4, log_density: -2.5, per_s: 0.6 },
            },
            Lasting { flats: vec![flat(2, 4, -1.0)], tail: Tail { from: 5, log_density: -3.0, per_s: 1.1 } },
            Lasting { flats: vec![], tail: Tail { from: 2, log_density: -1.4, per_s: 0.3 } },
        ];
        let [one, two, three] = lastings.map(|lasting| Move { lasting, told: logs(SECONDS) });
        let after = |of: &[After]| of.to_vec();
        Chain {
            entries: vec![
                Entry {
                    moves: vec![one, two],
                    after: after(&[(None, 0.6), (Some(0), 0.3)]),
                    after_a_while: after(&[(None, 0.6), (Some(0), 1.7)]),
                },
                Entry { moves: vec![three], after: after(&[(Some(0), 0.5)]), after_a_while: after(&[(Some(0), 0.5)]) },
            ],
            any: 0.05,
            inner_boundary: logs(SECONDS + 1),
            boundary: logs(SECONDS + 1),
            own_boundary: vec![None, Some(logs(SECONDS + 1))],
            at_once: -0.9,
            later: -1.3,
            pinned,
        }
    }

    /// One way through a ride: what was ridden where, and its log weight with each change weighed by all, or by its likeliest, prior.
    type Way = (Vec<(usize, Vec<usize>)>, f64, f64);

    /// Every way there is, one after the other.
    fn every_way(chain: &Chain) -> Vec<Way> {
        let mut done = vec![];
        let mut open = vec![(0, None, true, (vec![], 0.0, 0.0))];
        while let Some((t, last, fresh, way)) = open.pop() {
            let (segments, all, best): Way = way;
            if t == SECONDS {
                done.push((segments, all, best));
                continue;
            }
            open.push((t + 1, last, false, (segments.clone(), all, best)));
            for (e, entry) in chain.entries.iter().enumerate() {
                let after = if fresh { &entry.after } else { &entry.after_a_while };
                let share = after.iter().find(|after| after.0 == last).map_or(0.0, |after| after.1);
                let begins = if fresh { chain.at_once } else { chain.later + chain.boundary_of(e, t) };
                for (bounds, weight) in ridden(chain, e, t) {
                    let mut segments = segments.clone();
                    let end = bounds[bounds.len() - 1];
                    segments.push((e, bounds));
                    let weight = weight + begins;
                    let prior = ((share + chain.any).ln(), share.max(chain.any).ln());
                    open.push((end, Some(e), true, (segments, all + weight + prior.0, best + weight + prior.1)));
                }
            }
        }
        done
    }

    /// Every way to ride an entry from a second on, with its log weight.
    fn ridden(chain: &Chain, e: usize, from: usize) -> Vec<(Vec<usize>, f64)> {
        let moves = &chain.entries[e].moves;
        moves.iter().enumerate().fold(vec![(vec![from], 0.0)], |ways, (m, one)| {
            let longer = |(bounds, weight): &(Vec<usize>, f64)| {
                let (bounds, weight, begun) = (bounds.clone(), *weight, bounds[bounds.len() - 1]);
                (begun + 1..=SECONDS).map(move |to| {
                    let told: f64 = one.told[begun..to].iter().sum();
                    let at_end = if m + 1 < moves.len() { chain.inner_boundary[to] } else { chain.boundary_of(e, to) };
                    let bounds = bounds.iter().copied().chain([to]).collect::<Vec<_>>();
                    (bounds, weight + told + one.lasting.log_density(to - begun) + at_end)
                })
            };
            ways.iter().flat_map(longer).filter(|way| way.1.is_finite()).collect()
        })
    }

    #[test]
    fn forward_and_backward_say_what_every_way_written_down_says() {
        for seed in 0..20 {
            let chain = drawn(seed, vec![]);
            let ways = every_way(&chain);
            assert!(ways.len() > 4_000, "{}", ways.len());
            let sum: f64 = ways.iter().map(|way| way.1.exp()).sum();
            let posterior = chain.posterior();
            assert!((posterior.log_evidence - sum.ln()).abs() < 1e-9, "{} {}", posterior.log_evidence, sum.ln());
            assert!((chain.log_evidence() - sum.ln()).abs() < 1e-9);
            let share = |of: &dyn Fn(&Way) -> bool| ways.iter().filter(|w| of(w)).map(|w| w.1.exp()).sum::<f64>() / sum;
            for entry in 0..2 {
                for second in 0..SECONDS {
                    let is =
                        |way: &Way| way.0.iter().any(|(e, b)| *e == entry && (b[0]..b[b.len() - 1]).contains(&second));
                    assert!(
                        (posterior.within(entry, second) - share(&is)).abs() < 1e-6,
                        "seed {seed}, {entry} at {second}"
                    );
                }
                for of in 0..=chain.entries[entry].moves.len() {
                    for second in 0..=SECONDS {
                        let is = |way: &Way| way.0.iter().any(|(e, b)| *e == entry && b[of] == second);
                        let told = posterior.edge(entry, of)[second];
                        assert!(
                            (told - share(&is)).abs() < 1e-9,
                            "seed {seed}, {entry}, edge {of} at {second}: {told}"
                        );
                    }
                }
            }
            let likeliest = ways.iter().max_by(|a, b| a.2.total_cmp(&b.2)).unwrap();
            let found: Vec<_> = posterior.best(&chain).into_iter().map(|s| (s.entry, s.bounds)).collect();
            assert_eq!(found, likeliest.0, "seed {seed}");
        }
    }

    #[test]
    fn a_pinned_stretch_is_no_other_phase_and_what_is_around_it_is_read_as_ever() {
        let pin = PinnedStretch { entry: 0, from: 4, to: 7 };
        for seed in 0..20 {
            let chain = drawn(seed, vec![pin]);
            let posterior = chain.posterior();
            assert!((4..7).all(|second| posterior.within(1, second) < 1e-9), "seed {seed}");
            let way = posterior.best(&chain);
            let at = way.iter().position(|s| s.pinned == Some(0)).unwrap_or_else(|| panic!("seed {seed}: {way:?}"));
            assert_eq!((way[at].entry, way[at].from(), way[at].to()), (0, 4, 7));
            assert!(way[..at].iter().all(|s| s.to() <= 4) && way[at + 1..].iter().all(|s| s.from() >= 7), "{way:?}");
        }
    }
}
