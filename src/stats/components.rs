//! Spread between things measured several times, results pooled over places, and rates held against each other.

use statrs::distribution::{ChiSquared, Continuous, ContinuousCDF, FisherSnedecor};

use super::consensus::{chi2_tail, dersimonian_laird, one_way_anova};
use super::distributions::coverage_factor;
use super::summary::{mean, sample_sd};

/// The value that a share `p` of the distribution lies below.
fn quantile(of: &(impl ContinuousCDF<f64, f64> + Continuous<f64, f64>), p: f64) -> f64 {
    let mut x = of.inverse_cdf(p);
    // Newton's steps make good what the library's search leaves.
    for _ in 0..3 {
        let step = (of.cdf(x) - p) / of.pdf(x);
        if step.is_finite() && x - step > 0.0 {
            x -= step;
        }
    }
    x
}

fn chi2_quantile(p: f64, dof: f64) -> f64 {
    ChiSquared::new(dof).map_or(f64::NAN, |d| quantile(&d, p))
}

fn f_quantile(p: f64, dof: f64, other: f64) -> f64 {
    FisherSnedecor::new(dof, other).map_or(f64::NAN, |d| quantile(&d, p))
}

/// Interval of a variance seen as a mean square of normal values with `dof` degrees of freedom.
///
/// Exact. Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.3.1.
pub fn variance_interval(mean_square: f64, dof: f64, level: f64) -> (f64, f64) {
    let tail = (1.0 - level) / 2.0;
    (mean_square * dof / chi2_quantile(1.0 - tail, dof), mean_square * dof / chi2_quantile(tail, dof))
}

/// Variances between and within cells (specimens, each of them measured in several sessions).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Components {
    /// 0 where the estimate is negative.
    pub between: f64,
    pub between_interval: (f64, f64),
    pub within: f64,
    pub within_interval: (f64, f64),
    /// Of the analysis of variance: is there anything between?
    pub f: f64,
    pub between_dof: f64,
    pub within_dof: f64,
    pub p: f64,
}

/// Variance components of a one-way random model; `None` below two cells or without a repeated value in any.
///
/// Of unequal cells the unweighted means with their harmonic size are taken (Thomas and Hultquist 1978, Ann Stat
/// 6:582-587). The interval between cells is the modified large-sample one (Ting et al. 1990, J Stat Comput Simul
/// 35:135-143; Burdick and Graybill 1992, Confidence Intervals on Variance Components, 3.2), that within is exact for
/// normal values. Sources from memory; the coverage is simulated.
pub fn variance_components(cells: &[Vec<f64>], level: f64) -> Option<Components> {
    let anova = one_way_anova(cells)?;
    let means = cells.iter().map(|cell| mean(cell)).collect::<Option<Vec<f64>>>()?;
    let size = cells.len() as f64 / cells.iter().map(|cell| 1.0 / cell.len() as f64).sum::<f64>();
    let (n1, n2) = (anova.between_dof, anova.within_dof);
    let (s1, s2) = (size * sample_sd(&means)?.powi(2), anova.within_squares / n2);
    let tail = (1.0 - level) / 2.0;
    // F of infinitely many second degrees of freedom is χ² over its own.
    let (f_high, f_low) = (f_quantile(1.0 - tail, n1, n2), f_quantile(tail, n1, n2));
    let least = |dof: f64| 1.0 - dof / chi2_quantile(1.0 - tail, dof);
    let most = |dof: f64| dof / chi2_quantile(tail, dof) - 1.0;
    let (g1, g2, h1, h2) = (least(n1), least(n2), most(n1), most(n2));
    let g12 = ((f_high - 1.0).powi(2) - (g1 * f_high).powi(2) - h2 * h2) / f_high;
    let h12 = ((1.0 - f_low).powi(2) - (h1 * f_low).powi(2) - g2 * g2) / f_low;
    let root = |a: f64, b: f64, ab: f64| ((a * s1).powi(2) + (b * s2).powi(2) + ab * s1 * s2).max(0.0).sqrt();
    let low = (s1 - s2 - root(g1, h2, g12)) / size;
    let high = (s1 - s2 + root(h1, g2, h12)) / size;
    Some(Components {
        between: ((s1 - s2) / size).max(0.0),
        between_interval: (low.max(0.0), high.max(0.0)),
        within: s2,
        within_interval: variance_interval(s2, n2, level),
        f: anova.f,
        between_dof: n1,
        within_dof: n2,
        p: anova.p,
    })
}

