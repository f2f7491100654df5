//! A rehearsal: a protocol ridden by a simulated rider on simulated instruments with known faults.
//!
//! Used for the demo data and, in memory and over many seeds, by tests. It shares nothing with the modules that
//! judge, so that it can't agree with them by construction. Its rider is as unsteady as real ones were measured to be;
//! instruments and head units are plausible rather than measured: where no source is named, a figure is common practice.

mod as_recorded;
mod as_ridden;
mod bench;
mod consequences;
mod draws;
mod fault;
mod fit;
mod habits;
mod head_unit;
mod hung;
mod instrument;
mod measures;
mod mishap;
pub mod names;
mod noise;
mod rider;
mod road;
mod script;
mod signal;
mod spoil;
mod strike;
mod trainer;
mod truth_file;
mod write;

use chrono::{DateTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};

use crate::protocol::{self, Protocol, Ring};
use crate::recording::Recording;
use crate::session::{Drivetrain, Instrument, Location, Session, Sides, TrainerMode};

use as_recorded::PlannedHeadUnit;
pub use bench::{BENCHES, BenchKind, Device, FittedInstrument, HeadUnits, Identity, RehearsalBench};
use draws::SessionDraws;
pub use fault::{FAULT_KINDS, Fault, FaultEffect, FaultError, FaultKind, Occasion, StruckShare};
pub use habits::{RideHabits, RiderScatter, SecondStorage, SensingDelay, Shifting};
use head_unit::{Received, Recorded, SimulatedClock};
use hung::{TrueLoad, UnitOnBike};
use instrument::{InstrumentDraw, RideConditions, SimulatedGear};
pub use measures::{TrueReadings, TrueRidden};
pub use mishap::{MISHAP_KINDS, Mishap, MishapEffect, MishapError, MishapKind, MishapPlace};
use noise::{Noise, Purpose};
use road::PositionReceiver;
pub use road::TruePosition;
pub use script::RiderAction;
use script::ScriptStretch;
pub use signal::RideSignal;
use strike::Strike;
pub use truth_file::*;
pub use write::{WriteError, write};

/// What to rehearse. The same plan gives the same rehearsal, bit for bit, on any machine.
#[derive(Debug, Clone, PartialEq)]
pub struct RehearsalPlan {
    pub seed: u64,
    pub faults: Vec<Fault>,
    pub mishaps: Vec<Mishap>,
    /// True time of the ride's start, a whole second.
    pub date: DateTime<Utc>,
    pub bench: RehearsalBench,
    pub instruments: Instruments,
    pub habits: RideHabits,
    pub setting: RideSetting,
    pub tester: String,
    pub place: String,
    /// Draws what the unit is by nature (its gain, zero, noise), so that several seeds ride the same specimen; else the seed
    /// does.
    pub specimen: Option<u32>,
    /// Likewise the references.
    pub reference_set: Option<u32>,
}

impl RehearsalPlan {
    /// A sound unit on the usual bench, ridden at a fixed hour.
    pub fn new(seed: u64) -> Self {
        let date = DateTime::from_timestamp(1_795_267_800, 0).unwrap_or_default();
        let (bench, habits) = (RehearsalBench::both(), RideHabits::default());
        let (instruments, setting) = (Instruments::Real, RideSetting::default());
        let (tester, place) = ("tester A".to_owned(), "north bench".to_owned());
        let (specimen, reference_set) = (None, None);
        Self {
            seed,
            faults: vec![],
            mishaps: vec![],
            date,
            bench,
            instruments,
            habits,
            setting,
            tester,
            place,
            specimen,
            reference_set,
        }
    }
}

/// Where and against what the protocol is ridden.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum RideSetting {
    /// A trainer whose brake grows with the wheel's speed.
    #[default]
    Resistance,
    /// A trainer that holds each move's power, whatever the cadence.
    ConstantPower,
    /// Hills, traffic, position and altitude; a hub that measures stands in the trainer's place.
    Road,
}

impl RideSetting {
    pub const ALL: [Self; 3] = [Self::Resistance, Self::ConstantPower, Self::Road];

