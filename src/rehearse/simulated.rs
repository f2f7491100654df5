//! One ride in memory: from the plan to the session and its recordings, with all that its truth is told by.

use crate::protocol::Protocol;
use crate::recording::Recording;
use crate::session::{Drivetrain, Instrument, Session};

use super::as_recorded::{self, PlannedHeadUnit};
use super::as_ridden::{self, RideAsItWent};
use super::bench::{FittedInstrument, drivetrain};
use super::clock::SimulatedClock;
use super::faults::{self, Strike};
use super::gears::{self, SimulatedGear};
use super::head_units::{self, PositionReceiver, Received, Recorded, Shift};
use super::instruments::{self, RideConditions, SessionDraws, TrueLoad, UnitOnBike};
use super::mishap;
use super::noise::{Noise, Purpose};
use super::plan::RehearsalPlan;
use super::ride::{self, RideSignal};
use super::script;
use super::setting::RideSetting;
use super::span::TrueSpan;
use super::stretches::{self, RiderAction, ScriptStretch};
use super::timed::TimedValue;

/// A ride with all that its truth is told by.
pub(super) struct SimulatedRide {
    /// Its bench as the setting has it.
    pub plan: RehearsalPlan,
    pub stretches: Vec<ScriptStretch>,
    pub mishaps: Vec<String>,
    pub signal: RideSignal,
    pub gears: Vec<SimulatedGear>,
    pub strikes: Vec<Strike>,
    pub draws: SessionDraws,
    pub temperatures_c: Vec<Vec<f64>>,
    pub hung: Vec<TrueLoad>,
    /// Of each instrument.
    pub unwritten: Vec<Vec<TrueSpan>>,
    pub session: Session,
    pub recordings: Vec<Recording>,
}

/// Rides and records.
pub(super) fn simulate_ride(protocol: &Protocol, plan: &RehearsalPlan) -> SimulatedRide {
    let plan = RehearsalPlan { bench: plan.bench.clone().in_setting(plan.setting), ..plan.clone() };
    let drivetrain = drivetrain();
    let RideAsItWent { stretches, mishaps } = ridden_script(protocol, &drivetrain, &plan);
    let ride_s = stretches.last().map_or(0.0, |s| s.end_s);
    let signal = ride::ride(&stretches, &drivetrain, plan.setting, plan.seed, &plan.habits);
    let strikes = faults::all(&plan.faults, &plan.bench, &stretches, plan.seed);
    let mut draws = SessionDraws::of(&plan, ride_s, &strikes);
    let gears = gears::gears(&signal, &stretches, &drivetrain, &draws.loss);
    let temperature_c = |fitted: &FittedInstrument| {
        instruments::temperature_c(&stretches, protocol, fitted.warmth(), fitted.goes_with_bike())
    };
    let temperatures_c: Vec<Vec<f64>> = plan.bench.worn().map(temperature_c).collect();
    let head_units: Vec<PlannedHeadUnit> =
        (0..plan.bench.worn().count()).map(|n| PlannedHeadUnit::new(&plan, n)).collect();
    head_units.iter().zip(&mut draws.clocks).for_each(|(own, clock)| own.set(clock));
    let ridden = RecordedRide {
        plan: &plan,
        ridden: RideConditions { signal: &signal, gears: &gears },
        draws: &draws,
        temperatures_c: &temperatures_c,
        strikes: &strikes,
        head_units: &head_units,
        shifts: as_recorded::shifts(&gears, &drivetrain),
        laps: lap_presses(&stretches, plan.seed),
        speed: instruments::speed(&signal),
        ride_s,
    };
    let recorded: Vec<Vec<Recorded>> =
        plan.bench.worn().enumerate().map(|(n, fitted)| ridden.record(n, fitted)).collect();
    let unwritten: Vec<Vec<TrueSpan>> =
        head_units.iter().zip(&recorded).map(|(own, parts)| own.unwritten(parts, ride_s)).collect();
    let mut session = plan.session(protocol, drivetrain);
    let own: Vec<&Strike> = strikes.iter().filter(|strike| strike.worn == 0).collect();
    let on_bike = UnitOnBike {
        draw: &draws.instruments[0],
        sides: plan.bench.unit.sides,
        gears: &gears,
        temperature_c: &temperatures_c[0],
        strikes: &own,
    };
    let length_m = session.conditions.crank_length_m.unwrap_or_default();
    let hung = instruments::hang(protocol, &plan, &stretches, &on_bike, length_m);
    instruments::typed(protocol, &stretches, &on_bike, &hung, &mut session);
    let recordings = in_order(recorded, &mut session, &mut draws.clocks);
    SimulatedRide {
        plan,
        stretches,
        mishaps,
        signal,
        gears,
        strikes,
        draws,
        temperatures_c,
        hung,
        unwritten,
        session,
        recordings,
    }
}

