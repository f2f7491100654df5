//! What a head unit writes down: whole seconds of its own clock, whole watts, whole beats.

use std::path::PathBuf;

use chrono::{DateTime, TimeDelta, Utc};

use crate::recording::{Format, GearChange, HeadUnit, Lap, Recording, Samples, Sensor, TimerEvent, TimerKind};

use super::habits::SecondStorage;
use super::instrument::{SentReading, SentReadings};
use super::noise::Noise;
use super::road::{PositionFix, PositionReceiver, TruePosition};
use super::strike::{TrueSpanS, inside};

/// One head unit's clock and habits: it shows `t + offset_s + drift_ppm·1e-6·t` at true time `t`, and `jump_s` more
/// from `jump_at_s` on.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SimulatedClock {
    pub offset_s: f64,
    pub drift_ppm: f64,
    /// Never negative: a clock put back would write some seconds twice.
    pub jump_s: f64,
    pub jump_at_s: f64,
    /// From the strap's message until it is what this head unit writes.
    pub strap_delay_s: f64,
    /// From the wheel, the place and the height until they are what it writes.
    pub speed_delay_s: f64,
    pub position_delay_s: f64,
    pub altitude_delay_s: f64,
    pub storage: SecondStorage,
    /// It writes what it heard until so long after the second that it stamps, s.
    pub sampling_s: f64,
    /// Whole seconds by which its stamps are behind what it shows: of a clock that was never set.
    pub behind_s: i64,
    pub start_s: f64,
    pub stop_s: f64,
    /// Share of seconds that are never written.
    pub dropped: f64,
}

impl SimulatedClock {
    /// From true time at the start to the stamp of what was then.
    pub fn stamps_off_s(&self) -> f64 {
        self.offset_s - self.behind_s as f64 - self.sampling_s
    }

    pub fn shows_s(&self, true_s: f64) -> f64 {
        let jump_s = if true_s < self.jump_at_s { 0.0 } else { self.jump_s };
        true_s + self.offset_s + self.drift_ppm * 1e-6 * true_s + jump_s
    }

    /// `None` for what the clock never showed, because it jumped over it.
    pub fn true_s(&self, shown_s: f64) -> Option<f64> {
        let rate = 1.0 + self.drift_ppm * 1e-6;
        let before_s = (shown_s - self.offset_s) / rate;
        let after_s = (shown_s - self.offset_s - self.jump_s) / rate;
        if before_s < self.jump_at_s { Some(before_s) } else { (after_s >= self.jump_at_s).then_some(after_s) }
    }
}

/// What a recording is called and says of the devices.
pub(super) struct Naming {
    pub file: String,
    pub head_unit: HeadUnit,
    pub sensors: Vec<Sensor>,
}

impl Naming {
    /// `pedals-p.fit`, and after a restart `pedals-p-2.fit`.
    fn nth_file(&self, n: usize) -> PathBuf {
        let file = PathBuf::from(&self.file);
        if n == 0 {
            return file;
        }
        let stem = file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        file.with_file_name(format!("{stem}-{}.fit", n + 1))
    }
}

/// What reaches a head unit.
pub(super) struct Received<'a> {
    pub output: &'a SentReadings,
    pub beats: &'a [(f64, f64)],
    pub speed: &'a [(f64, f64)],
    /// Where the sensor hangs, one value per true second.
    pub temperature_c: &'a [f64],
    /// True windows in which neither power nor strap is heard.
    pub deaf: &'a [TrueSpanS],
    /// True times at which the lap button is pressed.
    pub laps: &'a [f64],
    /// Empty where it does not hear the shifters.
    pub shifts: &'a [Shift],
    /// A crank meter's cadence has a fraction, in 1/128 rpm.
    pub cadence_steps: f64,
    /// On the road.
    pub places: &'a [TruePosition],
}

/// From a true time on the chain is here; numbers count from the innermost, as FIT does.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Shift {
    pub at_s: f64,
    pub front_teeth: u32,
    pub front_number: u32,
    pub rear_teeth: u32,
    pub rear_number: u32,
}

/// What a head unit does besides writing every second, or is made to do.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct HeadUnitFaults {
    /// True times between which nothing ran: one recording was ended and another begun.
    pub restarts: Vec<(f64, f64)>,
    pub pauses_with: Option<TimerStop>,
    /// Writes when something changed, and after so many seconds at the latest.
    pub irregular_s: Option<f64>,
}

/// What has to stand for a timer to stop by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum TimerStop {
    Wheel,
    Cranks,
}

/// Seconds of standing until a timer stops by itself. Common practice, no source.
const PAUSES_AFTER: u32 = 3;

