//! Seeded randomness: one stream per purpose, so that a fault added never moves the rest of the ride.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What a stream of numbers is for; its number is part of what a seed means.
#[derive(Debug, Clone, Copy)]
pub(super) enum Purpose {
    Script = 1,
    Power = 2,
    Strokes = 3,
    Cadence = 4,
    Balance = 5,
    Heart = 6,
    Reaction = 7,
    Posture = 8,
    Brake = 9,
    /// Of the instrument on head unit A; those on the next head units take the numbers behind it.
    Instrument = 10,
    /// Likewise.
    Clock = 20,
    Laps = 30,
    Habits = 31,
    /// Of the instrument on head unit A, and so on.
    Stated = 40,
    /// Of efforts and of balance.
    Resampled = 45,
    /// Of the head unit that records instrument A, and so on.
    HeadUnits = 50,
    /// Of the masses hung at the pedals.
    Hung = 70,
    Terrain = 80,
    Traffic = 81,
    /// Of the instrument's head unit, likewise.
    Position = 90,
    /// Of the head unit that records instrument A, and so on.
    Sensing = 95,
    /// Of the first fault of the first kind at head unit A; each further kind, head unit and fault has its own.
    Fault = 100,
    /// Likewise.
    Mishap = 1_000_000_000,
}

#[derive(Debug, Clone)]
pub(super) struct Noise {
    generator: ChaCha8Rng,
    spare: Option<f64>,
}

impl Noise {
    pub fn new(seed: u64, purpose: Purpose) -> Self {
        Self::nth(seed, purpose, 0)
    }

    /// Of the `n`-th of several of one purpose.
    pub fn nth(seed: u64, purpose: Purpose, n: usize) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(purpose as u64 + n as u64);
        Self { generator, spare: None }
    }

    /// In [0, 1).
    pub fn uniform(&mut self) -> f64 {
        (self.generator.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    pub fn below(&mut self, n: usize) -> usize {
        (self.uniform() * n as f64) as usize
    }

    /// Standard normal, by Box and Muller with libm, so that every machine draws the same.
    pub fn normal(&mut self) -> f64 {
        if let Some(value) = self.spare.take() {
            return value;
        }
        let radius = (-2.0 * libm::log(1.0 - self.uniform())).sqrt();
        let (sin, cos) = libm::sincos(std::f64::consts::TAU * self.uniform());
        self.spare = Some(radius * sin);
        radius * cos
    }

    /// Normal, drawn again until within `limit` standard deviations.
    pub fn truncated(&mut self, sd: f64, limit: f64) -> f64 {
        loop {
            let value = self.normal();
            if value.abs() <= limit {
                return sd * value;
            }
        }
    }
}

/// A first-order autoregression around zero with standard deviation `sd`.
#[derive(Debug, Clone)]
pub(super) struct Wander {
    value: f64,
    keep: f64,
    kick: f64,
}

impl Wander {
    /// `tau_s` is its correlation time, `step_s` the time between calls of [`Wander::next`].
    pub fn new(sd: f64, tau_s: f64, step_s: f64) -> Self {
        let keep = libm::exp(-step_s / tau_s);
        Self { value: 0.0, keep, kick: sd * (1.0 - keep * keep).sqrt() }
    }

    /// From a value already there, where each step may have another length.
    pub fn from(value: f64, sd: f64, tau: f64, step: f64) -> Self {
        Self { value, ..Self::new(sd, tau, step) }
    }

    pub fn next(&mut self, noise: &mut Noise) -> f64 {
        self.value = self.keep * self.value + self.kick * noise.normal();
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_draws_have_mean_zero_and_unit_variance() {
        let mut noise = Noise::new(1, Purpose::Script);
        let n = 40_000;
        let draws: Vec<f64> = (0..n).map(|_| noise.normal()).collect();
        let mean = draws.iter().sum::<f64>() / n as f64;
        let variance = draws.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / n as f64;
        // Five standard errors: 5/√n and 5·√(2/n).
        assert!(mean.abs() < 0.025, "{mean}");
        assert!((variance - 1.0).abs() < 0.036, "{variance}");
    }

    #[test]
    fn streams_of_one_seed_differ() {
        let first = Noise::new(7, Purpose::Instrument).uniform();
        assert_ne!(first, Noise::nth(7, Purpose::Instrument, 1).uniform());
        assert_eq!(first, Noise::new(7, Purpose::Instrument).uniform());
    }
}
