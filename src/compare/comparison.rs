//! Sessions compared, as a report reads them and as they are written: the columns, the rows and the answers.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::verdict::Outcome;

/// The version of the JSON layout, raised when a key changes its meaning.
pub const COMPARISON_FORMAT: u32 = 1;

/// What sessions are put together by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, clap::ValueEnum)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
// The published schema calls it so.
#[cfg_attr(feature = "schema", schemars(rename = "By"))]
#[serde(rename_all = "lowercase")]
pub enum Grouping {
    #[default]
    Specimen,
    Firmware,
    Tester,
    Trainer,
    Date,
}

impl Grouping {
    pub fn word(self) -> &'static str {
        match self {
            Grouping::Specimen => "specimen",
            Grouping::Firmware => "firmware",
            Grouping::Tester => "tester",
            Grouping::Trainer => "trainer",
            Grouping::Date => "date",
        }
    }
}

/// Sessions compared: everything that a report says, as numbers and words.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Comparison {
    /// Version of the program that compared.
    pub assize: String,
    pub comparison_format: u32,
    pub protocol: ComparedProtocol,
    pub by: Grouping,
    /// First and last session.
    pub first: DateTime<Utc>,
    pub last: DateTime<Utc>,
    /// The columns, in order.
    pub groups: Vec<Group>,
    /// The sessions that count, by time.
    pub sessions: Vec<ComparedSession>,
    /// The rows of the matrix: first the steady errors by ring, then the protocol's checks in its order.
    pub rows: Vec<Row>,
    /// Who can be told apart from whom, in sentences: first over all rows, then row by row where any differ.
    pub apart: Vec<String>,
    /// How the differences were judged, in one sentence each.
    pub method: Vec<String>,
    pub questions: Vec<Question>,
    /// What was counted once, left out, or has to be known to read the numbers.
    pub cautions: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ComparedProtocol {
    pub title: String,
    pub revision: String,
    /// More than one where files of the same title and revision differ.
    pub sha256: Vec<String>,
    /// Of every expanded uncertainty and interval here.
    pub coverage: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Group {
    /// As `unit 017`, `firmware 2.1`, `tester A`, `2026-11-28`.
    pub name: String,
    pub sessions: usize,
    /// Names of the specimens in it.
    pub specimens: Vec<String>,
    pub first: DateTime<Utc>,
    pub last: DateTime<Utc>,
    /// The sessions' verdicts.
    pub verdicts: Tally,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Tally {
    pub pass: usize,
    pub fail: usize,
    pub undecided: usize,
    pub not_ridden: usize,
    pub not_applicable: usize,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ComparedSession {
    pub file: String,
    pub sheet_number: String,
    pub start: DateTime<Utc>,
    /// Index into `groups`.
    pub group: usize,
    pub specimen: String,
    pub model: Option<String>,
    pub firmware: Option<String>,
    pub tester: Option<String>,
    pub trainer: Option<String>,
    pub references: Vec<String>,
    /// `pass`, `fail`, …
    pub verdict: Option<String>,
    /// Version of the program that judged it.
    pub judged_by: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Row {
    /// In words, as `steady error, big ring` or `steady (ring big, power 150 W): mean error`.
    pub name: String,
    /// `steady`, `ride`, `mean`, `contrast` or `whole ride`.
    pub of: String,
    /// The phase's selector, the contrast's name, `whole ride`, or the ring.
    pub place: String,
    /// As the protocol writes it.
    pub measure: String,
    pub unit: String,
    /// The limit as written, where all sessions have the same.
    pub limit: Option<String>,
    pub required: bool,
    /// Groups are held against each other in this row. Single steady blocks are not: the pooled rows speak for them.
    pub compared: bool,
    /// By group, in the order of `groups`.
    pub cells: Vec<Cell>,
    /// Standard deviation from session to session beyond the sessions' own budgets, and the degrees of freedom that it
    /// was seen with; null where no group was ridden twice.
    pub session_scatter: Option<Scatter>,
    /// Every pair of groups that both have a value with an uncertainty.
    pub differences: Vec<Difference>,
    /// Who reads lower than whom, in one sentence; empty where nothing is compared.
    pub says: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Scatter {
    pub standard_deviation: f64,
    pub degrees_of_freedom: f64,
}

/// One check, one group.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Cell {
    /// Mean over the sessions; null where none has a value.
    pub value: Option<f64>,
    /// Null for counts, and where there is no value.
    pub expanded_uncertainty: Option<f64>,
    pub degrees_of_freedom: Option<f64>,
    /// Part of the standard uncertainty that its sessions share, and that more sessions would not lessen.
    pub shared_standard_uncertainty: Option<f64>,
    /// Sessions that the mean is over.
    pub sessions: usize,
    /// Sessions whose value is only a bound, or missing: not in the mean.
    pub censored: usize,
    pub without_value: usize,
    pub verdicts: Tally,
}

/// Second group less first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Difference {
    /// Indices into `groups`.
    pub first: usize,
    pub second: usize,
    pub value: f64,
    /// By itself, what both share cancelled.
    pub expanded_uncertainty: f64,
    pub degrees_of_freedom: Option<f64>,
    /// Two-sided, by itself.
    pub p: f64,
    /// With the allowance for all pairs of all rows (Holm).
    pub p_with_allowance: f64,
    /// They differ by more than their uncertainty, the allowance made.
    pub differ: bool,
    /// `paired` over the specimens that both groups have, `between` specimens, or `within` for two specimens.
    pub basis: String,
}

/// What a tester asks of a season.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Question {
    /// `specimen`, `firmware`, `tester`, `intermittent` or `drift`.
    pub key: String,
    /// As asked.
    pub asks: String,
    /// One for each quantity that it was asked of.
    pub answers: Vec<Answer>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Answer {
    /// What it is about: a row's name, or a phase.
    pub of: String,
    /// Whether the data allow an answer.
    pub told: bool,
    /// One or two sentences: the answer, or why it can't be told and what would be needed.
    pub says: String,
    pub figures: Vec<Figure>,
}

/// A number with its interval.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Figure {
    /// As `between specimens, standard deviation`.
    pub name: String,
    pub value: f64,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub unit: String,
}

impl Tally {
    pub(super) fn add(&mut self, outcome: Outcome) {
        let count = match outcome {
            Outcome::Pass => &mut self.pass,
            Outcome::Fail => &mut self.fail,
            Outcome::Undecided => &mut self.undecided,
            // What was not judged is left out before anything is counted.
            Outcome::NotRidden | Outcome::NotRecorded | Outcome::NotJudged => &mut self.not_ridden,
            Outcome::NotApplicable => &mut self.not_applicable,
        };
        *count += 1;
    }
}
