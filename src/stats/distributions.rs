//! Student's t, and what the GUM and JCGM 106 make of it.

use statrs::distribution::{Continuous, ContinuousCDF, Normal, StudentsT};

/// From here on the library's distribution loses digits (5e-8 at 1e7), and three terms in 1/ν are good to 2e-14.
const MANY_DEGREES: f64 = 3e3;

/// Pr(T ≤ t) of Student's t with `nu` degrees of freedom: fractional, or infinite for the normal distribution.
///
/// NaN unless `nu` > 0. Source of the expansion for large `nu`: Fisher (1925), Metron 5:90-104, from memory; its terms
/// checked by quadrature with 40 digits.
pub fn t_cdf(t: f64, nu: f64) -> f64 {
    if nu <= MANY_DEGREES {
        return StudentsT::new(0.0, 1.0, nu).map_or(f64::NAN, |d| d.cdf(t));
    }
    let normal = Normal::standard();
    let t2 = t * t;
    let first = (t2 + 1.0) / 4.0;
    let second = (((3.0 * t2 - 7.0) * t2 - 5.0) * t2 - 3.0) / 96.0;
    let third = (((((t2 - 11.0) * t2 + 14.0) * t2 + 6.0) * t2 - 3.0) * t2 - 15.0) / 384.0;
    let density = normal.pdf(t);
    // Far out the density is 0 before the polynomial is infinite.
    let less = if density > 0.0 { density * t * (first + (second + third / nu) / nu) / nu } else { 0.0 };
    normal.cdf(t) - less
}

/// The t below which a share `p` (0 < p < 1) of the distribution lies. NaN unless `nu` > 0.
///
/// Source of the first guess for large `nu`: Abramowitz and Stegun (1964), 26.7.5.
pub fn t_quantile(p: f64, nu: f64) -> f64 {
    let Ok(student) = StudentsT::new(0.0, 1.0, nu) else { return f64::NAN };
    let guess = if nu > MANY_DEGREES {
        let z = Normal::standard().inverse_cdf(p);
        z + (z.powi(3) + z) / (4.0 * nu)
    } else {
        student.inverse_cdf(p)
    };
    // One step of Newton's makes good what the library's search leaves (1e-8) and the guess (1e-6).
    let step = (t_cdf(guess, nu) - p) / student.pdf(guess);
    if step.is_finite() { guess - step } else { guess }
}

/// Two-sided coverage factor k: a share `coverage` lies within ±k.
///
/// Source: JCGM 100:2008 (GUM), G.3.
pub fn coverage_factor(coverage: f64, nu: f64) -> f64 {
    t_quantile(0.5 + coverage / 2.0, nu)
}

/// Combined standard uncertainty and effective degrees of freedom of independent parts `(u, nu)`.
///
/// Degrees of freedom may be infinite; with nothing uncertain they are. Source: GUM, G.4.1 (not truncated).
pub fn welch_satterthwaite(parts: &[(f64, f64)]) -> (f64, f64) {
    let variance: f64 = parts.iter().map(|(u, _)| u * u).sum();
    let spread: f64 = parts.iter().map(|(u, nu)| u.powi(4) / nu).sum();
    (variance.sqrt(), if spread > 0.0 { variance * variance / spread } else { f64::INFINITY })
}

/// Probability that the true value lies within the limits, for `value` + `u` · t(`nu`) and a flat prior.
///
/// An absent limit is open. With `u` = 0 it is 0 or 1. Source: JCGM 106:2012, 7.
pub fn conformance_probability(value: f64, u: f64, nu: f64, low: Option<f64>, high: Option<f64>) -> f64 {
    if u == 0.0 {
        let inside = low.is_none_or(|l| value >= l) && high.is_none_or(|h| value <= h);
        return f64::from(u8::from(inside));
    }
    // Tails, not 1 − tails: a tail far out keeps its digits.
    let below = low.map_or(0.0, |l| t_cdf((l - value) / u, nu));
    let above = high.map_or(0.0, |h| t_cdf((value - h) / u, nu));
    (1.0 - below - above).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_invert_the_distribution_at_fractional_degrees_of_freedom() {
        for nu in [0.5, 1.0, 2.7, 18.9987, 400.5, 2e6, 1e9] {
            for p in [0.001, 0.025, 0.3, 0.5, 0.8, 0.999] {
                assert!((t_cdf(t_quantile(p, nu), nu) - p).abs() < 1e-6, "p {p}, nu {nu}");
            }
        }
        assert!((t_quantile(0.975, 1e6) - t_quantile(0.975, f64::INFINITY)).abs() < 1e-5);
    }

    #[test]
    fn nothing_uncertain_conforms_or_does_not() {
        assert_eq!(welch_satterthwaite(&[]), (0.0, f64::INFINITY));
        assert_eq!(conformance_probability(2.0, 0.0, 9.0, None, Some(2.0)), 1.0);
        assert_eq!(conformance_probability(2.1, 0.0, 9.0, None, Some(2.0)), 0.0);
    }
}
