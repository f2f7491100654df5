//! Where the rider may have begun to change: evidence of a change of power and cadence at each second, by itself.
//!
//! A rider's own unsteadiness is an ARMA(1,1) process: slow wandering under scatter from second to second. Passed through
//! that process's inverse, a change that begins at a second has a shape of its own from there on (an intervention: Box and
//! Tiao, J Am Stat Assoc 70 (1975) 70). How much better a level with that change fits the seconds around than a level
//! without, by least squares with unknown variance, is the evidence.

use super::parameters::Parameters;
use super::signals::{Channel, Signals};

/// Log likelihood ratio of a change that begins at each second (and at the ride's end) against a level held there.
pub(super) fn evidence(signals: &Signals, p: &Parameters) -> Vec<f64> {
    let windows = [p.near_s as usize, p.far_s as usize];
    let mut gains = vec![[0.0; 2]; signals.len() + 1];
    for channel in [Channel::Power, Channel::Cadence] {
        let channel = WhitenedChannel::of(signals.column(channel), p);
        for (w, half) in windows.into_iter().enumerate() {
            let shapes =
                [p.follows_s, p.follows_slowly_s].map(|tau_s| channel.noise.shape(p.shows_after_s, tau_s, half));
            gains.iter_mut().enumerate().for_each(|(k, gain)| gain[w] += channel.gain(k, half, &shapes));
        }
    }
    // Either window may be the one that holds no other change.
    gains.iter().map(|[near, far]| near.max(*far) + ((1.0 + (-(near - far).abs()).exp()) / 2.0).ln()).collect()
}

/// A channel of which neighbouring seconds no longer repeat each other.
struct WhitenedChannel {
    noise: NoiseProcess,
    innovations: Vec<f64>,
    /// Sums of the innovations before each second, and of their squares.
    sums: Vec<(f64, f64)>,
}

impl WhitenedChannel {
    /// A missing second counts as the one before it.
    fn of(column: &[Option<f64>], p: &Parameters) -> Self {
        let mut last = column.iter().copied().flatten().next().unwrap_or(0.0);
        let values: Vec<f64> = column
            .iter()
            .map(|value| {
                last = value.unwrap_or(last);
                last
            })
            .collect();
        let noise = NoiseProcess::fitted(&values, p);
        let innovations: Vec<f64> = noise.whiten(values.iter().copied()).collect();
        let mut sums = vec![(0.0, 0.0)];
        sums.extend(innovations.iter().scan((0.0, 0.0), |(sum, squares), e| {
            (*sum, *squares) = (*sum + e, *squares + e * e);
            Some((*sum, *squares))
        }));
        Self { noise, innovations, sums }
    }

    /// Log likelihood that the better of two shapes of a change at `k` gains over `half` seconds to either side.
    fn gain(&self, k: usize, half: usize, shapes: &[Vec<f64>; 2]) -> f64 {
        const LEAST_S: usize = 3;
        let (from, to) = (k.saturating_sub(half), (k + half).min(self.innovations.len()));
        if k < from + LEAST_S || to < k + LEAST_S {
            return 0.0;
        }
        let n = (to - from) as f64;
        let (sum, squares) = (self.sums[to].0 - self.sums[from].0, self.sums[to].1 - self.sums[from].1);
        // A channel that stands still tells nothing.
        let least = 1e-6 * n;
        let all = squares - sum * sum / n + least;
        let explained = |shape: &Vec<f64>| {
            let (mut products, mut shown, mut squares) = (0.0, 0.0, 0.0);
            for (e, h) in self.innovations[k..to].iter().zip(shape) {
                products += e * h;
                shown += h;
                squares += h * h;
            }
            let (products, squares) = (products - shown * sum / n, squares - shown * shown / n);
            if squares > 1e-9 { products * products / squares } else { 0.0 }
        };
        let explained = shapes.iter().map(explained).fold(0.0, f64::max);
        // What a free coefficient gains by chance is taken off (Schwarz, Ann Stat 6 (1978) 461).
        (0.5 * n * (all / (all - explained).max(least)).ln() - 0.5 * n.ln()).max(-1.0)
    }
}

