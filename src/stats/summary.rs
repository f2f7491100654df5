//! One sample: its middle, its spread, its memory.

use super::distributions::t_quantile;

/// Arithmetic mean; `None` of nothing.
pub fn mean(x: &[f64]) -> Option<f64> {
    (!x.is_empty()).then(|| x.iter().sum::<f64>() / x.len() as f64)
}

/// Standard deviation with divisor n − 1; `None` below two values.
///
/// Two passes, and the second takes out what rounding left of the mean: Σd² − (Σd)²/n. Source: Chan, Golub and
/// LeVeque (1983), Am Stat 37:242-247, from memory.
pub fn sample_sd(x: &[f64]) -> Option<f64> {
    if x.len() < 2 {
        return None;
    }
    let (n, centre) = (x.len() as f64, mean(x)?);
    let (sum, squares) = x.iter().map(|v| v - centre).fold((0.0, 0.0), |(s, q), d| (s + d, q + d * d));
    Some(((squares - sum * sum / n).max(0.0) / (n - 1.0)).sqrt())
}

/// Middle value, the mean of the middle two for an even number; `None` of nothing.
pub fn median(x: &[f64]) -> Option<f64> {
    let mut sorted = x.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    match sorted.len() {
        0 => None,
        n if n % 2 == 1 => Some(sorted[middle]),
        _ => Some((sorted[middle - 1] + sorted[middle]) / 2.0),
    }
}

/// Autocorrelation Σ(xᵢ − x̄)(xᵢ₊ₖ − x̄) / Σ(xᵢ − x̄)² at a lag of k; `None` without spread or with k ≥ n.
///
/// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.3.1.
pub fn autocorrelation(x: &[f64], lag: usize) -> Option<f64> {
    let centre = mean(x)?;
    let squares: f64 = x.iter().map(|v| (v - centre).powi(2)).sum();
    if lag >= x.len() || squares <= 0.0 {
        return None;
    }
    Some(x.iter().zip(&x[lag..]).map(|(a, b)| (a - centre) * (b - centre)).sum::<f64>() / squares)
}

/// Bland and Altman's 95 % limits, each with its own 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitsOfAgreement {
    pub n: usize,
    pub mean: f64,
    pub sd: f64,
    pub low: f64,
    pub high: f64,
    /// 95 % interval of the lower limit.
    pub low_interval: (f64, f64),
    pub high_interval: (f64, f64),
}

/// Limits of agreement mean ± 1.96 s of independent differences; `None` below two.
///
/// The standard error of a limit is √(3s²/n). Source: Bland and Altman (1986), Lancet 327:307-310.
pub fn limits_of_agreement(differences: &[f64]) -> Option<LimitsOfAgreement> {
    let (n, mean, sd) = (differences.len(), mean(differences)?, sample_sd(differences)?);
    let reach = 1.96 * sd;
    let half = t_quantile(0.975, n as f64 - 1.0) * (3.0 * sd * sd / n as f64).sqrt();
    let around = |limit: f64| (limit - half, limit + half);
    let (low, high) = (mean - reach, mean + reach);
    Some(LimitsOfAgreement { n, mean, sd, low, high, low_interval: around(low), high_interval: around(high) })
}