/// Results of several places pooled, with how much they differ beyond their own uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Places {
    pub mean: f64,
    pub interval: (f64, f64),
    /// Standard uncertainty of the mean, seen from the results' scatter, with `dof` degrees of freedom.
    pub u: f64,
    pub dof: f64,
    pub tau2: f64,
    pub tau2_interval: (f64, f64),
    /// Cochran's Q and the probability of one as large.
    pub q: f64,
    pub p: f64,
    /// Share of the scatter that is no scatter of each place's own, %.
    pub i2_pct: f64,
}

/// Random-effects mean of `values` with `variances` (all > 0); `None` below two.
///
/// τ² by DerSimonian and Laird (1986), Control Clin Trials 7:177-188; the mean's interval by Hartung and Knapp (2001),
/// Stat Med 20:3875-3889, and Sidik and Jonkman (2002), Stat Med 21:3153-3159, with few places nearer to its level than
/// the normal one; that of τ² by the Q-profile of Viechtbauer (2007), Stat Med 26:37-52, exact for known variances;
/// I² by Higgins and Thompson (2002), Stat Med 21:1539-1558.
pub fn random_effects(values: &[f64], variances: &[f64], level: f64) -> Option<Places> {
    let found = dersimonian_laird(values, variances)?;
    let spread: f64 = values.iter().zip(variances).map(|(y, v)| (y - found.mean).powi(2) / (v + found.tau2)).sum();
    let u = found.u * (spread / found.dof).sqrt();
    let reach = coverage_factor(level, found.dof) * u;
    let i2_pct = if found.q > 0.0 { 100.0 * (1.0 - found.dof / found.q).max(0.0) } else { 0.0 };
    Some(Places {
        mean: found.mean,
        interval: (found.mean - reach, found.mean + reach),
        u,
        dof: found.dof,
        tau2: found.tau2,
        tau2_interval: q_profile(values, variances, level),
        q: found.q,
        p: found.p,
        i2_pct,
    })
}

/// The τ² at which the generalised Q is as large as a χ² is in both tails.
fn q_profile(values: &[f64], variances: &[f64], level: f64) -> (f64, f64) {
    let dof = values.len() as f64 - 1.0;
    let q = |tau2: f64| {
        let weights: Vec<f64> = variances.iter().map(|v| 1.0 / (v + tau2)).collect();
        let total: f64 = weights.iter().sum();
        let centre = weights.iter().zip(values).map(|(w, y)| w * y).sum::<f64>() / total;
        weights.iter().zip(values).map(|(w, y)| w * (y - centre).powi(2)).sum::<f64>()
    };
    let solve = |target: f64| {
        if q(0.0) <= target {
            return 0.0;
        }
        let (mut low, mut high) = (0.0, variances.iter().copied().fold(f64::MIN_POSITIVE, f64::max));
        while q(high) > target && high.is_finite() {
            high *= 2.0;
        }
        // Q falls as τ² grows.
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if q(middle) > target { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    };
    let tail = (1.0 - level) / 2.0;
    (solve(chi2_quantile(1.0 - tail, dof)), solve(chi2_quantile(tail, dof)))
}

/// Whether several rates are one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Proportions {
    pub chi2: f64,
    pub dof: f64,
    /// Probability of a χ² as large where the rates are one.
    pub p: f64,
    /// The least count that one rate for all would make one expect.
    pub least_expected: f64,
}

/// Pearson's χ² of equal rates over groups of (hits, trials); `None` below two groups with trials, or where all or
/// none are hits, which is no difference.
///
/// Good where every expected count is 5 or more (Cochran 1954, Biometrics 10:417-451).
pub fn equal_proportions(groups: &[(u64, u64)]) -> Option<Proportions> {
    let groups: Vec<(f64, f64)> = groups.iter().filter(|g| g.1 > 0).map(|g| (g.0 as f64, g.1 as f64)).collect();
    let (hits, trials) = groups.iter().fold((0.0, 0.0), |(h, t), g| (h + g.0, t + g.1));
    if groups.len() < 2 || hits <= 0.0 || hits >= trials {
        return None;
    }
    let rate = hits / trials;
    let chi2 = groups.iter().map(|(h, n)| (h - n * rate).powi(2) / (n * rate * (1.0 - rate))).sum();
    let dof = groups.len() as f64 - 1.0;
    let least_expected = groups.iter().map(|(_, n)| n * rate.min(1.0 - rate)).fold(f64::INFINITY, f64::min);
    Some(Proportions { chi2, dof, p: chi2_tail(chi2, dof), least_expected })
}

/// Tables that the exact test counts at most.
const MOST_TABLES: u64 = 200_000;

