//! What one recording holds, on its own clock.

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::{DateTime, Utc};

use super::channels::Channel;

/// One file from one head unit. Nothing is filled, nothing is thrown away without a word.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    pub file: PathBuf,
    /// SHA-256 of the file's bytes, lower-case hex.
    pub sha256: String,
    pub bytes: u64,
    pub format: Format,
    pub head_unit: HeadUnit,
    /// Time of the first sample.
    pub start: DateTime<Utc>,
    pub samples: Samples,
    pub laps: Vec<Lap>,
    pub timer: Vec<TimerEvent>,
    pub gears: Vec<GearChange>,
    pub positions: Vec<PositionChange>,
    /// The head unit's own summaries of the whole.
    pub summaries: Vec<HeadUnitSummary>,
    pub sensors: Vec<Sensor>,
    /// What the file lost, one sentence each with byte and second; empty for a sound file.
    pub damage: Vec<String>,
    /// What a tester should know before trusting the file (irregular, repeated values, …).
    pub cautions: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    Fit,
    Tcx,
    Gpx,
    Csv,
}

impl Format {
    pub fn word(self) -> &'static str {
        match self {
            Format::Fit => "FIT",
            Format::Tcx => "TCX",
            Format::Gpx => "GPX",
            Format::Csv => "CSV",
        }
    }
}

#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct HeadUnit {
    /// Maker's name or number as the file states it; `None` of FIT's number for what is no maker's.
    pub maker: Option<String>,
    pub product: Option<String>,
    pub serial: Option<String>,
    pub firmware: Option<String>,
}

/// Columns of equal length, in order of time; a channel without a value in the file is an empty one. `None` is a missing
/// or invalid sample, never zero.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Samples {
    /// Seconds since the recording's start, never falling; repeats are merged on reading.
    pub time_s: Vec<f64>,
    pub power_w: Vec<Option<f64>>,
    /// With the fractional part where the file has one.
    pub cadence_rpm: Vec<Option<f64>>,
    pub heart_rate_bpm: Vec<Option<f64>>,
    pub speed_m_s: Vec<Option<f64>>,
    pub altitude_m: Vec<Option<f64>>,
    pub temperature_c: Vec<Option<f64>>,
    pub distance_m: Vec<Option<f64>>,
    pub latitude_deg: Vec<Option<f64>>,
    pub longitude_deg: Vec<Option<f64>>,
    /// Right side's share of power in per cent; only where the file says which side it is.
    pub right_share_pct: Vec<Option<f64>>,
    /// Further numeric channels by name: other fields of the FIT profile by theirs, developer fields as
    /// `developer NAME`, CSV columns by header.
    pub extra: BTreeMap<String, Vec<Option<f64>>>,
    /// Units of further channels, by name, where the file states them.
    pub extra_units: BTreeMap<String, String>,
    /// By channel name: indices of the samples that the file wrote as invalid. Any other `None` was not written.
    pub invalid: BTreeMap<String, Vec<usize>>,
}

impl Samples {
    pub fn len(&self) -> usize {
        self.time_s.len()
    }

    pub fn is_empty(&self) -> bool {
        self.time_s.is_empty()
    }

    /// The channels of fixed meaning, in the order of [`Channel`].
    pub(super) fn columns(&self) -> [&[Option<f64>]; Channel::COUNT] {
        [
            &self.power_w,
            &self.cadence_rpm,
            &self.heart_rate_bpm,
            &self.speed_m_s,
            &self.altitude_m,
            &self.temperature_c,
            &self.distance_m,
            &self.latitude_deg,
            &self.longitude_deg,
            &self.right_share_pct,
        ]
    }

    /// All columns, to be changed.
    pub fn columns_mut(&mut self) -> [&mut Vec<Option<f64>>; Channel::COUNT] {
        [
            &mut self.power_w,
            &mut self.cadence_rpm,
            &mut self.heart_rate_bpm,
            &mut self.speed_m_s,
            &mut self.altitude_m,
            &mut self.temperature_c,
            &mut self.distance_m,
            &mut self.latitude_deg,
            &mut self.longitude_deg,
            &mut self.right_share_pct,
        ]
    }
}

#[derive(Debug, Clone, PartialEq)]
pub struct Lap {
    /// Seconds since the recording's start.
    pub start_s: f64,
    pub end_s: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct TimerEvent {
    pub at_s: f64,
    pub kind: TimerKind,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimerKind {
    Start,
    Stop,
}

/// A gear-change event; teeth are `None` where the file holds zero (unknown).
#[derive(Debug, Clone, PartialEq)]
pub struct GearChange {
    pub at_s: f64,
    pub front_teeth: Option<u32>,
    pub rear_teeth: Option<u32>,
    pub front_number: Option<u32>,
    pub rear_number: Option<u32>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct PositionChange {
    pub at_s: f64,
    pub position: RiderPosition,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RiderPosition {
    Seated,
    Standing,
}

/// What a head unit says of a whole ride (FIT calls it a session), to compare with what its records say.
#[derive(Debug, Clone, PartialEq)]
pub struct HeadUnitSummary {
    pub start_s: f64,
    pub end_s: f64,
    /// Without pauses.
    pub timer_s: Option<f64>,
    pub sport: Option<String>,
    pub mean_power_w: Option<f64>,
}

/// A device that the file names.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Sensor {
    pub kind: Option<String>,
    /// What the file calls this one, as no other of its model.
    pub name: Option<String>,
    pub maker: Option<String>,
    pub product: Option<String>,
    pub serial: Option<String>,
    /// The number that it is heard by.
    pub number: Option<String>,
    pub firmware: Option<String>,
    pub battery: Option<String>,
    pub battery_voltage_v: Option<f64>,
    /// How the head unit heard it (`antplus`, `bluetooth low energy`, `local`).
    pub source: Option<String>,
}
