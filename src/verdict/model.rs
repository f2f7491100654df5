//! The judgement: the one struct that every report reads. It serialises to the published JSON (design of
//! the format: one object, stable keys, units named beside every number, times UTC in session time).

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::decide::{Outcome, RateInterval};

/// The version of the JSON layout, raised when a key changes its meaning.
pub const VERDICT_FORMAT: u32 = 2;

/// Whether verdicts of a format are read: the former one too, whose premises count as untested.
pub fn reads_format(format: u64) -> bool {
    (1..=u64::from(VERDICT_FORMAT)).contains(&format)
}

/// A judged session, for one unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Verdict {
    /// Version of the program that judged.
    pub assize: String,
    pub verdict_format: u32,
    /// `advisory` comparisons without a protocol have no verdict (null).
    pub verdict: Option<Outcome>,
    /// Unique number of the sheet: derived from the inputs' hashes, so that the same inputs give the same number.
    pub sheet_number: String,
    /// Why, in up to three sentences.
    pub why: Vec<String>,
    /// What the verdict covers and does not, in one sentence.
    pub scope: String,
    pub protocol: Option<ProtocolFacts>,
    pub session: SessionFacts,
    pub unit: InstrumentFacts,
    pub references: Vec<InstrumentFacts>,
    /// The unit's error on each ring, pooled over the steady phases.
    pub rings: Vec<RingError>,
    pub counts: Counts,
    pub recordings: Vec<RecordingFacts>,
    pub clocks: Vec<ClockFacts>,
    pub phases: Vec<PhaseVerdict>,
    pub repeats: Vec<RepeatVerdict>,
    pub contrasts: Vec<CheckVerdict>,
    pub whole_ride: Vec<CheckVerdict>,
    pub reference_comparison: Vec<ReferenceComparison>,
    pub diagnosis: Vec<Finding>,
    pub deviations: Vec<String>,
    pub cautions: Vec<String>,
    /// What the verdict rests on, tested against the recordings. Empty in the former format, which tested none.
    #[serde(default)]
    pub premises: Vec<PremiseFacts>,
}

