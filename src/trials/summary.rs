//! What the sessions showed, counted once for every report.

use std::collections::{BTreeMap, BTreeSet};

use super::curve::{FoundSize, TrialShare, WANTED, rising_shares, threshold};
use super::judged::JudgedTrial;
use super::ladder::{FaultLadder, by_ladder};
use super::names::place_of;
use super::ride::{TrialPoint, Trials};
use crate::pattern::Pattern;
use crate::protocol::{Part, Protocol};
use crate::rehearse::Fault;
use crate::verdict::Outcome;

#[derive(Debug, Clone, PartialEq)]
pub struct TrialsSummary {
    pub sessions: SessionsRidden,
    /// In the order in which they were given.
    pub points: Vec<TrialCounts>,
    pub sound: Option<Sound>,
    pub ladders: Vec<Ladder>,
    pub work: Work,
}

/// Sessions of a point: least and most differ, and are fewer than asked, after an early end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SessionsRidden {
    pub least: u64,
    pub most: u64,
}

/// How the sessions of one point ended.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialCounts {
    /// `None`: sound.
    pub fault: Option<Fault>,
    pub pattern: Option<Pattern>,
    pub passed: TrialShare,
    pub failed: TrialShare,
    pub undecided: TrialShare,
    /// By its own pattern; `None` where no pattern stands for the fault.
    pub named: Option<TrialShare>,
}

/// A sound unit, and the checks that it failed or left open, the most frequent first.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    pub counts: TrialCounts,
    pub failed_by: Vec<(String, TrialShare)>,
    pub undecided_by: Vec<(String, TrialShare)>,
}

/// One fault over a range of sizes.
#[derive(Debug, Clone, PartialEq)]
pub struct Ladder {
    /// Of size 0.
    pub fault: Fault,
    pub pattern: Option<Pattern>,
    /// From the least size, whatever its sign.
    pub rungs: Vec<TrialCounts>,
    /// From which size on [`WANTED`] of the sessions fail and are named; `None` without a session.
    pub fails: Option<FoundSize>,
    pub named: Option<FoundSize>,
    /// Rising curves through the shares, one value for each rung; none without a session.
    pub failing: Vec<f64>,
    pub naming: Vec<f64>,
    pub not_passing: Vec<f64>,
    /// For each place of [`Work`]: of this fault's sessions, all sizes together, those that failed by it.
    pub failed_by: Vec<TrialShare>,
}

/// Which phases, contrasts or the whole ride the faults fail by.
#[derive(Debug, Clone, PartialEq)]
pub struct Work {
    /// Failed sessions with a fault.
    pub failed: u64,
    /// Everything that could have failed one; what failed most of them first.
    pub places: Vec<FailingPlace>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct FailingPlace {
    /// As [`place_of`] says it.
    pub name: String,
    /// Of the failed sessions, those that failed by it.
    pub found: TrialShare,
    /// Of the failed sessions, those that failed by nothing else.
    pub alone: TrialShare,
}

impl TrialsSummary {
    pub fn of(trials: &Trials, points: &[TrialPoint]) -> Self {
        let ridden = || points.iter().map(|point| point.sessions.len() as u64);
        let work = Work::of(trials.protocol, points);
        let faulty = points.iter().enumerate().filter_map(|(place, point)| Some((place, point.fault.clone()?)));
        let ladder = |of: FaultLadder| {
            let rungs: Vec<&TrialPoint> = of.sizes.iter().map(|size| &points[size.place]).collect();
            Ladder::of(of.fault, &rungs, &work)
        };
        Self {
            sessions: SessionsRidden { least: ridden().min().unwrap_or(0), most: ridden().max().unwrap_or(0) },
            points: points.iter().map(TrialCounts::of).collect(),
            sound: points.iter().find(|point| point.fault.is_none()).map(Sound::of),
            ladders: by_ladder(faulty).into_iter().map(ladder).collect(),
            work,
        }
    }
}

impl TrialCounts {
    fn of(point: &TrialPoint) -> Self {
        Self {
            fault: point.fault.clone(),
            pattern: point.pattern,
            passed: point.ending(Outcome::Pass),
            failed: point.ending(Outcome::Fail),
            undecided: point.ending(Outcome::Undecided),
            named: point.named(),
        }
    }

