//! Many rehearsals of a protocol: the same on any machine, and as often found as a plain test says.

use std::path::Path;

use assert_cmd::Command;
use assize::internals::rehearse::{Fault, RehearsalBench, RehearsalPlan, RideHabits, RideSetting, simulate};
use assize::internals::trials::{Trials, judge, ride};
use assize::protocol::{self, Protocol};
use assize::quantity::{Bound, Unit};
use assize::stats::{Sides, clopper_pearson, t_cdf};
use assize::verdict::Outcome;

/// One steady block, and nothing else that could fail.
fn one_block() -> Protocol {
    const TEXT: &str = "assize: 1
title: One block
revision: one
setting: indoor
phases:
  - {phase: warm-up, drill: free, power: at most 150 W, lasts: 3..4 min}
  - {phase: block, drill: steady, power: 250 W, lasts: 4 min, settle: 30 s, checks: {mean_error: within 2 %}}
  - {phase: cool-down, drill: free, power: at most 150 W, lasts: 3..4 min}
";
    protocol::load_bytes(Path::new("one-block.yaml"), TEXT.as_bytes()).unwrap_or_else(|problems| panic!("{problems}"))
}

fn faults(all: &[&str]) -> Vec<Fault> {
    all.iter().map(|text| text.parse().unwrap()).collect()
}

/// A unit without errors of its own, and pedals whose gain is all that is not known of them.
fn gain_alone() -> RehearsalBench {
    let mut bench = RehearsalBench::both();
    bench.references.truncate(1);
    bench.references[0].stated = Bound::single(1.0, Unit::Percent);
    (bench.unit.gain_sd, bench.unit.offset_sd_w) = (0.0, 0.0);
    bench
}

/// Of the first session's block, as its sheet says.
fn standard_uncertainty_pct(trials: &Trials) -> f64 {
    let habits = RideHabits { as_stated: true, ..RideHabits::varied(trials.seed) };
    let plan = RehearsalPlan { bench: trials.bench.clone(), habits, ..RehearsalPlan::new(trials.seed) };
    let rehearsal = simulate(trials.protocol, &plan);
    let verdict = judge(&rehearsal.session, rehearsal.recordings).unwrap().verdict;
    let check = &verdict.phases.iter().find(|phase| phase.phase == "block").unwrap().checks[0];
    check.expanded_uncertainty.unwrap() / check.coverage_factor.unwrap()
}

#[test]
fn a_gain_is_found_as_often_as_a_plain_z_test_says() {
    // One-sided test of a mean with known standard deviation: it fails where e − k·u > L, so with probability
    // Φ((g − L)/u − k). Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.2 (from memory).
    let protocol = one_block();
    let trials =
        Trials { protocol: &protocol, bench: gain_alone(), setting: RideSetting::Resistance, seed: 1, sessions: 150 };
    let sizes = ["gain=2", "gain=2.5", "gain=3", "gain=3.5", "gain=4.5"];
    let points = ride(&trials, &faults(&sizes), || true, || ()).unwrap();
    let u_pct = standard_uncertainty_pct(&trials);
    // The reference's 0.5 %, and what scatters in 210 s.
    assert!((0.5..0.65).contains(&u_pct), "{u_pct}");
    for point in &points[1..] {
        let (size, failed) = (point.fault.as_ref().unwrap().size, point.ending(Outcome::Fail));
        let (low, high) = clopper_pearson(failed.hits, failed.n, 0.999, Sides::Two);
        // What a gain multiplies is uncertain by so much more.
        let power = t_cdf((size - 2.0) / (u_pct * (1.0 + size / 100.0)) - 1.96, f64::INFINITY);
        println!("{size} %: {} of {}, {power:.3} by the test", failed.hits, failed.n);
        assert!(low <= power && power <= high, "{size} %: {failed:?} and {power}");
    }
    assert!(points[0].ending(Outcome::Fail).hits <= 2, "{:?}", points[0].ending(Outcome::Fail));
}

#[test]
fn the_number_of_threads_and_an_early_end_change_no_session() {
    let protocol = one_block();
    let trials = Trials {
        protocol: &protocol,
        bench: RehearsalBench::both(),
        setting: RideSetting::Resistance,
        seed: 7,
        sessions: 6,
    };
    let faults = faults(&["gain=3", "offset=-6"]);
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| ride(&trials, &faults, || true, || ()).unwrap())
    };
    let all = with(1);
    assert_eq!(all, with(3));
    assert_eq!(all.iter().map(|point| point.sessions.len()).collect::<Vec<_>>(), [6, 6, 6]);
    let fewer = ride(&Trials { sessions: 4, ..trials.clone() }, &faults, || true, || ()).unwrap();
    for (few, all) in fewer.iter().zip(&all) {
        assert_eq!(few.sessions, all.sessions[..4]);
    }
    let none = ride(&trials, &faults, || false, || ()).unwrap();
    assert!(none.iter().all(|point| point.sessions.is_empty()));
}

