//! Where the rider began to change: the edge of a level that was held, from power and cadence together.
//!
//! A level's own unsteadiness is an ARMA(1,1) process: slow wandering under scatter from second to second, fitted to the
//! level's core. Passed through that process's inverse, neighbouring seconds no longer repeat each other, and a change
//! of level has a shape of its own at each second where it may have begun (an intervention: Box and Tiao 1975). The
//! best fit of that shape is the edge.

use super::signals::{Channel, Signals};
use crate::stats::median;

/// How long after the rider began a channel begins to show it, and the time constants with which it may follow, s: legs
/// take a second or two to another power, a brake that holds power longer, and a reading tells of a turn that is over.
/// From simulation.
const FOLLOWS: [(Channel, f64, [f64; 2]); 2] = [(Channel::Power, 1.1, [1.5, 4.0]), (Channel::Cadence, 1.1, [0.6, 3.0])];
/// Log likelihood that a change must gain, laps and length counted in: the best of a hundred places gains five or so by
/// chance. A second change nearer to the core must stand out more, as the first one may well be all there is.
const LEAST_GAIN: f64 = 7.0;
const LEAST_GAIN_NEARER: f64 = 16.0;
/// A smaller change than this share of the level in both channels is the rider's wandering.
const LEAST_SHIFT: f64 = 0.05;
/// Seconds on either side without which a level is not one.
const LEAST_S: usize = 5;
/// Further off its level than this many of its standard deviations, or this share of it, a second tells no more than
/// that: a sprint in a recovery is not the block's edge.
const FAR: f64 = 4.0;
const FAR_SHARE: f64 = 0.12;

/// What is known of an edge before power and cadence are looked at.
pub(super) struct EdgeSearch<'a> {
    /// Seconds at which the level surely was held.
    pub core: (usize, usize),
    /// Between here and the core's nearer end lies the edge.
    pub outer: usize,
    /// The edge is not further in than here.
    pub inner: usize,
    /// Log likelihood of an edge at a second against one at any other, by laps and the like.
    pub prior: &'a dyn Fn(usize) -> f64,
    /// Log likelihood of the length that an edge at a second leaves.
    pub length: &'a dyn Fn(usize) -> f64,
    /// The edge if no change stands out.
    pub held: usize,
    /// It lies in here.
    pub room: (usize, usize),
}

/// The second nearest to the core at which its level was taken up (where `outer` lies before it) or left; `None` where
/// no change stands out. With the log likelihood gained, length apart.
pub(super) fn edge(search: &EdgeSearch, signals: &Signals) -> Option<(usize, f64)> {
    let EdgeSearch { core, inner, .. } = *search;
    let starts = search.outer < core.0;
    let (mut from, mut to) = if starts { (search.outer, core.1) } else { (core.0, search.outer.min(signals.len())) };
    let levels: Vec<HeldLevel> =
        FOLLOWS.iter().filter_map(|&follows| HeldLevel::held(follows, core, signals)).collect();
    let mut found = None;
    // The clearest change may lie beyond the one that is looked for, so look again on its near side.
    loop {
        let seen: Vec<WhitenedLevel> = levels.iter().map(|level| level.seen((from, to), signals)).collect();
        let as_found = (search.length)(found.map_or(search.held, |f: (usize, f64)| f.0));
        let places = if starts { from + LEAST_S..inner + 1 } else { inner..(to + 1).saturating_sub(LEAST_S) };
        let clearest = places
            .filter(|k| (search.room.0..=search.room.1).contains(k))
            .filter_map(|k| {
                let gains = seen.iter().map(|seen| seen.gain(k - from));
                let (gain, clear) = gains.fold((0.0, false), |sum, g| (sum.0 + g.0, sum.1 | (g.1 > LEAST_SHIFT)));
                clear.then(|| (k, gain + (search.prior)(k) + (search.length)(k) - as_found))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))
            .filter(|best| best.1 > if found.is_none() { LEAST_GAIN } else { LEAST_GAIN_NEARER });
        let Some((k, gain)) = clearest else { return found };
        found = Some((k, gain + as_found - (search.length)(k)));
        (from, to) = if starts { (k + LEAST_S, to) } else { (from, k.saturating_sub(LEAST_S)) };
        if from >= to {
            return found;
        }
    }
}

