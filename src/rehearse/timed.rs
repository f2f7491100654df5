//! Whatever is sent at a true time: one number, or anything else that can come later than it should.

/// One number from a true time on, until the next: a cadence in rpm, a speed in m/s, a heart rate in beats per minute.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct TimedValue {
    pub at_s: f64,
    pub value: f64,
}

/// Whatever has a time at which it is sent.
pub(super) trait Timed: Copy {
    fn at_s(&self) -> f64;
    fn moved(self, at_s: f64) -> Self;
}

impl Timed for TimedValue {
    #[inline]
    fn at_s(&self) -> f64 {
        self.at_s
    }

    #[inline]
    fn moved(self, at_s: f64) -> Self {
        Self { at_s, ..self }
    }
}
