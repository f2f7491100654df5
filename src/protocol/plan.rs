//! How long a protocol takes.

use super::model::{Drill, Phase, Protocol};
use crate::quantity::Range;

impl Phase {
    /// Planned time with all repeats and their recoveries, in seconds: the middle of each range, or its
    /// closed end. Typed drills (static loads, zero checks) take none.
    pub fn planned_s(&self) -> f64 {
        let middle = |range: &Range| range.middle().unwrap_or(0.0);
        let maybe = |range: &Option<Range>| range.as_ref().map_or(0.0, middle);
        let once_s = match &self.drill {
            Drill::Free { lasts_s, .. } | Drill::Wait { lasts_s } => maybe(lasts_s),
            Drill::Steady { lasts_s, .. } => middle(lasts_s),
            Drill::Sprint { lasts_s, recover_s, .. } => middle(lasts_s) + maybe(recover_s),
            Drill::CoastRestart { lead_in, coast_s, restart, recover_s } => {
                middle(&lead_in.for_s) + middle(coast_s) + middle(&restart.for_s) + maybe(recover_s)
            }
            Drill::SoftPedal { surge, soft, recover_s } => {
                middle(&surge.for_s) + middle(&soft.for_s) + maybe(recover_s)
            }
            Drill::Ramp { steps_w, each_s, .. } => steps_w.len() as f64 * each_s,
            Drill::StaticLoad { .. } | Drill::ZeroCheck => 0.0,
        };
        once_s * f64::from(self.repeats)
    }
}

impl Drill {
    /// Between repeats, where the protocol says it.
    pub fn recover_s(&self) -> Option<Range> {
        match self {
            Drill::Sprint { recover_s, .. }
            | Drill::CoastRestart { recover_s, .. }
            | Drill::SoftPedal { recover_s, .. } => *recover_s,
            _ => None,
        }
    }

    /// Easy riding between repeats, and before the first, where the protocol does not say. Common practice, no source.
    /// `None` for what is not scored by riding.
    pub fn usual_recovery_s(&self) -> Option<Range> {
        match self {
            Drill::Sprint { .. } => Some(Range::between(90.0, 120.0)),
            Drill::CoastRestart { .. } | Drill::SoftPedal { .. } => Some(Range::between(40.0, 60.0)),
            Drill::Steady { .. } | Drill::Ramp { .. } => Some(Range::between(60.0, 90.0)),
            Drill::Free { .. } | Drill::Wait { .. } | Drill::StaticLoad { .. } | Drill::ZeroCheck => None,
        }
    }
}

impl Protocol {
    /// Planned time on the bike, in seconds.
    pub fn riding_s(&self) -> f64 {
        self.phases.iter().filter(|p| !matches!(p.drill, Drill::Wait { .. })).map(Phase::planned_s).sum()
    }

    /// Planned time of the `wait` phases, off the bike, in seconds.
    pub fn waiting_s(&self) -> f64 {
        self.phases.iter().filter(|p| matches!(p.drill, Drill::Wait { .. })).map(Phase::planned_s).sum()
    }
}