/// A level as it was held in one channel.
struct HeldLevel {
    channel: Channel,
    level: f64,
    sd: f64,
    unsteady: NoiseProcess,
    /// How long after its beginning a change shows, and how fast, s.
    follows: (f64, [f64; 2]),
}

impl HeldLevel {
    fn held(
        (channel, after_s, tau_s): (Channel, f64, [f64; 2]),
        core: (usize, usize),
        signals: &Signals,
    ) -> Option<Self> {
        // Whole-number cadence is no better than this share of it.
        const LEAST_SD: f64 = 0.005;
        let held = filled(channel, core, signals);
        let level = median(&held).filter(|level| *level > 0.0)?;
        let off: Vec<f64> = held.iter().map(|x| (x - level).abs()).collect();
        // 1.48 median deviations are a standard deviation of normal values.
        let sd = (1.48 * median(&off)?).max(LEAST_SD * level);
        let off: Vec<f64> = held.iter().map(|x| (x - level).clamp(-FAR * sd, FAR * sd)).collect();
        let unsteady = NoiseProcess::fitted(&off, LEAST_SD * level);
        Some(Self { channel, level, sd, unsteady, follows: (after_s, tau_s) })
    }

    fn seen(&self, window: (usize, usize), signals: &Signals) -> WhitenedLevel {
        let far = (FAR * self.sd).max(FAR_SHARE * self.level);
        let off = |x: f64| (x - self.level).clamp(-far, far);
        let seen = filled(self.channel, window, signals);
        let (after_s, tau_s) = self.follows;
        let shapes = tau_s.map(|tau_s| {
            let shown = |t: usize| 1.0 - (-(t as f64 + 0.5 - after_s).max(0.0) / tau_s).exp();
            // The second before the change had nothing of it.
            self.unsteady.whiten(std::iter::once(0.0).chain((0..seen.len()).map(shown)))
        });
        let mut innovations = self.unsteady.whiten(seen.into_iter().map(off));
        innovations.drain(..innovations.len().min(1));
        WhitenedLevel {
            total: innovations.iter().sum(),
            innovations,
            shapes: shapes.map(UnitChange::new),
            level: self.level,
        }
    }
}

/// A level's surroundings, made white.
struct WhitenedLevel {
    /// Over their standard deviation, one per second from the second on: the first lacks what was before it.
    innovations: Vec<f64>,
    total: f64,
    shapes: [UnitChange; 2],
    level: f64,
}

/// A change by one unit, from its second on.
struct UnitChange {
    shown: Vec<f64>,
    /// Sums of so many seconds of it, and of their squares.
    sums: Vec<(f64, f64)>,
}

impl UnitChange {
    /// Of a change's whitened shape, which begins with the second before it.
    fn new(mut shown: Vec<f64>) -> Self {
        shown.drain(..shown.len().min(1));
        let mut sums = vec![(0.0, 0.0)];
        sums.extend(shown.iter().scan((0.0, 0.0), |(sum, squares), x| {
            (*sum, *squares) = (*sum + x, *squares + x * x);
            Some((*sum, *squares))
        }));
        Self { shown, sums }
    }
}

/// Sum of products over what both have, in four sums at a time: one alone waits for each addition.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len().min(b.len());
    let (a, b) = (a[..n].as_chunks::<4>(), b[..n].as_chunks::<4>());
    let mut sums = [0.0; 4];
    for (a, b) in a.0.iter().zip(b.0) {
        sums.iter_mut().zip(a.iter().zip(b)).for_each(|(sum, (a, b))| *sum += a * b);
    }
    let rest: f64 = a.1.iter().zip(b.1).map(|(a, b)| a * b).sum();
    sums.iter().sum::<f64>() + rest
}

