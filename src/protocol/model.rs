//! What a protocol says, once read: no text, no places, only the plan.

use std::fmt;
use std::path::PathBuf;

use crate::quantity::{Limit, Range};

/// A protocol as read from one YAML file (and what it extends), `for_each` expanded.
#[derive(Debug, Clone, PartialEq)]
pub struct Protocol {
    pub file: PathBuf,
    /// SHA-256 of the file's bytes, followed by those of what it extends, lower-case hex.
    pub sha256: String,
    pub title: String,
    pub revision: String,
    pub purpose: Option<String>,
    pub setting: Setting,
    pub order: PhaseOrder,
    pub needs: Needs,
    pub decision: Decision,
    /// `basis: {threshold_power}`; targets in per cent of it are already in watts here.
    pub threshold_power_w: Option<f64>,
    /// In ride order, one per combination of `for_each`.
    pub phases: Vec<Phase>,
    pub contrasts: Vec<Contrast>,
    pub whole_ride: Vec<Check>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Setting {
    Indoor,
    Road,
    Rig,
}

/// Whether phases come as written or when the road brings them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PhaseOrder {
    AsWritten,
    Any,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Needs {
    pub references: usize,
    pub warm_up_s: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decision {
    pub rule: Rule,
    /// Coverage probability of expanded uncertainties, 0.95 unless written otherwise.
    pub coverage: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    /// Pass if |e| ≤ L, else fail.
    Simple,
    /// Pass if |e| + U ≤ L, fail if |e| − U > L, else undecided.
    Guarded,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Ring {
    Big,
    Small,
}

impl Ring {
    pub fn from_word(word: &str) -> Option<Self> {
        [Ring::Big, Ring::Small].into_iter().find(|ring| ring.word() == word)
    }

    pub fn word(self) -> &'static str {
        match self {
            Ring::Big => "big",
            Ring::Small => "small",
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Posture {
    Seated,
    Standing,
}

impl Posture {
    pub fn word(self) -> &'static str {
        match self {
            Posture::Seated => "seated",
            Posture::Standing => "standing",
        }
    }
}

/// A phase's name and the `for_each` keys that tell it from its siblings, as written and in order.
///
/// Prints as a selector does: `steady[ring=small, power=120 W]`.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PhaseId {
    pub name: String,
    pub keys: Vec<(String, String)>,
}

impl fmt::Display for PhaseId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name)?;
        if !self.keys.is_empty() {
            let keys: Vec<String> = self.keys.iter().map(|(k, v)| format!("{k}={v}")).collect();
            write!(f, "[{}]", keys.join(", "))?;
        }
        Ok(())
    }
}

/// One expected part of a session.
#[derive(Debug, Clone, PartialEq)]
pub struct Phase {
    pub id: PhaseId,
    pub drill: Drill,
    pub ring: Option<Ring>,
    pub posture: Option<Posture>,
    pub cadence_rpm: Option<Range>,
    pub grade_pct: Option<Range>,
    /// How often the drill is ridden; 1 where the file does not say.
    pub repeats: u32,
    pub accept: Accept,
    pub checks: Vec<Check>,
    pub part: Part,
    /// Share of a target within which a ride matches it: 0.20 unless written otherwise.
    pub tolerance: f64,
}

/// What a phase counts for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    Required,
    /// Reported, no part in the verdict.
    Advisory,
    /// Scored if ridden; `not ridden` counts for nothing.
    Optional,
}

/// The kind of a phase, with what it asks of the rider. All times in seconds, powers in watts.
#[derive(Debug, Clone, PartialEq)]
pub enum Drill {
    /// Warm-up and recovery: matched, nothing scored.
    Free {
        power_w: Option<Range>,
        lasts_s: Option<Range>,
    },
    /// Off the bike.
    Wait {
        lasts_s: Option<Range>,
    },
    Steady {
        power_w: Target,
        /// Its low end is the least that was asked for, settling included.
        lasts_s: Range,
        settle_s: f64,
    },
    Sprint {
        effort_w: Range,
        lasts_s: Range,
        recover_s: Option<Range>,
    },
    CoastRestart {
        lead_in: Hold,
        coast_s: Range,
        restart: Hold,
        recover_s: Option<Range>,
    },
    SoftPedal {
        surge: Hold,
        soft: Hold,
        recover_s: Option<Range>,
    },
    Ramp {
        steps_w: Vec<f64>,
        each_s: f64,
        settle_s: f64,
    },
    StaticLoad {
        loads_kg: Vec<f64>,
        sides: Vec<Side>,
        angles_deg: Vec<f64>,
    },
    ZeroCheck,
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

    /// The word that the protocol language uses for this drill.
    pub fn word(&self) -> &'static str {
        self.kind().word()
    }
}

