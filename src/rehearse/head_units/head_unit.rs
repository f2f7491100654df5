//! What a head unit writes down: whole seconds of its own clock, whole watts, whole beats.

use std::path::PathBuf;

use chrono::{DateTime, TimeDelta, Utc};

use crate::recording::{Format, GearChange, Lap, Recording, Samples, TimerEvent, TimerKind};

use super::super::clock::SimulatedClock;
use super::super::noise::Noise;
use super::super::span::TrueSpan;
use super::naming::Naming;
use super::position::PositionReceiver;
use super::second::{Received, ReceivedReadings, Second, Shift};

/// What a head unit does besides writing every second, or is made to do.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct HeadUnitFaults {
    /// When nothing ran: one recording was ended and another begun.
    pub restarts: Vec<TrueSpan>,
    pub pauses_with: Option<TimerStop>,
    /// Writes when something changed, and after so many seconds at the latest.
    pub irregular_s: Option<f64>,
}

/// What has to stand for a timer to stop by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum TimerStop {
    Wheel,
    Cranks,
}

/// Seconds of standing until a timer stops by itself. Common practice, no source.
const PAUSES_AFTER: u32 = 3;

/// One file of a head unit, and when its timer had stopped by itself.
pub(crate) struct Recorded {
    pub recording: Recording,
    pub pauses: Vec<TrueSpan>,
}

/// What a head unit wrote, one file after the other.
pub(crate) fn record(
    heard: &Received,
    clock: &SimulatedClock,
    faults: &HeadUnitFaults,
    naming: &Naming,
    date: DateTime<Utc>,
    position: PositionReceiver,
    noise: &mut Noise,
) -> Vec<Recorded> {
    let (first, last) = (clock.shows_s(clock.start_s).ceil() as i64, clock.shows_s(clock.stop_s).floor() as i64);
    let mut received = ReceivedReadings::new(heard, clock, position);
    let mut seconds = vec![];
    for stamp in first..=last {
        let inner = stamp != first && stamp != last;
        if noise.uniform() < clock.dropped && inner {
            continue;
        }
        let true_s = clock.true_s(stamp as f64 + clock.sampling_s);
        seconds.extend(true_s.map(|true_s| received.at(stamp, true_s)));
    }
    let at = |true_s: f64| seconds.partition_point(|second| second.true_s < true_s);
    let begins = std::iter::once(0).chain(faults.restarts.iter().map(|restart| at(restart.end_s)));
    let ends = faults.restarts.iter().map(|restart| at(restart.start_s)).chain([seconds.len()]);
    let parts = begins.zip(ends).filter(|(from, to)| from < to);
    let part = |(n, (from, to)): (usize, (usize, usize))| {
        let mut part = write_down(&seconds[from..to], heard, clock, faults, naming);
        part.recording.file = naming.nth_file(n);
        part.recording.start = date + TimeDelta::seconds(seconds[from].stamp - clock.behind_s);
        part
    };
    parts.enumerate().map(part).collect()
}

/// A timer that stops by itself while something stands.
struct Timer {
    stops_with: Option<TimerStop>,
    /// Seconds.
    stood: u32,
    stopped_at_s: Option<f64>,
    events: Vec<TimerEvent>,
    pauses: Vec<TrueSpan>,
}

/// What a timer says of one second.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum TimerState {
    Stopped,
    Runs,
    /// It had stopped before this second.
    RunsAgain,
}

impl Timer {
    fn started(stops_with: Option<TimerStop>) -> Self {
        let events = vec![TimerEvent { at_s: 0.0, kind: TimerKind::Start }];
        Self { stops_with, stood: 0, stopped_at_s: None, events, pauses: vec![] }
    }

    /// `at_s` is the second's stamp since the recording's start.
    fn hears(&mut self, second: &Second, at_s: f64) -> TimerState {
        let stands = match self.stops_with {
            Some(TimerStop::Wheel) => second.speed_m_s == Some(0.0),
            Some(TimerStop::Cranks) => second.cadence_rpm == Some(0.0),
            None => false,
        };
        self.stood = if stands { self.stood + 1 } else { 0 };
        if self.stood > PAUSES_AFTER {
            if self.stopped_at_s.is_none() {
                self.events.push(TimerEvent { at_s, kind: TimerKind::Stop });
                self.stopped_at_s = Some(second.true_s);
            }
            return TimerState::Stopped;
        }
        match self.stopped_at_s.take() {
            Some(start_s) => {
                self.events.push(TimerEvent { at_s, kind: TimerKind::Start });
                self.pauses.push(TrueSpan { start_s, end_s: second.true_s });
                TimerState::RunsAgain
            }
            None => TimerState::Runs,
        }
    }