impl WhitenedLevel {
    /// What a change that began at the `k`-th second explains (log likelihood), and its size as a share of the level.
    fn gain(&self, k: usize) -> (f64, f64) {
        let [quick, slow] = self.shapes.each_ref().map(|shape| self.gain_of(shape, k));
        if quick.0 >= slow.0 { quick } else { slow }
    }

    fn gain_of(&self, shape: &UnitChange, k: usize) -> (f64, f64) {
        let since = self.innovations.get(k.saturating_sub(1)..).unwrap_or(&[]);
        let n = self.innovations.len() as f64;
        let (sum, squares) = shape.sums[since.len().min(shape.shown.len())];
        // Least squares on the change and a level, which whitened is a constant.
        let (ss, xs) = (squares - sum * sum / n, dot(since, &shape.shown) - sum * self.total / n);
        if ss > 1e-9 { (0.5 * xs * xs / ss, (xs / ss).abs() / self.level) } else { (0.0, 0.0) }
    }
}

/// Values of seconds `window.0..window.1`, each missing one as the one before it; empty where all are missing.
fn filled(channel: Channel, window: (usize, usize), signals: &Signals) -> Vec<f64> {
    let column = signals.column(channel);
    let seen = column.get(window.0..window.1.min(column.len())).unwrap_or(&[]);
    let Some(mut last) = seen.iter().copied().flatten().next() else { return vec![] };
    seen.iter()
        .map(|value| {
            last = value.unwrap_or(last);
            last
        })
        .collect()
}

/// x(t) = keeps × x(t−1) + e(t) − forgets × e(t−1), and the standard deviation of e.
struct NoiseProcess {
    keeps: f64,
    forgets: f64,
    sd: f64,
}

impl NoiseProcess {
    /// The best of a few to deviations from a level; over short stretches a usual one.
    fn fitted(off: &[f64], least_sd: f64) -> Self {
        const ENOUGH_S: usize = 60;
        const KEEPS: [f64; 2] = [0.9, 0.97];
        const FORGETS: [f64; 6] = [0.0, 0.2, 0.4, 0.6, 0.75, 0.88];
        const USUAL: (f64, f64) = (0.9, 0.5);
        let with = |(keeps, forgets): (f64, f64)| {
            let white = Self { keeps, forgets, sd: 1.0 }.whiten(off.iter().copied());
            let n = white.len().saturating_sub(1).max(1) as f64;
            let sd = (white.iter().skip(1).map(|e| e * e).sum::<f64>() / n).sqrt();
            Self { keeps, forgets, sd: sd.max(least_sd) }
        };
        if off.len() < ENOUGH_S {
            return with(USUAL);
        }
        let pairs = KEEPS.iter().flat_map(|&k| FORGETS.iter().filter(move |&&f| f < k).map(move |&f| (k, f)));
        pairs.map(with).min_by(|a, b| a.sd.total_cmp(&b.sd)).unwrap_or_else(|| with(USUAL))
    }

