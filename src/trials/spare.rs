//! What a protocol could do without: phases and checks that no fault needed in order to be found.

use std::collections::BTreeSet;

use crate::judge::JudgeError;
use crate::protocol::{Contrast, Part, Phase, Protocol};
use crate::rehearse::Fault;
use crate::stats::{self, Sides};
use crate::verdict::Outcome;

use super::curve::WANTED;
use super::judged::JudgedTrial;
use super::ladder::by_ladder;
use super::names::without_keys;
use super::ride::{TrialPoint, Trials};

/// What could go, one after the other.
#[derive(Debug, Clone, PartialEq)]
pub struct SparePhases {
    /// Each that no failed session needed in order to fail: ridden without it, and without those that went before.
    pub phases: Vec<LeftOutPhase>,
    /// Phases without which some session would not have failed.
    pub needed: Vec<String>,
    /// Of what is left: `PHASE MEASURE`, `CONTRAST MEASURE` or `whole ride MEASURE` by which no session failed alone.
    pub checks: Vec<String>,
    /// Sessions with a fault that failed as the protocol is.
    pub failed: u64,
    /// The protocol without all that.
    pub protocol: Protocol,
}

/// A phase that was left out.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOutPhase {
    /// Selector.
    pub phase: String,
    /// Sessions with a fault that fail.
    pub failing: LeftOutEffect,
    /// Sessions of a sound unit that pass.
    pub passing: LeftOutEffect,
}

/// The same seeds with and without.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LeftOutEffect {
    /// Sessions that do only with it, and only without.
    pub lost: u64,
    pub won: u64,
    pub of: u64,
}

impl LeftOutEffect {
    fn between(with: &[JudgedTrial], without: &[JudgedTrial], outcome: Outcome) -> Self {
        let pairs = || with.iter().zip(without).map(|(a, b)| (a.outcome == outcome, b.outcome == outcome));
        let count = |pair| pairs().filter(|both| *both == pair).count() as u64;
        Self { lost: count((true, false)), won: count((false, true)), of: pairs().count() as u64 }
    }

    fn and(self, other: Self) -> Self {
        Self { lost: self.lost + other.lost, won: self.won + other.won, of: self.of + other.of }
    }

    /// More than by luck, one in twenty. Source: McNemar (1947), Psychometrika 12:153-157, in its exact form.
    fn is_loss(self) -> bool {
        stats::clopper_pearson(self.lost, self.lost + self.won, 0.95, Sides::Lower).0 > 0.5
    }
}

impl LeftOutPhase {
    /// Nothing was lost by more than luck.
    pub fn goes(&self) -> bool {
        !self.failing.is_loss() && !self.passing.is_loss()
    }
}

/// Sessions that [`spare`] rides at most.
pub fn sessions_of_spare(trials: &Trials, points: &[TrialPoint]) -> u64 {
    let phases = trials.protocol.phases.iter().filter(|phase| counts(phase)).count() as u64;
    phases * u64::from(trials.sessions) * telling(points).len() as u64
}

/// Leaves out phases, the longest first, then checks, those first by which the fewest sessions failed.
///
/// What must leave every failed session of `points` a reason to fail. A phase also gives data to contrasts and to the whole
/// ride, so what is left is ridden again, with the same seeds and the least size of each fault that nine of ten find.
///
/// # Errors
/// A rehearsal that can't be judged: a fault of the program.
pub fn spare(
    trials: &Trials,
    points: &[TrialPoint],
    go_on: impl Fn() -> bool + Sync,
    done: impl Fn() + Sync,
) -> Result<SparePhases, JudgeError> {
    let faulty = points.iter().filter(|point| point.fault.is_some()).flat_map(|point| &point.sessions);
    let failed: Vec<&BTreeSet<String>> = faulty.map(|judged| &judged.failed_at).filter(|all| !all.is_empty()).collect();
    let suffices = |fewer: &Protocol| {
        let left: BTreeSet<String> = checks(fewer).collect();
        failed.iter().all(|all| all.iter().any(|check| left.contains(check)))
    };
    let (phases, needed, spared) = (vec![], vec![], vec![]);
    let protocol = trials.protocol.clone();
    let mut spare = SparePhases { phases, needed, checks: spared, failed: failed.len() as u64, protocol };

    let telling = telling(points);
    let faults: Vec<Option<&Fault>> = telling.iter().map(|point| point.fault.as_ref()).collect();
    let mut with: Vec<Vec<JudgedTrial>> = telling.iter().map(|point| point.sessions.clone()).collect();
    let mut longest: Vec<&Phase> = trials.protocol.phases.iter().filter(|phase| counts(phase)).collect();
    longest.sort_by(|a, b| b.planned_s().total_cmp(&a.planned_s()));
    for phase in longest.into_iter().map(|phase| phase.id.to_string()) {
        let fewer = without_phase(&spare.protocol, &phase);
        if !suffices(&fewer) {
            spare.needed.push(phase);
            continue;
        }
        let without = Trials { protocol: &fewer, ..trials.clone() }.judged(&faults, JudgedTrial::of, &go_on, &done)?;
        if !go_on() {
            break;
        }
        let changed = |fault: bool, outcome| {
            let of = telling.iter().zip(with.iter().zip(&without)).filter(|(point, _)| point.fault.is_some() == fault);
            let changes = of.map(|(_, (with, without))| LeftOutEffect::between(with, without, outcome));
            changes.fold(LeftOutEffect { lost: 0, won: 0, of: 0 }, LeftOutEffect::and)
        };
        let tried =
            LeftOutPhase { phase, failing: changed(true, Outcome::Fail), passing: changed(false, Outcome::Pass) };
        if tried.goes() {
            (spare.protocol, with) = (fewer, without);
        }
        spare.phases.push(tried);
    }
    let failed_by =
        |name: &str| failed.iter().filter(|all| all.iter().any(|check| without_keys(check) == name)).count();
    let names: BTreeSet<String> = checks(&spare.protocol).map(|check| without_keys(&check)).collect();
    let mut rarest: Vec<String> = names.into_iter().collect();
    rarest.sort_by_key(|name| failed_by(name));
    for name in rarest {
        let fewer = without_check(&spare.protocol, &name);
        if suffices(&fewer) {
            spare.protocol = fewer;
            spare.checks.push(name);
        }
    }
    Ok(spare)
}