/// The same exactly, for small counts: of all ways to deal the hits out over the trials, the share with a χ² as large.
/// `None` where [`equal_proportions`] gives none, or for more tables than can be counted.
///
/// Source: Freeman and Halton (1951), Biometrika 38:141-149, ordered by Pearson's χ².
pub fn exact_equal_proportions(groups: &[(u64, u64)]) -> Option<f64> {
    let seen = equal_proportions(groups)?.chi2;
    let groups: Vec<(u64, u64)> = groups.iter().copied().filter(|g| g.1 > 0).collect();
    let hits: u64 = groups.iter().map(|g| g.0).sum();
    let trials: Vec<u64> = groups.iter().map(|g| g.1).collect();
    let most = trials.iter().try_fold(1u64, |tables, n| tables.checked_mul(n.min(&hits) + 1))?;
    let n: u64 = trials.iter().sum();
    if most / (trials.iter().max()?.min(&hits) + 1) > MOST_TABLES {
        return None;
    }
    let rate = hits as f64 / n as f64;
    // ln k! for k up to n.
    let factorials: Vec<f64> = (0..=n)
        .scan(0.0, |sum, k| {
            *sum += (k.max(1) as f64).ln();
            Some(*sum)
        })
        .collect();
    let ways = |n: u64, k: u64| factorials[n as usize] - factorials[k as usize] - factorials[(n - k) as usize];
    let all = ways(n, hits);
    let term = |n: u64, k: u64| (k as f64 - n as f64 * rate).powi(2) / (n as f64 * rate * (1.0 - rate));
    // (group, hits left, χ² so far, ln of the ways so far)
    let mut open = vec![(0usize, hits, 0.0, 0.0)];
    let mut p = 0.0;
    while let Some((i, left, chi2, weight)) = open.pop() {
        let after: u64 = trials[i + 1..].iter().sum();
        if i + 1 == trials.len() {
            // Rounding must not lose the table that was seen.
            if chi2 + term(trials[i], left) >= seen * (1.0 - 1e-9) {
                p += (weight + ways(trials[i], left) - all).exp();
            }
            continue;
        }
        for k in left.saturating_sub(after)..=left.min(trials[i]) {
            open.push((i + 1, left - k, chi2 + term(trials[i], k), weight + ways(trials[i], k)));
        }
    }
    Some(p.min(1.0))
}

