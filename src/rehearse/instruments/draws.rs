//! What a seed draws once per session: the instruments' gains and habits, the head units' clocks.

use super::super::bench::{FittedInstrument, HeadUnits};
use super::super::clock::SimulatedClock;
use super::super::faults::{self, Strike};
use super::super::habits::SecondStorage;
use super::super::loss::{LOSS, Loss};
use super::super::noise::{Noise, Purpose};
use super::super::plan::RehearsalPlan;
use super::super::setting::Instruments;
use super::instrument::{InstrumentDraw, StatedError};

/// All that a seed draws once per session.
pub(crate) struct SessionDraws {
    /// As the bench wears them: the unit first.
    pub instruments: Vec<InstrumentDraw>,
    pub clocks: Vec<SimulatedClock>,
    pub loss: Loss,
}

impl SessionDraws {
    /// The plan's instruments on its head units, for a ride of this length; of the faults those of the clocks.
    pub fn of(plan: &RehearsalPlan, ride_s: f64, strikes: &[Strike]) -> Self {
        let draw = |fitted: &FittedInstrument| match plan.instruments {
            Instruments::Ideal => (ideal(), ideal_clock(ride_s)),
            Instruments::Real => (real(plan, fitted), real_clock(plan, fitted.recorder, ride_s)),
        };
        let (instruments, mut clocks): (Vec<_>, Vec<_>) = plan.bench.worn().map(draw).unzip();
        faults::clocks(&mut clocks, strikes);
        Self { instruments, clocks, loss: loss(plan) }
    }
}

fn ideal() -> InstrumentDraw {
    InstrumentDraw {
        gain: 1.0,
        offset_w: 0.0,
        noise: 0.0,
        angle: 0.25,
        timeout_s: 1.6,
        flywheel_missed: 0.0,
        stated: None,
    }
}

fn ideal_clock(ride_s: f64) -> SimulatedClock {
    SimulatedClock {
        offset_s: 0.0,
        drift_ppm: 0.0,
        jump_s: 0.0,
        jump_at_s: ride_s / 2.0,
        strap_delay_s: 0.2,
        speed_delay_s: 0.0,
        position_delay_s: 0.0,
        altitude_delay_s: 0.0,
        storage: SecondStorage::LastMessage,
        sampling_s: 0.0,
        behind_s: 0,
        start_s: 0.0,
        stop_s: ride_s,
        dropped: 0.0,
    }
}

fn real(plan: &RehearsalPlan, fitted: &FittedInstrument) -> InstrumentDraw {
    let is_unit = fitted.recorder == plan.bench.unit.recorder;
    let seed = if is_unit { plan.specimen } else { plan.reference_set };
    let seed = seed.map_or(plan.seed, u64::from);
    let mut noise = Noise::nth(seed ^ DRAWS, Purpose::Instrument, fitted.recorder as usize);
    let systematic = plan.habits.systematic;
    InstrumentDraw {
        gain: 1.0 + noise.truncated(fitted.gain_sd * systematic, 2.5),
        offset_w: noise.truncated(fitted.offset_sd_w * systematic, 2.5),
        noise: noise.between(0.005, 0.009),
        angle: noise.uniform(),
        timeout_s: noise.between(1.5, 1.7),
        flywheel_missed: if fitted.mode.is_some() { noise.between(0.04, 0.12) } else { 0.0 },
        stated: (plan.habits.as_stated && !is_unit).then(|| stated(plan, fitted)),
    }
}

/// Standard uncertainty of how a pair of pedals splits the total, as a share of it, beside that of its sides' gains, and
/// of a cadence sensor, rpm: what the judge is told to allow for. Common practice, no source.
const SPLIT: f64 = 0.005;
const CADENCE_RPM: f64 = 0.3;

fn stated(plan: &RehearsalPlan, fitted: &FittedInstrument) -> StatedError {
    let mut noise =
        Noise::nth(plan.reference_set.map_or(plan.seed, u64::from) ^ DRAWS, Purpose::Stated, fitted.recorder as usize);
    let mut normal = || plan.habits.systematic * noise.normal();
    StatedError {
        bound: fitted.stated.clone(),
        total: normal() / 2.0,
        // Two sides that are off independently by √2 times what the total is off: half of that goes across.
        across: normal() / 4.0,
        split: SPLIT * normal(),
        cadence_rpm: CADENCE_RPM * normal(),
        offset: normal() / 2.0,
    }
}

fn real_clock(plan: &RehearsalPlan, recorder: HeadUnits, ride_s: f64) -> SimulatedClock {
    let mut noise = Noise::nth(plan.seed ^ DRAWS, Purpose::Clock, recorder as usize);
    let habits = &plan.habits;
    let (late, mut sensing) =
        (habits.sensing_delay_s, Noise::nth(plan.seed ^ DRAWS, Purpose::Sensing, recorder as usize));
    SimulatedClock {
        offset_s: noise.between(-3.0, 3.0),
        drift_ppm: noise.between(habits.drift_ppm[recorder as usize].0, habits.drift_ppm[recorder as usize].1),
        jump_s: 0.0,
        jump_at_s: ride_s / 2.0,
        strap_delay_s: noise.between(habits.strap_delay_s.0, habits.strap_delay_s.1),
        speed_delay_s: sensing.between(late.speed.0, late.speed.1),
        position_delay_s: sensing.between(late.position.0, late.position.1),
        altitude_delay_s: sensing.between(late.altitude.0, late.altitude.1),
        storage: habits.storage[recorder as usize],
        sampling_s: Noise::nth(plan.seed ^ DRAWS, Purpose::HeadUnits, recorder as usize)
            .between(habits.sampling_s.0, habits.sampling_s.1),
        behind_s: 0,
        start_s: noise.between(0.0, 6.0),
        stop_s: ride_s - noise.between(0.0, 5.0),
        dropped: habits.dropped,
    }
}

/// How much of the loss is bending, against pulleys, bearings and slack run. Common practice, no source.
const BENDING: f64 = 0.4;

fn loss(plan: &RehearsalPlan) -> Loss {
    if plan.instruments == Instruments::Ideal {
        return Loss { middle: LOSS, small_more: 0.0, bending: 0.0 };
    }
    let mut noise = Noise::new(plan.seed ^ DRAWS, Purpose::Script);
    let systematic = plan.habits.systematic;
    if plan.habits.as_stated {
        // What a session allows for, ±1 % and ±0.5 % from ring to ring (k = 2); how links bend is the larger part of that.
        let middle = LOSS + 0.005 * systematic * noise.normal();
        return Loss { middle, small_more: 0.002 * systematic * noise.normal(), bending: BENDING * systematic };
    }
    let middle = LOSS + noise.truncated(0.005 * systematic, 2.0);
    Loss { middle, small_more: noise.truncated(0.0015 * systematic, 2.0), bending: BENDING * systematic }
}

/// Sets session-long draws apart from the noise of the same purpose.
const DRAWS: u64 = 0x5EED_0000_0000_0001;
