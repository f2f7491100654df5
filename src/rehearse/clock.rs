//! The clock of one head unit, and how late the unit writes what it hears.

use super::habits::SecondStorage;

/// One head unit's clock and habits: it shows `t + offset_s + drift_ppm·1e-6·t` at true time `t`, and `jump_s` more
/// from `jump_at_s` on.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct SimulatedClock {
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
