//! What a head unit writes down: whole seconds of its own clock, whole watts, whole beats.

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::{DateTime, TimeDelta, Utc};

use crate::recording::{Format, HeadUnit, Lap, Recording, Samples, Sensor, TimerEvent, TimerKind};

use super::habits::Storage;
use super::instrument::Output;
use super::noise::Noise;
use super::road::{Position, Whereabouts};
use super::strike::{Window, inside};

/// One head unit's clock and habits: it shows `t + offset_s + drift_ppm·1e-6·t` at true time `t`, and `jump_s` more
/// from `jump_at_s` on.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Clock {
    pub offset_s: f64,
    pub drift_ppm: f64,
    /// Never negative: a clock put back would write some seconds twice.
    pub jump_s: f64,
    pub jump_at_s: f64,
    /// From the strap's message until it is what this head unit writes.
    pub strap_delay_s: f64,
    pub storage: Storage,
    pub start_s: f64,
    pub stop_s: f64,
    /// Share of seconds that are never written.
    pub dropped: f64,
}

impl Clock {
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

/// What reaches a head unit.
pub(super) struct Heard<'a> {
    pub output: &'a Output,
    pub beats: &'a [(f64, f64)],
    pub speed: &'a [(f64, f64)],
    /// Where the sensor hangs, one value per true second.
    pub temperature_c: &'a [f64],
    /// True windows in which neither power nor strap is heard.
    pub deaf: &'a [Window],
    /// True times at which the lap button is pressed.
    pub laps: &'a [f64],
    /// A crank meter's cadence has a fraction, in 1/128 rpm.
    pub cadence_steps: f64,
    /// On the road.
    pub places: &'a [Whereabouts],
}

/// Walks a list in order of time; `at` gives the last entry not later than the time asked for.
struct Latest<'a, T> {
    list: &'a [T],
    next: usize,
}

impl<'a, T> Latest<'a, T> {
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

// The largest that FIT's fields hold (public FIT profile): all ones would say that nothing was measured.
const MOST_W: f64 = 65_534.0;
const MOST_RPM: f64 = 254.0;

pub(super) fn record(
    heard: &Heard,
    clock: &Clock,
    naming: Naming,
    date: DateTime<Utc>,
    mut position: Position,
    noise: &mut Noise,
) -> Recording {
    let first = clock.shows_s(clock.start_s).ceil() as i64;
    let last = clock.shows_s(clock.stop_s).floor() as i64;
    let mut samples = Samples::default();
    let mut power = Latest::new(&heard.output.power);
    let mut cadence = Latest::new(&heard.output.cadence);
    let mut beats = Latest::new(heard.beats);
    let mut speed = Latest::new(heard.speed);
    for stamp in first..=last {
        let inner = stamp != first && stamp != last;
        if noise.uniform() < clock.dropped && inner {
            continue;
        }
        let Some(t_s) = clock.true_s(stamp as f64) else { continue };
        let deaf = inside(heard.deaf, t_s);
        let unheard = deaf || inside(&heard.output.unheard, t_s);
        let times_s: &[f64] = match clock.storage {
            Storage::LastMessage => &[0.0],
            Storage::SecondMean => &[0.75, 0.5, 0.25, 0.0],
        };
        let n = times_s.len() as f64;
        let (mut left_w, mut right_w, mut rpm) = (0.0, 0.0, 0.0);
        for back_s in times_s {
            if let Some(reading) = power.at(t_s - back_s, |r| r.at_s) {
                left_w += reading.left_w / n;
                right_w += reading.right_w / n;
            }
            rpm += cadence.at(t_s - back_s, |c| c.0).map_or(0.0, |c| c.1) / n;
        }
        let total_w = left_w + right_w;
        let heard_now = |value: f64| (!unheard).then_some(value);
        samples.time_s.push((stamp - first) as f64);
        samples.power_w.push(heard_now(total_w.round().min(MOST_W)));
        let rpm = (rpm * heard.cadence_steps).round() / heard.cadence_steps;
        samples.cadence_rpm.push(heard_now(rpm.min(MOST_RPM)));
        let beat = beats.at(t_s - clock.strap_delay_s, |b| b.0);
        samples.heart_rate_bpm.push(beat.filter(|_| !deaf).map(|b| b.1));
        samples.speed_m_s.push(speed.at(t_s, |s| s.0).map(|s| (s.1 * 1000.0).round() / 1000.0));
        if !heard.places.is_empty() {
            position.write(heard.places, t_s, &mut samples);
        }
        let temperature_c = heard.temperature_c.get(t_s as usize).or(heard.temperature_c.last());
        samples.temperature_c.push(temperature_c.map(|c| c.round()));
        let has_balance = heard.output.sends_balance && total_w.round() > 0.0 && !unheard;
        samples.right_share_pct.push(has_balance.then(|| (right_w / total_w * 100.0).round()));
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
    samples.extra = BTreeMap::new();

    let end_s = (last - first) as f64;
    let presses =
        heard.laps.iter().map(|t| clock.shows_s(*t).round() - first as f64).filter(|t| *t > 0.0 && *t < end_s);
    let mut borders: Vec<f64> = std::iter::once(0.0).chain(presses).chain([end_s]).collect();
    borders.dedup();
    let timer = |at_s, kind| TimerEvent { at_s, kind };
    Recording {
        file: PathBuf::from(naming.file),
        sha256: String::new(),
        bytes: 0,
        format: Format::Fit,
        head_unit: naming.head_unit,
        start: date + TimeDelta::seconds(first),
        samples,
        laps: borders.windows(2).map(|w| Lap { start_s: w[0], end_s: w[1] }).collect(),
        timer: vec![timer(0.0, TimerKind::Start), timer(end_s, TimerKind::Stop)],
        gears: vec![],
        positions: vec![],
        summaries: vec![],
        sensors: naming.sensors,
        damage: vec![],
        cautions: vec![],
    }
}
