//! Straight lines: exact x, uncertain x, outliers.

use super::consensus::chi2_tail;
use super::summary::{mean, median};

/// A line with the covariance of its two numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    pub intercept: f64,
    pub slope: f64,
    /// Standard uncertainties.
    pub u_intercept: f64,
    pub u_slope: f64,
    /// Of intercept and slope.
    pub covariance: f64,
}

impl Line {
    /// From the point the line turns about, where height and slope are uncorrelated.
    fn about(pivot: (f64, f64), slope: f64, var_height: f64, var_slope: f64) -> Self {
        let (x, y) = pivot;
        Self {
            intercept: y - slope * x,
            slope,
            u_intercept: (var_height + x * x * var_slope).sqrt(),
            u_slope: var_slope.sqrt(),
            covariance: -x * var_slope,
        }
    }

    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }

    /// Standard uncertainty of the line at x.
    pub fn u_at(&self, x: f64) -> f64 {
        (self.u_intercept.powi(2) + 2.0 * x * self.covariance + (x * self.u_slope).powi(2)).max(0.0).sqrt()
    }
}

/// Least squares with exact x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineFit {
    pub line: Line,
    pub residual_sd: f64,
    pub dof: f64,
}

/// Ordinary least squares; `None` below three points or with all x alike.
pub fn line_fit(x: &[f64], y: &[f64]) -> Option<LineFit> {
    if x.len() < 3 || x.len() != y.len() {
        return None;
    }
    let moments = Moments::of(x, y)?;
    let (n, dof) = (x.len() as f64, x.len() as f64 - 2.0);
    let slope = moments.xy / moments.xx;
    let residuals = x.iter().zip(y).map(|(x, y)| y - moments.y - slope * (x - moments.x));
    let variance = residuals.map(|r| r * r).sum::<f64>() / dof;
    let line = Line::about((moments.x, moments.y), slope, variance / n, variance / moments.xx);
    (moments.xx > 0.0).then_some(LineFit { line, residual_sd: variance.sqrt(), dof })
}

/// Means, and sums of squares and products about them.
struct Moments {
    x: f64,
    y: f64,
    xx: f64,
    yy: f64,
    xy: f64,
}

impl Moments {
    fn of(x: &[f64], y: &[f64]) -> Option<Self> {
        let mut m = Self { x: mean(x)?, y: mean(y)?, xx: 0.0, yy: 0.0, xy: 0.0 };
        for (x, y) in x.iter().zip(y) {
            m.xx += (x - m.x).powi(2);
            m.yy += (y - m.y).powi(2);
            m.xy += (x - m.x) * (y - m.y);
        }
        Some(m)
    }
}

/// Line through points uncertain in both directions; (intercept, slope), `None` if x and y do not vary together.
///
/// `variance_ratio` is that of the errors in y over those in x. Source: Deming (1943), closed form.
pub fn deming(x: &[f64], y: &[f64], variance_ratio: f64) -> Option<(f64, f64)> {
    let m = Moments::of(x, y)?;
    let lean = m.yy - variance_ratio * m.xx;
    let slope = (lean + (lean * lean + 4.0 * variance_ratio * m.xy * m.xy).sqrt()) / (2.0 * m.xy);
    slope.is_finite().then_some((m.y - slope * m.x, slope))
}

/// A line through points that each have their own uncertainty in x and y.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct York {
    /// Uncertainties as the points' own say.
    pub line: Line,
    /// Mean square of weighted deviates, χ²/(n − 2): about 1 if the stated uncertainties explain the scatter.
    pub mswd: f64,
    pub dof: f64,
    /// Probability of at least this χ² where the stated uncertainties are true.
    pub p: f64,
}

impl York {
    /// The line with its uncertainties multiplied by √MSWD: as the scatter says.
    pub fn scaled(&self) -> Line {
        let by = self.mswd.sqrt();
        Line {
            u_intercept: self.line.u_intercept * by,
            u_slope: self.line.u_slope * by,
            covariance: self.line.covariance * self.mswd,
            ..self.line
        }
    }
}

