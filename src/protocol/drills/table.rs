//! Which file a drill is in: a new drill is one line in each list here.

use super::super::asked::Target;
use super::super::drill::{Drill, DrillKind, DrillMove};
use super::super::yaml::{MapKeys, SourceFiles};
use super::facts::{Conduct, DrillFacts, PowerBasis};
use super::{coast_restart, free, ramp, soft_pedal, sprint, static_load, steady, wait, zero_check};
use crate::quantity::Range;

impl DrillKind {
    pub(crate) const ALL: [DrillKind; 9] = [
        DrillKind::Free,
        DrillKind::Wait,
        DrillKind::Steady,
        DrillKind::Sprint,
        DrillKind::CoastRestart,
        DrillKind::SoftPedal,
        DrillKind::Ramp,
        DrillKind::StaticLoad,
        DrillKind::ZeroCheck,
    ];

    fn facts(self) -> &'static DrillFacts {
        match self {
            DrillKind::Free => &free::FACTS,
            DrillKind::Wait => &wait::FACTS,
            DrillKind::Steady => &steady::FACTS,
            DrillKind::Sprint => &sprint::FACTS,
            DrillKind::CoastRestart => &coast_restart::FACTS,
            DrillKind::SoftPedal => &soft_pedal::FACTS,
            DrillKind::Ramp => &ramp::FACTS,
            DrillKind::StaticLoad => &static_load::FACTS,
            DrillKind::ZeroCheck => &zero_check::FACTS,
        }
    }

    /// The word that the protocol language and the JSON use.
    pub fn word(self) -> &'static str {
        self.facts().word
    }

    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }

    /// Whether it is ridden and scored.
    pub fn is_scored_riding(self) -> bool {
        self.facts().conduct == Conduct::ScoredRiding
    }

    /// Whether it is ridden and nothing of it scored: a warm-up, a recovery.
    pub fn is_free_riding(self) -> bool {
        self.facts().conduct == Conduct::FreeRiding
    }

    /// Whether it is ridden at all.
    pub fn is_ridden(self) -> bool {
        self.is_scored_riding() || self.is_free_riding()
    }

    /// Whether the rider waits off the bike.
    pub fn is_off_the_bike(self) -> bool {
        self.facts().conduct == Conduct::OffTheBike
    }

    /// Whether what it scores is typed into the session, not recorded.
    pub fn is_typed(self) -> bool {
        self.facts().conduct == Conduct::TypedReadings
    }

    /// Whether anything of it is scored, ridden or typed.
    pub fn is_scored(self) -> bool {
        self.is_scored_riding() || self.is_typed()
    }

    /// Whether it is one block at one power: of those a ring's error and a session's steady error are told.
    pub fn is_block(self) -> bool {
        self.facts().is_block
    }

    /// Whether its second move is a stop and the third goes on, so that lags are timed.
    pub fn has_stop(self) -> bool {
        self.facts().has_stop
    }

    pub fn hangs_masses(self) -> bool {
        self.facts().hangs_masses
    }

    pub fn reads_zero(self) -> bool {
        self.facts().reads_zero
    }

    /// Whether the rider goes as hard as can be.
    pub fn is_all_out(self) -> bool {
        self.facts().all_out
    }

    /// Whether `for_each` may go over its power; `recover` then lies between the combinations.
    pub(crate) fn sweeps_power(self) -> bool {
        self.facts().set_power.is_some()
    }

    /// Reads the drill's own keys.
    pub(crate) fn read(self, reading: &mut SourceFiles, keys: &mut MapKeys, basis: &PowerBasis) -> Option<Drill> {
        (self.facts().read)(reading, keys, basis)
    }
}

impl Drill {
    pub fn kind(&self) -> DrillKind {
        match self {
            Drill::Free { .. } => DrillKind::Free,
            Drill::Wait { .. } => DrillKind::Wait,
            Drill::Steady { .. } => DrillKind::Steady,
            Drill::Sprint { .. } => DrillKind::Sprint,
            Drill::CoastRestart { .. } => DrillKind::CoastRestart,
            Drill::SoftPedal { .. } => DrillKind::SoftPedal,
            Drill::Ramp { .. } => DrillKind::Ramp,
            Drill::StaticLoad { .. } => DrillKind::StaticLoad,
            Drill::ZeroCheck => DrillKind::ZeroCheck,
        }
    }

    /// What one repeat asks of the rider, move by move; nothing where readings are typed.
    pub fn moves(&self) -> Vec<DrillMove> {
        match self {
            Drill::Free { power_w, lasts_s } => free::moves(*power_w, *lasts_s),
            Drill::Wait { lasts_s } => wait::moves(*lasts_s),
            Drill::Steady { power_w, lasts_s, .. } => steady::moves(*power_w, *lasts_s),
            Drill::Sprint { effort_w, lasts_s, .. } => sprint::moves(*effort_w, *lasts_s),
            Drill::CoastRestart { lead_in, coast_s, restart, .. } => coast_restart::moves(lead_in, *coast_s, restart),
            Drill::SoftPedal { surge, soft, .. } => soft_pedal::moves(surge, soft),
            Drill::Ramp { steps_w, each_s, .. } => ramp::moves(steps_w, *each_s),
            Drill::StaticLoad { .. } | Drill::ZeroCheck => vec![],
        }
    }

    /// Between repeats, where the protocol says it.
    pub fn recover_s(&self) -> Option<Range> {
        match self {
            Drill::Sprint { recover_s, .. }
            | Drill::CoastRestart { recover_s, .. }
            | Drill::SoftPedal { recover_s, .. } => *recover_s,
            _ => None,
        }
    }

    /// The first seconds of each move that are not scored.
    pub fn settle_s(&self) -> f64 {
        match self {
            Drill::Steady { settle_s, .. } | Drill::Ramp { settle_s, .. } => *settle_s,
            _ => 0.0,
        }
    }

    /// The word that the protocol language uses for this drill.
    pub fn word(&self) -> &'static str {
        self.kind().word()
    }

    /// Easy riding between repeats, and before the first, where the protocol does not say. `None` for what is not scored by
    /// riding.
    pub fn usual_recovery_s(&self) -> Option<Range> {
        self.kind().facts().usual_recovery_s
    }

    pub(crate) fn set_power(&mut self, power: Target) {
        if let Some(set_power) = self.kind().facts().set_power {
            set_power(self, power);
        }
    }

    /// Makes the block that is scored so many times as long; nothing happens to what would be another drill then.
    pub fn lengthen(&mut self, times: f64) {
        if let Some(lengthen) = self.kind().facts().lengthen {
            lengthen(self, times);
        }
    }

    /// Planned seconds of one block that [`Drill::lengthen`] makes longer; `None` of what has none.
    pub fn block_s(&self) -> Option<f64> {
        self.kind().facts().lengthen?;
        self.moves().last()?.lasts_s.middle()
    }
}
