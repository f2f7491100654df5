//! Many rehearsals of one protocol, judged in memory: what it finds and names, and how often it wrongs a sound unit.
//!
//! Riders, head units, straps and noise differ from session to session, and references are off by a draw from what they
//! state. The same seeds are ridden with every fault, so that one size differs from the next by nothing but itself.

mod advice;
mod curve;
mod ladder;
mod lever;
mod reach;
mod spare;
mod summary;

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use rayon::prelude::*;

pub use advice::{Advice, FRESH, MovedLever, Solution, advise, sessions_at_most};
pub use curve::{FoundSize, TrialShare, WANTED, threshold};
pub use ladder::{by_ladder, ladders};
pub use lever::{Lever, each_limit, length_s};
pub use reach::{CheckReach, LimitMargin, reach};
pub use spare::{LeftOutEffect, LeftOutPhase, SparePhases, sessions_of_spare, spare};
pub use summary::{FailingPlace, Ladder, Sound, TrialCounts, TrialsSummary, Work};

use crate::judge::{JudgeError, Judgement, judge_recordings};
use crate::pattern::Pattern;
use crate::protocol::Protocol;
use crate::recording::Recording;
use crate::rehearse::{Fault, RehearsalBench, RehearsalPlan, RideHabits, RideSetting, record};
use crate::session::Session;
use crate::verdict::{CheckOf, Finding, Outcome, PlacedCheck, Verdict};

/// What is ridden again and again.
#[derive(Debug, Clone)]
pub struct Trials<'a> {
    pub protocol: &'a Protocol,
    pub bench: RehearsalBench,
    pub setting: RideSetting,
    /// Of the first session; the next has the next.
    pub seed: u64,
    /// Of the sound unit and of each fault.
    pub sessions: u32,
}

/// One rehearsed session as it was judged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JudgedTrial {
    pub outcome: Outcome,
    /// Required checks that failed: `PHASE MEASURE`, the contrast's name, `whole ride MEASURE`.
    pub failed: BTreeSet<String>,
    /// The same, with the keys that tell a phase from its siblings: `steady[ring=big, power=120 W] mean_error`.
    pub failed_at: BTreeSet<String>,
    pub undecided: BTreeSet<String>,
    pub named: BTreeSet<Pattern>,
}

/// The sessions of one fault, or of a sound unit.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialPoint {
    /// `None`: sound.
    pub fault: Option<Fault>,
    /// The pattern that stands for the fault, if one does.
    pub pattern: Option<Pattern>,
    pub sessions: Vec<JudgedTrial>,
}

impl TrialPoint {
    /// Sessions of which it is true.
    pub fn share(&self, of: impl Fn(&JudgedTrial) -> bool) -> TrialShare {
        TrialShare {
            hits: self.sessions.iter().filter(|judged| of(judged)).count() as u64,
            n: self.sessions.len() as u64,
        }
    }

    pub fn ending(&self, outcome: Outcome) -> TrialShare {
        self.share(|judged| judged.outcome == outcome)
    }

    /// Named by its own pattern; `None` where no pattern stands for it.
    pub fn named(&self) -> Option<TrialShare> {
        let pattern = self.pattern?;
        Some(self.share(|judged| judged.named.contains(&pattern)))
    }
}

/// Rides a sound unit and every fault; what was done when `go_on` first says no.
///
/// Sessions are ridden in the order of their seeds, each with all faults, so that an early end leaves as many of each.
/// `done` hears of every session.
///
/// # Errors
/// A rehearsal that can't be judged: a fault of the program.
pub fn ride(
    trials: &Trials,
    faults: &[Fault],
    go_on: impl Fn() -> bool + Sync,
    done: impl Fn() + Sync,
) -> Result<Vec<TrialPoint>, JudgeError> {
    let all: Vec<Option<&Fault>> = std::iter::once(None).chain(faults.iter().map(Some)).collect();
    let sessions = trials.judged(&all, JudgedTrial::of, go_on, done)?;
    let point = |(fault, sessions): (Option<&Fault>, Vec<JudgedTrial>)| TrialPoint {
        fault: fault.cloned(),
        pattern: fault.and_then(|fault| fault.pattern(&trials.bench)),
        sessions,
    };
    Ok(all.into_iter().zip(sessions).map(point).collect())
}

/// Enough to keep every core busy, few enough to end soon after being told to.
const JOBS_AT_ONCE: usize = 64;

