//! What a protocol can find, before anybody rides it: limits out of reach, repeats that are too few, advice in numbers.

use std::path::Path;

use assert_cmd::Command;
use assize::internals::rehearse::{RehearsalBench, RehearsalPlan, RideHabits, RideSetting, record};
use assize::internals::trials::{FoundSize, Lever, Trials, advise, judge, ride, spare};
use assize::protocol::{self, Protocol};
use assize::quantity::{Bound, Unit};
use assize::stats::{Sides, clopper_pearson, t_cdf};
use assize::verdict::Outcome;

fn load(text: &str) -> Protocol {
    protocol::load_bytes(Path::new("planned.yaml"), text.as_bytes()).unwrap_or_else(|problems| panic!("{problems}"))
}

fn checked(text: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("planned.yaml");
    std::fs::write(&file, text).unwrap();
    let told =
        Command::cargo_bin("assize").unwrap().arg("check").arg(file).assert().success().get_output().stdout.clone();
    String::from_utf8(told).unwrap()
}

const BLOCK: &str = "assize: 1
title: One block
revision: one
phases:
  - {phase: warm-up, drill: free, power: at most 150 W, lasts: 3..4 min}
  - {phase: block, drill: steady, power: 250 W, lasts: 4 min, settle: 30 s, checks: {mean_error: within LIMIT}}
  - {phase: cool-down, drill: free, power: at most 150 W, lasts: 3..4 min}
";

#[test]
fn a_limit_less_than_the_uncertainty_reached_is_warned_of_with_both() {
    // Pedals of ±1 %: no block is more certain than that.
    let told = checked(&BLOCK.replace("LIMIT", "0.6 %"));
    assert!(told.contains("warning: block mean_error: `within 0.6 %` (0.6 % at block) is less than"), "{told}");
    assert!(told.contains("no unit can pass"), "{told}");
    let reached: f64 = told.split('±').nth(2).unwrap().split(' ').next().unwrap().parse().unwrap();
    assert!((1.0..1.4).contains(&reached), "{told}");
    let told = checked(&BLOCK.replace("LIMIT", "3 %"));
    assert!(told.contains("each limit leaves room"), "{told}");
    assert!(!told.contains("warning"), "{told}");
}

#[test]
fn a_fault_rate_that_the_repeats_cannot_show_is_warned_of() {
    // No fault in n shows, at 95 % confidence, a rate below 1 − 0.05^(1/n); the sample sizes without failure of
    // success-run tables: 59 for 5 %, 29 for 10 %, 14 for 20 % (standard figures, from memory).
    for (rate, clean) in [(5, 59), (10, 29), (20, 14)] {
        for (repeats, warns) in [(clean - 1, true), (clean, false)] {
            let told = checked(&sprints(repeats, rate));
            assert!(told.contains(&format!("takes {clean} repeats without a fault")), "{told}");
            assert_eq!(told.contains("warning: sprints: `fault rate"), warns, "{told}");
            // The rule itself: the one-sided limit that the sheet decides by.
            let limit = clopper_pearson(0, repeats, 0.95, Sides::Upper).1;
            assert_eq!(limit >= f64::from(rate) / 100.0, warns, "{limit}");
        }
    }
}

fn sprints(repeats: u64, rate: u32) -> String {
    format!(
        "assize: 1
title: Sprints
revision: one
phases:
  - phase: sprints
    drill: sprint
    repeat: {repeats}
    effort: at least 600 W
    lasts: 6..8 s
    recover: 30..40 s
    checks: {{work_error: within 8 %}}
    accept: fault rate below {rate} %
"
    )
}

/// Pedals whose gain is all that is not known of them, and a unit without errors of its own.
fn gain_alone() -> RehearsalBench {
    let mut bench = RehearsalBench::both();
    bench.references.truncate(1);
    bench.references[0].stated = Bound::single(1.0, Unit::Percent);
    (bench.unit.gain_sd, bench.unit.offset_sd_w) = (0.0, 0.0);
    bench
}

/// Standard uncertainty of a sound session's block, and its coverage factor, as the sheet says.
fn block_pct(trials: &Trials, seed: u64) -> (f64, f64) {
    let habits = RideHabits { as_stated: true, ..RideHabits::varied(seed) };
    let (session, recordings) =
        record(trials.protocol, &RehearsalPlan { bench: trials.bench.clone(), habits, ..RehearsalPlan::new(seed) });
    let verdict = judge(&session, recordings).unwrap().verdict;
    let check = &verdict.phases.iter().find(|phase| phase.phase == "block").unwrap().checks[0];
    let k = check.coverage_factor.unwrap();
    (check.expanded_uncertainty.unwrap() / k, k)
}

