//! What a head unit hears, as the values of one second after the other.

use super::super::clock::SimulatedClock;
use super::super::habits::SecondStorage;
use super::super::readings::{SentReading, SentReadings};
use super::super::ride::TruePosition;
use super::super::span::{TrueSpan, inside};
use super::super::timed::TimedValue;
use super::position::{PositionFix, PositionReceiver};

/// What reaches a head unit.
pub(crate) struct Received<'a> {
    pub output: &'a SentReadings,
    pub beats: &'a [TimedValue],
    pub speed: &'a [TimedValue],
    /// Where the sensor hangs, one value per true second.
    pub temperature_c: &'a [f64],
    /// True windows in which neither power nor strap is heard.
    pub deaf: &'a [TrueSpan],
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
pub(crate) struct Shift {
    pub at_s: f64,
    pub front_teeth: u32,
    pub front_number: u32,
    pub rear_teeth: u32,
    pub rear_number: u32,
}

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
pub(super) struct Second {
    pub stamp: i64,
    pub true_s: f64,
    pub power_w: Option<f64>,
    pub cadence_rpm: Option<f64>,
    pub heart_rate_bpm: Option<f64>,
    pub speed_m_s: Option<f64>,
    pub temperature_c: Option<f64>,
    pub right_share_pct: Option<f64>,
    /// On the road.
    pub fix: Option<PositionFix>,
}

impl Second {
    /// Whether an irregular recording writes it, with `before` the last one written. Common practice, no source.
    pub fn differs_from(&self, before: &Second) -> bool {
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
pub(super) struct ReceivedReadings<'a> {
    heard: &'a Received<'a>,
    clock: &'a SimulatedClock,
    power: LatestEntry<'a, SentReading>,
    cadence: LatestEntry<'a, TimedValue>,
    beats: LatestEntry<'a, TimedValue>,
    speed: LatestEntry<'a, TimedValue>,
    position: PositionReceiver,
}

impl<'a> ReceivedReadings<'a> {
    pub fn new(heard: &'a Received<'a>, clock: &'a SimulatedClock, position: PositionReceiver) -> Self {
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

    pub fn at(&mut self, stamp: i64, t_s: f64) -> Second {
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
            rpm += self.cadence.at(t_s - back_s, |c| c.at_s).map_or(0.0, |c| c.value) / n;
        }
        let total_w = left_w + right_w;
        let heard_now = |value: f64| (!unheard).then_some(value);
        let rpm = (rpm * self.heard.cadence_steps).round() / self.heard.cadence_steps;
        let beat = self.beats.at(t_s - self.clock.strap_delay_s, |b| b.at_s);
        let has_balance = self.heard.output.sends_balance && total_w.round() > 0.0 && !unheard;
        let temperature_c = self.heard.temperature_c.get(t_s as usize).or(self.heard.temperature_c.last());
        Second {
            stamp,
            true_s: t_s,
            power_w: heard_now(total_w.round().min(MOST_W)),
            cadence_rpm: heard_now(rpm.min(MOST_RPM)),
            heart_rate_bpm: beat.filter(|_| !deaf).map(|b| b.value),
            speed_m_s: self
                .speed
                .at(t_s - self.clock.speed_delay_s, |s| s.at_s)
                .map(|s| (s.value * 1000.0).round() / 1000.0),
            temperature_c: temperature_c.map(|c| c.round()),
            right_share_pct: has_balance.then(|| (right_w / total_w * 100.0).round()),
            fix: (!self.heard.places.is_empty()).then(|| self.position.at(self.heard.places, t_s, self.clock)),
        }
    }
}