/// Walks a list in order of time; `at` gives the last entry not later than the time asked for.
struct LatestEntry<'a, T> {
    list: &'a [T],
    next: usize,
}

impl<'a, T> LatestEntry<'a, T> {
    fn new(list: &'a [T]) -> Self {
        Self { list, next: 0 }
    }

    /// Times asked for may step back by up to a second (the mean over four messages).
    fn at(&mut self, t_s: f64, time_of: impl Fn(&T) -> f64) -> Option<&'a T> {
        while self.next < self.list.len() && time_of(&self.list[self.next]) <= t_s {
            self.next += 1;
        }
        while self.next > 0 && time_of(&self.list[self.next - 1]) > t_s {
            self.next -= 1;
        }
        self.list[..self.next].last()
    }
}

// The largest that FIT's fields hold: all ones would say that nothing was measured. Source: public FIT profile.
const MOST_W: f64 = 65_534.0;
const MOST_RPM: f64 = 254.0;

/// All of one second that a head unit writes.
#[derive(Debug, Clone, PartialEq)]
struct Second {
    stamp: i64,
    true_s: f64,
    power_w: Option<f64>,
    cadence_rpm: Option<f64>,
    heart_rate_bpm: Option<f64>,
    speed_m_s: Option<f64>,
    temperature_c: Option<f64>,
    right_share_pct: Option<f64>,
    /// On the road.
    fix: Option<PositionFix>,
}

impl Second {
    /// Whether an irregular recording writes it, with `before` the last one written. Common practice, no source.
    fn differs_from(&self, before: &Second) -> bool {
        let moved = |now: Option<f64>, before: Option<f64>, by: f64| match (now, before) {
            (Some(now), Some(before)) => (now - before).abs() >= by,
            (now, before) => now.is_some() != before.is_some(),
        };
        moved(self.power_w, before.power_w, 10.0)
            || moved(self.cadence_rpm, before.cadence_rpm, 3.0)
            || moved(self.heart_rate_bpm, before.heart_rate_bpm, 2.0)
            || moved(self.speed_m_s, before.speed_m_s, 0.3)
    }
}

/// What a head unit heard, at rising times.
struct ReceivedReadings<'a> {
    heard: &'a Received<'a>,
    clock: &'a SimulatedClock,
    power: LatestEntry<'a, SentReading>,
    cadence: LatestEntry<'a, (f64, f64)>,
    beats: LatestEntry<'a, (f64, f64)>,
    speed: LatestEntry<'a, (f64, f64)>,
    position: PositionReceiver,
}

impl<'a> ReceivedReadings<'a> {
    fn new(heard: &'a Received<'a>, clock: &'a SimulatedClock, position: PositionReceiver) -> Self {
        Self {
            heard,
            clock,
            position,
            power: LatestEntry::new(&heard.output.power),
            cadence: LatestEntry::new(&heard.output.cadence),
            beats: LatestEntry::new(heard.beats),
            speed: LatestEntry::new(heard.speed),
        }
    }

    fn at(&mut self, stamp: i64, t_s: f64) -> Second {
        let deaf = inside(self.heard.deaf, t_s);
        let unheard = deaf || inside(&self.heard.output.unheard, t_s);
        let times_s: &[f64] = match self.clock.storage {
            SecondStorage::LastMessage => &[0.0],
            SecondStorage::SecondMean => &[0.75, 0.5, 0.25, 0.0],
        };
        let n = times_s.len() as f64;
        let (mut left_w, mut right_w, mut rpm) = (0.0, 0.0, 0.0);
        for back_s in times_s {
            if let Some(reading) = self.power.at(t_s - back_s, |r| r.at_s) {
                left_w += reading.left_w / n;
                right_w += reading.right_w / n;
            }
            rpm += self.cadence.at(t_s - back_s, |c| c.0).map_or(0.0, |c| c.1) / n;
        }
        let total_w = left_w + right_w;
        let heard_now = |value: f64| (!unheard).then_some(value);
        let rpm = (rpm * self.heard.cadence_steps).round() / self.heard.cadence_steps;
        let beat = self.beats.at(t_s - self.clock.strap_delay_s, |b| b.0);
        let has_balance = self.heard.output.sends_balance && total_w.round() > 0.0 && !unheard;
        let temperature_c = self.heard.temperature_c.get(t_s as usize).or(self.heard.temperature_c.last());
        Second {
            stamp,
            true_s: t_s,
            power_w: heard_now(total_w.round().min(MOST_W)),
            cadence_rpm: heard_now(rpm.min(MOST_RPM)),
            heart_rate_bpm: beat.filter(|_| !deaf).map(|b| b.1),
            speed_m_s: self.speed.at(t_s - self.clock.speed_delay_s, |s| s.0).map(|s| (s.1 * 1000.0).round() / 1000.0),
            temperature_c: temperature_c.map(|c| c.round()),
            right_share_pct: has_balance.then(|| (right_w / total_w * 100.0).round()),
            fix: (!self.heard.places.is_empty()).then(|| self.position.at(self.heard.places, t_s, self.clock)),
        }
    }
}

