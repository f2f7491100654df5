//! Means of samples that remember their neighbours.

use super::summary::mean;

/// Autocovariance sums Σ(xᵢ − x̄)(xᵢ₊ₖ − x̄)/n at lags 0..=`most`.
fn autocovariances(x: &[f64], most: usize) -> Vec<f64> {
    let n = x.len() as f64;
    let centre = mean(x).unwrap_or(0.0);
    let d: Vec<f64> = x.iter().map(|v| v - centre).collect();
    (0..=most.min(d.len().saturating_sub(1)))
        .map(|k| d.iter().zip(&d[k..]).map(|(a, b)| a * b).sum::<f64>() / n)
        .collect()
}

/// Effective number of independent samples, so that the mean's standard uncertainty is s/√n_eff with n_eff − 1 degrees
/// of freedom, for the usual s (divisor n − 1). Between 1 and n; n where nothing scatters.
pub fn effective_samples(residuals: &[f64]) -> f64 {
    let n = residuals.len() as f64;
    let c = autocovariances(residuals, residuals.len() / 2);
    if n < 3.0 || c[0] <= 0.0 {
        return n.max(1.0);
    }
    let mut lags = 0;
    while lags + 2 < c.len() && c[lags + 1] + c[lags + 2] > 0.0 {
        lags += 2;
    }
    let k = lags as f64;
    let sum = c[0] + 2.0 * c[1..=lags].iter().sum::<f64>();
    // The mean is taken from the same data, so every autocovariance is low by the variance of the mean itself.
    let seen = 1.0 - (1.0 + 2.0 * k - k * (k + 1.0) / n) / n;
    let mean_variance = sum / n / seen.max(0.1);
    let variance = c[0] * n / (n - 1.0);
    (variance / mean_variance).clamp(1.0, n)
}

/// One channel's share of another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// Σunit / Σreference.
    pub ratio: f64,
    /// Of the ratio, from the scatter of unit − ratio × reference.
    pub standard_uncertainty: f64,
    /// Of unit − ratio × reference, in the unit's unit.
    pub residual_sd: f64,
    pub effective_samples: f64,
    pub n: usize,
}

/// Ratio of sums over the samples that both have; `None` below three samples or where the reference sums to zero or less.
pub fn ratio(unit: &[f64], reference: &[f64]) -> Option<Ratio> {
    let (n, total) = (unit.len(), reference.iter().sum::<f64>());
    if n < 3 || reference.len() != n || total.is_nan() || total <= 0.0 {
        return None;
    }
    let ratio = unit.iter().sum::<f64>() / total;
    let residuals: Vec<f64> = unit.iter().zip(reference).map(|(u, r)| u - ratio * r).collect();
    let residual_sd = super::sample_sd(&residuals)?;
    let effective_samples = effective_samples(&residuals);
    let standard_uncertainty = residual_sd / effective_samples.sqrt() / (total / n as f64);
    Some(Ratio { ratio, standard_uncertainty, residual_sd, effective_samples, n })
}

/// Standard error of a mean from autocovariances up to `lags`, with Bartlett's weights and no small-sample factor.
///
/// `None` below two values. Source: Newey and West (1987), Econometrica 55:703-708.
pub fn newey_west_mean_se(x: &[f64], lags: usize) -> Option<f64> {
    if x.len() < 2 {
        return None;
    }
    let c = autocovariances(x, lags);
    let weight = |k: usize| 1.0 - k as f64 / (lags as f64 + 1.0);
    let variance = c[0] + 2.0 * (1..c.len()).map(|k| weight(k) * c[k]).sum::<f64>();
    Some((variance / x.len() as f64).sqrt())
}