/// A sound unit, and of each fault the least size that is found, or the largest: there a loss shows most.
fn telling(points: &[TrialPoint]) -> Vec<&TrialPoint> {
    let faulty = points.iter().enumerate().filter_map(|(place, point)| Some((place, point.fault.clone()?)));
    let least = by_ladder(faulty).into_iter().filter_map(|ladder| {
        let mut found = ladder.sizes.iter().map(|size| &points[size.place]);
        found.find(|point| point.ending(Outcome::Fail).value() >= WANTED).or(Some(&points[ladder.sizes.last()?.place]))
    });
    points.iter().filter(|point| point.fault.is_none()).chain(least).collect()
}

/// What lies between drills and what is typed is no part of the question.
fn counts(phase: &Phase) -> bool {
    let kind = phase.drill.kind();
    phase.part == Part::Required && kind.is_scored() && !kind.reads_zero()
}

/// Required checks, as a session names what failed it.
fn checks(protocol: &Protocol) -> impl Iterator<Item = String> {
    let required = protocol.phases.iter().filter(|phase| phase.part != Part::Advisory);
    let of_phases = required.flat_map(|phase| {
        let checks = phase.checks.iter().filter(|check| !check.advisory);
        checks.map(|check| format!("{} {}", phase.id, check.measure.word()))
    });
    let contrasts = protocol.contrasts.iter().filter(|contrast| !contrast.advisory);
    let contrasts = contrasts.map(|contrast| format!("{} {}", contrast.name, contrast.measure.word()));
    let whole_ride = protocol.whole_ride.iter().filter(|check| !check.advisory);
    of_phases.chain(contrasts).chain(whole_ride.map(|check| format!("whole ride {}", check.measure.word())))
}

/// The recovery after it goes with it, and a contrast that loses a side.
fn without_phase(protocol: &Protocol, id: &str) -> Protocol {
    let mut fewer = protocol.clone();
    let Some(at) = fewer.phases.iter().position(|phase| phase.id.to_string() == id) else { return fewer };
    let gone = fewer.phases.remove(at);
    let recovery = format!("{}-recovery", gone.id.name);
    if fewer.phases.get(at).is_some_and(|next| next.id.name == recovery) {
        fewer.phases.remove(at);
    }
    let phases = &fewer.phases;
    let both = |contrast: &Contrast| {
        [&contrast.of, &contrast.against].iter().all(|side| phases.iter().any(|phase| side.selects(&phase.id)))
    };
    fewer.contrasts.retain(both);
    fewer
}

/// Without a check of all phases of a name, of a contrast or of the whole ride.
fn without_check(protocol: &Protocol, name: &str) -> Protocol {
    let mut fewer = protocol.clone();
    for phase in &mut fewer.phases {
        let of = &phase.id.name;
        phase.checks.retain(|check| format!("{of} {}", check.measure.word()) != name);
    }
    fewer.contrasts.retain(|contrast| format!("{} {}", contrast.name, contrast.measure.word()) != name);
    fewer.whole_ride.retain(|check| format!("whole ride {}", check.measure.word()) != name);
    fewer
}
