//! The aligned ride: what matching, scoring and the report look at.
//!
//! Session time is seconds since [`Ride::start`] on the clock of the first reference's recording. A ride
//! has one *grid second* per whole second of session time. A trace keeps its own samples, at their own
//! session times; `grid` names, for each grid second, the nearest sample within half a second, so that a
//! missing second stays missing and comparing a recording with itself gives exactly zero.

use chrono::{DateTime, TimeDelta, Utc};

use crate::protocol::Ring;
use crate::session::{Location, Sides};

/// One clock's relation to session time: t = t_recording + offset_s + drift × (t_recording − its start).
#[derive(Debug, Clone, PartialEq)]
pub struct Clock {
    pub offset_s: f64,
    pub drift_ppm: f64,
    /// Of a time in the middle of the ride, strap delay included.
    pub standard_uncertainty_s: f64,
    pub aligned_on: AlignedOn,
    /// Further channels that agree, and have their part in the offset.
    pub also: Vec<AlignedOn>,
    /// Further channels that do not.
    pub apart: Vec<DisagreeingChannel>,
    pub reset: Option<ClockReset>,
    /// Windowed offsets behind the line; a reset is taken out of them.
    pub windows: Vec<ClockWindow>,
}

/// A channel that was gone against, and how far it puts the clock from where the first channel does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DisagreeingChannel {
    pub on: AlignedOn,
    pub apart_s: f64,
}

/// Where a clock was put right while it recorded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockReset {
    /// Seconds since the recording's start.
    pub at_s: f64,
    /// What to add from there on.
    pub by_s: f64,
}

/// A clock's offset as some minutes of a recording tell it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockWindow {
    /// The window's middle, session seconds.
    pub at_s: f64,
    pub offset_s: f64,
    pub standard_uncertainty_s: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlignedOn {
    /// This recording's clock is session time.
    SessionClock,
    /// Two instruments in one recording.
    SameRecording,
    HeartRate,
    Position,
    Speed,
    Altitude,
    /// The last resort: a constant lag can't be told from a clock offset.
    Power,
    /// Nothing in common: the stamps are taken as they are.
    Nothing,
}

impl Clock {
    /// Of which nothing is known.
    pub fn unknown() -> Self {
        Self {
            offset_s: 0.0,
            drift_ppm: 0.0,
            standard_uncertainty_s: 0.0,
            aligned_on: AlignedOn::Nothing,
            also: vec![],
            apart: vec![],
            reset: None,
            windows: vec![],
        }
    }

    /// How far a window's offset lies from the clock's own line, s; `start_s` is the recording's start in session time.
    pub fn off_line_s(&self, window: &ClockWindow, start_s: f64) -> f64 {
        window.offset_s - self.offset_s - self.drift_ppm * 1e-6 * (window.at_s - start_s)
    }

    /// `heart rate, position`
    pub fn channels(&self) -> String {
        let words: Vec<&str> = std::iter::once(&self.aligned_on).chain(&self.also).map(|on| on.word()).collect();
        words.join(", ")
    }
}

impl AlignedOn {
    pub fn word(self) -> &'static str {
        match self {
            AlignedOn::SessionClock => "session clock",
            AlignedOn::SameRecording => "same recording",
            AlignedOn::HeartRate => "heart rate",
            AlignedOn::Position => "position",
            AlignedOn::Speed => "speed",
            AlignedOn::Altitude => "altitude",
            AlignedOn::Power => "power",
            AlignedOn::Nothing => "stamps as they are",
        }
    }

    /// What shows in a picture that a clock set by it is right; `None` where no channel set the clock.
    pub fn shown(self) -> Option<ShownChannel> {
        let shown = |unit, values| Some(ShownChannel { name: self.word(), unit, values });
        match self {
            AlignedOn::HeartRate => shown("1/min", |trace| &trace.heart_rate_bpm),
            // Of a position, what shows in time is how fast it changes.
            AlignedOn::Position => AlignedOn::Speed.shown(),
            AlignedOn::Speed => shown("m/s", |trace| &trace.speed_m_s),
            AlignedOn::Altitude => shown("m", |trace| &trace.altitude_m),
            AlignedOn::Power => shown("W", |trace| &trace.power_w),
            AlignedOn::SessionClock | AlignedOn::SameRecording | AlignedOn::Nothing => None,
        }
    }

    /// Whether a constant lag of the unit can be told from a clock offset.
    pub fn tells_lag(self) -> bool {
        !matches!(self, AlignedOn::Power | AlignedOn::Nothing)
    }
}

