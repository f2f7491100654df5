//! A rehearsal: a protocol ridden by a simulated rider on simulated instruments with known faults.
//!
//! Used for the demo data and, in memory and over many seeds, by tests. It shares nothing with the modules that
//! judge, so that it can't agree with them by construction. Its rider, instruments and head units are plausible
//! rather than measured: where no source is named, a figure is common practice.

mod bench;
mod draws;
mod fault;
mod fit;
mod habits;
mod head_unit;
mod instrument;
mod noise;
mod script;
mod signal;
mod write;

use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use sha2::{Digest, Sha256};

use crate::protocol::{Protocol, Ring};
use crate::recording::Recording;
use crate::session::Session;

use bench::{FILES, PEDALS, TRAINER, UNIT};
use draws::Draws;
pub use fault::{FAULT_KINDS, Fault, FaultError, FaultKind, Share};
pub use habits::{Habits, Storage};
use head_unit::{Clock, Heard};
use instrument::{Draw, HubDraw, Struck};
use noise::{Noise, Purpose};
pub use script::Act;
use script::Stretch;
pub use signal::Signal;
pub use write::{WriteError, write};

/// What to rehearse. The same plan gives the same rehearsal, bit for bit, on any machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    pub seed: u64,
    pub faults: Vec<Fault>,
    /// True time of the ride's start, a whole second.
    pub date: DateTime<Utc>,
    pub instruments: Instruments,
    pub habits: Habits,
}

