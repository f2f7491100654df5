//! The worked examples in demo-data: each session's verdict is as its scenario says, and the folders stay small.

use std::path::{Path, PathBuf};

use assize::internals::compare::{Grouping, VerdictFile, compare};
use assize::verdict::{Outcome, Verdict};
use assize::{judge, session};

fn demo_data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data")
}

/// Verdicts of a folder of sessions, by name.
fn verdicts(folder: &str) -> Vec<(String, Verdict)> {
    let mut folders: Vec<PathBuf> = std::fs::read_dir(demo_data().join(folder))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_dir())
        .collect();
    folders.sort();
    let judged = |folder: &PathBuf| {
        let session = session::load(&folder.join("session.yaml")).unwrap_or_else(|problems| panic!("{problems}"));
        let name = folder.file_name().unwrap().to_string_lossy().into_owned();
        (name, judge(&session).unwrap().remove(0).verdict)
    };
    folders.iter().map(judged).collect()
}

fn patterns(verdict: &Verdict) -> Vec<&str> {
    verdict.diagnosis.iter().map(|finding| finding.pattern.as_str()).collect()
}

#[test]
fn of_five_specimens_the_bad_one_fails_every_time_and_is_named() {
    let verdicts = verdicts("five-specimens");
    assert_eq!(verdicts.len(), 12);
    let mut by_specimen = std::collections::BTreeMap::<String, Vec<Outcome>>::new();
    for (name, verdict) in &verdicts {
        let (specimen, day) = name.split_once('-').unwrap();
        assert_eq!(verdict.unit.label, format!("unit {specimen}"));
        assert_eq!(verdict.session.start.format("%Y-%m-%d").to_string(), day);
        by_specimen.entry(specimen.to_owned()).or_default().push(verdict.verdict.unwrap());
        if specimen == "034" {
            assert_eq!((verdict.verdict, patterns(verdict)), (Some(Outcome::Fail), vec!["gain"]), "{name}");
            // As it was made: 6 % low, and half a per cent of its own.
            let gain = &verdict.diagnosis[0];
            assert!((gain.size + 6.5).abs() <= gain.expanded_uncertainty.unwrap(), "{gain:?}");
        } else {
            assert!(matches!(verdict.verdict, Some(Outcome::Pass | Outcome::Undecided)), "{name}");
            assert!(verdict.diagnosis.is_empty(), "{name}: {:?}", patterns(verdict));
        }
    }
    assert_eq!(by_specimen.len(), 5);
    // Sessions and specimens can be told apart, and each was ridden by both testers.
    assert!(by_specimen.values().all(|sessions| sessions.len() >= 2));
    for specimen in by_specimen.keys() {
        let by = |tester: &str| {
            let of = |(name, verdict): &(String, Verdict)| {
                name.starts_with(specimen.as_str()) && verdict.session.tester.as_deref() == Some(tester)
            };
            verdicts.iter().any(of)
        };
        assert!(by("tester A") && by("tester B"), "{specimen}");
    }
    let passed = by_specimen.iter().filter(|(_, outcomes)| outcomes.contains(&Outcome::Pass)).count();
    assert_eq!(passed, 4);
}

#[test]
fn a_firmware_mends_the_late_restart_and_nothing_else_changes() {
    let verdicts = verdicts("firmware");
    assert_eq!(verdicts.len(), 6);
    for (name, verdict) in &verdicts {
        let late = verdict.repeats.iter().flat_map(|r| &r.checks).find(|c| c.measure == "onset_lag").unwrap();
        let (lag_s, expanded_s) = (late.value.unwrap(), late.expanded_uncertainty.unwrap());
        let truth_s = match verdict.unit.firmware.as_deref() {
            Some("1.80") => {
                assert_eq!((verdict.verdict, patterns(verdict)), (Some(Outcome::Fail), vec!["late-restart"]), "{name}");
                3.0
            }
            Some("1.90") => {
                assert_eq!((verdict.verdict, patterns(verdict).len()), (Some(Outcome::Pass), 0), "{name}");
                0.0
            }
            other => panic!("{name}: {other:?}"),
        };
        assert!((lag_s - truth_s).abs() <= expanded_s, "{name}: {lag_s} ± {expanded_s}");
        assert!(verdict.rings.iter().all(|ring| ring.error_pct.abs() < 1.0), "{name}");
        assert!(verdict.checks().filter(|c| c.check.verdict == Outcome::Fail).all(|c| c.check.measure == "onset_lag"));
    }
    let with = |firmware: &str| verdicts.iter().filter(|(_, v)| v.unit.firmware.as_deref() == Some(firmware)).count();
    assert_eq!((with("1.80"), with("1.90")), (3, 3));
}

/// What a season of them answers: the restart came 3 s earlier with the new firmware, and nothing else is said to have changed.
#[test]
fn side_by_side_the_firmware_changed_the_restart_and_nothing_else() {
    let given = verdicts("firmware").into_iter().map(|(file, verdict)| VerdictFile { file, verdict });
    let comparison = compare(given.collect(), Grouping::Firmware).unwrap();
    let firmware = comparison.questions.iter().find(|q| q.key == "firmware").unwrap();
    let changed: Vec<_> = firmware.answers.iter().filter(|a| a.says.starts_with("It changed")).collect();
    assert_eq!(changed.len(), 1, "{:#?}", firmware.answers);
    assert!(changed[0].of.contains("onset lag"), "{}", changed[0].of);
    let difference = &changed[0].figures[0];
    assert!(difference.low.unwrap() <= -3.0 && -3.0 <= difference.high.unwrap(), "{difference:?}");
}

#[test]
fn all_demo_data_is_small() {
    fn bytes(folder: &Path) -> u64 {
        let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
        // Reports are made by whoever judges and are not committed.
        let report = |path: &Path| {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            name.starts_with("verdict") || name.starts_with("sheet")
        };
        let size = |path: PathBuf| if path.is_dir() { bytes(&path) } else { path.metadata().unwrap().len() };
        entries.filter(|path| path.is_dir() || !report(path)).map(size).sum()
    }
    assert!(bytes(&demo_data()) < 2_000_000);
}