/// York's best line. `sx`, `sy` are standard uncertainties per point (not both 0), `r` the correlation of a point's
/// two errors. `None` below three points, or where the iteration does not settle.
///
/// Source: York, Evensen, Lopez Martinez and De Basabe Delgado (2004), Am J Phys 72:367-375.
pub fn york(x: &[f64], y: &[f64], sx: &[f64], sy: &[f64], r: f64) -> Option<York> {
    let n = x.len();
    if [y.len(), sx.len(), sy.len()] != [n; 3] {
        return None;
    }
    let mut slope = line_fit(x, y)?.line.slope;
    for _ in 0..MOST_STEPS {
        let w: Vec<f64> = sx
            .iter()
            .zip(sy)
            .map(|(sx, sy)| 1.0 / (sy * sy + slope * slope * sx * sx - 2.0 * slope * r * sx * sy))
            .collect();
        let total: f64 = w.iter().sum();
        let weighted = |v: &[f64]| w.iter().zip(v).map(|(w, v)| w * v).sum::<f64>() / total;
        let (x_bar, y_bar) = (weighted(x), weighted(y));
        // How far each adjusted point lies from x_bar.
        let beta: Vec<f64> = (0..n)
            .map(|i| {
                let (u, v) = (x[i] - x_bar, y[i] - y_bar);
                w[i] * (u * sy[i].powi(2) + slope * v * sx[i].powi(2) - (slope * u + v) * r * sx[i] * sy[i])
            })
            .collect();
        let over = |v: &[f64], bar: f64| (0..n).map(|i| w[i] * beta[i] * (v[i] - bar)).sum::<f64>();
        let next = over(y, y_bar) / over(x, x_bar);
        if !next.is_finite() {
            return None;
        }
        if (next - slope).abs() <= 1e-13 * next.abs() {
            let shift = weighted(&beta);
            let var_slope = 1.0 / (0..n).map(|i| w[i] * (beta[i] - shift).powi(2)).sum::<f64>();
            // The adjusted points' mean lies at x_bar + shift, on the line.
            let pivot = (x_bar + shift, y_bar + next * shift);
            let line = Line::about(pivot, next, 1.0 / total, var_slope);
            let chi2: f64 = (0..n).map(|i| w[i] * (y[i] - line.at(x[i])).powi(2)).sum();
            let dof = n as f64 - 2.0;
            return Some(York { line, mswd: chi2 / dof, dof, p: chi2_tail(chi2, dof) });
        }
        slope = next;
    }
    None
}

/// Well-posed fits settle within some ten steps.
const MOST_STEPS: usize = 200;

/// Some ten settle a line; where a point lies at the edge of counting, each step gains little (after 200, 1e-5 was left).
const MOST_REWEIGHTINGS: usize = 5000;