/// Probabilities of several tests with the allowance that keeps all true nulls together at one level.
///
/// Source: Holm (1979), Scand J Stat 6:65-70.
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let mut adjusted = vec![0.0; p.len()];
    let mut least = 0.0_f64;
    for (rank, i) in order.into_iter().enumerate() {
        least = least.max(p[i] * (p.len() - rank) as f64).min(1.0);
        adjusted[i] = least;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_those_of_the_tables() {
        // NIST/SEMATECH e-Handbook 1.3.6.7.4 and 1.3.6.7.3, upper tails of χ² and F, three decimals (seen: χ² at 0.975 in a
        // handout that cites the page, the others as public programs' copies of the tables).
        for (upper, dof, x) in [(0.05, 5.0, 11.070), (0.025, 10.0, 20.483), (0.975, 10.0, 3.247), (0.001, 30.0, 59.703)]
        {
            assert!((chi2_quantile(1.0 - upper, dof) - x).abs() < 5.001e-4);
        }
        for (n1, n2, upper, x) in [(3.0, 2.0, 0.05, 19.164), (5.0, 2.0, 0.10, 9.293), (10.0, 1.0, 0.05, 241.882)] {
            assert!((f_quantile(1.0 - upper, n1, n2) - x).abs() < 5.001e-4);
        }
        // Further digits, computed with scipy 1.17.1.
        for (upper, dof, x) in [(0.05, 5.0, 11.07050), (0.025, 10.0, 20.48318), (0.975, 10.0, 3.24697)] {
            assert!((chi2_quantile(1.0 - upper, dof) - x).abs() < 5e-6);
        }
        for (n1, n2, upper, x) in [(3.0, 2.0, 0.05, 19.1643), (3.0, 3.0, 0.025, 15.4392), (10.0, 1.0, 0.05, 241.8817)] {
            assert!((f_quantile(1.0 - upper, n1, n2) - x).abs() < 5e-5);
        }
    }

    #[test]
    fn nine_measurements_pool_as_published() {
        // Kacker (2004), Metrologia 41:132-136, Table 1, first row; figures by the R package metafor, kept in the tests of
        // statsmodels, which agrees with them (seen).
        let y = [61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90];
        let v = [0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225];
        let pooled = random_effects(&y, &v, 0.95).unwrap();
        assert!((pooled.tau2 - 0.288049246973751).abs() < 1e-9);
        assert!((pooled.mean - 62.3901386044504).abs() < 1e-9 && (pooled.u - 0.29477605699879).abs() < 1e-9);
        assert!((pooled.interval.0 - 61.710383798052).abs() < 1e-8);
        assert!((pooled.interval.1 - 63.0698934108488).abs() < 1e-8);
        assert!((pooled.q - 24.801897741835).abs() < 1e-9 && (pooled.p - 0.00167935146372742).abs() < 1e-9);
        assert!((pooled.i2_pct - 67.744403741711).abs() < 1e-9);
        assert!(pooled.tau2_interval.0 < pooled.tau2 && pooled.tau2 < pooled.tau2_interval.1);
    }

    #[test]
    fn trials_pool_as_published() {
        // DerSimonian and Kacker (2007), Contemp Clin Trials 28:105-114, Tables 3 and 4: log odds ratios (seen in the tests of
        // the R package metafor, which cite the tables).
        let n1 = [156.0, 303.0, 565.0, 1570.0, 103.0, 4659.0];
        let n2 = [74.0, 303.0, 477.0, 1565.0, 105.0, 4650.0];
        let a: [f64; 6] = [5.0, 5.0, 12.0, 69.0, 9.0, 313.0];
        let c = [8.0, 17.0, 9.0, 94.0, 11.0, 352.0];
        let at = |i: usize| -> [f64; 4] { [a[i], n1[i] - a[i], c[i], n2[i] - c[i]] };
        let y: Vec<f64> = (0..6).map(at).map(|[a, b, c, d]: [f64; 4]| (a * d / (b * c)).ln()).collect();
        let v: Vec<f64> = (0..6).map(|i| at(i).iter().map(|n| 1.0 / n).sum()).collect();
        let pooled = random_effects(&y, &v, 0.95).unwrap();
        assert!((pooled.tau2.sqrt() - 0.2323).abs() < 5e-5 && (pooled.mean + 0.3240).abs() < 5e-5);
    }

    #[test]
    fn equal_cells_give_the_components_of_the_analysis_of_variance() {
        // NIST StRD SiRstv: within 20 degrees of freedom 2.16636560000000E-01, F 1.18046237440255, residual SD
        // 0.104076068334656 (seen); the component between is computed from the certified sums.
        let cells = [
            [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
            [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
            [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
            [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
            [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
        ]
        .map(Vec::from);
        let found = variance_components(&cells, 0.95).unwrap();
        assert!((found.f - 1.18046237440255).abs() < 1e-8);
        assert!((found.within.sqrt() - 0.104076068334656).abs() < 1e-10);
        let between = (5.11462616e-2 / 4.0 - 2.1663656e-1 / 20.0) / 5.0;
        assert!((found.between - between).abs() < 1e-10);
        assert!(found.between_interval.0 == 0.0 && found.between_interval.1 > between);
    }

    #[test]
    fn five_lots_differ_as_published() {
        // NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.6: nonconforming diodes in five lots of 300; χ² 12.131 on 4
        // degrees of freedom, beyond 9.488 at 5 % (seen in public tests that cite the page; the counts from memory, worked
        // again by hand: 464/45 + 464/255; the probability 0.0164 computed with scipy 1.17.1).
        let found = equal_proportions(&[(36, 300), (46, 300), (42, 300), (63, 300), (38, 300)]).unwrap();
        assert!((found.chi2 - 12.131).abs() < 5e-4 && found.dof == 4.0 && found.least_expected == 45.0);
        assert!((found.p - 0.0164).abs() < 5e-5);
    }

    #[test]
    fn small_tables_are_counted_exactly() {
        // Fisher (1935), The Design of Experiments: the lady tasting tea, 3 of 4 against 1 of 4; two-sided 34/70
        // (from memory; counted by hand: 1 + 16 + 16 + 1 of 70 tables are as far from even).
        assert!((exact_equal_proportions(&[(3, 4), (1, 4)]).unwrap() - 34.0 / 70.0).abs() < 1e-12);
        assert_eq!(exact_equal_proportions(&[(0, 4), (0, 4)]), None);
    }

    #[test]
    fn holm_steps_down() {
        // Holm's own rule on three: 0.01·3, 0.02·2, 0.03.
        let adjusted = holm(&[0.02, 0.01, 0.03]);
        for (got, want) in adjusted.iter().zip([0.04, 0.03, 0.04]) {
            assert!((got - want).abs() < 1e-12);
        }
    }
}