/// One file of a head unit, and the true times between which its timer had stopped by itself.
pub(super) struct Recorded {
    pub recording: Recording,
    pub pauses: Vec<(f64, f64)>,
}

/// What a head unit wrote, one file after the other.
pub(super) fn record(
    heard: &Received,
    clock: &SimulatedClock,
    manner: &HeadUnitFaults,
    naming: &Naming,
    date: DateTime<Utc>,
    position: PositionReceiver,
    noise: &mut Noise,
) -> Vec<Recorded> {
    let (first, last) = (clock.shows_s(clock.start_s).ceil() as i64, clock.shows_s(clock.stop_s).floor() as i64);
    let mut ears = ReceivedReadings::new(heard, clock, position);
    let mut seconds = vec![];
    for stamp in first..=last {
        let inner = stamp != first && stamp != last;
        if noise.uniform() < clock.dropped && inner {
            continue;
        }
        let true_s = clock.true_s(stamp as f64 + clock.sampling_s);
        seconds.extend(true_s.map(|true_s| ears.at(stamp, true_s)));
    }
    let at = |true_s: f64| seconds.partition_point(|second| second.true_s < true_s);
    let begins = std::iter::once(0).chain(manner.restarts.iter().map(|restart| at(restart.1)));
    let ends = manner.restarts.iter().map(|restart| at(restart.0)).chain([seconds.len()]);
    let parts = begins.zip(ends).filter(|(from, to)| from < to);
    let part = |(n, (from, to)): (usize, (usize, usize))| {
        let mut part = write_down(&seconds[from..to], heard, clock, manner, naming);
        part.recording.file = naming.nth_file(n);
        part.recording.start = date + TimeDelta::seconds(seconds[from].stamp - clock.behind_s);
        part
    };
    parts.enumerate().map(part).collect()
}

/// Some seconds of a head unit, at least one, as one recording.
fn write_down(
    seconds: &[Second],
    heard: &Received,
    clock: &SimulatedClock,
    manner: &HeadUnitFaults,
    naming: &Naming,
) -> Recorded {
    let (first, last) = (seconds[0].stamp, seconds[seconds.len() - 1].stamp);
    let mut samples = Samples::default();
    let mut timer = vec![TimerEvent { at_s: 0.0, kind: TimerKind::Start }];
    let (mut pauses, mut paused_from_s, mut stood) = (vec![], None, 0);
    let mut written: Option<&Second> = None;
    for second in seconds {
        let (at_s, t_s) = ((second.stamp - first) as f64, second.true_s);
        let stands = match manner.pauses_with {
            Some(TimerStop::Wheel) => second.speed_m_s == Some(0.0),
            Some(TimerStop::Cranks) => second.cadence_rpm == Some(0.0),
            None => false,
        };
        stood = if stands { stood + 1 } else { 0 };
        if stood > PAUSES_AFTER {
            if paused_from_s.is_none() {
                timer.push(TimerEvent { at_s, kind: TimerKind::Stop });
                paused_from_s = Some(t_s);
            }
            continue;
        }
        let resumed = paused_from_s.take().map(|from_s| {
            timer.push(TimerEvent { at_s, kind: TimerKind::Start });
            pauses.push((from_s, t_s));
        });
        if let (Some(most_s), Some(before)) = (manner.irregular_s, written)
            && resumed.is_none()
            && second.stamp != last
            && ((second.stamp - before.stamp) as f64) < most_s
            && !second.differs_from(before)
        {
            continue;
        }
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
        written = Some(second);
    }
    // As reading the file gives it: a channel without a value is an empty column.
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

    let end_s = (last - first) as f64;
    match paused_from_s {
        Some(from_s) => pauses.push((from_s, clock.stop_s)),
        None => timer.push(TimerEvent { at_s: end_s, kind: TimerKind::Stop }),
    }
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
        timer,
        gears: gear_changes(heard.shifts, clock, (first, last)),
        positions: vec![],
        summaries: vec![],
        sensors: naming.sensors.clone(),
        damage: vec![],
        cautions: vec![],
    };
    Recorded { recording, pauses }
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
