//! What an instrument senses and sends: updates as it makes them, messages as they leave it.

use super::span::TrueSpan;
use super::timed::{Timed, TimedValue};

/// One message: from then on this is what the instrument reads.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct SentReading {
    pub at_s: f64,
    pub left_w: f64,
    pub right_w: f64,
}

/// What one instrument sends, each list in order of time.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct SentReadings {
    pub power: Vec<SentReading>,
    /// In rpm.
    pub cadence: Vec<TimedValue>,
    pub sends_balance: bool,
    /// Where its head unit does not hear it.
    pub unheard: Vec<TrueSpan>,
}

/// One update: a turn of the cranks, or a quarter of a second of a hub.
#[derive(Debug, Clone, Copy)]
pub(super) struct Update {
    pub from_s: f64,
    pub at_s: f64,
    pub left_w: f64,
    pub right_w: f64,
    pub rpm: f64,
    /// The cranks stand still.
    pub idle: bool,
    /// The first after standing still.
    pub woke: bool,
}

impl Update {
    /// A meter that reads zero adds neither gain nor offset to it.
    #[inline]
    pub fn reads(&self) -> bool {
        !self.idle || self.left_w + self.right_w > 0.0
    }
}

impl Timed for Update {
    #[inline]
    fn at_s(&self) -> f64 {
        self.at_s
    }

    #[inline]
    fn moved(self, at_s: f64) -> Self {
        Self { at_s, ..self }
    }
}

impl Timed for SentReading {
    #[inline]
    fn at_s(&self) -> f64 {
        self.at_s
    }

    #[inline]
    fn moved(self, at_s: f64) -> Self {
        Self { at_s, ..self }
    }
}
