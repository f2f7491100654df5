//! The way through the program.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::align::AlignError;
use crate::decide;
use crate::diagnose;
use crate::drivetrain;
use crate::matching::{self, Matches};
use crate::premises::{self, Premises};
use crate::protocol::Protocol;
use crate::recording::{self, Recording, RecordingError};
use crate::ride::Ride;
use crate::scoring::{self, PictureMarks};
use crate::session::Session;
use crate::verdict::{Case, Verdict};

/// Why a session could not be judged at all.
#[derive(Debug, thiserror::Error)]
pub enum JudgeError {
    #[error(transparent)]
    Recording(#[from] RecordingError),
    #[error(transparent)]
    Align(#[from] AlignError),
    #[error("the session names no unit under test; give it a `unit:` with a `recording:`, or `--unit FILE`")]
    NoUnit,
    #[error(
        "the session names no reference; give it `references:`, or `--reference FILE`: a unit is judged against an instrument, not against itself"
    )]
    NoReference,
}

/// A verdict and what it was read from: all that a sheet needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    pub verdict: Verdict,
    /// `verdict.phases` begins with one entry per `matches.found`, in its order; phases without a ride follow.
    pub matches: Matches,
    pub ride: Ride,
    /// What it was judged by; `None` for a comparison without a protocol.
    pub protocol: Option<Protocol>,
    /// What pictures mark in the ride.
    pub shown: PictureMarks,
}

/// Judges a ridden session, one sheet per unit. The same files give the same verdicts, byte for byte.
pub fn judge(session: &Session) -> Result<Vec<Judgement>, JudgeError> {
    judge_found(session, &BTreeMap::new())
}

/// [`judge`] where recordings lie elsewhere than the session says: by the path that it names, the path where the file is
/// now. The verdict calls them as the session does.
pub fn judge_found(session: &Session, found: &BTreeMap<PathBuf, PathBuf>) -> Result<Vec<Judgement>, JudgeError> {
    let recordings = recording::read_named(session.recordings(), found)?;
    judge_recordings(session, &recordings)
}

/// The same with recordings already read (keyed by the paths that the session names).
pub fn judge_recordings(
    session: &Session,
    recordings: &BTreeMap<PathBuf, Recording>,
) -> Result<Vec<Judgement>, JudgeError> {
    if session.units.is_empty() {
        return Err(JudgeError::NoUnit);
    }
    if session.references.is_empty() {
        return Err(JudgeError::NoReference);
    }
    let session = &session.in_order(recordings);
    (0..session.units.len()).map(|unit| judge_unit(session, unit, recordings)).collect()
}

/// One unit of a session. What contradicts a premise leaves out what it takes; where that is the verdict, the sheet says so.
fn judge_unit(
    stated: &Session,
    unit: usize,
    recordings: &BTreeMap<PathBuf, Recording>,
) -> Result<Judgement, JudgeError> {
    let mut rests_on = premises::of_recordings(stated, unit, recordings);
    if rests_on.take_verdict() {
        return Ok(not_judged(stated, unit, recordings, rests_on));
    }
    let premises::OneRide { session, aligned, tested } =
        premises::one_ride(&rests_on.without_taken(stated), unit, recordings)?;
    rests_on.push(tested);
    if rests_on.take_verdict() {
        return Ok(not_judged(stated, unit, recordings, rests_on));
    }
    let ride = drivetrain::to_unit_place(&aligned, &session, unit);
    rests_on.push(premises::coverage(&ride));
    rests_on.push(premises::bike(&session, &ride));
    let session = rests_on.without_rings(session);
    let claimed = session.units[unit].claimed.as_ref();
    let case = Case { stated, session: &session, recordings, cautions: &aligned.cautions, ride: &ride, unit };
    let (verdict, matches, shown) = match &session.protocol {
        Some(protocol) => {
            let matches = matching::find(protocol, &session, &ride);
            let scores = scoring::score_all(&session, protocol, &matches, &ride);
            rests_on.push(premises::of_matches(protocol, &session, unit, &matches, &ride));
            rests_on.push(premises::of_scores(protocol, &matches, &scores, &ride));
            let rests_on = rests_on.needed_by(protocol);
            let decided = decide::session(protocol, claimed, &matches, &scores, &rests_on);
            let findings = diagnose::findings(protocol, &ride, &matches, &scores, &decided);
            let verdict = case.verdict(protocol, &matches, &scores, &decided, findings, &rests_on);
            (verdict, matches, scores.shown)
        }
        None => {
            let compared = scoring::score_whole_ride(&ride, &decide::compared(), decide::COMPARED_BY.coverage);
            rests_on.push(premises::of_comparison(&compared, &ride));
            let decided = decide::comparison(claimed, &compared.whole_ride);
            (case.comparison(&decided, &compared.agreement, &rests_on), Matches::default(), compared.shown)
        }
    };
    Ok(Judgement { verdict, matches, protocol: session.protocol.clone(), ride, shown })
}

/// The sheet of a session that can't be judged: what it is, what was recorded, and why.
fn not_judged(
    stated: &Session,
    unit: usize,
    recordings: &BTreeMap<PathBuf, Recording>,
    rests_on: Premises,
) -> Judgement {
    let ride = premises::without_clocks(stated, unit, recordings);
    let case = Case { stated, session: stated, recordings, cautions: &[], ride: &ride, unit };
    let verdict = case.not_judged(&rests_on);
    let (matches, shown) = (Matches::default(), PictureMarks::default());
    Judgement { verdict, matches, protocol: stated.protocol.clone(), ride, shown }
}
