//! What a drill asks of the rider, move by move: what matching and diagnosis work from.

use super::model::{Drill, DrillKind, Hold, Target};
use crate::quantity::Range;

/// One stretch of a drill, as it is asked of the rider.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrillMove {
    /// As a mark's `move:` names it.
    pub name: &'static str,
    pub effort: Effort,
    /// Open at both ends where the protocol does not say.
    pub lasts_s: Range,
}

/// What the rider does in a move.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Effort {
    /// As one likes, within a range of power if the protocol gives one.
    Free(Option<Range>),
    OffTheBike,
    /// A power held for long enough that it evens out: a block, a step of a ramp.
    Steady(Target),
    /// A power for a short while, before or after another one.
    Short(Target),
    /// As hard as can be, at least so hard.
    AllOut(Range),
    /// Feet still, riding on.
    Coast,
}

impl DrillKind {
    /// Whether it is ridden and scored.
    pub fn is_scored_riding(self) -> bool {
        !matches!(self, DrillKind::Free | DrillKind::Wait | DrillKind::StaticLoad | DrillKind::ZeroCheck)
    }

    /// Whether it is ridden and nothing of it scored: a warm-up, a recovery.
    pub fn is_free_riding(self) -> bool {
        self == DrillKind::Free
    }

    /// Whether the rider waits off the bike.
    pub fn is_off_the_bike(self) -> bool {
        self == DrillKind::Wait
    }
}

impl Drill {
    /// What one repeat asks of the rider, move by move; nothing where readings are typed.
    pub fn moves(&self) -> Vec<DrillMove> {
        let any = Range { low: None, high: None };
        let one = |name, effort, lasts_s| DrillMove { name, effort, lasts_s };
        let hold = |name, hold: &Hold| one(name, Effort::Short(hold.power_w), hold.for_s);
        match self {
            Drill::Free { power_w, lasts_s } => {
                vec![one("free riding", Effort::Free(*power_w), lasts_s.unwrap_or(any))]
            }
            Drill::Wait { lasts_s } => vec![one("wait", Effort::OffTheBike, lasts_s.unwrap_or(any))],
            Drill::Steady { power_w, lasts_s, .. } => vec![one("block", Effort::Steady(*power_w), *lasts_s)],
            Drill::Sprint { effort_w, lasts_s, .. } => vec![one("sprint", Effort::AllOut(*effort_w), *lasts_s)],
            Drill::CoastRestart { lead_in, coast_s, restart, .. } => {
                vec![hold("lead-in", lead_in), one("coast", Effort::Coast, *coast_s), hold("restart", restart)]
            }
            Drill::SoftPedal { surge, soft, .. } => vec![hold("surge", surge), hold("soft pedalling", soft)],
            Drill::Ramp { steps_w, each_s, .. } => {
                let lasts_s = Range::between(*each_s, *each_s);
                steps_w.iter().map(|w| one("step", Effort::Steady(Target::Value(*w)), lasts_s)).collect()
            }
            Drill::StaticLoad { .. } | Drill::ZeroCheck => vec![],
        }
    }
}
