//! What a verification came to.

use std::path::PathBuf;

use serde::Serialize;

use super::differences::{Difference, Severity};
use super::error::VerifyError;
use super::inputs::{Input, InputState};
use crate::verdict::Verdict;

/// What became of a verdict's inputs, and of the verdict.
#[derive(Debug)]
pub struct Verification {
    /// Label of the unit that the verdict is about.
    pub unit: String,
    pub sheet_number: String,
    pub programs: Programs,
    pub inputs: Vec<Input>,
    /// What the judgement rests on besides, of which a verdict holds no hash: one sentence each.
    pub unhashed: Vec<String>,
    /// Every text file that was read for it: the session, its cards, its protocol and what that extends, its marks.
    pub read: Vec<PathBuf>,
    pub judged: Result<NewJudgement, VerifyError>,
}

/// Versions of the program that judged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Programs {
    pub then: String,
    pub now: String,
}

impl Programs {
    pub fn differ(&self) -> bool {
        self.then != self.now
    }
}

/// The judgement made anew.
#[derive(Debug, Clone, PartialEq)]
pub struct NewJudgement {
    pub verdict: Verdict,
    /// In the verdict's order; without the program's version, which [`Programs`] tells.
    pub differences: Vec<Difference>,
}

/// What a verification comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum VerificationResult {
    Same,
    Differs,
    CouldNot,
}

impl Verification {
    /// `Same` only if every input and every value is.
    pub fn verified(&self) -> VerificationResult {
        let Ok(judged) = &self.judged else { return VerificationResult::CouldNot };
        let other_input = self.inputs.iter().any(|input| matches!(input.state, InputState::Another { .. }));
        let other_value = judged.differences.iter().any(|difference| difference.weight != Severity::Added);
        if other_input || other_value { VerificationResult::Differs } else { VerificationResult::Same }
    }
}