/// Line through points with standard uncertainties `sigma` that outliers do not tilt; `None` below two distinct x.
///
/// Tukey's bisquare (c = 4.685, 95 % efficient for normal errors), started from the Theil-Sen line. Residuals are in
/// units of `sigma` times the larger of 1 and their median absolute deviation, and so are the uncertainties: scatter
/// beyond
/// `sigma` widens them, scatter below it is chance. Source: Huber and Ronchetti (2009), Robust Statistics, from memory.
pub fn robust_line(x: &[f64], y: &[f64], sigma: &[f64]) -> Option<Line> {
    const BISQUARE: f64 = 4.685;
    const MAD_TO_SD: f64 = 1.4826;
    if y.len() != x.len() || sigma.len() != x.len() {
        return None;
    }
    let (mut intercept, mut slope) = theil_sen(x, y)?;
    let misfits = |intercept: f64, slope: f64| -> Vec<f64> {
        (0..x.len()).map(|i| (y[i] - intercept - slope * x[i]) / sigma[i]).collect()
    };
    let sizes: Vec<f64> = misfits(intercept, slope).iter().map(|m| m.abs()).collect();
    // Two points always fit: with so few, the residuals say little and the factor only guards against the obvious.
    let scale = (median(&sizes)? * MAD_TO_SD * (x.len() as f64 / (x.len() as f64 - 2.0).max(1.0)).sqrt()).max(1.0);
    let mut line = None;
    for _ in 0..MOST_REWEIGHTINGS {
        let weights: Vec<f64> = misfits(intercept, slope)
            .iter()
            .zip(sigma)
            .map(|(m, s)| (1.0 - (m / scale / BISQUARE).powi(2)).max(0.0).powi(2) / (s * s))
            .collect();
        let total: f64 = weights.iter().sum();
        let weighted = |v: &[f64]| weights.iter().zip(v).map(|(w, v)| w * v).sum::<f64>() / total;
        let (x_bar, y_bar) = (weighted(x), weighted(y));
        let xx: f64 = (0..x.len()).map(|i| weights[i] * (x[i] - x_bar).powi(2)).sum();
        let xy: f64 = (0..x.len()).map(|i| weights[i] * (x[i] - x_bar) * (y[i] - y_bar)).sum();
        if total.is_nan() || total <= 0.0 || xx <= 0.0 {
            break;
        }
        let variance = scale * scale;
        let next = Line::about((x_bar, y_bar), xy / xx, variance / total, variance / xx);
        let settled = (next.slope - slope).abs() <= 1e-13 * next.u_slope
            && (next.intercept - intercept).abs() <= 1e-13 * next.u_intercept;
        (intercept, slope, line) = (next.intercept, next.slope, Some(next));
        if settled {
            break;
        }
    }
    line
}

/// (intercept, slope) by the median of all pairwise slopes; `None` with all x alike.
fn theil_sen(x: &[f64], y: &[f64]) -> Option<(f64, f64)> {
    let mut slopes = Vec::with_capacity(x.len() * x.len() / 2);
    for i in 0..x.len() {
        slopes.extend((0..i).filter(|&j| x[i] != x[j]).map(|j| (y[i] - y[j]) / (x[i] - x[j])));
    }
    let slope = median(&slopes)?;
    let rests: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - slope * x).collect();
    Some((median(&rests)?, slope))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_outlier_does_not_tilt_a_robust_line() {
        let x: Vec<f64> = (0..9).map(f64::from).collect();
        let mut y: Vec<f64> = x.iter().map(|x| 2.0 + 0.5 * x + 0.02 * (x * 2.4).sin()).collect();
        let clean = robust_line(&x, &y, &[0.02; 9]).unwrap();
        y[8] += 30.0;
        let line = robust_line(&x, &y, &[0.02; 9]).unwrap();
        assert!((line.slope - clean.slope).abs() < clean.u_slope, "{line:?} against {clean:?}");
        assert!((line.intercept - clean.intercept).abs() < clean.u_intercept);
    }

    #[test]
    fn without_outliers_a_robust_line_is_the_weighted_line() {
        let x = [0.0, 1.0, 2.0, 3.0];
        let y = [1.0, 1.2, 0.8, 1.0];
        let sigma = [10.0; 4];
        let (robust, plain) = (robust_line(&x, &y, &sigma).unwrap(), line_fit(&x, &y).unwrap().line);
        assert!((robust.slope - plain.slope).abs() < 1e-3);
        // Var(slope) = σ²/Σ(x − x̄)² = 100/5.
        assert!((robust.u_slope - 20f64.sqrt()).abs() < 1e-3);
        assert!((robust.u_at(1.5) - 5.0).abs() < 1e-3);
    }

    #[test]
    fn what_can_not_be_fitted_is_none() {
        assert_eq!(line_fit(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]), None);
        assert_eq!(line_fit(&[1.0, 2.0], &[1.0, 2.0]), None);
        assert_eq!(robust_line(&[1.0], &[1.0], &[1.0]), None);
        assert_eq!(deming(&[1.0, 2.0], &[1.0, 1.0], 1.0), None);
        assert_eq!(york(&[1.0, 2.0, 3.0], &[1.0, 2.0, 3.0], &[0.1; 3], &[0.1; 2], 0.0), None);
    }
}
