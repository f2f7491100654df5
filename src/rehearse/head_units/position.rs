//! Where a head unit says that it is: the true place with the receiver's and the barometer's own errors.

use super::super::clock::SimulatedClock;
use super::super::noise::{Noise, Wander};
use super::super::ride::TruePosition;

/// Where the made-up road begins: in the middle of an ocean, so that nobody lives there.
const START_DEG: (f64, f64) = (45.0, -30.0);
/// Metres of a degree on a sphere of the earth's mean radius; the same wherever it is used. Source: 6371 km, GRS80 (Moritz
/// 1988, from memory).
pub(crate) const DEGREE_M: f64 = 111_195.0;

/// Where a head unit says that it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PositionFix {
    pub latitude_deg: f64,
    pub longitude_deg: f64,
    pub altitude_m: f64,
    pub distance_m: f64,
}

/// One head unit's own idea of where it is.
pub(crate) struct PositionReceiver {
    noise: Noise,
    wander_m: [Wander; 2],
    altitude_off_m: f64,
    altitude_drift_m_s: f64,
    distance_factor: f64,
}

// A few metres that change slowly; a barometer set by guess that follows the weather; a wheel's length by the table.
// Common practice, no source.
const POSITION_SD_M: f64 = 2.0;
const POSITION_TAU_S: f64 = 40.0;

impl PositionReceiver {
    pub fn new(mut noise: Noise) -> Self {
        let altitude_off_m = noise.truncated(6.0, 2.5);
        let altitude_drift_m_s = noise.truncated(4.0, 2.5) / 3600.0;
        let distance_factor = 1.0 + noise.truncated(0.002, 2.5);
        let wander = || Wander::new(POSITION_SD_M, POSITION_TAU_S, 1.0);
        Self { noise, wander_m: [wander(), wander()], altitude_off_m, altitude_drift_m_s, distance_factor }
    }

    /// One second's position, altitude and distance as FIT can hold them. Once for each second heard.
    pub fn at(&mut self, places: &[TruePosition], t_s: f64, clock: &SimulatedClock) -> PositionFix {
        let [north_m, east_m] = std::array::from_fn(|n| self.wander_m[n].next(&mut self.noise));
        let between = |of: fn(&TruePosition) -> f64, late_s: f64| {
            let t_s = t_s - late_s;
            let i = (t_s.max(0.0) as usize).min(places.len() - 1);
            let (a, b) = (of(&places[i]), of(&places[(i + 1).min(places.len() - 1)]));
            a + (t_s - i as f64).clamp(0.0, 1.0) * (b - a)
        };
        let latitude = START_DEG.0 + (between(|p| p.north_m, clock.position_delay_s) + north_m) / DEGREE_M;
        let parallel_m = DEGREE_M * libm::cos(START_DEG.0.to_radians());
        let longitude = START_DEG.1 + (between(|p| p.east_m, clock.position_delay_s) + east_m) / parallel_m;
        let altitude_m =
            between(|p| p.altitude_m, clock.altitude_delay_s) + self.altitude_off_m + self.altitude_drift_m_s * t_s;
        PositionFix {
            latitude_deg: whole_semicircles(latitude),
            longitude_deg: whole_semicircles(longitude),
            altitude_m: ((altitude_m + 500.0) * 5.0).round() / 5.0 - 500.0,
            distance_m: (between(|p| p.distance_m, clock.speed_delay_s) * self.distance_factor * 100.0).round() / 100.0,
        }
    }
}

/// FIT holds an angle as 2³¹ths of half a circle.
fn whole_semicircles(degrees: f64) -> f64 {
    (degrees * (2_147_483_648.0 / 180.0)).round() * (180.0 / 2_147_483_648.0)
}
