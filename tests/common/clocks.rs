//! Clocks against known truth: each shared channel alone and all together, drifts, gaps and pauses.

use std::collections::BTreeMap;
use std::path::PathBuf;

use assize::internals::align;
use assize::internals::rehearse::{Rehearsal, RehearsalPlan, RideHabits, RideSetting, SensingDelay, simulate};
use assize::protocol::Protocol;
use assize::recording::{Recording, Sensor};
use chrono::TimeDelta;

/// What the head units have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shared {
    Strap,
    Position,
    Speed,
    Altitude,
    /// Power is the last resort.
    Nothing,
    All,
}

/// What is done to the unit's head unit or to the pedals', whose clock the session has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Happens {
    /// Its clock gains so many ppm on the other's.
    Drift(f64),
    /// Ten minutes are missing.
    UnitGap,
    PedalsGap,
    /// Its timer stops by itself while the rider stands for two minutes.
    UnitPause,
    PedalsPause,
}

pub const SHARED: [Shared; 6] =
    [Shared::Strap, Shared::Position, Shared::Speed, Shared::Altitude, Shared::Nothing, Shared::All];
pub const HAPPENS: [Happens; 9] = [
    Happens::Drift(0.0),
    Happens::Drift(20.0),
    Happens::Drift(-20.0),
    Happens::Drift(100.0),
    Happens::Drift(-100.0),
    Happens::UnitGap,
    Happens::PedalsGap,
    Happens::UnitPause,
    Happens::PedalsPause,
];

/// One clock as found, and by how much it is wrong in the ride's middle and at its ends.
#[derive(Debug, Clone)]
pub struct Found {
    pub on: String,
    pub off_s: f64,
    pub standard_uncertainty_s: f64,
    pub ends_off_s: [f64; 2],
    /// As found less as it was.
    pub drift_off_ppm: f64,
}

impl Found {
    pub fn inside(&self) -> bool {
        self.off_s.abs() <= 2.0 * self.standard_uncertainty_s
    }
}

fn plan(shared: Shared, happens: Happens, seed: u64) -> RehearsalPlan {
    let mut habits = RideHabits {
        // As wide as what the judge takes them for: a triangle of ± their width between two head units.
        sensing_delay_s: SensingDelay { speed: (0.05, 0.35), position: (0.0, 0.73), altitude: (0.0, 1.71) },
        ..RideHabits::varied(seed)
    };
    if let Happens::Drift(ppm) = happens {
        habits.drift_ppm = [(ppm, ppm), (0.0, 0.0), (0.0, 0.0), (0.0, 0.0)];
    }
    let mishaps: &[&str] = match happens {
        Happens::UnitPause => &["phone-stop=120@steady", "auto-pause@017"],
        Happens::PedalsPause => &["phone-stop=120@steady", "auto-pause@P"],
        _ => &[],
    };
    let mishaps = mishaps.iter().map(|text| text.parse().unwrap_or_else(|e| panic!("{e}"))).collect();
    let setting = match shared {
        Shared::Strap | Shared::Nothing => RideSetting::Resistance,
        _ => RideSetting::Road,
    };
    RehearsalPlan { habits, mishaps, setting, ..RehearsalPlan::new(seed) }
}

pub fn ride(protocol: &Protocol, shared: Shared, happens: Happens, seed: u64) -> Rehearsal {
    let mut rehearsal = simulate(protocol, &plan(shared, happens, seed));
    for (n, recording) in rehearsal.recordings.iter_mut().enumerate() {
        keep(shared, recording);
        if happens == (if n == 0 { Happens::UnitGap } else { Happens::PedalsGap }) && n < 2 {
            leave_out(recording, 1500.0, 2100.0);
        }
    }
    rehearsal
}

/// Only the channels that are shared, and power.
fn keep(shared: Shared, recording: &mut Recording) {
    let without = |kept: Shared| shared != Shared::All && shared != kept;
    let samples = &mut recording.samples;
    if without(Shared::Strap) {
        samples.heart_rate_bpm.clear();
    }
    if without(Shared::Position) {
        samples.latitude_deg.clear();
        samples.longitude_deg.clear();
    }
    if without(Shared::Altitude) {
        samples.altitude_m.clear();
    }
    if without(Shared::Speed) {
        samples.speed_m_s.clear();
    } else {
        let sensor = Sensor { kind: Some("bike speed".into()), serial: Some("6001".into()), ..Sensor::default() };
        recording.sensors.push(sensor);
    }
}

/// As if nothing had been written for a while.
pub fn leave_out(recording: &mut Recording, from_s: f64, to_s: f64) {
    let samples = &mut recording.samples;
    let first = samples.time_s.partition_point(|t| *t < from_s);
    let last = samples.time_s.partition_point(|t| *t < to_s);
    samples.time_s.drain(first..last);
    for column in samples.columns_mut() {
        if !column.is_empty() {
            column.drain(first..last);
        }
    }
}

/// The unit's clock and that of each further reference, beside the truth.
pub fn found(rehearsal: &Rehearsal) -> (Vec<Found>, Vec<String>) {
    let recordings: BTreeMap<PathBuf, Recording> =
        rehearsal.recordings.iter().map(|recording| (recording.file.clone(), recording.clone())).collect();
    let aligned = align::to_session_time(&rehearsal.session, &recordings).unwrap_or_else(|e| panic!("{e}"));
    let traces = aligned.units.iter().chain(&aligned.references);
    let clocks = traces.enumerate().filter(|(n, _)| *n != 1).map(|(n, trace)| {
        let (clock, start) = (&trace.clock, rehearsal.recordings[n].start);
        let off_s = |share: f64| {
            let session_s = share * aligned.length_s as f64;
            let stamp = aligned.start + TimeDelta::milliseconds((session_s * 1000.0) as i64);
            let true_s = rehearsal.truth.true_s(1, stamp).unwrap_or_else(|| panic!("no such time"));
            let own = rehearsal.truth.shown_utc(n, true_s);
            let shift_s = clock.offset_s + clock.drift_ppm * 1e-6 * (own - start).as_seconds_f64();
            shift_s - (stamp - own).as_seconds_f64()
        };
        let drift_ppm = |n: usize| rehearsal.truth.instruments[n].clock_drift_ppm;
        Found {
            on: clock.channels(),
            off_s: off_s(0.5),
            standard_uncertainty_s: clock.standard_uncertainty_s,
            ends_off_s: [off_s(0.02), off_s(0.98)],
            drift_off_ppm: clock.drift_ppm + drift_ppm(n) - drift_ppm(1),
        }
    });
    (clocks.collect(), aligned.cautions.clone())
}