impl Trials<'_> {
    /// What `of` takes from the verdict of every session, one list for each fault.
    fn judged<T: Send>(
        &self,
        faults: &[Option<&Fault>],
        of: impl Fn(&Verdict) -> T + Sync,
        go_on: impl Fn() -> bool + Sync,
        done: impl Fn() + Sync,
    ) -> Result<Vec<Vec<T>>, JudgeError> {
        let mut found: Vec<Vec<T>> = faults.iter().map(|_| vec![]).collect();
        let jobs: Vec<(u32, usize)> =
            (0..self.sessions).flat_map(|session| (0..faults.len()).map(move |fault| (session, fault))).collect();
        for some in jobs.chunks(JOBS_AT_ONCE) {
            let judged: Vec<Option<T>> = some
                .par_iter()
                .map(|(session, fault)| {
                    if !go_on() {
                        return Ok(None);
                    }
                    let verdict = self.one(*session, faults[*fault])?;
                    done();
                    Ok(Some(of(&verdict)))
                })
                .collect::<Result<_, JudgeError>>()?;
            for ((_, fault), judged) in some.iter().zip(judged) {
                found[*fault].extend(judged);
            }
            if !go_on() {
                break;
            }
        }
        Ok(found)
    }

    fn one(&self, session: u32, fault: Option<&Fault>) -> Result<Verdict, JudgeError> {
        let seed = self.seed.wrapping_add(u64::from(session));
        let plan = RehearsalPlan {
            faults: fault.cloned().into_iter().collect(),
            bench: self.bench.clone(),
            setting: self.setting,
            habits: RideHabits { as_stated: true, ..RideHabits::varied(seed) },
            ..RehearsalPlan::new(seed)
        };
        let (session, recordings) = record(self.protocol, &plan);
        Ok(judge(&session, recordings)?.verdict)
    }
}

/// Judges a rehearsal without going through files.
///
/// # Errors
/// As [`judge_recordings`].
pub fn judge(session: &Session, recordings: Vec<Recording>) -> Result<Judgement, JudgeError> {
    let recordings: BTreeMap<PathBuf, Recording> =
        recordings.into_iter().map(|recording| (recording.file.clone(), recording)).collect();
    Ok(judge_recordings(session, &recordings)?.swap_remove(0))
}

impl JudgedTrial {
    fn of(verdict: &Verdict) -> Self {
        let failed_at = required(verdict, Outcome::Fail);
        let named = |checks: &BTreeSet<String>| checks.iter().map(|check| without_keys(check)).collect();
        Self {
            outcome: verdict.verdict.unwrap_or(Outcome::Undecided),
            failed: named(&failed_at),
            failed_at,
            undecided: named(&required(verdict, Outcome::Undecided)),
            named: verdict.diagnosis.iter().filter_map(Finding::named).collect(),
        }
    }

    /// Whether this phase, contrast or the whole ride failed it.
    pub fn failed_by(&self, place: &str) -> bool {
        self.failed.iter().any(|check| place_of(check) == place)
    }

    /// Whether nothing else than this phase, contrast or the whole ride failed it.
    pub fn failed_only_by(&self, place: &str) -> bool {
        !self.failed.is_empty() && self.failed.iter().all(|check| place_of(check) == place)
    }
}

/// The phase (without its keys), contrast or `whole ride` of a check.
pub fn place_of(check: &str) -> &str {
    check.rsplit_once(' ').map_or(check, |(place, _)| place)
}

/// A check under its phase's name alone.
fn without_keys(check: &str) -> String {
    match (check.split_once('['), check.rsplit_once(' ')) {
        (Some((name, _)), Some((_, measure))) => format!("{name} {measure}"),
        _ => check.to_owned(),
    }
}

/// Required checks that were decided so, each once: those of single repeats and of means under the phase.
fn required(verdict: &Verdict, outcome: Outcome) -> BTreeSet<String> {
    let counts = |placed: &PlacedCheck| match placed.of {
        // An undecided repeat among others decides nothing, their mean does; a failed one fails what accepts none.
        CheckOf::Ride(phase) => verdict
            .repeats_of(&phase.phase)
            .is_none_or(|repeats| outcome == Outcome::Fail && repeats.verdict == Outcome::Fail),
        // What accepts its repeats has failed by nothing, whatever one of them or their mean reads.
        CheckOf::Mean(repeats) => {
            repeats.verdict == outcome || outcome == Outcome::Undecided && repeats.verdict != Outcome::Pass
        }
        CheckOf::Contrast | CheckOf::WholeRide => true,
    };
    let decided = verdict.checks().filter(|placed| placed.required() && placed.check.verdict == outcome);
    let mut found: BTreeSet<String> = decided.filter(counts).map(|placed| placed.name()).collect();
    if outcome == Outcome::Undecided {
        let missing = verdict.phases.iter().filter(|phase| phase.required && phase.verdict == Outcome::NotRidden);
        found.extend(missing.map(|phase| format!("{} not-ridden", phase.phase)));
    }
    found
}