/// One premise about one thing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct PremiseFacts {
    /// As protocols name it, as `own recording`.
    pub premise: String,
    /// Labels of instruments, or selectors of phases; empty where it is about the session.
    pub about: Vec<String>,
    /// `held`, `contradicted` or `untested`.
    pub state: String,
    /// One sentence.
    pub evidence: String,
    /// What it takes away: `nothing`, `the verdict`, `the reference`, `the repeat`, …
    pub takes: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ProtocolFacts {
    pub title: String,
    pub revision: String,
    pub sha256: String,
    pub purpose: Option<String>,
    /// `simple` or `guarded`.
    pub rule: String,
    /// The decision rule in words.
    pub rule_in_words: String,
    pub coverage: f64,
    pub references_needed: usize,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct SessionFacts {
    pub file: Option<String>,
    pub sha256: Option<String>,
    pub tester: Option<String>,
    pub place: Option<String>,
    /// First and last second of the ride, session time.
    pub start: DateTime<Utc>,
    pub end: DateTime<Utc>,
    pub duration_s: f64,
    /// (name, value with unit), as typed.
    pub conditions: Vec<(String, String)>,
    pub readings: Vec<(String, String)>,
    pub drivetrain: Vec<(String, String)>,
    pub remarks: Vec<String>,
    pub notes: Option<String>,
    pub authorised_by: Option<String>,
    /// Who reports, where it is not the tester alone.
    #[serde(default)]
    pub laboratory: Option<String>,
    #[serde(default)]
    pub address: Option<String>,
    #[serde(default)]
    pub customer: Option<String>,
    /// Date of the sheet as written, ISO 8601.
    #[serde(default)]
    pub issued: Option<String>,
    #[serde(default)]
    pub amends: Option<AmendmentFacts>,
    /// What was assumed because nobody said.
    pub assumed: Vec<String>,
    /// The marks that were made while riding.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub marks: Option<MarksFacts>,
    /// Where a person said that repeats were ridden, `standing-sprints/2=14:31:02..14:31:10`.
    #[serde(default)]
    pub pins: Vec<String>,
    /// Files whose facts the session takes over.
    #[serde(default)]
    pub cards: Vec<CardFacts>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CardFacts {
    pub file: String,
    pub sha256: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct MarksFacts {
    pub file: String,
    pub sha256: String,
    pub marks: usize,
}

/// An earlier sheet that this one takes the place of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AmendmentFacts {
    /// Its number.
    pub sheet: String,
    pub because: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct InstrumentFacts {
    pub label: String,
    pub located: String,
    pub sides: String,
    pub model: Option<String>,
    pub serial: Option<String>,
    pub firmware: Option<String>,
    pub battery: Option<String>,
    pub head_unit: Option<String>,
    pub history: Option<String>,
    /// The state that it came in.
    #[serde(default)]
    pub condition: Option<String>,
    /// The day that it came, ISO 8601.
    #[serde(default)]
    pub received: Option<String>,
    /// As claimed (unit) or stated with k = 2 (reference).
    pub uncertainty: Option<String>,
    pub certificate: Option<String>,
    pub mode: Option<String>,
    /// What this reference was fit to judge, in words.
    pub serves: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RingError {
    /// `big` or `small`.
    pub ring: String,
    pub blocks: usize,
    pub error_w: f64,
    pub expanded_uncertainty_w: f64,
    pub error_pct: f64,
    pub expanded_uncertainty_pct: f64,
    /// Mean reference power of the blocks.
    pub reference_w: f64,
}

/// Checks by outcome (of single repeats, their means, contrasts and the whole ride), and repeats not ridden.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Counts {
    pub checks_made: usize,
    pub passed: usize,
    pub failed: usize,
    pub undecided: usize,
    /// Repeats of phases that were not ridden.
    pub not_ridden: usize,
    /// Repeats that a reference's recording leaves no trace of.
    #[serde(default)]
    pub not_recorded: usize,
    pub not_applicable: usize,
    pub surplus: usize,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RecordingFacts {
    pub file: String,
    pub sha256: String,
    pub instrument: String,
    /// `unit` or `reference`.
    pub role: String,
    pub head_unit: Option<String>,
    pub start: DateTime<Utc>,
    pub samples: usize,
    /// Stretches longer than one sampling interval in which nothing was written.
    pub gaps: usize,
    pub damage: Vec<String>,
    /// How its head unit stores a second's power, as far as the rider's stops tell: `the second's mean`, `the last
    /// message` or `can't tell`.
    #[serde(default)]
    pub stores: String,
    /// The stops that this rests on.
    #[serde(default)]
    pub stops: usize,
    /// In how many of them a value between the level and zero was written.
    #[serde(default)]
    pub stops_between: usize,
    /// What became of each sample, by channel, of the channels that this instrument is read from.
    #[serde(default)]
    pub channels: Vec<ChannelCounts>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ChannelCounts {
    pub channel: String,
    pub values: usize,
    /// Among the values.
    pub zeros: usize,
    /// Written by the file as invalid.
    pub invalid: usize,
    /// Not written at all.
    pub missing: usize,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ClockFacts {
    pub recording: String,
    pub offset_s: f64,
    pub drift_ppm: f64,
    pub standard_uncertainty_s: f64,
    pub aligned_on: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Span {
    pub start: DateTime<Utc>,
    pub end: DateTime<Utc>,
}

/// One repeat of one phase.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct PhaseVerdict {
    /// The selector, as `steady[ring=small, power=120 W]`.
    pub phase: String,
    /// From 1.
    pub repeat: u32,
    pub surplus: bool,
    pub drill: String,
    pub verdict: Outcome,
    /// The phase counts towards the session's verdict.
    pub required: bool,
    /// Null where it was not ridden.
    #[serde(rename = "match")]
    pub matched: Option<MatchFacts>,
    /// Why it was not ridden, or is undecided as a whole.
    pub reason: Option<String>,
    pub checks: Vec<CheckVerdict>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct MatchFacts {
    pub start: DateTime<Utc>,
    pub end: DateTime<Utc>,
    pub window: Span,
    /// The moves within the phase, in order.
    pub moves: Vec<Span>,
    pub confidence: f64,
    pub ring: Option<String>,
    pub rests_on: Vec<String>,
    pub runner_up: Option<String>,
    pub deviations: Vec<String>,
}

/// One measure against its limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CheckVerdict {
    /// First key of a contrast; absent elsewhere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contrast: Option<String>,
    pub measure: String,
    /// Null where it could not be computed.
    pub value: Option<f64>,
    pub unit: String,
    /// The value in the other unit (W and %), where it has one.
    pub also: Option<AlsoValue>,
    /// Null for counts and for censored values.
    pub expanded_uncertainty: Option<f64>,
    pub coverage_factor: Option<f64>,
    pub degrees_of_freedom: Option<f64>,
    /// How the expanded uncertainty came about: `GUM` (propagated, factor from Student's t) or `Monte Carlo` (JCGM 101).
    #[serde(default)]
    pub method: Option<String>,
    /// Of a spread: both limits, in `unit`; its value is the one farther from zero, without its sign.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limits_of_agreement: Option<LimitsOfAgreement>,
    /// The limit as written.
    pub limit: Option<String>,
    /// The limit in `unit` at this phase's reference value: lower and upper end, null where open.
    pub limit_low: Option<f64>,
    pub limit_high: Option<f64>,
    pub conformance_probability: Option<f64>,
    pub verdict: Outcome,
    pub required: bool,
    /// The value is only a bound: `at least` this much.
    pub censored: bool,
    pub reason: Option<String>,
    /// The contradicted premise that it rests on, which took it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub premise: Option<String>,
    pub remedy: Option<String>,
    pub clause: Option<String>,
    /// Which references it hangs on.
    pub references: Vec<String>,
    pub budget: Vec<BudgetLine>,
}

/// 95 % limits of agreement of the error second by second.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct LimitsOfAgreement {
    pub low: f64,
    pub high: f64,
    /// Of each of the two.
    pub expanded_uncertainty: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AlsoValue {
    pub value: f64,
    pub unit: String,
    pub expanded_uncertainty: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct BudgetLine {
    pub source: String,
    /// In the check's unit.
    pub standard_uncertainty: f64,
    /// Null stands for infinitely many.
    pub degrees_of_freedom: Option<f64>,
    /// `A` from scatter, `B` from other knowledge (GUM 3.3.4).
    pub evaluation: String,
    /// `normal`, `t`, `rectangular`, `triangular` or `discrete`.
    #[serde(default)]
    pub distribution: String,
}

/// What all repeats of one phase say together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RepeatVerdict {
    pub phase: String,
    pub asked: u32,
    pub ridden: u32,
    pub failed: u32,
    pub undecided: u32,
    /// How repeats are accepted, as written.
    pub accept: String,
    /// Of the mean over the repeats.
    pub checks: Vec<CheckVerdict>,
    pub fault_rate: Option<f64>,
    pub fault_rate_interval: Option<RateInterval>,
    pub fault_rate_upper_limit: Option<RateInterval>,
    pub verdict: Outcome,
    pub required: bool,
    pub reason: Option<String>,
    pub remedy: Option<String>,
}

/// Two references over the steady phases, both at the unit's place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ReferenceComparison {
    pub first: String,
    pub second: String,
    /// second over first less one, in %.
    pub difference_pct: f64,
    pub expanded_uncertainty_pct: f64,
    /// |difference| over its expanded uncertainty (ISO 13528).
    pub e_n: f64,
    pub consistent: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Finding {
    /// One of the named patterns, as `ring-dependent`.
    pub pattern: String,
    pub size: f64,
    pub unit: String,
    pub expanded_uncertainty: Option<f64>,
    /// One sentence that names what, where and how much.
    pub says: String,
    pub evidence: Vec<String>,
    /// Other explanations of the same findings that are hardly less likely, each in a few words.
    #[serde(default)]
    pub could_also_be: Vec<String>,
}
