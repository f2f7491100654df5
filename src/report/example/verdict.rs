//! The verdict put together by hand.

use super::checks::{InventedLimit, check};
use super::facts;
use super::phases::repeat;
use crate::ride::Ride;
use crate::verdict::{CheckVerdict, Counts, Finding, Outcome, PhaseVerdict, PremiseFacts, VERDICT_FORMAT, Verdict};

pub(super) fn verdict(phases: Vec<PhaseVerdict>, ride: &Ride) -> Verdict {
    use Outcome::Fail;
    Verdict {
        assize: "0.1.0".into(),
        verdict_format: VERDICT_FORMAT,
        verdict: Some(Fail),
        sheet_number: "A-7C41-09E2".into(),
        why: vec![
            "The unit reads 4.3 % low on the big ring and true on the small one.".into(),
            "In all six standing sprints it reports too little work, most of it missing on the right side.".into(),
            "After the rider stops it holds its last reading for 3 s, and it returns 2 s late.".into(),
        ],
        scope:
            "These results are about this specimen's readings in the windows that were ridden, and about nothing else."
                .into(),
        protocol: Some(facts::protocol()),
        session: facts::session(ride),
        unit: facts::unit(),
        references: facts::references(),
        rings: facts::rings(),
        counts: counts(&phases),
        recordings: facts::recordings(ride),
        clocks: facts::clocks(),
        repeats: vec![
            repeat(&phases, "standing-sprints", Fail),
            repeat(&phases, "coast-and-restart", Fail),
            repeat(&phases, "soft-pedalling", Fail),
        ],
        phases,
        contrasts: contrasts(),
        whole_ride: whole_ride(),
        reference_comparison: facts::reference_comparison(),
        diagnosis: diagnosis(),
        deviations: vec!["soft-pedalling/4 was not ridden".into()],
        premises: premises(),
        cautions: vec!["unit-017.fit is cut short by 41 bytes".into()],
    }
}

fn counts(phases: &[PhaseVerdict]) -> Counts {
    use Outcome::{Fail, Pass, Undecided};
    let checks = || phases.iter().flat_map(|p| &p.checks);
    let count = |outcome| checks().filter(|c| c.verdict == outcome).count();
    Counts {
        checks_made: count(Pass) + count(Fail) + count(Undecided),
        passed: count(Pass),
        failed: count(Fail),
        undecided: count(Undecided),
        not_ridden: 1,
        not_recorded: 0,
        not_applicable: count(Outcome::NotApplicable),
        surplus: 0,
    }
}

fn contrasts() -> Vec<CheckVerdict> {
    vec![CheckVerdict {
        contrast: Some("ring-shift".into()),
        ..check("mean_error", 4.7, Some(0.62), "%", InventedLimit::within("within 1.5 % or 3 W", 1.7), Outcome::Fail)
    }]
}

fn whole_ride() -> Vec<CheckVerdict> {
    vec![
        check("work_error", -3.1, Some(1.2), "%", InventedLimit::within("within 2 %", 2.0), Outcome::Undecided),
        CheckVerdict {
            required: false,
            ..check("drift_time", 0.4, Some(1.6), "W/h", InventedLimit::within("within 3 W", 3.0), Outcome::Pass)
        },
    ]
}

fn diagnosis() -> Vec<Finding> {
    let finding = |pattern: &str, size, unit: &str, u, says: &str, evidence: &[&str]| Finding {
        pattern: pattern.into(),
        size,
        unit: unit.into(),
        expanded_uncertainty: u,
        says: says.into(),
        evidence: evidence.iter().map(|e| (*e).into()).collect(),
        could_also_be: vec![],
    };
    vec![
        finding(
            "ring-dependent",
            -4.7,
            "%",
            Some(0.62),
            "The big ring reads 4.7 % less than the small one at the same power.",
            &["steady[ring=big, power=240 W]: -10.4 W", "steady[ring=small, power=240 W]: 0.9 W"],
        ),
        finding(
            "side-short-in-sprints",
            -18.0,
            "%",
            Some(3.6),
            "The right side gives 18 % too little work in every sprint.",
            &["standing-sprints/1 to /6: right error -17.8 to -18.0 %"],
        ),
        finding(
            "holds-reading-when-stopped",
            3.1,
            "s",
            Some(0.83),
            "After a stop the unit repeats its last reading for three seconds.",
            &["coast-and-restart/1 to /6"],
        ),
    ]
}

/// Some of each state.
fn premises() -> Vec<PremiseFacts> {
    let fact = |premise: &str, about: &[&str], state: &str, evidence: &str, takes: &str| PremiseFacts {
        premise: premise.to_owned(),
        about: about.iter().map(|of| (*of).to_owned()).collect(),
        state: state.to_owned(),
        evidence: evidence.to_owned(),
        takes: takes.to_owned(),
    };
    vec![
        fact(
            "own recording",
            &["unit 017"],
            "held",
            "unit-017.fit: names serial number 17, as the session does",
            "nothing",
        ),
        fact(
            "firmware",
            &["unit 017"],
            "contradicted",
            "unit 017: the session says firmware 1.79, the recording 1.80, which is used",
            "nothing",
        ),
        fact("protocol ridden", &["Bench trial"], "untested", "not tested by this version", "nothing"),
    ]
}
