//! What differs from bench to bench and rider to rider.

use std::sync::Arc;

use super::noise::{Noise, Purpose};
use super::stretches::{RECOVERY_W, RiderAction, ScriptStretch};

/// How a head unit makes one value a second of four messages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SecondStorage {
    LastMessage,
    SecondMean,
}

/// How the bike shifts, and what a recording learns of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shifting {
    /// No head unit knows the gear.
    Cable,
    /// Head units write each change of gear: all of them, or the one at this place on the bench (0 is the unit's).
    Electronic { only: Option<usize> },
}

/// Least and most, s.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct SensingDelay {
    pub speed: (f64, f64),
    pub position: (f64, f64),
    pub altitude: (f64, f64),
}

/// A real rider's own scatter, to ride with in place of the simulated one's: steady stretches, one value a second.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RiderScatter {
    /// Power and cadence over the stretch's means, less one.
    pub efforts: Vec<Vec<(f64, f64)>>,
    /// The right side's share of power less the stretch's mean. Where there are none the simulated rider's stay.
    pub right_shares: Vec<Vec<f64>>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct RideHabits {
    /// Of head units A to D; the usual bench has the unit on A, the pedals on B, the trainer on C.
    pub storage: [SecondStorage; 4],
    /// Share of seconds that are never written.
    pub dropped: f64,
    /// Between these, from the strap's message until it is what a head unit writes, s.
    pub strap_delay_s: (f64, f64),
    /// Between these, from where the wheel, the receiver and the barometer truly are until it is what a head unit writes, s.
    pub sensing_delay_s: SensingDelay,
    /// Between these, how fast the clock of head unit A to D gains, ppm.
    pub drift_ppm: [(f64, f64); 4],
    /// Between these, from the second that a head unit stamps until it takes what it writes for that second, s.
    pub sampling_s: (f64, f64),
    /// Added to each press of a lap button, s.
    pub laps_late_s: f64,
    pub shifting: Shifting,
    /// Times a usual rider's unsteady power.
    pub unsteady: f64,
    /// Times the gains, offsets and losses that a seed draws; 0 leaves noise and sampling alone.
    pub systematic: f64,
    /// Times a usual rider's range of heart rate, and so about its number of steps.
    pub heart: f64,
    /// References are off by a draw from all that they state, in place of the smaller gains and offsets of good ones;
    /// so are their sides and their cadence.
    pub as_stated: bool,
    /// Power of the recoveries between repeats, W.
    pub recovery_w: f64,
    /// Held all through the warm-up in place of one that goes up and down, W.
    pub warm_up_w: Option<f64>,
    /// What the rider's power, cadence and balance scatter by, from real rides.
    pub scatter: Option<Arc<RiderScatter>>,
}

impl Default for RideHabits {
    fn default() -> Self {
        let storage = [
            SecondStorage::LastMessage,
            SecondStorage::LastMessage,
            SecondStorage::SecondMean,
            SecondStorage::LastMessage,
        ];
        Self {
            storage,
            dropped: 0.0003,
            strap_delay_s: (0.1, 0.3),
            sensing_delay_s: SensingDelay::default(),
            drift_ppm: [(-20.0, 20.0); 4],
            sampling_s: (0.0, 0.0),
            laps_late_s: 0.0,
            shifting: Shifting::Cable,
            unsteady: 1.0,
            systematic: 1.0,
            heart: 1.0,
            as_stated: false,
            recovery_w: RECOVERY_W,
            warm_up_w: None,
            scatter: None,
        }
    }
}

impl RideHabits {
    /// Warm-up and recoveries of a script at this rider's powers.
    pub(super) fn ride_easy(&self, script: &mut [ScriptStretch]) {
        for stretch in script.iter_mut().filter(|stretch| stretch.act == RiderAction::Recovery) {
            stretch.aim_w *= self.recovery_w / RECOVERY_W;
        }
        let warm_up = |stretch: &&mut ScriptStretch| matches!(stretch.act, RiderAction::Ride | RiderAction::Still);
        for stretch in script.iter_mut().take_while(warm_up).filter(|stretch| stretch.act == RiderAction::Ride) {
            if let Some(warm_up_w) = self.warm_up_w {
                (stretch.aim_w, stretch.cadence_rpm) = (warm_up_w, 88.0);
            }
        }
    }

    /// Another bench and rider for every seed, within what is usual. Common practice, no source.
    pub fn varied(seed: u64) -> Self {
        let mut noise = Noise::new(seed, Purpose::Habits);
        let storage = |noise: &mut Noise| match noise.uniform() < 0.5 {
            true => SecondStorage::LastMessage,
            false => SecondStorage::SecondMean,
        };
        let [a, b, c] = [storage(&mut noise), storage(&mut noise), storage(&mut noise)];
        let (dropped, unsteady, heart) = (noise.between(0.0, 0.002), noise.between(0.6, 1.6), noise.between(0.75, 1.1));
        // Drawn last: the others keep the draws that they had before there was a fourth.
        let storage = [a, b, c, storage(&mut noise)];
        Self {
            storage,
            dropped,
            strap_delay_s: (0.05, 0.35),
            sampling_s: (0.0, 1.0),
            laps_late_s: Noise::new(seed, Purpose::HeadUnits).between(0.0, 3.0),
            unsteady,
            heart,
            ..Self::default()
        }
    }
}
