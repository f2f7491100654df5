//! What truly happened on one ride.

use chrono::{DateTime, TimeDelta, Utc};

use crate::protocol::Ring;

use super::super::clock::SimulatedClock;
use super::super::ride::RideSignal;
use super::super::span::TrueSpan;
use super::file::{TrueFault, TrueGear, TruePart};
use super::readings::TrueReadings;

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
    pub(crate) clocks: Vec<SimulatedClock>,
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

/// One repeat of one phase: what its measures are taken over.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueRidden {
    /// Index into the protocol's phases.
    pub phase_index: usize,
    /// From 1.
    pub repeat: u32,
    pub ring: Ring,
    /// As scored, margins included.
    pub window: TrueSpan,
    /// In order: lead-in, coast and restart, say.
    pub moves: Vec<TrueSpan>,
}

impl Truth {
    /// The true time of what recording `index` holds under this stamp; `None` for what its clock jumped over.
    #[cfg(any(test, feature = "internals"))]
    pub fn true_s(&self, index: usize, stamp: DateTime<Utc>) -> Option<f64> {
        let clock = &self.clocks[index];
        let shown = stamp - self.date + TimeDelta::seconds(clock.behind_s);
        clock.true_s(shown.as_seconds_f64() + clock.sampling_s)
    }

    /// The stamp under which recording `index` holds what was at a true time.
    #[cfg(any(test, feature = "internals"))]
    pub fn shown_utc(&self, index: usize, true_s: f64) -> DateTime<Utc> {
        let clock = &self.clocks[index];
        let shown_s = clock.shows_s(true_s) - clock.sampling_s;
        self.date - TimeDelta::seconds(clock.behind_s) + TimeDelta::microseconds((shown_s * 1e6).round() as i64)
    }

    /// The moves of a repeat as they were ridden.
    pub(crate) fn parts(&self, ridden: &TrueRidden) -> Vec<TruePart> {
        let act = |span: &TrueSpan| {
            let middle_s = (span.start_s + span.end_s) / 2.0;
            let of = self.moves.iter().find(|m| (m.start_s..m.end_s).contains(&middle_s));
            of.map_or("", |m| m.act).to_owned()
        };
        let part = |span: &TrueSpan| TruePart {
            act: act(span),
            start_s: span.start_s,
            end_s: span.end_s,
            mean_power_w: self.signal.mean_w(span.start_s, span.end_s),
        };
        ridden.moves.iter().map(part).collect()
    }
}
