//! The clock of one recording: several channels' word on it made one, and held against its own windows.

use super::channels::{self, SharedChannel};
use crate::ride::{AlignedOn, Clock, ClockWindow, DisagreeingChannel};
use crate::stats;

/// Standard uncertainty of a clock that nothing but its stamps tells. Common practice, no source: no lag is judged by such a
/// clock ([`AlignedOn::tells_lag`]).
pub(super) const UNALIGNED_U_S: f64 = 1.0;

/// Standard uncertainties apart within which two channels agree: 99 % of pairs that do are nearer (2.576 of the normal
/// distribution).
const AGREE: f64 = 2.6;

/// A window stands out by this many standard uncertainties. Set by hand; no ride of `tests/clocks.rs` is called unsteady
/// by it.
const SURE: f64 = 5.0;

/// Upper quartile of the normal distribution.
const QUARTILE: f64 = 0.6745;

/// A clock that was not found on anything shared.
pub(super) fn by_stamps(aligned_on: AlignedOn, offset_s: f64, standard_uncertainty_s: f64) -> Clock {
    Clock { offset_s, standard_uncertainty_s, aligned_on, ..Clock::unknown() }
}

/// Moves a clock to session time that begins later by so much.
pub(super) fn moved(clock: &mut Clock, later_s: f64) {
    clock.offset_s += later_s;
    clock.windows.iter_mut().for_each(|window| window.offset_s += later_s);
}

/// Several channels' clocks of one recording as one: the first, with the part of those that agree with it in the ride's
/// middle; those that don't are told.
pub(super) fn combined(clocks: Vec<Clock>, middle_s: f64) -> Option<Clock> {
    let mut clocks = clocks.into_iter();
    let first = clocks.next()?;
    let mut clock = first.clone();
    let (mut weight, mut moved) = (first.standard_uncertainty_s.powi(-2), 0.0);
    for other in clocks {
        let apart_s = other.offset_s - first.offset_s + (other.drift_ppm - first.drift_ppm) * 1e-6 * middle_s;
        if apart_s.abs() > AGREE * other.standard_uncertainty_s.hypot(first.standard_uncertainty_s) {
            clock.apart.push(DisagreeingChannel { on: other.aligned_on, apart_s });
            continue;
        }
        let w = other.standard_uncertainty_s.powi(-2);
        weight += w;
        moved += w * apart_s;
        clock.also.push(other.aligned_on);
    }
    clock.offset_s += moved / weight;
    clock.standard_uncertainty_s = weight.powf(-0.5);
    Some(clock)
}

/// A window that no steady clock explains.
pub(super) struct UnsteadyWindow {
    /// Session seconds.
    pub at_s: f64,
    pub off_s: f64,
}

impl UnsteadyWindow {
    /// The worst of a clock's windows, if it is no chance.
    pub fn worst(clock: &Clock, stamped_s: f64) -> Option<Self> {
        let off_s = |window: &ClockWindow| {
            let since_start_s = window.at_s - window.offset_s - stamped_s;
            window.offset_s - clock.offset_s - clock.drift_ppm * 1e-6 * since_start_s
        };
        let off: Vec<f64> = clock.windows.iter().map(off_s).collect();
        // Windows scatter by more than their seconds say where a channel is smoothed or drifts; one step does not show in
        // the median of what neighbours differ by, which of normal values is √2 quartiles.
        let steps: Vec<f64> = off.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
        let scatter_s = stats::median(&steps).map_or(0.0, |step| step / (QUARTILE * 2f64.sqrt()));
        let least_s =
            channels::of(clock.aligned_on).map_or(f64::INFINITY, |channel: &SharedChannel| channel.unsteady_s);
        let sure = |window: &ClockWindow, off_s: f64| {
            off_s.abs() > least_s && off_s.abs() > SURE * window.standard_uncertainty_s.max(scatter_s)
        };
        let windows = clock.windows.iter().zip(off).filter(|(window, off_s)| sure(window, *off_s));
        let worst = windows.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
        worst.map(|(window, off_s)| Self { at_s: window.at_s, off_s })
    }
}