/// A drill without what it asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DrillKind {
    Free,
    Wait,
    Steady,
    Sprint,
    CoastRestart,
    SoftPedal,
    Ramp,
    StaticLoad,
    ZeroCheck,
}

impl DrillKind {
    const ALL: [DrillKind; 9] = [
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

    /// The word that the protocol language and the JSON use.
    pub fn word(self) -> &'static str {
        match self {
            DrillKind::Free => "free",
            DrillKind::Wait => "wait",
            DrillKind::Steady => "steady",
            DrillKind::Sprint => "sprint",
            DrillKind::CoastRestart => "coast_restart",
            DrillKind::SoftPedal => "soft_pedal",
            DrillKind::Ramp => "ramp",
            DrillKind::StaticLoad => "static_load",
            DrillKind::ZeroCheck => "zero_check",
        }
    }

    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    Left,
    Right,
}

/// A target power: one value, or a range to stay in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Target {
    Value(f64),
    Within(Range),
}

impl Target {
    /// The value aimed at (a range's middle, or its closed end).
    pub fn aim_w(&self) -> f64 {
        match self {
            Target::Value(power_w) => *power_w,
            Target::Within(range) => range.middle().unwrap_or(0.0),
        }
    }
}

/// A power held for a time: `200 W for 20 s`, `at least 300 W for 5..10 s`, `30..90 W for 15..25 s`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hold {
    pub power_w: Target,
    /// A single duration is written with both ends equal.
    pub for_s: Range,
}

/// How a repeated phase's repeats are decided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Accept {
    EveryRepeat,
    AtLeast {
        passing: u32,
        of: u32,
    },
    /// A share, 0 to 1.
    FaultRateBelow(f64),
}

impl fmt::Display for Accept {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Accept::EveryRepeat => f.write_str("every repeat"),
            Accept::AtLeast { passing, of } => write!(f, "at least {passing} of {of}"),
            Accept::FaultRateBelow(p) => write!(f, "fault rate below {} %", crate::protocol::trim(p * 100.0)),
        }
    }
}

/// One measure with its limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    pub measure: Measure,
    pub limit: Limit,
    pub advisory: bool,
    /// The clause of a standard or house rule that asks for it.
    pub clause: Option<String>,
    /// Averaging time, where the measure takes one (`peak_error` over 3 s).
    pub over_s: Option<f64>,
}

macro_rules! measures {
    ($($variant:ident => $word:literal),+ $(,)?) => {
        /// What can be computed for a phase, a contrast or the whole ride.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum Measure { $($variant),+ }

        impl Measure {
            pub const ALL: &[Measure] = &[$(Measure::$variant),+];

            /// The word that the protocol language and the JSON use.
            pub fn word(self) -> &'static str {
                match self { $(Measure::$variant => $word),+ }
            }

            pub fn from_word(word: &str) -> Option<Self> {
                match word { $($word => Some(Measure::$variant),)+ _ => None }
            }
        }
    };
}

measures! {
    MeanError => "mean_error",
    Spread => "spread",
    LeftError => "left_error",
    RightError => "right_error",
    CadenceError => "cadence_error",
    DropoutTime => "dropout_time",
    HeldTime => "held_time",
    Spike => "spike",
    WorkError => "work_error",
    PeakError => "peak_error",
    ResidualPower => "residual_power",
    PhantomWork => "phantom_work",
    ReleaseLag => "release_lag",
    OnsetLag => "onset_lag",
    CadenceReleaseLag => "cadence_release_lag",
    CadenceOnsetLag => "cadence_onset_lag",
    MissingWork => "missing_work",
    Linearity => "linearity",
    DriftTime => "drift_time",
    DriftTemperature => "drift_temperature",
    TorqueError => "torque_error",
    Hysteresis => "hysteresis",
    ZeroShift => "zero_shift",
}

/// Names phases of a protocol: `steady[ring=small, power=120 W]`, `standing-sprints/3`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Selector {
    pub name: String,
    pub keys: Vec<(String, String)>,
    /// Counted from 1.
    pub repeat: Option<u32>,
}

impl Selector {
    /// Whether a phase is among those named (the repeat is not looked at).
    pub fn selects(&self, id: &PhaseId) -> bool {
        self.name == id.name && self.keys.iter().all(|key| id.keys.contains(key))
    }
}

impl fmt::Display for Selector {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let id = PhaseId { name: self.name.clone(), keys: self.keys.clone() };
        match self.repeat {
            Some(n) => write!(f, "{id}/{n}"),
            None => write!(f, "{id}"),
        }
    }
}

/// The difference of one measure between phases alike in all but one key.
#[derive(Debug, Clone, PartialEq)]
pub struct Contrast {
    pub name: String,
    pub of: Selector,
    pub against: Selector,
    pub measure: Measure,
    pub limit: Limit,
    pub advisory: bool,
}