#[test]
fn the_reference_that_a_fault_needs_is_the_one_that_a_plain_test_asks_for() {
    // One-sided test of a mean with known standard deviation: a gain g fails with probability Φ((g − L)/u − k). Source:
    // NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.2 (from memory). The reference's part of u is half of what it
    // states; the rest differs from rider to rider and is taken from the sheet.
    let protocol = load(&BLOCK.replace("LIMIT", "2 %"));
    let bench = gain_alone();
    let trials = Trials { protocol: &protocol, bench, setting: RideSetting::Resistance, seed: 31, sessions: 120 };
    let advice = advise(&trials, &"gain=3.4".parse().unwrap(), || true, || ()).unwrap();
    assert_eq!(advice.shows_in, ["block mean_error"]);
    let moved = advice.levers.iter().find(|moved| moved.lever == Lever::Reference(0)).unwrap();
    let FoundSize::At { low: Some(low), high: Some(high), .. } = moved.found else { panic!("{moved:?}") };
    let budgets: Vec<(f64, f64)> = (1..=40).map(|seed| block_pct(&trials, seed)).collect();
    let power = |times: f64| {
        let one = |&(u_pct, k): &(f64, f64)| {
            let u_pct = (u_pct.powi(2) - 0.5_f64.powi(2) + (0.5 / times).powi(2)).sqrt();
            t_cdf((3.4 - 2.0) / 1.034 / u_pct - k, f64::INFINITY)
        };
        budgets.iter().map(one).sum::<f64>() / budgets.len() as f64
    };
    println!("{low} to {high}; by a plain test {:.3} at the one, {:.3} at the other", power(low), power(high));
    assert!(power(low) < 0.9 && power(high) > 0.9, "{low} to {high}");
    let solution = moved.solution.as_ref().unwrap();
    let (_, most) = solution.failed.interval();
    assert!(most >= 0.9, "{:?}", solution.failed);
    // Nothing that is ridden longer makes the reference better.
    let longer = advice.levers.iter().find(|moved| matches!(moved.lever, Lever::Length(_))).unwrap();
    assert!(matches!(longer.found, FoundSize::Above(_)), "{longer:?}");
}

#[test]
fn what_no_fault_needed_is_spared_and_what_one_needed_is_not() {
    let text = BLOCK.replace("within LIMIT}}", "within 3 %, left_error: within 30 %}}\n  - {phase: easy, drill: steady, power: 180 W, lasts: 2 min, checks: {mean_error: within 30 %}}");
    let protocol = load(&text);
    let trials = Trials {
        protocol: &protocol,
        bench: RehearsalBench::both(),
        setting: RideSetting::Resistance,
        seed: 5,
        sessions: 12,
    };
    let points = ride(&trials, &["gain=8".parse().unwrap()], || true, || ()).unwrap();
    assert_eq!(points[1].ending(Outcome::Fail).hits, 12);
    let spare = spare(&trials, &points, || true, || ()).unwrap();
    assert_eq!(spare.phases.iter().map(|tried| tried.phase.as_str()).collect::<Vec<_>>(), ["easy"]);
    assert!(spare.phases[0].goes(), "{:?}", spare.phases);
    assert_eq!(
        (&spare.needed[..], &spare.checks[..]),
        (&["block".to_owned()][..], &["block left_error".to_owned()][..])
    );
    let left: Vec<String> = spare.protocol.phases.iter().map(|phase| phase.id.to_string()).collect();
    assert_eq!(left, ["warm-up", "block", "cool-down"]);
}

#[test]
fn advice_is_told_with_numbers_in_the_terminal_and_on_the_page() {
    let folder = tempfile::tempdir().unwrap();
    let (file, page) = (folder.path().join("planned.yaml"), folder.path().join("page.html"));
    std::fs::write(&file, BLOCK.replace("LIMIT", "2 %")).unwrap();
    let mut assize = Command::cargo_bin("assize").unwrap();
    assize.arg("rehearse").arg(&file).args(["--trials", "12", "--bench", "pedals", "--want", "gain=3.6", "--spare"]);
    assize.args(["--fault", "gain=8", "--html"]).arg(&page);
    let told = String::from_utf8(assize.assert().success().get_output().stdout.clone()).unwrap();
    let page = std::fs::read_to_string(page).unwrap();
    for said in
        ["it shows in block mean_error.", "A better pedal pair P", "in place of 4 min", "Narrower limits: block"]
    {
        assert!(told.contains(said), "{said}: {told}");
    }
    for said in ["A better pedal pair P", "Needed, as some sessions fail by nothing else: block."] {
        assert!(told.contains(said) && page.contains(said), "{said}: {told}");
    }
}
