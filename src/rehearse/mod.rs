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

pub use bench::{BENCHES, Bench, BenchKind, Fitted, Recorder};
use draws::Draws;
pub use fault::{FAULT_KINDS, Fault, FaultError, FaultKind, Share};
pub use habits::{Habits, Storage};
use head_unit::{Clock, Heard};
use instrument::{Draw, Struck};
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
    pub bench: Bench,
    pub instruments: Instruments,
    pub habits: Habits,
}

impl Plan {
    /// A sound unit on the usual bench, ridden at a fixed hour.
    pub fn new(seed: u64) -> Self {
        let date = DateTime::from_timestamp(1_795_267_800, 0).unwrap_or_default();
        let (bench, habits) = (Bench::both(), Habits::default());
        Self { seed, faults: vec![], date, bench, instruments: Instruments::Real, habits }
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
    /// As the bench wears them: the unit's first, then each reference's.
    pub recordings: Vec<Recording>,
    /// The FIT file of each recording.
    pub files: Vec<Vec<u8>>,
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
    let deaf = deaf_windows(plan, stretches.last().map_or(0.0, |s| s.end_s));
    let all_deaf: Vec<(f64, f64)> = deaf.iter().map(|d| (d.1, d.2)).collect();
    let laps = lap_presses(&stretches, plan.seed);
    let speed = instrument::speed(&signal);

    let record = |(n, fitted): (usize, &Fitted)| {
        let noise = |purpose| Noise::nth(plan.seed, purpose, fitted.recorder as usize);
        let (sound, own) = (&draws.instruments[n], &mut noise(Purpose::Instrument));
        let draw = &with_reference_fault(sound, &plan.faults, &fitted.label);
        let at_hub = fitted.located.behind_chain();
        let output = match (n, at_hub) {
            (_, true) => instrument::hub(&signal, &stretches, draw, &draws.loss, own),
            (0, false) => instrument::unit(&signal, &stretches, draw, own, &plan.faults, &struck),
            _ => instrument::crank(&signal, draw, own),
        };
        let heard = Heard {
            output: &output,
            beats: &signal.beats,
            speed: &speed,
            deaf: if n == 0 { &all_deaf } else { &[] },
            laps: if n == 1 { &laps } else { &[] },
            cadence_steps: if at_hub { 1.0 } else { 128.0 },
        };
        head_unit::record(&heard, &draws.clocks[n], fitted.naming(), plan.date, &mut noise(Purpose::Clock))
    };
    let mut recordings: Vec<Recording> = plan.bench.worn().enumerate().map(record).collect();
    let encode = |recording: &mut Recording| {
        let bytes = fit::encode(recording);
        recording.sha256 = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
        recording.bytes = bytes.len() as u64;
        bytes
    };
    let files = recordings.iter_mut().map(encode).collect();
    let truth = truth(protocol, plan, &stretches, signal, &draws, &struck, &deaf);
    Rehearsal { session: plan.bench.session(protocol, drivetrain), recordings, files, truth }
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
            && !Bench::both().references.iter().any(|known| names(label, &known.label))
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
    let instruments = plan.bench.worn().enumerate().map(|(n, fitted)| TrueInstrument {
        label: fitted.label.clone(),
        recording: fitted.file.clone(),
        gain_pct: (draws.instruments[n].gain - 1.0) * 100.0,
        offset_w: draws.instruments[n].offset_w,
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
        loss_big_pct: draws.loss.big * 100.0,
        loss_small_pct: draws.loss.small * 100.0,
        struck: windows,
        signal,
        ring_shifts: instrument::ring_shifts(stretches),
        clocks: draws.clocks.clone(),
    }
}

#[cfg(test)]
mod tests;
