//! What the sheet says where fewer references were ridden than a protocol asks for, or none that serves its checks.

use crate::common;
use assize::internals::rehearse::{BENCHES, RehearsalPlan, simulate};
use assize::judge::Judgement;
use assize::verdict::{CheckVerdict, Outcome};

const FULL: &str = "bench-both-rings.yaml";
const SINGLE: &str = "single-sided.yaml";

/// What the sheet says of missing references, and whether each check's own reason agrees.
fn said(protocol: &str, word: &str) -> (String, Judgement) {
    let bench = (BENCHES.iter().find(|kind| kind.word == word).unwrap().bench)();
    let judgement =
        common::judge(&simulate(&common::shipped(protocol), &RehearsalPlan { bench, ..RehearsalPlan::new(3) }));
    let all = &judgement.verdict.deviations;
    (all.iter().find(|d| d.contains("reference")).cloned().unwrap_or_default(), judgement)
}

#[test]
fn one_reference_alone_is_told_with_what_changes() {
    let two = common::rehearse_and_judge(&common::shipped(FULL), 3, &[]).verdict;
    assert!(two.deviations.iter().all(|d| !d.contains("reference")), "{:?}", two.deviations);
    let (pedals, _) = said(FULL, "pedals");
    assert_eq!(
        pedals,
        "The protocol asks for 2 references and only pedal pair P was ridden: where it is off the unit looks off, so errors \
         of level rest on what it states of itself. It serves every check that is asked for."
    );
    let (trainer, judgement) = said(FULL, "trainer");
    assert_eq!(
        trainer,
        "The protocol asks for 2 references and only trainer T was ridden: where it is off the unit looks off, so errors of \
         level rest on what it states of itself. The chain lies between it and the unit, so the chain's loss (2.3 % ± 1.0 %) \
         enters them too. No reference here can decide peak error, right error and left error of standing-sprints, \
         coast-and-restart and mean error of soft-pedalling, so the session can't pass."
    );
    assert_eq!(judgement.verdict.verdict, Some(Outcome::Undecided));
}

/// The sentence names exactly what the scorer leaves undecided for want of a reference.
#[test]
fn the_sheet_names_what_no_reference_serves() {
    for (protocol, word) in [(FULL, "trainer"), ("short-check.yaml", "trainer"), (SINGLE, "trainer"), (FULL, "pedals")]
    {
        let (said, judgement) = said(protocol, word);
        for phase in judgement.verdict.phases.iter().filter(|p| p.required && p.matched.is_some()) {
            let name = phase.phase.split('[').next().unwrap();
            let lacks = |c: &&CheckVerdict| {
                let reason = c.reason.as_deref().unwrap_or_default();
                // In a sprint a side is told against the unit's own balance, and decides nothing.
                reason.contains("no reference")
                    || (!c.required && c.measure.ends_with("t_error") && phase.drill == "sprint")
            };
            let lacking = phase.checks.iter().find(lacks);
            assert_eq!(lacking.is_some(), said.contains(name), "{protocol} {word} {name}: {said}");
        }
    }
}
