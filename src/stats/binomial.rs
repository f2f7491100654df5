//! How often, from counts.

use statrs::distribution::{Beta, Continuous, ContinuousCDF};

use super::distributions::coverage_factor;

/// Which ends of an interval are limits; the other end is then 0 or 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sides {
    Lower,
    Upper,
    Two,
}

/// Exact binomial confidence interval of a rate, from `successes` (at most `n`) in `n`; all of 0..1 for no trial.
///
/// Source: Clopper and Pearson (1934), Biometrika 26:404-413.
pub fn clopper_pearson(successes: u64, n: u64, level: f64, sides: Sides) -> (f64, f64) {
    let (hits, misses) = (successes as f64, n.saturating_sub(successes) as f64);
    let tail = if sides == Sides::Two { (1.0 - level) / 2.0 } else { 1.0 - level };
    let quantile = |p: f64, a: f64, b: f64| {
        let beta = Beta::new(a, b).ok()?;
        let guess = beta.inverse_cdf(p);
        // One step of Newton's makes good what the library's search leaves (2e-9 of a limit near 0).
        let step = (beta.cdf(guess) - p) / beta.pdf(guess);
        Some(if step.is_finite() { (guess - step).clamp(0.0, 1.0) } else { guess })
    };
    // With no hit (or no miss) the beta distribution has no first (second) parameter and the limit is the end itself.
    let low = if sides == Sides::Upper { None } else { quantile(tail, hits, misses + 1.0) };
    let high = if sides == Sides::Lower { None } else { quantile(1.0 - tail, hits + 1.0, misses) };
    (low.unwrap_or(0.0), high.unwrap_or(1.0))
}

/// Wilson's two-sided score interval without continuity correction; all of 0..1 for no trial.
///
/// Source: Wilson (1927), J Am Stat Assoc 22:209-212.
pub fn wilson(successes: u64, n: u64, level: f64) -> (f64, f64) {
    if n == 0 {
        return (0.0, 1.0);
    }
    let (n, z) = (n as f64, coverage_factor(level, f64::INFINITY));
    let p = successes as f64 / n;
    let scale = 1.0 / (1.0 + z * z / n);
    let middle = scale * (p + z * z / (2.0 * n));
    let half = scale * z * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
    ((middle - half).max(0.0), (middle + half).min(1.0))
}

/// Trials without a failure that show, at `confidence`, a failure rate of at most `rate` (both between 0 and 1).
///
/// The smallest n with (1 − rate)ⁿ ≤ 1 − confidence.
pub fn zero_failure_sample_size(confidence: f64, rate: f64) -> u64 {
    // The slack keeps a whole number whole: ln 0.25 / ln 0.5 is 2.
    ((1.0 - confidence).ln() / (1.0 - rate).ln() - 1e-9).ceil().max(1.0) as u64
}