/// x(t) = keeps × x(t−1) + e(t) − forgets × e(t−1).
#[derive(Debug, Clone, Copy)]
struct NoiseProcess {
    keeps: f64,
    forgets: f64,
}

impl NoiseProcess {
    /// The scatter under the wandering for which the middle one of all innovations is smallest: steps are few.
    fn fitted(values: &[f64], p: &Parameters) -> Self {
        const FORGETS: [f64; 4] = [0.0, 0.25, 0.5, 0.75];
        let typical = |noise: &NoiseProcess| {
            let mut sizes: Vec<f64> = noise.whiten(values.iter().copied()).map(f64::abs).filter(|e| *e > 0.0).collect();
            let middle = sizes.len() / 2;
            if sizes.is_empty() { 0.0 } else { *sizes.select_nth_unstable_by(middle, f64::total_cmp).1 }
        };
        let all = FORGETS.map(|forgets| NoiseProcess { keeps: p.keeps, forgets }).map(|noise| (typical(&noise), noise));
        all.into_iter().min_by(|a, b| a.0.total_cmp(&b.0)).map_or(Self { keeps: p.keeps, forgets: 0.5 }, |best| best.1)
    }

    fn whiten(self, values: impl Iterator<Item = f64>) -> impl Iterator<Item = f64> {
        let mut last: Option<(f64, f64)> = None;
        values.map(move |x| {
            let e = last.map_or(0.0, |(before, e)| x - self.keeps * before + self.forgets * e);
            last = Some((x, e));
            e
        })
    }

    /// A change by one unit as innovations, from the second at which it begins on: the channel shows nothing of it for
    /// `after_s` and follows with the time constant `tau_s`.
    fn shape(self, after_s: f64, tau_s: f64, half: usize) -> Vec<f64> {
        let shown = |t: usize| 1.0 - (-(t as f64 + 0.5 - after_s).max(0.0) / tau_s).exp();
        // The second before had nothing of it.
        self.whiten(std::iter::once(0.0).chain((0..half).map(shown))).skip(1).collect()
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
        for t in 0..200 {
            wander = 0.97 * wander + 0.02 * (1.0_f64 - 0.97 * 0.97).sqrt() * noise();
            let there = |tau_s: f64| 1.0 - (-(f64::from(t) - 101.0).max(0.0) / tau_s).exp();
            let level = |from: f64, to: f64, tau_s: f64| from + (to - from) * there(tau_s);
            power_w.push(Some(level(from.0, to.0, 1.5) * (1.0 + wander + 0.09 * noise())));
            cadence_rpm.push(Some((level(from.1, to.1, 0.6) * (1.0 + wander + 0.01 * noise())).round()));
        }
        Signals::of_columns(power_w, cadence_rpm)
    }

    fn clearest(signals: &Signals) -> (usize, f64) {
        let evidence = evidence(signals, &Parameters::SHIPPED);
        let best = (20..180).max_by(|a, b| evidence[*a].total_cmp(&evidence[*b])).unwrap();
        (best, evidence[best])
    }

    #[test]
    fn a_change_by_a_fifth_stands_out_where_the_rider_began() {
        let near = (1..=200).filter(|&seed| clearest(&ridden(seed, (100.0, 80.0), (120.0, 88.0))).0.abs_diff(100) <= 2);
        let near = near.count();
        assert!(near >= 190, "{near} of 200");
    }

    #[test]
    fn where_nothing_changes_little_stands_out() {
        let most = |seed| clearest(&ridden(seed, (120.0, 88.0), (120.0, 88.0))).1;
        let still = (1..=200).filter(|&seed| most(seed) < 7.0).count();
        assert!(still >= 180, "{still} of 200");
    }

    #[test]
    fn gaps_and_rides_without_cadence_do_not_panic() {
        let mut signals = ridden(1, (100.0, 80.0), (200.0, 90.0));
        signals.cadence_rpm.fill(None);
        assert!(clearest(&signals).0.abs_diff(100) <= 2);
        signals.power_w.fill(None);
        assert!(evidence(&signals, &Parameters::SHIPPED).iter().all(|e| e.is_finite()));
        assert_eq!(evidence(&Signals::of_columns(vec![], vec![]), &Parameters::SHIPPED), [0.0]);
    }
}