    /// Without its sign; 0 of a sound unit.
    pub fn size(&self) -> f64 {
        self.fault.as_ref().map_or(0.0, |fault| fault.size.abs())
    }

    pub fn not_passed(&self) -> TrialShare {
        TrialShare { hits: self.passed.n - self.passed.hits, ..self.passed }
    }
}

impl Sound {
    fn of(point: &TrialPoint) -> Self {
        let by = |which: fn(&JudgedTrial) -> &BTreeSet<String>| {
            let mut by: BTreeMap<&str, u64> = BTreeMap::new();
            point.sessions.iter().flat_map(which).for_each(|check| *by.entry(check).or_default() += 1);
            let n = point.sessions.len() as u64;
            let mut by: Vec<_> =
                by.into_iter().map(|(check, hits)| (check.to_owned(), TrialShare { hits, n })).collect();
            by.sort_by_key(|(_, share)| std::cmp::Reverse(share.hits));
            by
        };
        Self {
            counts: TrialCounts::of(point),
            failed_by: by(|judged| &judged.failed),
            undecided_by: by(|j| &j.undecided),
        }
    }
}

impl Ladder {
    fn of(fault: Fault, points: &[&TrialPoint], work: &Work) -> Self {
        let rungs: Vec<TrialCounts> = points.iter().map(|point| TrialCounts::of(point)).collect();
        let of = |share: fn(&TrialCounts) -> Option<TrialShare>| -> Vec<(f64, TrialShare)> {
            rungs.iter().filter_map(|rung| Some((rung.size(), share(rung)?))).collect()
        };
        let (failed, named) = (of(|rung| Some(rung.failed)), of(|rung| rung.named));
        let by = |place: &FailingPlace| TrialShare {
            hits: points.iter().map(|point| point.share(|judged| judged.failed_by(&place.name)).hits).sum(),
            n: points.iter().map(|point| point.sessions.len() as u64).sum(),
        };
        Self {
            fault,
            pattern: points.first().and_then(|point| point.pattern),
            fails: threshold(&failed, WANTED),
            named: threshold(&named, WANTED),
            failing: rising_shares(&failed),
            naming: rising_shares(&named),
            not_passing: rising_shares(&of(|rung| Some(rung.not_passed()))),
            failed_by: work.places.iter().map(by).collect(),
            rungs,
        }
    }
}

impl Work {
    fn of(protocol: &Protocol, points: &[TrialPoint]) -> Self {
        let faulty: Vec<&JudgedTrial> = points.iter().filter(|p| p.fault.is_some()).flat_map(|p| &p.sessions).collect();
        let failed = faulty.iter().filter(|judged| judged.outcome == Outcome::Fail).count() as u64;
        let count = |of: &dyn Fn(&JudgedTrial) -> bool| TrialShare {
            hits: faulty.iter().filter(|judged| of(judged)).count() as u64,
            n: failed,
        };
        let mut names = judging(protocol);
        for place in faulty.iter().flat_map(|judged| &judged.failed).map(|check| place_of(check)) {
            if !names.iter().any(|name| name == place) {
                names.push(place.to_owned());
            }
        }
        let place = |name: String| FailingPlace {
            found: count(&|judged| judged.failed_by(&name)),
            alone: count(&|judged| judged.failed_only_by(&name)),
            name,
        };
        let mut places: Vec<FailingPlace> = names.into_iter().map(place).collect();
        places.sort_by_key(|place| std::cmp::Reverse(place.found.hits));
        Self { failed, places }
    }
}

/// Places with a check that the verdict asks for, in the order of the protocol.
fn judging(protocol: &Protocol) -> Vec<String> {
    let phases = protocol.phases.iter().filter(|phase| phase.part != Part::Advisory);
    let phases = phases.filter(|phase| phase.checks.iter().any(|check| !check.advisory));
    let contrasts = protocol.contrasts.iter().filter(|contrast| !contrast.advisory);
    let mut names: Vec<String> = vec![];
    for name in phases.map(|phase| &phase.id.name).chain(contrasts.map(|contrast| &contrast.name)) {
        if !names.contains(name) {
            names.push(name.clone());
        }
    }
    if protocol.whole_ride.iter().any(|check| !check.advisory) {
        names.push("whole ride".to_owned());
    }
    names
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearse::{RehearsalBench, RideSetting};

    const PROTOCOL: &str = "assize: 1
title: Three phases
revision: one
phases:
  - {phase: easy, drill: free, lasts: 3..4 min}
  - {phase: low, drill: steady, power: 150 W, lasts: 4 min, checks: {mean_error: within 2 %}}
  - {phase: high, drill: steady, power: 250 W, lasts: 4 min, checks: {mean_error: within 2 %}}
  - {phase: aside, drill: steady, power: 200 W, lasts: 4 min, advisory: true, checks: {mean_error: within 2 %}}
whole_ride: {spike: at most 100 W}
";

    fn judged(failed: &[&str]) -> JudgedTrial {
        let failed: BTreeSet<String> = failed.iter().map(|check| (*check).to_owned()).collect();
        let outcome = if failed.is_empty() { Outcome::Pass } else { Outcome::Fail };
        let (failed_at, undecided) = (BTreeSet::new(), BTreeSet::new());
        JudgedTrial { outcome, failed, failed_at, undecided, named: BTreeSet::from([Pattern::Gain]) }
    }

    #[test]
    fn work_is_counted_by_place_and_what_never_failed_is_there_too() {
        let protocol = crate::protocol::load_bytes("p.yaml".as_ref(), PROTOCOL.as_bytes()).unwrap();
        let trials = Trials {
            protocol: &protocol,
            bench: RehearsalBench::both(),
            setting: RideSetting::Resistance,
            seed: 1,
            sessions: 3,
        };
        let (low, high) = ("low mean_error", "high mean_error");
        let faulty = vec![judged(&[high]), judged(&[high, low, "high dropout_time"]), judged(&[])];
        let points = [
            TrialPoint { fault: None, pattern: None, sessions: vec![judged(&[low]), judged(&[]), judged(&[low])] },
            TrialPoint { fault: Some("gain=-2".parse().unwrap()), pattern: Some(Pattern::Gain), sessions: faulty },
        ];
        let summary = TrialsSummary::of(&trials, &points);
        let share = |hits, n| TrialShare { hits, n };
        let place = |name: &str, found, alone| FailingPlace {
            name: name.to_owned(),
            found: share(found, 2),
            alone: share(alone, 2),
        };
        assert_eq!(summary.work.places, [place("high", 2, 1), place("low", 1, 0), place("whole ride", 0, 0)]);
        assert_eq!(summary.sound.as_ref().unwrap().failed_by, [(low.to_owned(), share(2, 3))]);
        let ladder = &summary.ladders[0];
        assert_eq!(ladder.failed_by, [share(2, 3), share(1, 3), share(0, 3)]);
        assert_eq!(
            (ladder.rungs[0].size(), ladder.rungs[0].not_passed(), ladder.rungs[0].named),
            (2.0, share(2, 3), Some(share(3, 3)))
        );
        assert_eq!((ladder.fails, ladder.named), (Some(FoundSize::Above(2.0)), Some(FoundSize::Below(2.0))));
        assert_eq!((ladder.failing.clone(), ladder.naming.clone()), (vec![2.0 / 3.0], vec![1.0]));
    }
}
