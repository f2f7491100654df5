//! Seconds that unit and references both have, paired, and how they scatter over a session.

use crate::ride::{Ride, Window};
use crate::stats;

use super::losses::Losses;
use super::no_value::{NoValue, Note};
use super::stop::Signal;

/// Over this share of a window set aside for the radio, nothing is decided. Common practice, no source.
pub const MOST_SET_ASIDE: f64 = 0.1;
/// Fewer pairs have no scatter worth the name: with two degrees of freedom a standard deviation is good to half of itself
/// (GUM, table E.1, from memory).
pub const LEAST_SHARED_S: usize = 3;
/// The weight of a window whose seconds are hardly more than one draw: half a degree of freedom, so that it counts for
/// little and not for nothing. Common practice, no source.
const LEAST_DEGREES_OF_FREEDOM: f64 = 0.5;

/// Seconds that unit and references both have, and what was left out.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PairedSeconds {
    pub unit: Vec<f64>,
    pub reference: Vec<f64>,
    /// Reference work in seconds lost to dropouts, J.
    pub lost_work_j: f64,
    pub lost_s: usize,
    pub set_aside_s: usize,
    /// Seconds of the window in which any head unit wrote.
    pub asked_s: usize,
}

impl PairedSeconds {
    /// Pairs two signals over a window; seconds lost or set aside are counted, not paired.
    pub fn over(
        ride: &Ride,
        losses: &Losses,
        window: Window,
        unit: impl Fn(usize) -> Option<f64>,
        reference: impl Fn(usize) -> Option<f64>,
    ) -> Self {
        let mut paired = PairedSeconds::default();
        for k in window.seconds().filter(|&k| ride.recorded_at(k)) {
            paired.asked_s += 1;
            let reference = reference(k);
            if losses.set_aside[k] {
                paired.set_aside_s += 1;
            } else if losses.dropout[k] {
                paired.lost_s += 1;
                paired.lost_work_j += reference.unwrap_or(0.0);
            } else if let (Some(u), Some(r)) = (unit(k), reference) {
                paired.unit.push(u);
                paired.reference.push(r);
            }
        }
        paired
    }

    /// Why these pairs can't carry a value, if they can't.
    pub fn refusal(&self, compared: Signal) -> Option<NoValue> {
        let of_s = self.asked_s;
        if self.set_aside_s as f64 > MOST_SET_ASIDE * of_s as f64 {
            return Some(NoValue::StrapLostWithPower { lost_s: self.set_aside_s, of_s, compared });
        }
        let shared_s = self.unit.len();
        // Half of the window must be there. Common practice, no source.
        let few = shared_s * 2 < of_s || shared_s < LEAST_SHARED_S;
        few.then_some(NoValue::FewShared { shared_s, of_s, compared })
    }

    pub fn notes(&self) -> Vec<Note> {
        let lost =
            (self.lost_s > 0).then_some(Note::DropoutLeftOut { lost_s: self.lost_s, lost_work_j: self.lost_work_j });
        let aside = (self.set_aside_s > 0).then_some(Note::SetAside { seconds: self.set_aside_s });
        lost.into_iter().chain(aside).collect()
    }

    /// Unit less reference, second by second.
    pub fn differences(&self) -> Vec<f64> {
        self.unit.iter().zip(&self.reference).map(|(unit, reference)| unit - reference).collect()
    }
}

/// Scatter of steady riding, pooled over the session, for windows too short for their own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PooledScatter {
    /// Residual standard deviation over mean reference power.
    pub relative_sd: f64,
    /// Samples per effective sample, at least 1.
    pub samples_per_effective: f64,
    pub degrees_of_freedom: f64,
}

impl PooledScatter {
    /// From all steady windows; `None` if none gives an estimate.
    pub fn of(pairs: &[PairedSeconds]) -> Option<Self> {
        let (mut variance, mut dof, mut samples, mut effective) = (0.0, 0.0, 0.0, 0.0);
        for paired in pairs {
            let (Some(ratio), Some(mean)) =
                (stats::ratio(&paired.unit, &paired.reference), stats::mean(&paired.reference))
            else {
                continue;
            };
            let own_dof = (ratio.effective_samples - 1.0).max(LEAST_DEGREES_OF_FREEDOM);
            variance += own_dof * (ratio.residual_sd / mean).powi(2);
            dof += own_dof;
            samples += ratio.n as f64;
            effective += ratio.effective_samples;
        }
        (dof > 0.0).then(|| Self {
            relative_sd: (variance / dof).sqrt(),
            samples_per_effective: samples / effective,
            degrees_of_freedom: dof,
        })
    }
}