/// The script as it is ridden: written, then as the rider follows it, with the mishaps, in the gears that the setting asks
/// for.
fn ridden_script(protocol: &Protocol, drivetrain: &Drivetrain, plan: &RehearsalPlan) -> RideAsItWent {
    let mut scripted = script::write(protocol, drivetrain, plan.seed);
    plan.habits.ride_easy(&mut scripted);
    stretches::follow(&mut scripted, protocol, plan.seed);
    let mishaps = mishap::with_noise(&plan.mishaps, plan.seed, 0);
    let mut ridden = as_ridden::ride(scripted, protocol, drivetrain, &mishaps);
    if plan.setting == RideSetting::ConstantPower {
        stretches::keep_one_gear(&mut ridden.stretches, drivetrain);
    }
    ridden
}

/// All that the recordings of one ride are made of.
struct RecordedRide<'a> {
    plan: &'a RehearsalPlan,
    ridden: RideConditions<'a>,
    draws: &'a SessionDraws,
    temperatures_c: &'a [Vec<f64>],
    strikes: &'a [Strike],
    head_units: &'a [PlannedHeadUnit<'a>],
    shifts: Vec<Shift>,
    /// When the rider means to press.
    laps: Vec<f64>,
    speed: Vec<TimedValue>,
    ride_s: f64,
}

impl RecordedRide<'_> {
    /// What the head unit of the `n`-th instrument writes.
    fn record(&self, n: usize, fitted: &FittedInstrument) -> Vec<Recorded> {
        let noise = |purpose| Noise::nth(self.plan.seed, purpose, fitted.recorder as usize);
        let own: Vec<&Strike> = self.strikes.iter().filter(|strike| strike.worn == n).collect();
        let (draw, temperature_c, head_unit) =
            (&self.draws.instruments[n], &self.temperatures_c[n], &self.head_units[n]);
        let mut of_instrument = noise(Purpose::Instrument);
        let output = instruments::send(&self.ridden, fitted, draw, temperature_c, &own, &mut of_instrument);
        let heard = Received {
            output: &output,
            beats: &self.ridden.signal.beats,
            speed: &self.speed,
            temperature_c,
            deaf: &faults::deaf(&own),
            laps: &head_unit.presses(&self.laps, self.ride_s),
            shifts: head_unit.hears(&self.shifts),
            cadence_steps: if fitted.located.behind_chain() { 1.0 } else { 128.0 },
            places: &self.ridden.signal.places,
        };
        let position = PositionReceiver::new(noise(Purpose::Position));
        let (clock, faults) = (&self.draws.clocks[n], head_unit.faults(self.ride_s));
        let (naming, date) = (fitted.naming(), self.plan.date);
        head_units::record(&heard, clock, &faults, &naming, date, position, &mut noise(Purpose::Clock))
    }
}

/// Unit first, then references.
pub(super) fn instruments(session: &mut Session) -> impl Iterator<Item = &mut Instrument> {
    let units = session.units.iter_mut().map(|u| &mut u.instrument);
    units.chain(session.references.iter_mut().map(|r| &mut r.instrument))
}

/// The first recording of each instrument, then those after restarts, which the session lists too; a clock for each.
fn in_order(recorded: Vec<Vec<Recorded>>, session: &mut Session, clocks: &mut Vec<SimulatedClock>) -> Vec<Recording> {
    let (mut first, mut later) = (vec![], vec![]);
    for (n, (parts, instrument)) in recorded.into_iter().zip(instruments(session)).enumerate() {
        let mut parts = parts.into_iter().map(|part| part.recording);
        first.extend(parts.next());
        for recording in parts {
            instrument.recordings.push(recording.file.clone());
            clocks.push(clocks[n].clone());
            later.push(recording);
        }
    }
    first.append(&mut later);
    first
}

/// The rider presses within two seconds of the start of each repeat, and as its last move ends.
fn lap_presses(stretches: &[ScriptStretch], seed: u64) -> Vec<f64> {
    let mut noise = Noise::new(seed, Purpose::Laps);
    let mut presses = vec![];
    for pair in stretches.windows(2) {
        let stops = pair.iter().any(|s| s.act == RiderAction::Stop);
        if pair[0].phase != pair[1].phase && !stops {
            presses.push(pair[1].start_s + noise.between(-0.5, 2.0));
        }
    }
    presses
}
