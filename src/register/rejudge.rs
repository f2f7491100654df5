//! Kept sessions judged again from their files.

use std::path::{Path, PathBuf};

use super::document::VerdictDocument;
use super::find::KeptJudgement;
use super::open::{Register, RegisterError};
use crate::matching::Ground;
use crate::verdict::Verdict;
use crate::verify::{self, FilesByHash, Input, InputPlaces, InputState, Severity, VerifyError};

/// Why a kept session could not be judged again.
#[derive(Debug, thiserror::Error)]
pub enum NotRejudged {
    #[error(transparent)]
    Verify(VerifyError),
    #[error("{0} changed since; judge it anew and add the verdict")]
    Changed(String),
    #[error("it was judged with pins of the command line; judge it again with them and add the verdict")]
    Pinned,
}

/// A kept session judged again.
#[derive(Debug)]
pub enum RejudgeOutcome {
    /// But for the program's version, keys that it did not write then and digits that no sheet shows: the last ones may
    /// change with the compiler, and superseding a season for them would bury what matters.
    Same,
    /// The new verdict, to be kept, and how many checks have another outcome or value.
    Differs {
        document: Box<VerdictDocument>,
        verdict: Option<&'static str>,
        checks: usize,
    },
    Unfound(NotRejudged),
}

impl Register {
    /// Judges a kept session again from its files, found where its verdict lay when it was added or by their hashes on the
    /// shelf. Nothing is kept by this.
    ///
    /// # Errors
    /// Where the register can't be read.
    pub fn judge_again(&self, judged: &KeptJudgement, shelf: &FilesByHash) -> Result<RejudgeOutcome, RegisterError> {
        let kept = self.verdict(judged.judgement)?;
        Ok(again(&kept, judged, shelf).unwrap_or_else(RejudgeOutcome::Unfound))
    }
}

fn again(kept: &Verdict, judged: &KeptJudgement, shelf: &FilesByHash) -> Result<RejudgeOutcome, NotRejudged> {
    let folder = PathBuf::from(&judged.folder);
    // A session that was moved is told by its hash, as recordings are.
    let beside = kept.session.file.as_deref().and_then(|name| Path::new(name).file_name());
    let is_beside = beside.is_some_and(|name| folder.join(name).is_file());
    let session = kept.session.sha256.as_deref().filter(|_| !is_beside).and_then(|sha256| shelf.find(sha256));
    let places =
        InputPlaces { folder, session: session.map(Path::to_owned), shelf: shelf.clone(), ..InputPlaces::default() };
    let again = verify::again(kept, &places);
    let changed = |input: &&Input| matches!(input.state, InputState::Another { .. });
    let changed: Vec<String> = again.inputs.iter().filter(changed).map(Input::title).collect();
    if !changed.is_empty() {
        return Err(NotRejudged::Changed(changed.join(", ")));
    }
    let judged_now = again.judged.map_err(NotRejudged::Verify)?;
    let matters = |difference: &verify::Difference| matches!(difference.weight, Severity::Outcome | Severity::Shown);
    if !judged_now.differences.iter().any(matters) {
        return Ok(RejudgeOutcome::Same);
    }
    let now = judged_now.verdict;
    if pinned(&now) < pinned(kept) {
        return Err(NotRejudged::Pinned);
    }
    let bytes = crate::verdict::json::to_string(&now).into_bytes();
    let document = VerdictDocument::of(&bytes, judged.folder.clone().into(), judged.verdict_file.clone());
    let document = document.map_err(|error| NotRejudged::Changed(format!("the verdict's form ({error})")))?;
    let verdict = now.verdict.map(|outcome| outcome.word());
    Ok(RejudgeOutcome::Differs { document: Box::new(document), verdict, checks: differing(kept, &now) })
}

/// Repeats that a person pinned.
fn pinned(verdict: &Verdict) -> usize {
    let matched = verdict.phases.iter().filter_map(|phase| phase.matched.as_ref());
    matched.filter(|found| found.rests_on(Ground::Pinned)).count()
}

/// Checks with another outcome, value or uncertainty, new ones and those that are gone.
fn differing(before: &Verdict, now: &Verdict) -> usize {
    let told = |v: &Verdict| -> Vec<_> {
        let check = |placed: crate::verdict::PlacedCheck<'_>| {
            let check = placed.check;
            (placed.name(), placed.repeat(), check.verdict, check.value, check.expanded_uncertainty)
        };
        v.checks().map(check).collect()
    };
    let (before, now) = (told(before), told(now));
    let changed = now.iter().filter(|check| !before.contains(check)).count();
    let gone = before.iter().filter(|b| !now.iter().any(|n| (&n.0, n.1) == (&b.0, b.1))).count();
    changed + gone
}