/// Four sprints, one of which may fail.
fn sprints() -> Protocol {
    const TEXT: &str = "assize: 1
title: Sprints
revision: one
setting: indoor
phases:
  - {phase: warm-up, drill: free, power: at most 150 W, lasts: 3..4 min}
  - phase: sprints
    drill: sprint
    repeat: 4
    effort: at least 600 W
    lasts: 6..12 s
    recover: 90..180 s
    checks: {work_error: within 6 %}
    accept: at least 3 of 4
  - {phase: cool-down, drill: free, power: at most 150 W, lasts: 3..4 min}
";
    protocol::load_bytes(Path::new("sprints.yaml"), TEXT.as_bytes()).unwrap_or_else(|problems| panic!("{problems}"))
}

#[test]
fn a_failed_repeat_fails_only_what_does_not_accept_it() {
    let protocol = sprints();
    let trials = Trials {
        protocol: &protocol,
        bench: RehearsalBench::both(),
        setting: RideSetting::Resistance,
        seed: 1,
        sessions: 6,
    };
    let points = ride(&trials, &faults(&["side-short=300@left,1", "side-short=300@left,3"]), || true, || ()).unwrap();
    for judged in points.iter().flat_map(|point| &point.sessions) {
        assert_eq!(judged.outcome == Outcome::Fail, !judged.failed.is_empty(), "{judged:?}");
    }
    let failed = |point: usize| points[point].ending(Outcome::Fail).hits;
    assert!(failed(1) == 0 && failed(2) > 3, "{} and {}", failed(1), failed(2));
}

#[test]
fn counts_are_told_and_written() {
    let folder = tempfile::tempdir().unwrap();
    let (csv, html) = (folder.path().join("trials.csv"), folder.path().join("trials.html"));
    let protocol = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/short-check.yaml");
    let mut assize = Command::cargo_bin("assize").unwrap();
    assize
        .args(["rehearse", "--trials", "4", "--fault", "gain=20", "--fault", "gain=10", "--csv"])
        .arg(&csv)
        .arg("--html")
        .arg(&html)
        .arg(&protocol);
    let told = assize.assert().success().get_output().stdout.clone();
    let told = String::from_utf8(told).unwrap();
    assert!(told.contains("fails in 9 of 10 from less than 10 % on"), "{told}");
    let rows: Vec<csv::StringRecord> = csv::Reader::from_path(&csv).unwrap().records().map(Result::unwrap).collect();
    let of = |row: usize, column: usize| rows[row][column].to_owned();
    assert_eq!((of(0, 0), of(0, 3)), ("sound".to_owned(), "4".to_owned()));
    assert_eq!((of(1, 0), of(1, 1), of(1, 5)), ("gain=20".to_owned(), "20".to_owned(), "4".to_owned()));
    // No failure in four leaves up to 60.2 %: 1 − 0.025^(1/4) (Clopper and Pearson 1934, computed).
    assert_eq!(of(0, 8), "0.6024");
    let page = std::fs::read_to_string(&html).unwrap();
    for word in ["<script", "http:", "https:", "url(", " src=", "NaN"] {
        assert!(!page.contains(word), "{word}");
    }
    for row in &rows[1..] {
        let counts =
            format!("<code>{}</code></th><td>{}</td><td>{}</td><td>{}<small>", &row[0], &row[3], &row[4], &row[5]);
        assert!(page.contains(&counts), "{counts}");
        let drawn = format!(
            "{}\u{a0}%: of {} sessions {} fail, {} stay undecided, named in {}",
            &row[1], &row[3], &row[5], &row[6], &row[10]
        );
        assert!(page.contains(&drawn), "{drawn}");
    }
    let command = "assize rehearse short-check.yaml --trials 4 --bench both --setting resistance --seed 1 --fault gain=20 --fault gain=10";
    assert!(page.contains(command));
}

#[test]
fn trials_write_no_session_and_take_no_mishap() {
    let refused = |args: &[&str]| {
        let mut assize = Command::cargo_bin("assize").unwrap();
        assize.args(["rehearse", "protocols/short-check.yaml", "--trials"]).args(args).assert().code(2);
    };
    refused(&["0"]);
    refused(&["2", "--out", "somewhere"]);
    refused(&["2", "--mishap", "clock-unset"]);
    refused(&["2", "--fault", "gain=2@Q"]);
}
