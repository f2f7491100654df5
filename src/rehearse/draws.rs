//! What a seed draws once per session: the instruments' gains and habits, the head units' clocks.

use super::fault::Fault;
use super::habits::{Habits, Storage};
use super::head_unit::Clock;
use super::instrument::{Draw, HubDraw};
use super::noise::{Noise, Purpose};
use super::{Instruments, Plan};

/// All that a seed draws once per session.
pub(super) struct Draws {
    pub unit: Draw,
    pub pedals: Draw,
    pub hub: HubDraw,
    /// Of the unit's, the pedals' and the trainer's head unit.
    pub clocks: Vec<Clock>,
}

impl Draws {
    /// The plan's instruments on its head units, for a ride of this length; the unit's own faults stay out.
    pub fn of(plan: &Plan, ride_s: f64) -> Self {
        let mut draws = match plan.instruments {
            Instruments::Ideal => Self::ideal(ride_s),
            Instruments::Real => Self::real(plan.seed, &plan.habits, ride_s),
        };
        for fault in &plan.faults {
            match fault {
                Fault::ClockSet { ahead_s } => draws.clocks[0].offset_s += ahead_s,
                Fault::ClockJump { ahead_s } => draws.clocks[0].jump_s += ahead_s,
                _ => {}
            }
        }
        draws
    }

    fn ideal(ride_s: f64) -> Self {
        let sound = Draw { gain: 1.0, offset_w: 0.0, noise: 0.0, angle: 0.25, timeout_s: 1.6 };
        let hub = HubDraw { draw: sound.clone(), loss_big: LOSS, loss_small: LOSS };
        let clock = Clock {
            offset_s: 0.0,
            drift_ppm: 0.0,
            jump_s: 0.0,
            jump_at_s: ride_s / 2.0,
            strap_delay_s: 0.2,
            storage: Storage::LastMessage,
            start_s: 0.0,
            stop_s: ride_s,
            dropped: 0.0,
        };
        Self { unit: sound.clone(), pedals: sound, hub, clocks: vec![clock; 3] }
    }

    fn real(seed: u64, habits: &Habits, ride_s: f64) -> Self {
        let crank = |purpose, gain_sd: f64, offset_sd_w: f64| {
            let mut noise = Noise::new(seed ^ DRAWS, purpose);
            Draw {
                gain: 1.0 + noise.truncated(gain_sd * habits.systematic, 2.5),
                offset_w: noise.truncated(offset_sd_w * habits.systematic, 2.5),
                noise: noise.between(0.005, 0.009),
                angle: noise.uniform(),
                timeout_s: noise.between(1.5, 1.7),
            }
        };
        // A sound unit stays within 1 %; the references within what their certificates say (k = 2).
        let unit = crank(Purpose::Unit, 0.004, 0.5);
        let pedals = crank(Purpose::Pedals, 0.005, 0.5);
        let hub = crank(Purpose::Trainer, 0.0075, 0.8);
        let mut noise = Noise::new(seed ^ DRAWS, Purpose::Script);
        let loss_big = LOSS + noise.truncated(0.005 * habits.systematic, 2.0);
        let loss_small = loss_big + noise.truncated(0.0025 * habits.systematic, 2.0);
        let purposes = [Purpose::UnitClock, Purpose::PedalsClock, Purpose::TrainerClock];
        let clocks = std::array::from_fn::<Clock, 3, _>(|n| {
            let mut noise = Noise::new(seed ^ DRAWS, purposes[n]);
            Clock {
                offset_s: noise.between(-3.0, 3.0),
                drift_ppm: noise.between(-20.0, 20.0),
                jump_s: 0.0,
                jump_at_s: ride_s / 2.0,
                strap_delay_s: noise.between(habits.strap_delay_s.0, habits.strap_delay_s.1),
                storage: habits.storage[n],
                start_s: noise.between(0.0, 6.0),
                stop_s: ride_s - noise.between(0.0, 5.0),
                dropped: habits.dropped,
            }
        });
        Self { unit, pedals, hub: HubDraw { draw: hub, loss_big, loss_small }, clocks: clocks.to_vec() }
    }
}

/// Sets session-long draws apart from the noise of the same purpose.
const DRAWS: u64 = 0x5EED_0000_0000_0001;

/// Chain drive, spider to hub. Source: Martin et al. 1998 (97.7 %, from memory).
pub(super) const LOSS: f64 = 0.023;