    pub fn word(self) -> &'static str {
        match self {
            RideSetting::Resistance => "resistance",
            RideSetting::ConstantPower => "constant-power",
            RideSetting::Road => "road",
        }
    }

    /// Where a protocol is ridden if nobody says otherwise.
    pub fn asked_by(protocol: &Protocol) -> Self {
        match protocol.setting {
            protocol::Setting::Road => RideSetting::Road,
            protocol::Setting::Indoor | protocol::Setting::Rig => RideSetting::Resistance,
        }
    }

    fn trainer_mode(self) -> Option<TrainerMode> {
        match self {
            RideSetting::Resistance => Some(TrainerMode::Resistance),
            RideSetting::ConstantPower => Some(TrainerMode::ConstantPower),
            RideSetting::Road => None,
        }
    }
}

/// Whether instruments, head units and clocks have their usual small errors.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Instruments {
    Real,
    /// No gain, offset or noise, one clock; only a plan's faults remain.
    Ideal,
}

/// A ridden session, as a reader would find it, with what nobody but the simulator knows.
#[derive(Debug, Clone, PartialEq)]
pub struct Rehearsal {
    pub session: Session,
    /// As the bench wears them: the unit's first, then each reference's; then what was recorded after a restart.
    pub recordings: Vec<Recording>,
    /// The FIT file of each recording.
    pub files: Vec<Vec<u8>>,
    pub truth: Truth,
}

