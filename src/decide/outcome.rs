//! What a check, a phase and a session come to.

use serde::{Deserialize, Serialize};

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Outcome {
    #[serde(rename = "pass")]
    Pass,
    #[serde(rename = "fail")]
    Fail,
    #[serde(rename = "undecided")]
    Undecided,
    #[serde(rename = "not ridden")]
    NotRidden,
    /// It may have been ridden while a reference's recording leaves it out.
    #[serde(rename = "not recorded")]
    NotRecorded,
    /// Of a session: a premise is contradicted that all of it rests on.
    #[serde(rename = "not judged")]
    NotJudged,
    /// The unit by its declared nature has no such reading: listed, counts for nothing.
    #[serde(rename = "not applicable")]
    NotApplicable,
}

impl Outcome {
    const ALL: [Outcome; 7] = [
        Outcome::Pass,
        Outcome::Fail,
        Outcome::Undecided,
        Outcome::NotRidden,
        Outcome::NotRecorded,
        Outcome::NotJudged,
        Outcome::NotApplicable,
    ];

    /// Whether a repeat or phase is missing from the ride as it was recorded.
    pub fn is_missing(self) -> bool {
        matches!(self, Outcome::NotRidden | Outcome::NotRecorded)
    }

    /// The outcome that a verdict names so.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|outcome| outcome.word() == word)
    }

    pub fn word(self) -> &'static str {
        match self {
            Outcome::Pass => "pass",
            Outcome::Fail => "fail",
            Outcome::Undecided => "undecided",
            Outcome::NotRidden => "not ridden",
            Outcome::NotRecorded => "not recorded",
            Outcome::NotJudged => "not judged",
            Outcome::NotApplicable => "not applicable",
        }
    }
}

// How often a repeat is faulty, as an exact interval. No doc comment: the published schema holds those.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RateInterval {
    /// 0.95
    pub level: f64,
    /// 1 or 2
    pub sides: u32,
    pub low: f64,
    pub high: f64,
}

/// The worst of several outcomes: fail, undecided (or missing), pass. `None` of them counts: not applicable.
pub fn worst(outcomes: impl IntoIterator<Item = Outcome>) -> Outcome {
    let rank = |outcome: Outcome| match outcome {
        Outcome::NotApplicable => 0,
        Outcome::Pass => 1,
        Outcome::NotRidden | Outcome::NotRecorded | Outcome::NotJudged | Outcome::Undecided => 2,
        Outcome::Fail => 3,
    };
    let worst = outcomes.into_iter().max_by_key(|o| rank(*o)).unwrap_or(Outcome::NotApplicable);
    if worst.is_missing() { Outcome::Undecided } else { worst }
}
