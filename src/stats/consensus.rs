//! Several instruments, laboratories or sessions on the same thing.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor};

use super::summary::mean;

/// Difference over its expanded uncertainty; consistent if |E_n| ≤ 1.
///
/// Both uncertainties expanded at the same coverage and independent. Source: ISO 13528:2022.
pub fn e_n(value: f64, expanded: f64, reference: f64, reference_expanded: f64) -> f64 {
    (value - reference) / expanded.hypot(reference_expanded)
}

/// √(χ²/dof): how much wider the values scatter than their uncertainties say; `None` without degrees of freedom.
///
/// Source: Birge (1932), Phys Rev 40:207-227.
pub fn birge_ratio(chi2: f64, dof: f64) -> Option<f64> {
    (dof > 0.0).then(|| (chi2 / dof).sqrt())
}

/// What correlated values say together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Consensus {
    pub value: f64,
    /// Standard uncertainty, as the covariance says (not widened).
    pub u: f64,
    pub chi2: f64,
    pub dof: f64,
    /// Probability of a χ² at least this large; 1 for a single value.
    pub p: f64,
}

/// Generalised least-squares mean of values with a full covariance matrix; `None` unless that is positive definite.
pub fn weighted_consensus(values: &[f64], covariance: &[Vec<f64>]) -> Option<Consensus> {
    let root = cholesky(covariance)?;
    if values.is_empty() || root.len() != values.len() {
        return None;
    }
    // Whitened by the root: independent values of unit variance, with `one` in place of 1.
    let one = forward(&root, &vec![1.0; values.len()]);
    let white = forward(&root, values);
    let weight = dot(&one, &one);
    let value = dot(&one, &white) / weight;
    let chi2 = white.iter().zip(&one).map(|(y, o)| (y - o * value).powi(2)).sum();
    let dof = values.len() as f64 - 1.0;
    Some(Consensus { value, u: weight.recip().sqrt(), chi2, dof, p: chi2_tail(chi2, dof) })
}

/// Probability of this χ² or more.
pub(super) fn chi2_tail(chi2: f64, dof: f64) -> f64 {
    ChiSquared::new(dof).map_or(1.0, |d| d.sf(chi2))
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Lower triangle L, row by row, with L·Lᵀ = `matrix`.
fn cholesky(matrix: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let mut rows: Vec<Vec<f64>> = Vec::with_capacity(matrix.len());
    for (i, given) in matrix.iter().enumerate() {
        if given.len() != matrix.len() {
            return None;
        }
        let mut row: Vec<f64> = Vec::with_capacity(i + 1);
        for (j, above) in rows.iter().enumerate() {
            row.push((given[j] - dot(&row, above)) / above[j]);
        }
        let pivot = given[i] - dot(&row, &row);
        // Rounding leaves a singular matrix a pivot of about one part in 1e16.
        if pivot.is_nan() || pivot <= 1e-14 * given[i].abs() {
            return None;
        }
        row.push(pivot.sqrt());
        rows.push(row);
    }
    Some(rows)
}

/// Solves L·x = b.
fn forward(lower: &[Vec<f64>], b: &[f64]) -> Vec<f64> {
    let mut x: Vec<f64> = Vec::with_capacity(b.len());
    for (row, value) in lower.iter().zip(b) {
        x.push((value - dot(&x, row)) / row[x.len()]);
    }
    x
}

/// Inverse of a symmetric positive definite matrix, row by row; `None` where it is not one.
pub fn inverse(matrix: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let root = cholesky(matrix)?;
    let unit = |i: usize| (0..root.len()).map(|j| f64::from(u8::from(i == j))).collect::<Vec<f64>>();
    // (L·Lᵀ)⁻¹ is the product of L⁻¹ transposed with itself; each column of L⁻¹ solves L·x = e.
    let columns: Vec<Vec<f64>> = (0..root.len()).map(|i| forward(&root, &unit(i))).collect();
    Some(columns.iter().map(|a| columns.iter().map(|b| dot(a, b)).collect()).collect())
}

/// Noise variances of three instruments from the variances of their pairwise differences; can be negative.
///
/// It sees noise, never bias. Source: Grubbs (1948), J Am Stat Assoc 43:243-264.
pub fn grubbs_three(v12: f64, v13: f64, v23: f64) -> [f64; 3] {
    [(v12 + v13 - v23) / 2.0, (v12 + v23 - v13) / 2.0, (v13 + v23 - v12) / 2.0]
}

/// One-way analysis of variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Anova {
    pub between_squares: f64,
    pub between_dof: f64,
    pub within_squares: f64,
    pub within_dof: f64,
    pub f: f64,
    /// Probability of an F at least this large if the groups have one mean.
    pub p: f64,
}

