//! What would bring a wanted fault to be found in nine of ten sessions: solved for by rehearsal.

use std::collections::{BTreeMap, BTreeSet};

use crate::judge::JudgeError;
use crate::protocol::Protocol;
use crate::rehearse::{Fault, RehearsalBench};
use crate::verdict::Outcome;

use super::curve::{FoundSize, TrialShare, WANTED, threshold};
use super::judged::JudgedTrial;
use super::lever::Lever;
use super::names::place_of;
use super::ride::Trials;

/// What was learnt of one wanted fault.
#[derive(Debug, Clone, PartialEq)]
pub struct Advice {
    pub fault: Fault,
    /// Sessions that fail as the protocol is.
    pub now: TrialShare,
    /// Required checks, `PLACE MEASURE`, that fail or stay undecided in a fifth of the sessions more than with a sound unit.
    pub shows_in: Vec<String>,
    /// Empty where it is found often enough, or shows in nothing.
    pub levers: Vec<MovedLever>,
}

/// One lever, moved until the fault was found often enough.
#[derive(Debug, Clone, PartialEq)]
pub struct MovedLever {
    pub lever: Lever,
    /// In times of what the protocol asks for.
    pub found: FoundSize,
    /// At the most that was tried.
    pub at_most: TrialShare,
    pub solution: Option<Solution>,
}

/// The protocol and bench that it takes, ridden anew with other seeds.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    pub times: f64,
    pub protocol: Protocol,
    pub bench: RehearsalBench,
    pub failed: TrialShare,
    /// Of a sound unit.
    pub passed: TrialShare,
}

/// Fewer sessions would tell nothing of nine in ten; each step halves the range of the lever that is left.
const STEPS: u32 = 5;
/// From seeds to other seeds: those that led to a solution would flatter it.
pub const FRESH: u64 = 1_000_000;
/// How often other seeds may correct a solution.
const ANEW: u64 = 3;

/// Sessions that [`advise`] rides at most.
pub fn sessions_at_most(trials: &Trials) -> u64 {
    let levers = 2 * trials.protocol.phases.iter().map(|phase| &phase.id.name).collect::<BTreeSet<_>>().len();
    let levers = levers as u64 + trials.bench.references.len() as u64 + 2;
    u64::from(trials.sessions) * (2 + levers * (u64::from(STEPS) + 1 + 2 * ANEW))
}

/// Moves each lever that could bring `fault` to be found, one at a time; those done when `go_on` first says no.
///
/// # Errors
/// A rehearsal that can't be judged: a fault of the program.
pub fn advise(
    trials: &Trials,
    fault: &Fault,
    go_on: impl Fn() -> bool + Sync,
    done: impl Fn() + Sync,
) -> Result<Advice, JudgeError> {
    let solver = Solver { trials, fault, go_on: &go_on, done: &done };
    let [sound, faulty] = solver.sessions(trials, &[None, Some(fault)])?;
    let now = failed(&faulty);
    let shows_in = shows_in(&sound, &faulty);
    let levers = if now.value() >= WANTED { vec![] } else { levers(trials, &shows_in) };
    let mut advice = Advice { fault: fault.clone(), now, shows_in, levers: vec![] };
    for lever in levers {
        let Some(moved) = solver.solve(lever, now)? else { break };
        advice.levers.push(moved);
    }
    Ok(advice)
}

fn failed(sessions: &[JudgedTrial]) -> TrialShare {
    share(sessions, Outcome::Fail)
}

fn share(sessions: &[JudgedTrial], outcome: Outcome) -> TrialShare {
    let hits = sessions.iter().filter(|judged| judged.outcome == outcome).count() as u64;
    TrialShare { hits, n: sessions.len() as u64 }
}

fn shows_in(sound: &[JudgedTrial], faulty: &[JudgedTrial]) -> Vec<String> {
    const MORE_OFTEN: f64 = 0.2;
    let shares = |sessions: &[JudgedTrial]| {
        let mut of: BTreeMap<String, f64> = BTreeMap::new();
        for judged in sessions {
            let touched: BTreeSet<&String> = judged.failed.union(&judged.undecided).collect();
            touched.into_iter().for_each(|check| *of.entry(check.clone()).or_default() += 1.0 / sessions.len() as f64);
        }
        of
    };
    let before = shares(sound);
    let more = |(check, share): &(String, f64)| share - before.get(check).copied().unwrap_or(0.0) >= MORE_OFTEN;
    shares(faulty).into_iter().filter(more).map(|(check, _)| check).collect()
}

