//! How certain the values of a protocol's checks can be, before anybody rides it.

use crate::judge::JudgeError;
use crate::stats::median;
use crate::verdict::{CheckOf, CheckVerdict, Outcome, PlacedCheck, Verdict};

use super::curve::TrialShare;
use super::names::without_keys;
use super::ride::Trials;

/// A required check of a sound unit, in a few rehearsals.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckReach {
    /// `PHASE MEASURE`, `CONTRAST MEASURE` or `whole ride MEASURE`.
    pub check: String,
    /// As written.
    pub limit: String,
    /// `None` where no rehearsal gave a value with an uncertainty: counts have none.
    pub room: Option<LimitMargin>,
    /// Rehearsals in which it was undecided.
    pub undecided: TrialShare,
    /// Why, of the first of them.
    pub reason: Option<String>,
}

/// Where the uncertainty leaves the least of the limit; medians over the rehearsals.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitMargin {
    /// With its keys, where the check's phase has siblings.
    pub at: String,
    /// Half of what lies within two limits; what lies between zero and one.
    pub limit: f64,
    pub expanded_uncertainty: f64,
    pub unit: String,
}

impl CheckReach {
    /// Even the best value that there is can't pass: it is nearer to its limit than it is certain.
    pub fn out_of_reach(&self) -> Option<&LimitMargin> {
        self.room.as_ref().filter(|room| room.expanded_uncertainty > room.limit)
    }
}

/// Every required check that has a limit, in the order of the sheet, from `trials.sessions` rehearsals of sound units.
///
/// # Errors
/// A rehearsal that can't be judged: a fault of the program.
pub fn reach(trials: &Trials) -> Result<Vec<CheckReach>, JudgeError> {
    let sessions = trials.judged(&[None], required, || true, || ())?.swap_remove(0);
    let mut names: Vec<String> = vec![];
    for (at, _) in sessions.iter().flatten() {
        let name = without_keys(at);
        if !names.contains(&name) {
            names.push(name);
        }
    }
    Ok(names.into_iter().map(|name| of_check(name, &sessions)).collect())
}

fn of_check(check: String, sessions: &[Vec<(String, CheckVerdict)>]) -> CheckReach {
    let own = |session: &[(String, CheckVerdict)]| -> Vec<(String, CheckVerdict)> {
        session.iter().filter(|(at, _)| without_keys(at) == check).cloned().collect()
    };
    let sessions: Vec<Vec<(String, CheckVerdict)>> = sessions.iter().map(|session| own(session)).collect();
    let all = || sessions.iter().flatten();
    let open = |(_, verdict): &&(String, CheckVerdict)| verdict.verdict == Outcome::Undecided;
    let mut places: Vec<&String> = all().map(|(at, _)| at).collect();
    places.sort();
    places.dedup();
    let rooms = places.into_iter().filter_map(|place| room(place, all().filter(|(at, _)| at == place).map(|(_, v)| v)));
    CheckReach {
        limit: all().find_map(|(_, verdict)| verdict.limit.clone()).unwrap_or_default(),
        room: rooms.max_by(|a, b| (a.expanded_uncertainty / a.limit).total_cmp(&(b.expanded_uncertainty / b.limit))),
        undecided: TrialShare {
            hits: sessions.iter().filter(|session| session.iter().any(|one| open(&one))).count() as u64,
            n: sessions.len() as u64,
        },
        reason: all().filter(open).find_map(|(_, verdict)| verdict.reason.clone()),
        check,
    }
}

fn room<'v>(at: &str, verdicts: impl Iterator<Item = &'v CheckVerdict>) -> Option<LimitMargin> {
    let known = verdicts.filter_map(|verdict| {
        let limit = match (verdict.limit_low, verdict.limit_high) {
            (Some(low), Some(high)) => (high - low) / 2.0,
            (None, Some(high)) => high,
            (low, None) => -low?,
        };
        Some((limit, verdict.expanded_uncertainty?, &verdict.unit))
    });
    let known: Vec<(f64, f64, &String)> = known.collect();
    let middle = |of: fn(&(f64, f64, &String)) -> f64| median(&known.iter().map(of).collect::<Vec<_>>());
    Some(LimitMargin {
        at: at.to_owned(),
        limit: middle(|known| known.0)?,
        expanded_uncertainty: middle(|known| known.1)?,
        unit: known.first()?.2.clone(),
    })
}

/// Checks that decide: of repeats their mean.
fn required(verdict: &Verdict) -> Vec<(String, CheckVerdict)> {
    let decides = |placed: &PlacedCheck| match placed.of {
        CheckOf::Ride(phase) => verdict.repeats_of(&phase.phase).is_none(),
        _ => true,
    };
    let counts = |placed: &PlacedCheck| placed.required() && placed.check.verdict != Outcome::NotApplicable;
    let checks = verdict.checks().filter(decides).filter(counts);
    checks.map(|placed| (placed.name(), placed.check.clone())).collect()
}
