//! What a protocol says, once read: no text, no places, only the plan.

use std::fmt;
use std::path::PathBuf;

use super::asked::{Posture, Ring};
use super::drill::Drill;
use super::measure::Measure;
use crate::premise::Premise;
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

#[derive(Debug, Clone, PartialEq)]
pub struct Needs {
    pub references: usize,
    pub warm_up_s: Option<f64>,
    /// A reference without a certificate that was valid on the day is out.
    pub valid_certificates: bool,
    /// Without these held nothing can pass or fail.
    pub held: Vec<Premise>,
}

impl Default for Needs {
    fn default() -> Self {
        Self { references: 1, warm_up_s: None, valid_certificates: false, held: vec![] }
    }
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
    /// `off_target: accept`: what was ridden otherwise than asked decides all the same.
    pub accepts_off_target: bool,
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