    /// The recording ends; `true_end_s` is when it does in true time.
    fn end(&mut self, end_s: f64, true_end_s: f64) {
        match self.stopped_at_s {
            Some(start_s) => self.pauses.push(TrueSpan { start_s, end_s: true_end_s }),
            None => self.events.push(TimerEvent { at_s: end_s, kind: TimerKind::Stop }),
        }
    }
}

/// Some seconds of a head unit, at least one, as one recording.
fn write_down(
    seconds: &[Second],
    heard: &Received,
    clock: &SimulatedClock,
    faults: &HeadUnitFaults,
    naming: &Naming,
) -> Recorded {
    let (first, last) = (seconds[0].stamp, seconds[seconds.len() - 1].stamp);
    let mut samples = Samples::default();
    let mut timer = Timer::started(faults.pauses_with);
    let mut written: Option<&Second> = None;
    for second in seconds {
        let at_s = (second.stamp - first) as f64;
        let state = timer.hears(second, at_s);
        if state == TimerState::Stopped {
            continue;
        }
        if let (Some(most_s), Some(before)) = (faults.irregular_s, written)
            && state == TimerState::Runs
            && second.stamp != last
            && ((second.stamp - before.stamp) as f64) < most_s
            && !second.differs_from(before)
        {
            continue;
        }
        write_second(&mut samples, second, at_s);
        written = Some(second);
    }
    clear_empty(&mut samples);

    let end_s = (last - first) as f64;
    timer.end(end_s, clock.stop_s);
    let presses =
        heard.laps.iter().map(|t| clock.shows_s(*t).round() - first as f64).filter(|t| *t > 0.0 && *t < end_s);
    let mut borders: Vec<f64> = std::iter::once(0.0).chain(presses).chain([end_s]).collect();
    borders.dedup();
    let recording = Recording {
        file: PathBuf::new(),
        sha256: String::new(),
        bytes: 0,
        format: Format::Fit,
        head_unit: naming.head_unit.clone(),
        start: DateTime::UNIX_EPOCH,
        samples,
        laps: borders.windows(2).map(|w| Lap { start_s: w[0], end_s: w[1] }).collect(),
        timer: timer.events,
        gears: gear_changes(heard.shifts, clock, (first, last)),
        positions: vec![],
        summaries: vec![],
        sensors: naming.sensors.clone(),
        damage: vec![],
        cautions: vec![],
    };
    Recorded { recording, pauses: timer.pauses }
}

fn write_second(samples: &mut Samples, second: &Second, at_s: f64) {
    samples.time_s.push(at_s);
    samples.power_w.push(second.power_w);
    samples.cadence_rpm.push(second.cadence_rpm);
    samples.heart_rate_bpm.push(second.heart_rate_bpm);
    samples.speed_m_s.push(second.speed_m_s);
    samples.temperature_c.push(second.temperature_c);
    samples.right_share_pct.push(second.right_share_pct);
    if let Some(fix) = second.fix {
        samples.latitude_deg.push(Some(fix.latitude_deg));
        samples.longitude_deg.push(Some(fix.longitude_deg));
        samples.altitude_m.push(Some(fix.altitude_m));
        samples.distance_m.push(Some(fix.distance_m));
    }
}

/// As reading the file gives it: a channel without a value is an empty column.
fn clear_empty(samples: &mut Samples) {
    for column in [
        &mut samples.power_w,
        &mut samples.cadence_rpm,
        &mut samples.heart_rate_bpm,
        &mut samples.speed_m_s,
        &mut samples.right_share_pct,
    ] {
        if column.iter().all(Option::is_none) {
            column.clear();
        }
    }
}

/// The gear in which a recording begins, and each change until it ends.
fn gear_changes(shifts: &[Shift], clock: &SimulatedClock, (first, last): (i64, i64)) -> Vec<GearChange> {
    let stamp = |shift: &Shift| clock.shows_s(shift.at_s).floor() as i64;
    let begins = shifts.iter().rposition(|shift| stamp(shift) <= first).unwrap_or(0);
    let during = shifts[begins.min(shifts.len())..].iter().take_while(|shift| stamp(shift) <= last);
    let change = |shift: &Shift| GearChange {
        at_s: (stamp(shift) - first).max(0) as f64,
        front_teeth: Some(shift.front_teeth),
        rear_teeth: Some(shift.rear_teeth),
        front_number: Some(shift.front_number),
        rear_number: Some(shift.rear_number),
    };
    during.map(change).collect()
}
