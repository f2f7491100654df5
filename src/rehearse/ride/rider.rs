//! How unsteady a rider is. The figures are fitted to real rides; `tests/steadiness.rs` holds the simulator to them.

use std::sync::Arc;

use crate::protocol::Posture;

use super::super::habits::{RideHabits, RiderScatter};
use super::super::noise::{Noise, Purpose, Wander};

/// Standard deviation and correlation time, s: of what wanders.
type Spread = (f64, f64);

/// What the usual rider does at a steady effort in one kind of place.
#[derive(Debug, Clone, Copy)]
pub(super) struct Steadiness {
    /// Of one leg's push at 200 W seated, relative. That legs differ from push to push is at once the scatter of a
    /// second's power that no later second remembers and nearly all the scatter of balance.
    pub push: f64,
    /// Of what the rider aims at: quick and slow, relative.
    pub power: [Spread; 2],
    /// Quick and slow, relative.
    pub cadence: [Spread; 2],
    /// By how many per cent power grows with one per cent of cadence: a brake's power grows with speed.
    pub power_by_cadence: f64,
    /// Of the right side's share.
    pub share: Spread,
}

/// On a trainer: held to 31 steady minutes of one ride.
pub(super) const INDOOR: Steadiness = Steadiness {
    push: 0.108,
    power: [(0.025, 3.0), (0.02, 40.0)],
    cadence: [(0.016, 2.5), (0.02, 35.0)],
    power_by_cadence: 1.3,
    share: (0.006, 30.0),
};

/// On a trainer that holds a power; no real ride of this kind was at hand. The brake leaves the rider little to vary but
/// the single push.
pub(super) const CONSTANT_POWER: Steadiness =
    Steadiness { power: [(0.012, 3.0), (0.0, 40.0)], power_by_cadence: 0.0, ..INDOOR };

/// On the road: held to 46 steady minutes of two rides. Cadence comes from speed and gear.
pub(super) const ROAD: Steadiness = Steadiness {
    push: 0.135,
    power: [(0.18, 1.9), (0.07, 12.0)],
    cadence: [(0.01, 4.0), (0.02, 35.0)],
    power_by_cadence: 0.0,
    share: (0.006, 30.0),
};

/// Pushes scatter less, in proportion, the harder they are: on the indoor ride with its 95, 165 and 260 W the steps from
/// second to second go down about as the cube root of power goes up.
fn push_scatter(power_w: f64) -> f64 {
    libm::cbrt(200.0 / power_w.clamp(60.0, 1000.0))
}

/// One rider on one day.
pub(super) struct Rider {
    steadiness: Steadiness,
    unsteady: f64,
    power_noise: Noise,
    push_noise: Noise,
    cadence_noise: Noise,
    share_noise: Noise,
    power: [Wander; 2],
    cadence: [Wander; 2],
    share: Wander,
    own_share: f64,
    /// By how much the right side's share grows in standing, and from 200 to 600 W.
    standing_share: f64,
    effort_share: f64,
    /// Times what was aimed at.
    pub power_factor: f64,
    pub cadence_factor: f64,
    share_off: f64,
    /// Of the left and of the right leg's present turn.
    push_factors: [f64; 2],
    resampled: Option<Resampled>,
}

/// The scatter of real rides, replayed: a stretch drawn at random from a random second to its end, then the next.
struct Resampled {
    scatter: Arc<RiderScatter>,
    /// Of efforts and of shares.
    places: [RidingPlace; 2],
    slow_s: f64,
}

struct RidingPlace {
    noise: Noise,
    stretch: usize,
    at_s: f64,
}

impl RidingPlace {
    fn next<T: Copy>(&mut self, stretches: &[Vec<T>], step_s: f64) -> Option<T> {
        self.at_s += step_s;
        if stretches.get(self.stretch).is_none_or(|stretch| self.at_s >= stretch.len() as f64) {
            self.stretch = self.noise.below(stretches.len());
            self.at_s = self.noise.below(stretches.get(self.stretch)?.len()) as f64;
        }
        stretches[self.stretch].get(self.at_s as usize).copied()
    }
}

impl Rider {
    /// `slow_s` is the time between calls of [`Rider::wander`].
    pub fn new(seed: u64, habits: &RideHabits, steadiness: Steadiness, slow_s: f64) -> Self {
        let noise = |purpose| Noise::new(seed, purpose);
        let (mut share_noise, mut body) = (noise(Purpose::Balance), noise(Purpose::Posture));
        let wanders =
            |spreads: [Spread; 2]| spreads.map(|(sd, tau_s)| Wander::new(sd * habits.unsteady, tau_s, slow_s));
        Self {
            unsteady: habits.unsteady,
            power: wanders(steadiness.power),
            cadence: wanders(steadiness.cadence),
            share: Wander::new(steadiness.share.0, steadiness.share.1, slow_s),
            own_share: 0.505 + 0.01 * share_noise.truncated(1.0, 2.0),
            // Common practice, no source.
            standing_share: 0.01 * body.truncated(1.0, 2.0),
            effort_share: 0.02 + 0.01 * body.truncated(1.0, 2.0),
            power_noise: noise(Purpose::Power),
            push_noise: noise(Purpose::Strokes),
            cadence_noise: noise(Purpose::Cadence),
            share_noise,
            steadiness,
            power_factor: 1.0,
            cadence_factor: 1.0,
            share_off: 0.0,
            push_factors: [1.0, 1.0],
            resampled: habits.scatter.clone().map(|scatter| Resampled {
                scatter,
                places: [0, 1].map(|n| RidingPlace {
                    noise: Noise::nth(seed, Purpose::Resampled, n),
                    stretch: usize::MAX,
                    at_s: 0.0,
                }),
                slow_s,
            }),
        }
    }