    /// Innovations over their standard deviation; the first is 0.
    fn whiten(&self, values: impl Iterator<Item = f64>) -> Vec<f64> {
        let mut last: Option<(f64, f64)> = None;
        values
            .map(|x| {
                let e = last.map_or(0.0, |(before, e)| x - self.keeps * before + self.forgets * e);
                last = Some((x, e));
                e / self.sd
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Uniform numbers with variance 1, the same for the same seed.
    fn noise(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            ((state >> 11) as f64 / (1u64 << 53) as f64 - 0.5) * 12.0_f64.sqrt()
        }
    }

    /// Scatter of 9 % in power and 1 % in cadence that also wander by 2 %; at second 100 the rider goes from the first
    /// levels to the second and follows within a few seconds.
    fn ridden(seed: u64, from: (f64, f64), to: (f64, f64)) -> Signals {
        let mut noise = noise(seed);
        let (mut wander, mut power_w, mut cadence_rpm) = (0.0, vec![], vec![]);
        for t in 0..400 {
            wander = 0.97 * wander + 0.02 * (1.0_f64 - 0.97 * 0.97).sqrt() * noise();
            let there = |tau_s: f64| 1.0 - (-(f64::from(t) - 101.0).max(0.0) / tau_s).exp();
            let level = |from: f64, to: f64, tau_s: f64| from + (to - from) * there(tau_s);
            power_w.push(Some(level(from.0, to.0, 1.5) * (1.0 + wander + 0.09 * noise())));
            cadence_rpm.push(Some((level(from.1, to.1, 0.6) * (1.0 + wander + 0.01 * noise())).round()));
        }
        Signals::of_columns(power_w, cadence_rpm)
    }

    fn found(signals: &Signals) -> Option<usize> {
        let search = EdgeSearch {
            core: (130, 280),
            outer: 40,
            inner: 130,
            prior: &|_| 0.0,
            length: &|_| 0.0,
            held: 90,
            room: (0, 400),
        };
        edge(&search, signals).map(|edge| edge.0)
    }

    #[test]
    fn a_block_a_fifth_above_the_recovery_begins_where_the_rider_began() {
        let near =
            |seed: &u64| found(&ridden(*seed, (100.0, 80.0), (120.0, 88.0))).is_some_and(|k| k.abs_diff(100) <= 2);
        let near = (1..=200).filter(near).count();
        assert!(near >= 190, "{near} of 200");
    }

    #[test]
    fn where_nothing_changes_nothing_is_found() {
        let still = (1..=200).filter(|&seed| found(&ridden(seed, (120.0, 88.0), (120.0, 88.0))).is_none()).count();
        assert!(still >= 150, "{still} of 200");
    }

    #[test]
    fn a_hard_effort_before_a_recovery_is_not_taken_for_the_edge_after_it() {
        let of = |seed: u64| {
            let mut signals = ridden(seed, (100.0, 80.0), (150.0, 90.0));
            let mut power_w = std::mem::take(&mut signals.power_w);
            power_w[..70].iter_mut().for_each(|p| *p = p.map(|p| 2.5 * p));
            Signals::of_columns(power_w, signals.cadence_rpm)
        };
        let near = (1..=100).filter(|&seed| found(&of(seed)).is_some_and(|k| k.abs_diff(100) <= 2)).count();
        assert!(near >= 95, "{near} of 100");
    }

    #[test]
    fn what_is_whitened_no_longer_repeats_itself() {
        let mut noise = noise(3);
        let mut x = 0.0;
        let wandering: Vec<f64> = (0..4000)
            .map(|_| {
                x = 0.9 * x + noise();
                x + 1.5 * noise()
            })
            .collect();
        let white = NoiseProcess::fitted(&wandering, 0.01).whiten(wandering.iter().copied());
        let alike = |x: &[f64]| {
            let products: f64 = x.windows(2).map(|w| w[0] * w[1]).sum();
            products / x.iter().map(|x| x * x).sum::<f64>()
        };
        // Three standard errors of a serial correlation of white values: 3/√4000 (Bartlett 1946), and the grid's coarseness.
        assert!(alike(&wandering) > 0.5 && alike(&white).abs() < 0.1, "{} {}", alike(&wandering), alike(&white));
    }

    #[test]
    fn gaps_and_rides_without_cadence_do_not_panic() {
        let mut signals = ridden(1, (100.0, 80.0), (200.0, 90.0));
        signals.cadence_rpm.fill(None);
        assert!(found(&signals).is_some_and(|k| k.abs_diff(100) <= 2));
        signals.power_w[80..].fill(None);
        assert_eq!(found(&signals), None);
        assert_eq!(found(&Signals::of_columns(vec![], vec![])), None);
    }
}
