//! One channel of a clock, one value per whole second: what offsets are looked for in.

use super::times::LONGEST_S;

/// A head unit that goes on showing one value for longer than this no longer hears its sensor. Common practice, no source.
const LONGEST_HELD_S: usize = 90;

/// Half of the time over which a climb is taken: longer than pressure sensors are smoothed over, shorter than most climbs.
/// Common practice, no source.
const HALF_CLIMB_S: i64 = 10;

/// A channel counts as still at a second if nothing changes so near to it: one head unit may write a change a second
/// before the other, and a clock's fraction is another second. Derived: 1 s + 1 s.
const STILL_S: i64 = 2;

/// A channel of one recording, on the recording's own time.
pub(super) struct RecordedColumn<'a> {
    /// Session time of the recording's start, as stamped.
    pub stamped_s: f64,
    /// Times since then, one per value.
    pub time_s: &'a [f64],
    pub values: &'a [Option<f64>],
}

/// A channel, one value per second of a clock; NaN where nothing was recorded.
pub(super) struct SecondValues {
    /// Session time of the first value, as stamped.
    pub origin_s: f64,
    pub values: Vec<f64>,
}

impl SecondValues {
    /// From recordings on one clock.
    pub fn new<'a>(parts: impl IntoIterator<Item = RecordedColumn<'a>>) -> Self {
        let mut signal = Self { origin_s: 0.0, values: vec![] };
        for RecordedColumn { stamped_s, time_s, values } in parts {
            if signal.values.is_empty() {
                signal.origin_s = stamped_s;
            }
            for (time_s, value) in time_s.iter().zip(values) {
                let second = (stamped_s - signal.origin_s + time_s).round();
                let Some(value) = value.filter(|_| (0.0..LONGEST_S as f64).contains(&second)) else { continue };
                let second = second as usize;
                if second >= signal.values.len() {
                    signal.values.resize(second + 1, f64::NAN);
                }
                signal.values[second] = value;
            }
        }
        signal
    }

    /// Value at a whole second; NaN outside.
    pub fn at(&self, second: i64) -> f64 {
        usize::try_from(second).ok().and_then(|i| self.values.get(i)).copied().unwrap_or(f64::NAN)
    }

    /// How far it rises within 20 s around each second: an offset or slow drift of the sensor is not in it.
    pub fn climb(self) -> Self {
        let rise = |j: i64| self.at(j + HALF_CLIMB_S) - self.at(j - HALF_CLIMB_S);
        Self { values: (0..self.values.len() as i64).map(rise).collect(), origin_s: self.origin_s }
    }

    /// Without what a head unit goes on showing when it no longer hears the strap: hearts do not keep one beat so long.
    pub fn without_held(mut self) -> Self {
        let mut from = 0;
        while from < self.values.len() {
            let value = self.values[from];
            let held = self.values[from..].iter().take_while(|v| **v == value).count().max(1);
            if held > LONGEST_HELD_S {
                self.values[from..from + held].fill(f64::NAN);
            }
            from += held;
        }
        self
    }

    pub fn is_empty(&self) -> bool {
        self.values.iter().all(|v| v.is_nan())
    }

    pub fn times(mut self, factor: f64) -> Self {
        self.values.iter_mut().for_each(|v| *v *= factor);
        self
    }

    /// Mean of what is known; NaN of nothing.
    pub fn mean(&self) -> f64 {
        let known = || self.values.iter().filter(|v| !v.is_nan());
        known().sum::<f64>() / known().count() as f64
    }

    /// Standard deviation of what is known; 0 of nothing.
    pub fn spread(&self) -> f64 {
        let known = || self.values.iter().filter(|v| !v.is_nan());
        let n = (known().count() as f64).max(1.0);
        let mean = self.mean();
        (known().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt()
    }

    /// Whether all that is known within [`STILL_S`] is the same.
    pub fn is_still_around(&self, second: i64) -> bool {
        let here = self.at(second);
        (second - STILL_S..=second + STILL_S).map(|j| self.at(j)).all(|value| value.is_nan() || value == here)
    }

    pub fn is_flat(&self) -> bool {
        let mut known = self.values.iter().filter(|v| !v.is_nan());
        known.next().is_none_or(|first| known.all(|v| v == first))
    }
}

/// One channel as two head units recorded it: the session's, and the one whose clock is sought.
pub(super) struct SharedSignal {
    pub session: SecondValues,
    pub theirs: SecondValues,
}

impl SharedSignal {
    /// Both sides treated alike.
    pub fn map(self, of: impl Fn(SecondValues) -> SecondValues) -> Self {
        Self { session: of(self.session), theirs: of(self.theirs) }
    }
}
