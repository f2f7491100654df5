//! What a verdict rests on, tested both ways: a mistake contradicts its premise and takes what the table says; a sound session
//! contradicts none.

use assize::internals::rehearse::{BENCHES, RehearsalPlan, RideSetting, simulate};
use assize::internals::trials;
use assize::premise::{PREMISES, Premise};
use assize::verdict::{Outcome, Verdict};

use crate::common::distortions::{DISTORTIONS, contradicted, distorted};
use crate::common::{self, gate, shipped};

fn judged(distortion: &crate::common::distortions::Distortion, seed: u64) -> Verdict {
    let protocol = common::shipped(distortion.protocol);
    let of = distorted(distortion, &protocol, seed);
    trials::judge(&of.session, of.recordings).unwrap_or_else(|why| panic!("{}: {why}", distortion.word)).verdict
}

#[test]
fn every_mistake_contradicts_its_premise_and_takes_what_the_table_says() {
    for distortion in DISTORTIONS {
        let verdict = judged(distortion, 7);
        let told: Vec<&str> =
            verdict.premises.iter().filter(|p| p.is_contradicted()).map(|p| p.evidence.as_str()).collect();
        if let Some(premise) = distortion.breaks {
            assert!(contradicted(&verdict, premise), "{}: {told:?}", distortion.word);
        }
        let outcome = verdict.verdict.unwrap();
        assert!(distortion.may.contains(&outcome), "{}: {outcome:?}, {:?}, {told:?}", distortion.word, verdict.why);
    }
}

#[test]
fn every_premise_has_a_mistake_that_breaks_it() {
    for row in PREMISES {
        let broken = DISTORTIONS.iter().any(|distortion| distortion.breaks == Some(row.premise));
        // The next stage tests it.
        assert!(broken || row.premise == Premise::ProtocolRidden, "{}", row.word);
    }
}

#[test]
fn a_sound_session_contradicts_nothing() {
    for shipped in shipped::SHIPPED {
        let protocol = common::shipped(shipped.file);
        let bench = BENCHES.iter().find(|kind| kind.word == shipped.bench).map(|kind| (kind.bench)()).unwrap();
        let setting = RideSetting::asked_by(&protocol);
        let plan = RehearsalPlan { bench, setting, ..gate::varied(11, &[]) };
        let rehearsal = simulate(&protocol, &plan);
        let verdict = common::judge(&rehearsal).verdict;
        let told: Vec<String> = verdict
            .premises
            .iter()
            .filter(|p| p.is_contradicted())
            .map(|p| format!("{}: {}", p.premise, p.evidence))
            .collect();
        assert!(told.is_empty(), "{}: {told:?}", shipped.file);
        assert_ne!(verdict.verdict, Some(Outcome::Fail), "{}", shipped.file);
    }
}