/// A channel as a picture shows it.
#[derive(Debug, Clone, Copy)]
pub struct ShownChannel {
    pub name: &'static str,
    pub unit: &'static str,
    pub values: fn(&Trace) -> &[Option<f64>],
}

/// A channel's column of a trace.
#[derive(Debug)]
pub struct ChannelColumn<'a> {
    /// As session files write the channel.
    pub name: &'static str,
    pub values: &'a mut Vec<Option<f64>>,
}

/// One instrument's samples in session time. All columns have the same length.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    pub label: String,
    pub located: Location,
    pub sides: Sides,
    pub clock: Clock,
    /// Session time of each sample, rising.
    pub time_s: Vec<f64>,
    pub power_w: Vec<Option<f64>>,
    pub cadence_rpm: Vec<Option<f64>>,
    pub heart_rate_bpm: Vec<Option<f64>>,
    pub speed_m_s: Vec<Option<f64>>,
    pub altitude_m: Vec<Option<f64>>,
    pub temperature_c: Vec<Option<f64>>,
    pub right_share_pct: Vec<Option<f64>>,
    /// Per grid second, the index of the nearest sample within half a second.
    pub grid: Vec<Option<usize>>,
}

impl Trace {
    /// `n` samples, one for each grid second, none of which holds a value.
    pub fn without_values(label: &str, located: Location, sides: Sides, clock: Clock, n: usize) -> Self {
        Self {
            label: label.to_owned(),
            located,
            sides,
            clock,
            time_s: (0..n).map(|second| second as f64).collect(),
            power_w: vec![None; n],
            cadence_rpm: vec![None; n],
            heart_rate_bpm: vec![None; n],
            speed_m_s: vec![None; n],
            altitude_m: vec![None; n],
            temperature_c: vec![None; n],
            right_share_pct: vec![None; n],
            grid: (0..n).map(Some).collect(),
        }
    }

    /// Every channel's column, to be filled.
    pub fn columns_mut(&mut self) -> impl Iterator<Item = ChannelColumn<'_>> {
        let columns = [
            ("power", &mut self.power_w),
            ("cadence", &mut self.cadence_rpm),
            ("heart_rate", &mut self.heart_rate_bpm),
            ("speed", &mut self.speed_m_s),
            ("altitude", &mut self.altitude_m),
            ("temperature", &mut self.temperature_c),
            ("right_share", &mut self.right_share_pct),
        ];
        columns.into_iter().map(|(name, values)| ChannelColumn { name, values })
    }

    fn on_grid(&self, column: &[Option<f64>], second: usize) -> Option<f64> {
        self.grid.get(second).copied().flatten().and_then(|i| column[i])
    }

    /// Power at a grid second, as recorded; `None` where nothing was.
    pub fn power_at(&self, second: usize) -> Option<f64> {
        self.on_grid(&self.power_w, second)
    }

    /// Mean power of its own samples from `from_s` to `to_s`, both included, in watts; `None` without any.
    pub fn mean_power_w(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let first = self.time_s.partition_point(|t| *t < from_s);
        let last = self.time_s.partition_point(|t| *t <= to_s);
        let found: Vec<f64> = (first..last).filter_map(|i| self.power_w.get(i).copied().flatten()).collect();
        (!found.is_empty()).then(|| found.iter().sum::<f64>() / found.len() as f64)
    }

    pub fn cadence_at(&self, second: usize) -> Option<f64> {
        self.on_grid(&self.cadence_rpm, second)
    }

    pub fn heart_rate_at(&self, second: usize) -> Option<f64> {
        self.on_grid(&self.heart_rate_bpm, second)
    }

    pub fn speed_at(&self, second: usize) -> Option<f64> {
        self.on_grid(&self.speed_m_s, second)
    }

    pub fn temperature_at(&self, second: usize) -> Option<f64> {
        self.on_grid(&self.temperature_c, second)
    }

    /// Right side's power at a grid second: share × total.
    pub fn right_power_at(&self, second: usize) -> Option<f64> {
        let i = self.grid.get(second).copied().flatten()?;
        Some(self.power_w[i]? * self.right_share_pct[i]? / 100.0)
    }

    pub fn left_power_at(&self, second: usize) -> Option<f64> {
        let i = self.grid.get(second).copied().flatten()?;
        Some(self.power_w[i]? * (1.0 - self.right_share_pct[i]? / 100.0))
    }

    /// Whether the head unit wrote a sample at this grid second at all.
    pub fn recorded_at(&self, second: usize) -> bool {
        self.grid.get(second).copied().flatten().is_some()
    }
}