/// Those that bear on the checks in which the fault shows.
fn levers(trials: &Trials, shows_in: &[String]) -> Vec<Lever> {
    if shows_in.is_empty() {
        return vec![];
    }
    let protocol = trials.protocol;
    let mut names: Vec<&str> = vec![];
    for place in shows_in.iter().map(|check| place_of(check)) {
        let contrast = protocol.contrasts.iter().find(|contrast| contrast.name == place);
        let of = contrast.map_or(vec![place], |c| vec![c.of.name.as_str(), c.against.name.as_str()]);
        of.into_iter().for_each(|name| {
            if !names.contains(&name) {
                names.push(name)
            }
        });
    }
    let mut levers = vec![];
    for name in names {
        let Some(phase) = protocol.phases.iter().find(|phase| phase.id.name == name) else { continue };
        if !phase.drill.kind().is_scored_riding() {
            continue;
        }
        // Blocks with a recovery between them are not repeated: they have no place for it.
        let recovery = format!("{name}-recovery");
        if !protocol.phases.iter().any(|phase| phase.id.name == recovery) {
            levers.push(Lever::Repeats(name.to_owned()));
        }
        if phase.drill.block_s().is_some() {
            levers.push(Lever::Length(name.to_owned()));
        }
    }
    let references = trials.bench.references.len();
    levers.extend((0..references).map(Lever::Reference));
    if references > 1 {
        levers.push(Lever::References);
    }
    levers.push(Lever::Limits(shows_in.to_vec()));
    levers
}

struct Solver<'a, G, D> {
    trials: &'a Trials<'a>,
    fault: &'a Fault,
    go_on: &'a G,
    done: &'a D,
}

impl<G: Fn() -> bool + Sync, D: Fn() + Sync> Solver<'_, G, D> {
    fn sessions<const N: usize>(
        &self,
        trials: &Trials,
        faults: &[Option<&Fault>; N],
    ) -> Result<[Vec<JudgedTrial>; N], JudgeError> {
        let mut all = trials.judged(faults, JudgedTrial::of, self.go_on, self.done)?;
        Ok(std::array::from_fn(|n| std::mem::take(&mut all[n])))
    }

    /// `None` where it was interrupted.
    fn solve(&self, lever: Lever, now: TrialShare) -> Result<Option<MovedLever>, JudgeError> {
        let trials = self.trials;
        let at = |times: f64| -> Result<TrialShare, JudgeError> {
            let (protocol, bench) = lever.moved(trials.protocol, &trials.bench, times);
            let [faulty] =
                self.sessions(&Trials { protocol: &protocol, bench, ..trials.clone() }, &[Some(self.fault)])?;
            Ok(failed(&faulty))
        };
        // Of repeats only whole numbers can be ridden.
        let ridden = |times: f64| match lever.whole(trials.protocol) {
            Some(repeats) => (times * f64::from(repeats)).ceil() / f64::from(repeats),
            None => times,
        };
        let (mut low, mut high) = (1.0, ridden(lever.most()));
        let at_most = at(high)?;
        let mut points = vec![(low, now), (high, at_most)];
        if at_most.n > 0 && at_most.value() >= WANTED {
            for _ in 0..STEPS {
                let middle = ridden(f64::sqrt(low * high));
                if middle >= high {
                    break;
                }
                let share = at(middle)?;
                points.push((middle, share));
                if share.n > 0 && share.value() >= WANTED { high = middle } else { low = middle }
            }
        }
        if !(self.go_on)() {
            return Ok(None);
        }
        let mut anew = 0;
        loop {
            points.sort_by(|a, b| a.0.total_cmp(&b.0));
            let Some(found) = threshold(&points, WANTED) else { return Ok(None) };
            let FoundSize::At { size, .. } = found else {
                return Ok(Some(MovedLever { lever, found, at_most, solution: None }));
            };
            anew += 1;
            let Some(solution) = self.ride_anew(&lever, ridden(size), anew)? else { return Ok(None) };
            // Where the curve is flat it crosses anywhere: what other seeds say of the place is part of the curve.
            if solution.failed.value() >= WANTED || anew == ANEW {
                return Ok(Some(MovedLever { lever, found, at_most, solution: Some(solution) }));
            }
            points.push((solution.times, solution.failed));
        }
    }

    fn ride_anew(&self, lever: &Lever, times: f64, anew: u64) -> Result<Option<Solution>, JudgeError> {
        let trials = self.trials;
        let (protocol, bench) = lever.moved(trials.protocol, &trials.bench, times);
        let seed = trials.seed.wrapping_add(anew * FRESH);
        let fresh = Trials { protocol: &protocol, bench: bench.clone(), seed, ..trials.clone() };
        let [sound, faulty] = self.sessions(&fresh, &[None, Some(self.fault)])?;
        let (failed, passed) = (failed(&faulty), share(&sound, Outcome::Pass));
        Ok((self.go_on)().then_some(Solution { times, protocol, bench, failed, passed }))
    }
}