/// What truly happened. Times are seconds since `date` on a perfect clock.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    pub seed: u64,
    pub date: DateTime<Utc>,
    pub faults: Vec<TrueFault>,
    /// As `--mishap` writes them, with the phase where one was drawn.
    pub mishaps: Vec<String>,
    /// In ride order: every stretch that the protocol asked for, repeats numbered as ridden. A block with a stop in it
    /// is two of one repeat.
    pub moves: Vec<TrueMove>,
    pub instruments: Vec<TrueInstrument>,
    /// In ride order, each until the next.
    pub gears: Vec<TrueGear>,
    /// Where faults struck that are not there throughout, in the plan's order.
    pub struck: Vec<TrueWindow>,
    /// The rider at 20 Hz.
    pub signal: RideSignal,
    /// Of each instrument's sensor, one value per true second.
    pub temperatures_c: Vec<Vec<f64>>,
    /// Of each recording.
    clocks: Vec<SimulatedClock>,
    /// What the unit and an ideal instrument read, without noise.
    pub readings: TrueReadings,
    /// In ride order: every repeat that the protocol asked for.
    pub ridden: Vec<TrueRidden>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct TrueMove {
    /// The selector, as `steady[ring=small, power=120 W]`.
    pub phase: String,
    /// Index into the protocol's phases.
    pub phase_index: usize,
    /// From 1.
    pub repeat: u32,
    pub act: &'static str,
    pub start_s: f64,
    pub end_s: f64,
    pub ring: &'static str,
    /// What the rider truly put in, W.
    pub mean_power_w: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct TrueInstrument {
    pub label: String,
    pub recording: String,
    /// After restarts.
    pub later_recordings: Vec<String>,
    /// When nothing was written: between one recording and the next, and while a timer had stopped by itself.
    pub unwritten: Vec<TrueSpan>,
    /// Gain and offset drawn for the session, without the plan's faults.
    pub gain_pct: f64,
    pub offset_w: f64,
    /// Its head unit's clock less true time at the ride's start, and how fast that grows.
    pub clock_offset_s: f64,
    pub clock_drift_ppm: f64,
    pub strap_delay_s: f64,
    /// How long after the second that it stamps its head unit takes what it writes.
    pub sampling_s: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct TrueWindow {
    pub fault: String,
    /// Label.
    pub instrument: String,
    pub start_s: f64,
    pub end_s: f64,
}

impl Truth {
    /// The true time of what recording `index` holds under this stamp; `None` for what its clock jumped over.
    pub fn true_s(&self, index: usize, stamp: DateTime<Utc>) -> Option<f64> {
        let clock = &self.clocks[index];
        let shown = stamp - self.date + TimeDelta::seconds(clock.behind_s);
        clock.true_s(shown.as_seconds_f64() + clock.sampling_s)
    }

    /// The stamp under which recording `index` holds what was at a true time.
    pub fn shown_utc(&self, index: usize, true_s: f64) -> DateTime<Utc> {
        let clock = &self.clocks[index];
        let shown_s = clock.shows_s(true_s) - clock.sampling_s;
        self.date - TimeDelta::seconds(clock.behind_s) + TimeDelta::microseconds((shown_s * 1e6).round() as i64)
    }
}

/// Rides `protocol` by `plan`, in memory. A seed fixes the ride, the draws and the clocks; a fault added changes
/// nothing but what it should. [`check_faults`] says which faults would find nothing to strike.
pub fn simulate(protocol: &Protocol, plan: &RehearsalPlan) -> Rehearsal {
    let mut made = made(protocol, plan);
    let encode = |recording: &mut Recording| {
        let bytes = fit::encode(recording);
        recording.sha256 = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
        recording.bytes = bytes.len() as u64;
        bytes
    };
    let files = made.recordings.iter_mut().map(encode).collect();
    let (mut session, recordings) = (std::mem::take(&mut made.session), std::mem::take(&mut made.recordings));
    let unwritten = std::mem::take(&mut made.unwritten);
    let mut truth = truth(protocol, made);
    let told = truth.instruments.iter_mut().zip(instruments(&mut session)).zip(unwritten);
    for ((told, instrument), unwritten) in told {
        let later = instrument.recordings.iter().skip(1);
        told.later_recordings = later.map(|file| file.to_string_lossy().into_owned()).collect();
        told.unwritten = unwritten;
    }
    Rehearsal { session, recordings, files, truth }
}

/// [`simulate`] for whoever needs neither truth nor files: the recordings have no hash.
pub fn record(protocol: &Protocol, plan: &RehearsalPlan) -> (Session, Vec<Recording>) {
    let made = made(protocol, plan);
    (made.session, made.recordings)
}

/// A ride with all that its truth is told by.
struct SimulatedRide {
    /// Its bench as the setting has it.
    plan: RehearsalPlan,
    stretches: Vec<ScriptStretch>,
    mishaps: Vec<String>,
    signal: RideSignal,
    gears: Vec<SimulatedGear>,
    strikes: Vec<Strike>,
    draws: SessionDraws,
    temperatures_c: Vec<Vec<f64>>,
    hung: Vec<TrueLoad>,
    /// Of each instrument.
    unwritten: Vec<Vec<TrueSpan>>,
    session: Session,
    recordings: Vec<Recording>,
}

fn made(protocol: &Protocol, plan: &RehearsalPlan) -> SimulatedRide {
    let plan = RehearsalPlan { bench: plan.bench.clone().in_setting(plan.setting), ..plan.clone() };
    let drivetrain = bench::drivetrain();
    let mut scripted = script::write(protocol, &drivetrain, plan.seed);
    habits::follow(&mut scripted, protocol, plan.seed);
    let mishaps = mishap::with_noise(&plan.mishaps, plan.seed, 0);
    let (mut stretches, mishaps) = as_ridden::ride(scripted, protocol, &drivetrain, &mishaps);
    if plan.setting == RideSetting::ConstantPower {
        keep_one_gear(&mut stretches, &drivetrain);
    }
    let ride_s = stretches.last().map_or(0.0, |s| s.end_s);
    let signal = signal::ride(&stretches, &drivetrain, plan.setting, plan.seed, &plan.habits);
    let strikes = strike::all(&plan.faults, &plan.bench, &stretches, plan.seed);
    let mut draws = SessionDraws::of(&plan, ride_s, &strikes);
    let gears = instrument::gears(&signal, &stretches, &drivetrain, &draws.loss);
    let shifts = as_recorded::shifts(&gears, &drivetrain);
    let laps = lap_presses(&stretches, plan.seed);
    let speed = instrument::speed(&signal);
    let temperature_c = |fitted: &FittedInstrument| {
        instrument::temperature_c(&stretches, protocol, fitted.warms_c(), fitted.goes_with_bike())
    };
    let temperatures_c: Vec<Vec<f64>> = plan.bench.worn().map(temperature_c).collect();
    let head_units: Vec<PlannedHeadUnit> =
        (0..plan.bench.worn().count()).map(|n| PlannedHeadUnit::new(&plan, n)).collect();
    head_units.iter().zip(&mut draws.clocks).for_each(|(own, clock)| own.set(clock));

    let record = |(n, fitted): (usize, &FittedInstrument)| {
        let noise = |purpose| Noise::nth(plan.seed, purpose, fitted.recorder as usize);
        let own: Vec<&Strike> = strikes.iter().filter(|strike| strike.worn == n).collect();
        let ridden = RideConditions { signal: &signal, gears: &gears };
        let (draw, temperature_c) = (&draws.instruments[n], &temperatures_c[n]);
        let output = instrument::send(&ridden, fitted, draw, temperature_c, &own, &mut noise(Purpose::Instrument));
        let deaf = own.iter().filter(|strike| strike.fault.kind == FaultEffect::RadioDropout);
        let heard = Received {
            output: &output,
            beats: &signal.beats,
            speed: &speed,
            temperature_c,
            deaf: &deaf.flat_map(|strike| strike.windows()).copied().collect::<Vec<_>>(),
            laps: &head_units[n].presses(&laps, ride_s),
            shifts: head_units[n].hears(&shifts),
            cadence_steps: if fitted.located.behind_chain() { 1.0 } else { 128.0 },
            places: &signal.places,
        };
        let position = PositionReceiver::new(noise(Purpose::Position));
        let (clock, manner) = (&draws.clocks[n], head_units[n].manner(ride_s));
        head_unit::record(&heard, clock, &manner, &fitted.naming(), plan.date, position, &mut noise(Purpose::Clock))
    };
    let recorded: Vec<Vec<Recorded>> = plan.bench.worn().enumerate().map(record).collect();
    let unwritten: Vec<Vec<TrueSpan>> =
        head_units.iter().zip(&recorded).map(|(own, parts)| own.unwritten(parts, ride_s)).collect();
    let mut session = plan.bench.session(protocol, drivetrain, &plan);
    let own: Vec<&Strike> = strikes.iter().filter(|strike| strike.worn == 0).collect();
    let on_bike = UnitOnBike {
        draw: &draws.instruments[0],
        sides: plan.bench.unit.sides,
        gears: &gears,
        temperature_c: &temperatures_c[0],
        strikes: &own,
    };
    let length_m = session.conditions.crank_length_m.unwrap_or_default();
    let hung = hung::hang(protocol, &plan, &stretches, &on_bike, length_m);
    hung::typed(protocol, &stretches, &on_bike, &hung, (&mut session.conditions, &mut session.readings));
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

/// Unit first, then references.
fn instruments(session: &mut Session) -> impl Iterator<Item = &mut Instrument> {
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

/// Where the brake holds the power, nobody needs another cog: the middle one of each ring, W and rpm as in a block.
fn keep_one_gear(stretches: &mut [ScriptStretch], drivetrain: &Drivetrain) {
    let wanted_m = signal::brake_speed_m_s(180.0) * 60.0 / 88.0;
    for stretch in stretches {
        let on_ring = signal::developments_m(drivetrain, stretch.ring);
        let nearest = on_ring.into_iter().min_by(|a, b| (a - wanted_m).abs().total_cmp(&(b - wanted_m).abs()));
        stretch.development_m = nearest.unwrap_or(stretch.development_m);
    }
}

/// The unit as it was drawn and an ideal instrument at its place, both without noise.
///
/// The ideal one is a crank meter of both sides with the same crank, wherever it is worn: behind the chain it reads what
/// comes through, without smoothing and flywheel.
fn true_readings(
    plan: &RehearsalPlan,
    ride: &RideConditions,
    draws: &SessionDraws,
    temperature_c: &[f64],
    strikes: &[Strike],
    hung: Vec<TrueLoad>,
) -> TrueReadings {
    let worn = &plan.bench.unit;
    let own: Vec<&Strike> = strikes.iter().filter(|strike| strike.worn == 0).collect();
    let drawn = InstrumentDraw { noise: 0.0, ..draws.instruments[0].clone() };
    // Its noise is multiplied by nothing.
    let noise = || Noise::new(plan.seed, Purpose::Instrument);
    let unit = instrument::send(ride, worn, &drawn, temperature_c, &own, &mut noise());
    let at_crank = FittedInstrument { located: Location::Crank, sides: Sides::Both, ..worn.clone() };
    let sound = InstrumentDraw { gain: 1.0, offset_w: 0.0, ..drawn };
    let mut ideal = instrument::send(ride, &at_crank, &sound, temperature_c, &[], &mut noise());
    if worn.located.behind_chain() {
        for reading in &mut ideal.power {
            let comes_through = 1.0 - SimulatedGear::at(ride.gears, reading.at_s).loss;
            (reading.left_w, reading.right_w) = (reading.left_w * comes_through, reading.right_w * comes_through);
        }
    }
    let references = &draws.clocks[1..];
    let first_s = references.iter().map(|clock| clock.start_s).fold(f64::INFINITY, f64::min);
    let last_s = references.iter().map(|clock| clock.stop_s).fold(f64::NEG_INFINITY, f64::max);
    let own_clock = &draws.clocks[0];
    let recorded = TrueSpan { start_s: own_clock.start_s.max(first_s), end_s: own_clock.stop_s.min(last_s) };
    TrueReadings::of((&unit, worn.sides), &ideal, recorded, temperature_c, hung)
}

fn true_fault(fault: &Fault, bench: &RehearsalBench, strikes: &[Strike]) -> TrueFault {
    let strike = strikes.iter().find(|strike| strike.fault == *fault);
    let windows = strike.map(Strike::windows).unwrap_or_default();
    TrueFault {
        fault: fault.to_string(),
        instrument: bench.struck_by(fault).map_or(String::new(), |(_, fitted)| fitted.label.clone()),
        pattern: fault.pattern(bench).map(|pattern| pattern.word().to_owned()),
        struck: windows.iter().map(|&(start_s, end_s)| TrueSpan { start_s, end_s }).collect(),
    }
}

/// Each repeat with its moves, as it was ridden.
fn ridden(protocol: &Protocol, moves: &[TrueMove]) -> Vec<TrueRidden> {
    let repeat = |of: &[TrueMove]| {
        let last = &of[of.len() - 1];
        let moves: Vec<TrueSpan> = of.iter().map(|m| TrueSpan { start_s: m.start_s, end_s: m.end_s }).collect();
        let whole = TrueSpan { start_s: of[0].start_s, end_s: last.end_s };
        TrueRidden {
            phase_index: last.phase_index,
            repeat: last.repeat,
            ring: if last.ring == Ring::Small.word() { Ring::Small } else { Ring::Big },
            window: measures::scored(&protocol.phases[last.phase_index].drill, whole, &moves),
            moves,
        }
    };
    moves.chunk_by(|a, b| (a.phase_index, a.repeat) == (b.phase_index, b.repeat)).map(repeat).collect()
}

/// Whether every fault of the plan finds on this bench and in this protocol what it names.
///
/// # Errors
/// The first fault that names no instrument, a side that the instrument does not read, or nothing that it could strike,
/// in words.
pub fn check_faults(protocol: &Protocol, plan: &RehearsalPlan) -> Result<(), String> {
    let stretches = script::write(protocol, &bench::drivetrain(), plan.seed);
    plan.faults.iter().try_for_each(|fault| strike::refuse(fault, &plan.bench, &stretches))
}

/// Whether the instruments of the plan's bench can be told apart by what they are called.
///
/// # Errors
/// Two of one label, in words.
pub fn check_labels(plan: &RehearsalPlan) -> Result<(), String> {
    let bench = plan.bench.clone().in_setting(plan.setting);
    let labels: Vec<&str> = bench.worn().map(|fitted| fitted.label.as_str()).collect();
    match (1..labels.len()).find(|&n| labels[..n].contains(&labels[n])) {
        Some(n) => Err(format!("two instruments would be called `{}`; give each a label of its own", labels[n])),
        None => Ok(()),
    }
}

/// Whether every mishap of the plan finds in this protocol and on this bench what it names.
///
/// # Errors
/// A phase or an instrument that is not there, or where it can't happen, in words.
pub fn check_mishaps(protocol: &Protocol, plan: &RehearsalPlan) -> Result<(), String> {
    plan.mishaps.iter().try_for_each(|mishap| {
        let phases = mishap.phases(protocol).map(|_| ());
        phases.and_then(|()| as_recorded::refuse(mishap, plan)).map_err(|why| format!("`{mishap}`: {why}"))
    })
}

/// The bench's place whose head unit's lap button the rider presses: the first reference's.
const LAPS_ON: usize = 1;

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

fn truth(protocol: &Protocol, made: SimulatedRide) -> Truth {
    let SimulatedRide { plan, stretches, mishaps, signal, gears, strikes, draws, temperatures_c, hung, .. } = made;
    let ride = RideConditions { signal: &signal, gears: &gears };
    let readings = true_readings(&plan, &ride, &draws, &temperatures_c[0], &strikes, hung);
    let mut moves: Vec<TrueMove> = vec![];
    for s in &stretches {
        let Some((phase_index, repeat)) = s.phase else { continue };
        let act = s.act.word();
        // A change of ring halves a free phase, not its truth.
        let same = moves.last().is_some_and(|m| (m.phase_index, m.repeat, m.act) == (phase_index, repeat, act));
        let start_s = match moves.pop_if(|_| same && s.act == RiderAction::Ride) {
            Some(first_half) => first_half.start_s,
            None => s.start_s,
        };
        moves.push(TrueMove {
            phase: protocol.phases[phase_index].id.to_string(),
            phase_index,
            repeat,
            act,
            start_s,
            end_s: s.end_s,
            ring: s.ring.word(),
            mean_power_w: signal.mean_w(start_s, s.end_s),
        });
    }
    let instruments = plan.bench.worn().enumerate().map(|(n, fitted)| TrueInstrument {
        label: fitted.label.clone(),
        recording: fitted.file(),
        later_recordings: vec![],
        unwritten: vec![],
        gain_pct: (draws.instruments[n].gain - 1.0) * 100.0,
        offset_w: draws.instruments[n].offset_w,
        clock_offset_s: draws.clocks[n].offset_s - draws.clocks[n].behind_s as f64,
        clock_drift_ppm: draws.clocks[n].drift_ppm,
        strap_delay_s: draws.clocks[n].strap_delay_s,
        sampling_s: draws.clocks[n].sampling_s,
    });
    let label = |worn| plan.bench.worn().nth(worn).map_or(String::new(), |fitted| fitted.label.clone());
    let struck = strikes.iter().flat_map(|strike| {
        strike.windows().iter().map(|&(start_s, end_s)| {
            let (fault, instrument) = (strike.fault.to_string(), label(strike.worn));
            TrueWindow { fault, instrument, start_s, end_s }
        })
    });
    let gear = |gear: &SimulatedGear| TrueGear {
        from_s: gear.from_s,
        ring: gear.ring.word().to_owned(),
        cog: gear.cog,
        loss_pct: gear.loss * 100.0,
    };
    Truth {
        seed: plan.seed,
        date: plan.date,
        faults: plan.faults.iter().map(|fault| true_fault(fault, &plan.bench, &strikes)).collect(),
        mishaps,
        ridden: ridden(protocol, &moves),
        moves,
        instruments: instruments.collect(),
        gears: gears.iter().map(gear).collect(),
        struck: struck.collect(),
        signal,
        temperatures_c,
        clocks: draws.clocks,
        readings,
    }
}

#[cfg(test)]
mod tests;
