//! The rider's heart, as a strap tells of it.

use super::super::habits::RideHabits;
use super::super::noise::{Noise, Purpose, Wander};
use super::super::timed::TimedValue;
use super::motion::SLOW_S;
use super::signal::STEP_S;

/// Heart rate that a power settles at. Common practice, no source.
fn settled_bpm(power_w: f64, heart: f64) -> f64 {
    62.0 + 0.38 * heart * power_w.min(320.0)
}
/// And how slowly. Common practice, no source.
const HEART_TAU_S: f64 = 35.0;

/// The rider's heart, as a strap tells of it.
pub(super) struct Heart {
    noise: Noise,
    wander: Wander,
    range: f64,
    bpm: f64,
    off_bpm: f64,
    beat: f64,
}

impl Heart {
    pub fn new(seed: u64, habits: &RideHabits) -> Self {
        let wander = Wander::new(1.2 * habits.heart, 8.0, SLOW_S);
        Self {
            noise: Noise::new(seed, Purpose::Heart),
            wander,
            range: habits.heart,
            bpm: 78.0,
            off_bpm: 0.0,
            beat: 0.0,
        }
    }

    #[inline]
    pub fn wander(&mut self) {
        self.off_bpm = self.wander.next(&mut self.noise);
    }

    /// The strap's message, if a beat falls into this step.
    #[inline]
    pub fn beat(&mut self, t_s: f64, power_w: f64) -> Option<TimedValue> {
        self.bpm += (settled_bpm(power_w, self.range) - self.bpm) * STEP_S / HEART_TAU_S;
        self.beat += self.bpm / 60.0 * STEP_S;
        (self.beat >= 1.0).then(|| {
            self.beat -= 1.0;
            TimedValue { at_s: t_s, value: (self.bpm + self.off_bpm).round() }
        })
    }
}