    /// Moves what changes slowly.
    #[inline]
    pub fn wander(&mut self) {
        let cadence: f64 = self.cadence.iter_mut().map(|w| w.next(&mut self.cadence_noise)).sum();
        let power: f64 = self.power.iter_mut().map(|w| w.next(&mut self.power_noise)).sum();
        self.cadence_factor = 1.0 + cadence;
        self.power_factor = 1.0 + power + self.steadiness.power_by_cadence * cadence;
        self.share_off = self.share.next(&mut self.share_noise);
        let Some(Resampled { scatter, places: [efforts, shares], slow_s }) = &mut self.resampled else { return };
        let (power, cadence) = efforts.next(&scatter.efforts, *slow_s).unwrap_or_default();
        self.cadence_factor = 1.0 + self.unsteady * cadence;
        // A recorded second's power is what the legs did in it, not what they aimed at.
        self.power_factor = 1.0;
        self.push_factors = [(1.0 + self.unsteady * power).max(0.0); 2];
        self.share_off = shares.next(&scatter.right_shares, *slow_s).unwrap_or(self.share_off);
    }

    /// The cranks moved: a leg whose push begins draws how hard it is.
    #[inline]
    pub fn turn(&mut self, before: f64, after: f64, power_w: f64) {
        if self.resampled.is_some() {
            return;
        }
        for (leg, half) in [0.0, 0.5].into_iter().enumerate() {
            if (before + half) as u64 != (after + half) as u64 {
                let sd = self.steadiness.push * self.unsteady * push_scatter(power_w);
                self.push_factors[leg] = 1.0 + self.push_noise.truncated(sd, 4.0);
            }
        }
    }

    /// Left and right power at a place of the turn; over a turn they sum to `power_w`.
    #[inline]
    pub fn sides_w(&self, power_w: f64, turns: f64, posture: Posture) -> (f64, f64) {
        let (standing_share, ripple) =
            if posture == Posture::Standing { (self.standing_share, STANDING_RIPPLE) } else { (0.0, 1.0) };
        let effort = self.effort_share * (power_w - 200.0) / 400.0;
        let right_share = self.own_share + self.share_off + standing_share + effort;
        // Each leg pushes once a turn; both means over a turn are 1.
        let sin = libm::sin(std::f64::consts::TAU * turns.fract());
        let (once, twice) = (0.9 * ripple * sin, 0.35 * ripple * (1.0 - 2.0 * sin * sin));
        let [left, right] = self.push_factors.map(|factor| factor * power_w);
        (left * (1.0 - right_share) * (1.0 + once - twice), right * right_share * (1.0 - once - twice))
    }
}

/// Out of the saddle the body's weight comes onto one pedal at a time. Common practice, no source.
const STANDING_RIPPLE: f64 = 1.15;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn standing_is_deeper_ripple_and_both_sum_to_the_power_over_a_turn() {
        let rider = Rider::new(3, &RideHabits::default(), INDOOR, 0.25);
        let of = |posture| {
            let turn: Vec<(f64, f64)> =
                (0..360).map(|degree| rider.sides_w(300.0, f64::from(degree) / 360.0, posture)).collect();
            let mean_w = turn.iter().map(|s| s.0 + s.1).sum::<f64>() / 360.0;
            let right = turn.iter().map(|s| s.1).sum::<f64>() / 360.0 / mean_w;
            (mean_w, right, turn.iter().map(|s| s.0).fold(f64::MAX, f64::min))
        };
        let (seated, standing) = (of(Posture::Seated), of(Posture::Standing));
        assert!((seated.0 - 300.0).abs() < 0.01 && (standing.0 - 300.0).abs() < 0.01);
        assert!((seated.1 - standing.1).abs() > 1e-4, "another balance");
        assert!(standing.2 < seated.2, "{} {}", standing.2, seated.2);
    }

    #[test]
    fn harder_is_steadier_and_balance_moves_with_effort() {
        let mut rider = Rider::new(3, &RideHabits::default(), INDOOR, 0.25);
        let right = |rider: &Rider, power_w| {
            let turn = (0..36).map(|n| rider.sides_w(power_w, f64::from(n) / 36.0, Posture::Seated));
            let (left, right) = turn.fold((0.0, 0.0), |sum, side| (sum.0 + side.0, sum.1 + side.1));
            right / (left + right)
        };
        assert!(right(&rider, 600.0) > right(&rider, 150.0));
        let mut scatter = |power_w| {
            let factors: Vec<f64> = (0..4000)
                .map(|n| {
                    rider.turn(f64::from(n), f64::from(n + 1), power_w);
                    rider.push_factors[0] - 1.0
                })
                .collect();
            (factors.iter().map(|f| f * f).sum::<f64>() / factors.len() as f64).sqrt()
        };
        assert!((scatter(200.0) / INDOOR.push - 1.0).abs() < 0.06);
        assert!((scatter(100.0) / scatter(260.0) - 1.375).abs() < 0.1, "the cube root of 2.6");
    }
}
