//! Least squares with some coefficients free and others known beforehand to lie near zero.

use crate::stats;

/// What a fit gave for the free columns.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    pub coefficients: Vec<f64>,
    /// Standard uncertainties, of the same length.
    pub u: Vec<f64>,
    /// Sum of squares of the weighted residuals and of the known coefficients.
    pub chi2: f64,
}

/// Fits `y`, with standard uncertainties `u`, by columns of its own length.
///
/// A coefficient of `known` has mean 0 and standard deviation 1 beforehand, so that its column is a standard uncertainty
/// that all rows share (the full covariance is diag(u²) + Σ column·columnᵀ). `None` where the free columns can't be told
/// apart.
pub fn fit(y: &[f64], u: &[f64], known: &[Vec<f64>], free: &[Vec<f64>]) -> Option<Fit> {
    let columns: Vec<&Vec<f64>> = free.iter().chain(known).collect();
    let weighted = |a: &[f64], b: &[f64]| a.iter().zip(b).zip(u).map(|((a, b), u)| a * b / (u * u)).sum::<f64>();
    let mut normal: Vec<Vec<f64>> = columns.iter().map(|a| columns.iter().map(|b| weighted(a, b)).collect()).collect();
    for (i, row) in normal.iter_mut().enumerate().skip(free.len()) {
        row[i] += 1.0;
    }
    let right: Vec<f64> = columns.iter().map(|a| weighted(a, y)).collect();
    let whole = weighted(y, y);
    if columns.is_empty() {
        return Some(Fit { coefficients: vec![], u: vec![], chi2: whole });
    }
    let inverse = stats::inverse(&normal)?;
    let all: Vec<f64> = inverse.iter().map(|row| row.iter().zip(&right).map(|(a, b)| a * b).sum()).collect();
    let explained: f64 = all.iter().zip(&right).map(|(a, b)| a * b).sum();
    Some(Fit {
        u: (0..free.len()).map(|i| inverse[i][i].max(0.0).sqrt()).collect(),
        coefficients: all[..free.len()].to_vec(),
        chi2: (whole - explained).max(0.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_without_shared_uncertainty_is_the_usual_one() {
        // y = 2 + 3x, σ = 1: slope's variance 1/Σ(x − x̄)² = 1/10, mean's 1/5 + x̄²/10.
        let x = [0.0, 1.0, 2.0, 3.0, 4.0];
        let y: Vec<f64> = x.iter().map(|x| 2.0 + 3.0 * x).collect();
        let fit = fit(&y, &[1.0; 5], &[], &[vec![1.0; 5], x.to_vec()]).unwrap();
        assert!((fit.coefficients[0] - 2.0).abs() < 1e-9 && (fit.coefficients[1] - 3.0).abs() < 1e-9);
        assert!((fit.u[1] - 0.1f64.sqrt()).abs() < 1e-9 && (fit.u[0] - 0.6f64.sqrt()).abs() < 1e-9);
        assert!(fit.chi2 < 1e-9);
    }

    #[test]
    fn what_rows_share_does_not_average_out() {
        let fit = fit(&[1.0; 100], &[1.0; 100], &[vec![2.0; 100]], &[vec![1.0; 100]]).unwrap();
        // 1/100 + 2².
        assert!((fit.u[0] - 4.01f64.sqrt()).abs() < 1e-9 && (fit.coefficients[0] - 1.0).abs() < 1e-9);
    }

    #[test]
    fn columns_that_are_alike_are_not_told_apart() {
        assert_eq!(fit(&[1.0; 4], &[1.0; 4], &[], &[vec![1.0; 4], vec![2.0; 4]]), None);
        assert_eq!(fit(&[1.0; 4], &[1.0; 4], &[], &[vec![0.0; 4]]), None);
    }
}
