//! How long a protocol takes.

use super::model::{Phase, Protocol};

impl Phase {
    /// Planned time with all repeats and their recoveries, in seconds: the middle of each range, or its
    /// closed end. Typed drills (static loads, zero checks) take none.
    pub fn planned_s(&self) -> f64 {
        let moves = self.drill.moves().into_iter().map(|m| m.lasts_s);
        let once_s: f64 = moves.chain(self.drill.recover_s()).filter_map(|range| range.middle()).sum();
        once_s * f64::from(self.repeats)
    }
}

impl Protocol {
    /// Planned time on the bike, in seconds.
    pub fn riding_s(&self) -> f64 {
        self.planned_s_of(|phase| !phase.drill.kind().is_off_the_bike())
    }

    /// Planned time of the `wait` phases, off the bike, in seconds.
    pub fn waiting_s(&self) -> f64 {
        self.planned_s_of(|phase| phase.drill.kind().is_off_the_bike())
    }

    fn planned_s_of(&self, counts: fn(&Phase) -> bool) -> f64 {
        self.phases.iter().filter(|phase| counts(phase)).map(Phase::planned_s).sum()
    }
}
