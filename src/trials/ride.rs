//! Rehearsals of one protocol with a sound unit and with faults, judged in memory, the same on any number of threads.

use std::collections::BTreeMap;
use std::path::PathBuf;

use rayon::prelude::*;

use crate::judge::{JudgeError, Judgement, judge_recordings};
use crate::pattern::Pattern;
use crate::protocol::Protocol;
use crate::recording::Recording;
use crate::rehearse::{Fault, RehearsalBench, RehearsalPlan, RideHabits, RideSetting, record};
use crate::session::Session;
use crate::verdict::{Outcome, Verdict};

use super::curve::TrialShare;
use super::judged::JudgedTrial;

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
    pub(super) fn judged<T: Send>(
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