impl Plan {
    /// A sound unit, ridden at a fixed hour.
    pub fn new(seed: u64) -> Self {
        let date = DateTime::from_timestamp(1_795_267_800, 0).unwrap_or_default();
        Self { seed, faults: vec![], date, instruments: Instruments::Real, habits: Habits::default() }
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
    /// Unit, pedals, trainer.
    pub recordings: [Recording; 3],
    /// The FIT file of each recording.
    pub files: [Vec<u8>; 3],
    pub truth: Truth,
}

/// What truly happened. Times are seconds since `date` on a perfect clock.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    pub seed: u64,
    pub date: DateTime<Utc>,
    /// As `--fault` writes them; sizes are exact.
    pub faults: Vec<String>,
    /// In ride order: every stretch that the protocol asked for.
    pub moves: Vec<TrueMove>,
    pub instruments: Vec<TrueInstrument>,
    /// Chain-drive loss of this session, %.
    pub loss_big_pct: f64,
    pub loss_small_pct: f64,
    /// Where `side-short`, `soft-dropout` and `radio-dropout` struck.
    pub struck: Vec<TrueWindow>,
    /// The rider at 20 Hz.
    #[serde(skip)]
    pub signal: Signal,
    /// From when each ring pulls, s.
    #[serde(skip)]
    pub ring_shifts: Vec<(f64, Ring)>,
    #[serde(skip)]
    clocks: Vec<Clock>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrueMove {
    /// The selector, as `steady[ring=small, power=120 W]`.
    pub phase: String,
    /// Index into the protocol's phases.
    pub phase_index: usize,
    /// From 1.
    pub repeat: u32,
    #[serde(rename = "move")]
    pub act: &'static str,
    pub start_s: f64,
    pub end_s: f64,
    pub ring: &'static str,
    /// What the rider truly put in, W.
    pub mean_power_w: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrueInstrument {
    pub label: String,
    pub recording: String,
    /// Gain and offset drawn for the session, without the plan's faults.
    pub gain_pct: f64,
    pub offset_w: f64,
    /// Its head unit's clock less true time at the ride's start, and how fast that grows.
    pub clock_offset_s: f64,
    pub clock_drift_ppm: f64,
    pub strap_delay_s: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrueWindow {
    pub fault: String,
    pub start_s: f64,
    pub end_s: f64,
}

impl Truth {
    /// The true time at which the clock of recording `index` showed this; `None` for what it jumped over.
    pub fn true_s(&self, index: usize, shown: DateTime<Utc>) -> Option<f64> {
        self.clocks[index].true_s((shown - self.date).as_seconds_f64())
    }

    /// What the clock of recording `index` shows at a true time.
    pub fn shown_utc(&self, index: usize, true_s: f64) -> DateTime<Utc> {
        self.date + TimeDelta::microseconds((self.clocks[index].shows_s(true_s) * 1e6).round() as i64)
    }
}

/// Rides `protocol` by `plan`, in memory. A seed fixes the ride, the draws and the clocks; a fault added changes
/// nothing but what it should.
pub fn simulate(protocol: &Protocol, plan: &Plan) -> Rehearsal {
    let drivetrain = bench::drivetrain();
    let stretches = script::write(protocol, &drivetrain, plan.seed);
    let signal = signal::ride(&stretches, plan.seed, &plan.habits);
    let draws = Draws::of(plan, stretches.last().map_or(0.0, |s| s.end_s));

    let mut sprint_noise = Noise::new(plan.seed, Purpose::SideShort);
    let mut soft_noise = Noise::new(plan.seed, Purpose::SoftDropout);
    let struck = instrument::strike(&stretches, &plan.faults, &mut sprint_noise, &mut soft_noise);
    let noise = |purpose| Noise::new(plan.seed, purpose);
    let unit = instrument::unit(&signal, &stretches, &draws.unit, &mut noise(Purpose::Unit), &plan.faults, &struck);
    let pedals_draw = with_reference_fault(&draws.pedals, &plan.faults, PEDALS);
    let pedals = instrument::crank(&signal, &pedals_draw, &mut noise(Purpose::Pedals));
    let hub = HubDraw { draw: with_reference_fault(&draws.hub.draw, &plan.faults, TRAINER), ..draws.hub.clone() };
    let (trainer, speed) = instrument::hub(&signal, &stretches, &hub, &mut noise(Purpose::Trainer));
    let deaf = deaf_windows(plan, stretches.last().map_or(0.0, |s| s.end_s));
    let laps = lap_presses(&stretches, plan.seed);

    let heard = |output, deaf, laps, cadence_steps| Heard {
        output,
        beats: &signal.beats,
        speed: &speed,
        deaf,
        laps,
        cadence_steps,
    };
    let of = |heard: Heard, n: usize, purpose| {
        head_unit::record(&heard, &draws.clocks[n], bench::naming(n), plan.date, &mut noise(purpose))
    };
    let all_deaf: Vec<(f64, f64)> = deaf.iter().map(|d| (d.1, d.2)).collect();
    let mut recordings = [
        of(heard(&unit, &all_deaf, &[], 128.0), 0, Purpose::UnitClock),
        of(heard(&pedals, &[], &laps, 128.0), 1, Purpose::PedalsClock),
        of(heard(&trainer, &[], &[], 1.0), 2, Purpose::TrainerClock),
    ];
    let files = std::array::from_fn(|n| {
        let bytes = fit::encode(&recordings[n]);
        recordings[n].sha256 = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
        recordings[n].bytes = bytes.len() as u64;
        bytes
    });
    let truth = truth(protocol, plan, &stretches, signal, &draws, &struck, &deaf);
    Rehearsal { session: bench::session(protocol, drivetrain), recordings, files, truth }
}

/// `reference-gain` names a reference by its label or the label's last word.
fn with_reference_fault(draw: &Draw, faults: &[Fault], label: &str) -> Draw {
    let mut draw = draw.clone();
    for fault in faults {
        if let Fault::ReferenceGain { pct, label: named } = fault
            && names(named, label)
        {
            draw.gain *= 1.0 + pct / 100.0;
        }
    }
    draw
}

fn names(named: &str, label: &str) -> bool {
    named == label || label.rsplit(' ').next() == Some(named)
}

/// Whether every fault of the plan finds what it names.
///
/// # Errors
/// A `reference-gain` of no reference, in words.
pub fn check_faults(faults: &[Fault]) -> Result<(), String> {
    for fault in faults {
        if let Fault::ReferenceGain { label, .. } = fault
            && ![PEDALS, TRAINER].iter().any(|known| names(label, known))
        {
            return Err(format!("`{fault}`: no reference is called `{label}`; write `P` or `T`"));
        }
    }
    Ok(())
}

/// Runs of 3 to 10 s that together take exactly the share of the ride: (fault's index, from, to).
fn deaf_windows(plan: &Plan, ride_s: f64) -> Vec<(usize, f64, f64)> {
    let mut found = vec![];
    for (index, fault) in plan.faults.iter().enumerate() {
        let Fault::RadioDropout { share } = fault else { continue };
        let mut noise = Noise::new(plan.seed, Purpose::RadioDropout);
        let total_s = share.value() * ride_s;
        let mut runs_s = vec![];
        let mut left_s = total_s;
        while left_s > 0.0 {
            let run_s = noise.between(3.0, 10.0).min(left_s);
            runs_s.push(run_s);
            left_s -= run_s;
        }
        // Each run somewhere in its own equal part of the ride, so that none overlap.
        let part_s = ride_s / runs_s.len() as f64;
        for (n, run_s) in runs_s.into_iter().enumerate() {
            let from_s = n as f64 * part_s + noise.between(0.0, (part_s - run_s).max(0.0));
            found.push((index, from_s, from_s + run_s));
        }
    }
    found
}

/// The rider presses within two seconds of the start of each repeat, and as its last move ends.
fn lap_presses(stretches: &[Stretch], seed: u64) -> Vec<f64> {
    let mut noise = Noise::new(seed, Purpose::Laps);
    let mut presses = vec![];
    for pair in stretches.windows(2) {
        if pair[0].phase != pair[1].phase {
            presses.push(pair[1].start_s + noise.between(-0.5, 2.0));
        }
    }
    presses
}

fn truth(
    protocol: &Protocol,
    plan: &Plan,
    stretches: &[Stretch],
    signal: Signal,
    draws: &Draws,
    struck: &Struck,
    deaf: &[(usize, f64, f64)],
) -> Truth {
    let mut moves: Vec<TrueMove> = vec![];
    for s in stretches {
        let Some((phase_index, repeat)) = s.phase else { continue };
        let act = s.act.word();
        // A change of ring halves a free phase, not its truth.
        let same = moves.last().is_some_and(|m| (m.phase_index, m.repeat, m.act) == (phase_index, repeat, act));
        let start_s = match moves.pop_if(|_| same && s.act == Act::Ride) {
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
    let drawn = [(UNIT, &draws.unit), (PEDALS, &draws.pedals), (TRAINER, &draws.hub.draw)];
    let instruments = drawn.into_iter().enumerate().map(|(n, (label, draw))| TrueInstrument {
        label: label.to_owned(),
        recording: FILES[n].to_owned(),
        gain_pct: (draw.gain - 1.0) * 100.0,
        offset_w: draw.offset_w,
        clock_offset_s: draws.clocks[n].offset_s,
        clock_drift_ppm: draws.clocks[n].drift_ppm,
        strap_delay_s: draws.clocks[n].strap_delay_s,
    });
    let (mut sprints, mut soft) = (struck.sprints.iter(), struck.soft.iter());
    let mut windows = vec![];
    for (index, fault) in plan.faults.iter().enumerate() {
        let hit: Vec<(f64, f64)> = match fault {
            Fault::SideShort { .. } => sprints.next().cloned().unwrap_or_default(),
            Fault::SoftDropout { .. } => soft.next().cloned().unwrap_or_default(),
            Fault::RadioDropout { .. } => deaf.iter().filter(|d| d.0 == index).map(|d| (d.1, d.2)).collect(),
            _ => continue,
        };
        windows.extend(hit.into_iter().map(|(start_s, end_s)| TrueWindow { fault: fault.to_string(), start_s, end_s }));
    }
    Truth {
        seed: plan.seed,
        date: plan.date,
        faults: plan.faults.iter().map(Fault::to_string).collect(),
        moves,
        instruments: instruments.collect(),
        loss_big_pct: draws.hub.loss_big * 100.0,
        loss_small_pct: draws.hub.loss_small * 100.0,
        struck: windows,
        signal,
        ring_shifts: instrument::ring_shifts(stretches),
        clocks: draws.clocks.clone(),
    }
}

#[cfg(test)]
mod tests;
