//! Where the protocol's phases were found in a ride.

use crate::protocol::Ring;
use crate::ride::Window;

/// The whole ride's assignment.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Matches {
    /// In the protocol's order, then by repeat; surplus and missing repeats included.
    pub found: Vec<PhaseMatch>,
    /// Deviations from the plan that weaken the verdict, one sentence each.
    pub deviations: Vec<String>,
    pub cautions: Vec<String>,
    /// Stretches that a person pinned and that are not what they are pinned as.
    pub refused_pins: Vec<RefusedPin>,
}

/// A pinned stretch that does not meet what any other has to: its repeat stays not ridden.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusedPin {
    /// Index into the protocol's phases.
    pub phase: usize,
    /// As the pin names it.
    pub repeat: Option<u32>,
    pub says: String,
}

/// One repeat of one phase: found, or not.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseMatch {
    /// Index into the protocol's phases.
    pub phase: usize,
    /// From 1.
    pub repeat: u32,
    /// More than the protocol asked for.
    pub surplus: bool,
    pub outcome: MatchOutcome,
}

#[derive(Debug, Clone, PartialEq)]
pub enum MatchOutcome {
    Ridden(Ridden),
    /// Says the closest stretch found and what was wrong with it.
    NotRidden {
        reason: String,
    },
}

#[derive(Debug, Clone, PartialEq)]
pub struct Ridden {
    /// The phase as ridden: a block with its settling, a sprint alone, lead-in to end of restart, surge to
    /// end of soft pedalling.
    pub span: Window,
    /// Its moves in order, within the span: steady → [block]; sprint → [sprint]; coast_restart → [lead-in,
    /// coast, restart]; soft_pedal → [surge, soft]; ramp → one per step.
    pub moves: Vec<Window>,
    /// 0 to 1: posterior weight of this assignment against the runner-up.
    pub confidence: f64,
    pub ring: Option<Ring>,
    pub ring_rests_on: Option<String>,
    pub rests_on: Vec<Ground>,
    /// The second-best place, in words, where there was one.
    pub runner_up: Option<String>,
    /// Where the ride left the plan (target missed, too short, …).
    pub deviations: Vec<Deviation>,
}

/// Where a ride left the plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Deviation {
    /// Power, effort, length or ring were so far from what was asked that it was not ridden as asked.
    pub breaks: bool,
    /// In words.
    pub says: String,
}

impl Deviation {
    /// To be known, and no more.
    pub fn told(says: impl Into<String>) -> Self {
        Self { breaks: false, says: says.into() }
    }

    /// It was not ridden as asked.
    pub fn broken(says: impl Into<String>) -> Self {
        Self { breaks: true, says: says.into() }
    }
}

/// What a match rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ground {
    Power,
    Cadence,
    Ring,
    Order,
    Laps,
    Marks,
    Remark,
    /// What lies between scored phases.
    Between,
    /// A person pinned where it was ridden.
    Pinned,
}

impl Ground {
    const ALL: [Ground; 9] = [
        Ground::Power,
        Ground::Cadence,
        Ground::Ring,
        Ground::Order,
        Ground::Laps,
        Ground::Marks,
        Ground::Remark,
        Ground::Between,
        Ground::Pinned,
    ];

    /// As verdicts write it.
    pub fn word(self) -> &'static str {
        match self {
            Ground::Power => "power",
            Ground::Cadence => "cadence",
            Ground::Ring => "ring",
            Ground::Order => "order",
            Ground::Laps => "laps",
            Ground::Marks => "marks",
            Ground::Remark => "remark",
            Ground::Between => "what lies between scored phases",
            Ground::Pinned => "pinned by hand",
        }
    }

    /// `None` for what else a verdict says, as how the ring is known.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|ground| ground.word() == word)
    }
}
