//! What a seed draws once per session: the instruments' gains and habits, the head units' clocks.

use super::bench::{Fitted, Recorder};
use super::fault::Fault;
use super::habits::Storage;
use super::head_unit::Clock;
use super::instrument::{Draw, Loss};
use super::noise::{Noise, Purpose};
use super::{Instruments, Plan};

/// All that a seed draws once per session.
pub(super) struct Draws {
    /// As the bench wears them: the unit first.
    pub instruments: Vec<Draw>,
    pub clocks: Vec<Clock>,
    pub loss: Loss,
}

impl Draws {
    /// The plan's instruments on its head units, for a ride of this length; the unit's own faults stay out.
    pub fn of(plan: &Plan, ride_s: f64) -> Self {
        let draw = |fitted: &Fitted| match plan.instruments {
            Instruments::Ideal => (ideal(), ideal_clock(ride_s)),
            Instruments::Real => (real(plan, fitted), real_clock(plan, fitted.recorder, ride_s)),
        };
        let (instruments, mut clocks): (Vec<_>, Vec<_>) = plan.bench.worn().map(draw).unzip();
        for fault in &plan.faults {
            match fault {
                Fault::ClockSet { ahead_s } => clocks[0].offset_s += ahead_s,
                Fault::ClockJump { ahead_s } => clocks[0].jump_s += ahead_s,
                _ => {}
            }
        }
        Self { instruments, clocks, loss: loss(plan) }
    }
}

fn ideal() -> Draw {
    Draw { gain: 1.0, offset_w: 0.0, noise: 0.0, angle: 0.25, timeout_s: 1.6 }
}

fn ideal_clock(ride_s: f64) -> Clock {
    Clock {
        offset_s: 0.0,
        drift_ppm: 0.0,
        jump_s: 0.0,
        jump_at_s: ride_s / 2.0,
        strap_delay_s: 0.2,
        storage: Storage::LastMessage,
        start_s: 0.0,
        stop_s: ride_s,
        dropped: 0.0,
    }
}

fn real(plan: &Plan, fitted: &Fitted) -> Draw {
    let mut noise = Noise::nth(plan.seed ^ DRAWS, Purpose::Instrument, fitted.recorder as usize);
    let systematic = plan.habits.systematic;
    Draw {
        gain: 1.0 + noise.truncated(fitted.gain_sd * systematic, 2.5),
        offset_w: noise.truncated(fitted.offset_sd_w * systematic, 2.5),
        noise: noise.between(0.005, 0.009),
        angle: noise.uniform(),
        timeout_s: noise.between(1.5, 1.7),
    }
}

fn real_clock(plan: &Plan, recorder: Recorder, ride_s: f64) -> Clock {
    let mut noise = Noise::nth(plan.seed ^ DRAWS, Purpose::Clock, recorder as usize);
    let habits = &plan.habits;
    Clock {
        offset_s: noise.between(-3.0, 3.0),
        drift_ppm: noise.between(-20.0, 20.0),
        jump_s: 0.0,
        jump_at_s: ride_s / 2.0,
        strap_delay_s: noise.between(habits.strap_delay_s.0, habits.strap_delay_s.1),
        storage: habits.storage[recorder as usize],
        start_s: noise.between(0.0, 6.0),
        stop_s: ride_s - noise.between(0.0, 5.0),
        dropped: habits.dropped,
    }
}

fn loss(plan: &Plan) -> Loss {
    if plan.instruments == Instruments::Ideal {
        return Loss { big: LOSS, small: LOSS };
    }
    let mut noise = Noise::new(plan.seed ^ DRAWS, Purpose::Script);
    let big = LOSS + noise.truncated(0.005 * plan.habits.systematic, 2.0);
    Loss { big, small: big + noise.truncated(0.0025 * plan.habits.systematic, 2.0) }
}

/// Sets session-long draws apart from the noise of the same purpose.
const DRAWS: u64 = 0x5EED_0000_0000_0001;

/// Chain drive, spider to hub. Source: Martin et al. 1998 (97.7 %, from memory).
pub(super) const LOSS: f64 = 0.023;