/// Groups may differ in size; `None` below two groups or without a repeated value in any.
pub fn one_way_anova(groups: &[Vec<f64>]) -> Option<Anova> {
    let n: usize = groups.iter().map(Vec::len).sum();
    // Sums of the deviations from one value of the data keep the digits where leading ones are constant.
    let origin = *groups.first()?.first()?;
    let shifted: Vec<Vec<f64>> = groups.iter().map(|g| g.iter().map(|v| v - origin).collect()).collect();
    let grand = shifted.iter().flatten().sum::<f64>() / n as f64;
    let (mut between_squares, mut within_squares) = (0.0, 0.0);
    for group in &shifted {
        let centre = mean(group)?;
        between_squares += group.len() as f64 * (centre - grand).powi(2);
        within_squares += group.iter().map(|v| (v - centre).powi(2)).sum::<f64>();
    }
    let (between_dof, within_dof) = (groups.len() as f64 - 1.0, n as f64 - groups.len() as f64);
    if between_dof < 1.0 || within_dof < 1.0 {
        return None;
    }
    let f = between_squares / between_dof / (within_squares / within_dof);
    // Without scatter within, F is infinite, or no number where nothing differs at all.
    let p = match f {
        f if f.is_nan() => 1.0,
        f if f.is_infinite() => 0.0,
        f => FisherSnedecor::new(between_dof, within_dof).ok()?.sf(f),
    };
    Some(Anova { between_squares, between_dof, within_squares, within_dof, f, p })
}

/// Spread of one thing measured in several cells (laboratories, sessions, specimens).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Precision {
    pub mean: f64,
    pub repeatability_sd: f64,
    /// Between cells alone; 0 where the estimate of its square is negative.
    pub between_sd: f64,
    pub reproducibility_sd: f64,
}

/// Repeatability and reproducibility of cells of repeats; cells of one value are left out, `None` below two others.
///
/// Source: ISO 5725-2.
pub fn repeatability_reproducibility(cells: &[Vec<f64>]) -> Option<Precision> {
    let cells: Vec<Vec<f64>> = cells.iter().filter(|c| c.len() >= 2).cloned().collect();
    let anova = one_way_anova(&cells)?;
    let n: f64 = cells.iter().map(|c| c.len() as f64).sum();
    let squares: f64 = cells.iter().map(|c| (c.len() as f64).powi(2)).sum();
    let usual_size = (n - squares / n) / anova.between_dof;
    let within = anova.within_squares / anova.within_dof;
    let between = ((anova.between_squares / anova.between_dof - within) / usual_size).max(0.0);
    Some(Precision {
        mean: mean(&cells.concat())?,
        repeatability_sd: within.sqrt(),
        between_sd: between.sqrt(),
        reproducibility_sd: (within + between).sqrt(),
    })
}

/// Mean of results that differ by more than their uncertainties.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RandomEffects {
    pub mean: f64,
    /// Standard uncertainty of the mean.
    pub u: f64,
    /// Variance between the results beyond their own.
    pub tau2: f64,
    /// Cochran's Q, its degrees of freedom and its upper-tail probability.
    pub q: f64,
    pub dof: f64,
    pub p: f64,
}

/// Random-effects mean of `values` with `variances` (all > 0); `None` below two.
///
/// Source: DerSimonian and Laird (1986), Control Clin Trials 7:177-188.
pub fn dersimonian_laird(values: &[f64], variances: &[f64]) -> Option<RandomEffects> {
    if values.len() < 2 || values.len() != variances.len() || variances.iter().any(|v| v.is_nan() || *v <= 0.0) {
        return None;
    }
    let pooled = |tau2: f64| {
        let weights: Vec<f64> = variances.iter().map(|v| 1.0 / (v + tau2)).collect();
        let total: f64 = weights.iter().sum();
        (dot(&weights, values) / total, total, dot(&weights, &weights))
    };
    let (fixed, total, squares) = pooled(0.0);
    let q: f64 = values.iter().zip(variances).map(|(y, v)| (y - fixed).powi(2) / v).sum();
    let dof = values.len() as f64 - 1.0;
    let tau2 = ((q - dof) / (total - squares / total)).max(0.0);
    let (mean, total, _) = pooled(tau2);
    Some(RandomEffects { mean, u: total.recip().sqrt(), tau2, q, dof, p: chi2_tail(q, dof) })
}