/// A reference carried to the unit's place on the drivetrain.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferenceTrace {
    /// Powers are at the unit's place: a hub's reading has the chain loss added back, and so on.
    pub trace: Trace,
    /// What the powers were multiplied by to get there; 1 on the same side of the chain.
    pub carried_by: f64,
    /// Expanded (k = 2) uncertainty as stated, still at the reference's own place.
    pub uncertainty: crate::quantity::Bound,
    /// Standard uncertainty of the carrying in per cent (chain loss), 0 on the same side of the chain.
    pub loss_standard_pct: f64,
}

/// Everything that was ridden, on one clock, seen from the unit's place.
#[derive(Debug, Clone, PartialEq)]
pub struct Ride {
    /// Session second 0, a whole second.
    pub start: DateTime<Utc>,
    /// Number of grid seconds.
    pub length_s: usize,
    pub unit: Trace,
    /// In the session's order.
    pub references: Vec<ReferenceTrace>,
    /// Lap boundaries, timer starts and stops, typed marks: session seconds of possible edges.
    pub edges: Vec<Edge>,
    /// Gear-change events of any recording, in session time and in order.
    pub gears: Vec<Gear>,
}

/// Something that makes a boundary likely at a time.
#[derive(Debug, Clone, PartialEq)]
pub struct Edge {
    pub at_s: f64,
    pub kind: EdgeKind,
}

#[derive(Debug, Clone, PartialEq)]
pub enum EdgeKind {
    Lap,
    TimerStart,
    TimerStop,
    /// A typed mark, with the phase it names.
    Mark(Option<crate::protocol::Selector>),
    /// A prompt to which the rider began or ended (part of) a repeat, of a marks file whose clock was set by the ride.
    Cue(crate::protocol::Selector),
}

#[derive(Debug, Clone, PartialEq)]
pub struct Gear {
    pub at_s: f64,
    pub front_teeth: Option<u32>,
    pub rear_teeth: Option<u32>,
}

impl Ride {
    /// Whether any head unit wrote at this grid second; while all are paused nothing was ridden.
    pub fn recorded_at(&self, second: usize) -> bool {
        self.unit.recorded_at(second) || self.references.iter().any(|r| r.trace.recorded_at(second))
    }

    /// UTC of a session time.
    pub fn utc(&self, session_s: f64) -> DateTime<Utc> {
        self.start + TimeDelta::milliseconds((session_s * 1000.0).round() as i64)
    }
}

/// A stretch of session time, `start_s` ≤ t < `end_s`; grid seconds `start_s.ceil()..end_s.ceil()`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    pub start_s: f64,
    pub end_s: f64,
}

impl Window {
    pub fn seconds(&self) -> std::ops::Range<usize> {
        let whole = |t: f64| t.max(0.0).ceil() as usize;
        whole(self.start_s)..whole(self.end_s)
    }

    pub fn length_s(&self) -> f64 {
        self.end_s - self.start_s
    }
}

/// The chainring at a time, and how sure that is (0.5 is a guess, 1 is certain).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RingBelief {
    pub ring: Ring,
    pub confidence: f64,
}
