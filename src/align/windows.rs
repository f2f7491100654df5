//! Offsets of a recording's windows, and the line through them: offset and drift of its clock.

use crate::ride::ClockWindow;
use crate::stats::{Line, robust_line};

/// Of crystal clocks; keeps a short ride from inventing a drift. Common practice, no source.
const DRIFT_SD: f64 = 50e-6;

/// Standard uncertainty of a fraction of a second that is anywhere within half a second: 1/√12 (GUM 4.3.7).
pub(super) const UNSEEN_FRACTION_S: f64 = 0.288_675;

/// Offset beyond the whole ride's lag in one window.
pub(super) struct WindowOffset {
    /// Seconds since the recording's start.
    pub at_s: f64,
    pub offset_s: f64,
    pub u_s: f64,
}

impl WindowOffset {
    /// Of a recording whose lag and origin are in seconds of session time.
    pub fn in_session(&self, lag_s: f64, origin_s: f64) -> ClockWindow {
        let offset_s = lag_s + self.offset_s;
        ClockWindow { at_s: origin_s + self.at_s + offset_s, offset_s, standard_uncertainty_s: self.u_s }
    }
}

/// Line through the windows' offsets, its slope held by what clocks plausibly drift; a level line through a single
/// window.
pub(super) fn line_through(offsets: &[WindowOffset]) -> Option<Line> {
    let only = offsets.first()?;
    let column = |of: fn(&WindowOffset) -> f64| offsets.iter().map(of).collect::<Vec<f64>>();
    let Some(free) = robust_line(&column(|o| o.at_s), &column(|o| o.offset_s), &column(|o| o.u_s)) else {
        let var_slope = DRIFT_SD * DRIFT_SD;
        return Some(Line {
            intercept: only.offset_s,
            slope: 0.0,
            u_intercept: only.u_s.hypot(only.at_s * DRIFT_SD),
            u_slope: DRIFT_SD,
            covariance: -only.at_s * var_slope,
        });
    };
    // The slope read once more, as 0 ± DRIFT_SD: what a Kalman filter does with a measurement.
    let spread = free.u_slope.powi(2) + DRIFT_SD.powi(2);
    let (gain_intercept, gain_slope) = (free.covariance / spread, free.u_slope.powi(2) / spread);
    Some(Line {
        intercept: free.intercept - gain_intercept * free.slope,
        slope: free.slope - gain_slope * free.slope,
        u_intercept: (free.u_intercept.powi(2) - gain_intercept * free.covariance).max(0.0).sqrt(),
        u_slope: free.u_slope * (1.0 - gain_slope).sqrt(),
        covariance: free.covariance * (1.0 - gain_slope),
    })
}
