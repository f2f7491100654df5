//! From counts at a few sizes to the size that is found.

use crate::stats::{self, Sides};

/// A fault is found where nine of ten sessions fail.
pub const WANTED: f64 = 0.9;

/// So many of so many sessions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TrialShare {
    pub hits: u64,
    pub n: u64,
}

impl TrialShare {
    /// NaN of no session.
    pub fn value(self) -> f64 {
        self.hits as f64 / self.n as f64
    }

    /// 95 % limits. Source: Clopper and Pearson (1934), Biometrika 26:404-413.
    pub fn interval(self) -> (f64, f64) {
        if self.n == 0 { (0.0, 1.0) } else { stats::clopper_pearson(self.hits, self.n, 0.95, Sides::Two) }
    }
}

/// The smallest size that is found with some probability.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FoundSize {
    /// Somewhere between, most likely at `size`. An open end lies beyond the sizes that were ridden.
    At { size: f64, low: Option<f64>, high: Option<f64> },
    /// Every size that was ridden is found more often.
    Below(f64),
    /// No size that was ridden is found as often.
    Above(f64),
}

/// Where a rising curve through shares at growing sizes crosses `wanted`; `None` without a session.
///
/// What is more is found no less often: shares that fall by chance are pooled with their neighbours (Ayer et al. 1955, Ann
/// Math Stat 26:641-647), and between sizes the curve is straight. Its ends do not lean on that line, as nobody knows how the
/// curve rises between two sizes: from the last size with an upper limit below `wanted` to the first with a lower one above.
pub fn threshold(points: &[(f64, TrialShare)], wanted: f64) -> Option<FoundSize> {
    if points.is_empty() || points.iter().any(|(_, share)| share.n == 0) {
        return None;
    }
    let sizes: Vec<f64> = points.iter().map(|(size, _)| *size).collect();
    let (first, last) = (sizes[0], sizes[sizes.len() - 1]);
    Some(match crossing(&sizes, &rising_by(points, &TrialShare::value), wanted) {
        CurveCrossing::Before => FoundSize::Below(first),
        CurveCrossing::After => FoundSize::Above(last),
        CurveCrossing::At(size) => {
            let lower = rising_by(points, &|share| share.interval().0);
            let upper = rising_by(points, &|share| share.interval().1);
            let low = upper.iter().rposition(|limit| *limit < wanted).map(|at| sizes[at]);
            let high = lower.iter().position(|limit| *limit >= wanted).map(|at| sizes[at]);
            FoundSize::At { size, low, high }
        }
    })
}

/// The rising curve's share at each size, as [`threshold`] takes it; none where a size has no session.
pub(super) fn rising_shares(points: &[(f64, TrialShare)]) -> Vec<f64> {
    if points.iter().any(|(_, share)| share.n == 0) { vec![] } else { rising_by(points, &TrialShare::value) }
}

fn rising_by(points: &[(f64, TrialShare)], of: &dyn Fn(TrialShare) -> f64) -> Vec<f64> {
    rising(&points.iter().map(|(_, share)| (of(*share), share.n as f64)).collect::<Vec<_>>())
}

enum CurveCrossing {
    Before,
    At(f64),
    After,
}

fn crossing(sizes: &[f64], rising: &[f64], wanted: f64) -> CurveCrossing {
    let Some(above) = rising.iter().position(|share| *share >= wanted) else { return CurveCrossing::After };
    if above == 0 {
        return CurveCrossing::Before;
    }
    let (from, to) = (above - 1, above);
    let part = (wanted - rising[from]) / (rising[to] - rising[from]);
    CurveCrossing::At(sizes[from] + part * (sizes[to] - sizes[from]))
}

/// The rising sequence nearest to the values by least squares: neighbours that fall are pooled by weight.
fn rising(weighted: &[(f64, f64)]) -> Vec<f64> {
    let mut blocks: Vec<(f64, f64, usize)> = vec![];
    for (value, weight) in weighted {
        let mut block = (*value, *weight, 1);
        while let Some(last) = blocks.last().filter(|last| last.0 > block.0) {
            let weight = last.1 + block.1;
            block = ((last.0 * last.1 + block.0 * block.1) / weight, weight, last.2 + block.2);
            blocks.pop();
        }
        blocks.push(block);
    }
    blocks.into_iter().flat_map(|(value, _, n)| std::iter::repeat_n(value, n)).collect()
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;

    fn share(hits: u64) -> TrialShare {
        TrialShare { hits, n: 100 }
    }

    #[test]
    fn a_size_between_two_is_found_by_a_straight_line() {
        let points = [(1.0, share(2)), (2.0, share(50)), (3.0, share(100))];
        let Some(FoundSize::At { size, low: Some(low), high: Some(high) }) = threshold(&points, 0.9) else {
            panic!("{:?}", threshold(&points, 0.9))
        };
        assert!((size - 2.8).abs() < 1e-12, "{size}");
        // Clopper and Pearson's limits of 50 and of 100 in 100 are 39.8 to 60.2 % and 96.4 to 100 %, computed.
        assert_eq!((low, high), (2.0, 3.0));
    }

    /// A curve that rises within 1 W between sizes far apart: a straight line would put its limits near the larger size.
    #[test]
    fn limits_hold_the_true_size_however_the_curve_rises() {
        let sizes = [1.0, 2.0, 3.0, 5.0, 10.0, 15.0, 20.0];
        let mut rng = ChaCha8Rng::seed_from_u64(4711);
        let (mut held, mut asked) = (0, 0);
        for (middle, width) in [(7.0, 0.2), (4.0, 0.3), (4.0, 1.5), (9.0, 2.0), (2.5, 1.0), (12.0, 0.5)] {
            // Logistic: 90 % where the odds are nine to one.
            let truth = middle + width * 9f64.ln();
            for _ in 0..500 {
                let points = sizes.map(|size| {
                    let p = 1.0 / (1.0 + ((middle - size) / width).exp());
                    (size, TrialShare { hits: (0..60).filter(|_| rng.random_bool(p)).count() as u64, n: 60 })
                });
                let Some(FoundSize::At { low, high, .. }) = threshold(&points, 0.9) else { continue };
                asked += 1;
                held += u64::from(low.is_none_or(|low| low <= truth) && high.is_none_or(|high| truth <= high));
            }
        }
        println!("{held} of {asked}");
        assert!(asked > 2900 && stats::clopper_pearson(held, asked, 0.99, Sides::Lower).0 >= 0.93, "{held} of {asked}");
    }

    #[test]
    fn shares_that_fall_by_chance_are_pooled() {
        let pooled = rising(&[(0.25, 1.0), (0.75, 1.0), (0.25, 3.0), (1.0, 1.0)]);
        assert_eq!(pooled, [0.25, 0.375, 0.375, 1.0]);
    }

    #[test]
    fn what_lies_beyond_the_sizes_ridden_is_said_so() {
        assert_eq!(threshold(&[(1.0, share(95)), (2.0, share(100))], 0.9), Some(FoundSize::Below(1.0)));
        assert_eq!(threshold(&[(1.0, share(5)), (2.0, share(70))], 0.9), Some(FoundSize::Above(2.0)));
        assert_eq!(threshold(&[(1.0, TrialShare { hits: 0, n: 0 })], 0.9), None);
        assert_eq!(threshold(&[], 0.9), None);
    }
}
