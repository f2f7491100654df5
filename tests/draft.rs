//! `assize draft`: recordings in, a session file out that lacks only what a person knows.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use assize::internals::rehearse::{self, RehearsalPlan, simulate};
use assize::recording::{self, Sensor};
use assize::{protocol, session};
use proptest::prelude::*;

const FILES: [&str; 3] = ["unit-017.fit", "pedals-p.fit", "trainer-t.fit"];

fn short_check() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/short-check.yaml")
}

/// A rehearsal of the short protocol in a folder of its own, without its session file.
fn rehearsed(seed: u64, fault: Option<&str>) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let protocol = protocol::load(&short_check(), None).unwrap();
    let plan = RehearsalPlan {
        faults: fault.iter().map(|fault| fault.parse().unwrap()).collect(),
        ..RehearsalPlan::new(seed)
    };
    rehearse::write(&simulate(&protocol, &plan), dir.path()).unwrap();
    std::fs::remove_file(dir.path().join("session.yaml")).unwrap();
    dir
}

fn draft(dir: &Path, files: &[&str], arguments: &[&str]) -> std::process::Output {
    let mut command = Command::cargo_bin("assize").unwrap();
    command.current_dir(dir).arg("draft").args(files).args(arguments).output().unwrap()
}

/// What a tester would type for each `?`.
fn filled(draft: &str) -> String {
    let mut recording = String::new();
    let fill = |line: &str| {
        if line.trim_start().starts_with("recording: ") {
            recording = line.to_owned();
        }
        let Some((key, _)) = line.split_once(": ?  # ") else { return line.to_owned() };
        let pedals = recording.contains("pedals");
        let value = match key.trim_start_matches([' ', '-']) {
            "label" => "unit 017",
            "located" if recording.contains("trainer") => "hub",
            "located" if pedals => "pedals",
            "located" => "spindle",
            "sides" => "total",
            "claimed" | "uncertainty" => "1.5 % or 3 W",
            "chainrings" => "[52, 36]",
            "cassette" => "[11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28, 30]",
            "wheel" => "2105 mm",
            "temperature" => "19 °C",
            "crank_length" => "172.5 mm",
            "zero_before" | "zero_after" => "12",
            "tester" => "tester A",
            "place" => "north bench",
            other => panic!("`{other}` is asked for"),
        };
        format!("{key}: {value}")
    };
    draft.lines().map(fill).map(|line| line + "\n").collect()
}

fn load(dir: &Path, text: &str) -> session::Session {
    let file = dir.join("filled.yaml");
    std::fs::write(&file, text).unwrap();
    session::load(&file).unwrap_or_else(|problems| panic!("{problems}\n{text}"))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, ..ProptestConfig::default() })]
    #[test]
    fn a_draft_whose_question_marks_are_filled_in_is_judged(
        seed in 0..1000_u64,
        fault in proptest::sample::select(vec!["gain=3", "clock-set=40", "doubled-side=left", "radio-dropout=0.05"]),
    ) {
        let dir = rehearsed(seed, Some(fault));
        let output = draft(dir.path(), &FILES, &["--protocol", short_check().to_str().unwrap()]);
        prop_assert!(output.status.success() && output.stderr.is_empty(), "{:?}", output);
        let text = String::from_utf8(output.stdout).unwrap();
        std::fs::write(dir.path().join("draft.yaml"), &text).unwrap();
        let problems = session::load(&dir.path().join("draft.yaml")).unwrap_err();
        prop_assert!(problems.iter().all(|p| p.message == "nobody has filled this in"), "{}", problems);

        let session = load(dir.path(), &filled(&text));
        let labels = session.references.iter().map(|r| r.instrument.label.as_str()).collect::<Vec<_>>();
        prop_assert_eq!(&session.units[0].instrument.label, "unit 17");
        prop_assert_eq!(labels, ["reference 2001", "reference 3001"]);
        let judgement = assize::judge(&session).unwrap().remove(0);
        prop_assert!(judgement.verdict.verdict.is_some());
        prop_assert!(judgement.verdict.phases.iter().any(|phase| !phase.checks.is_empty()));
    }
}

proptest! {
    #[test]
    fn whatever_a_device_calls_itself_reads_back_from_the_draft(
        name in "\\PC{0,20}|[\\x00-\\u{2fff}]{0,20}|[?: #\"'\\\\\\n{}\\[\\]&*!|>%@`,-]{0,12}",
    ) {
        let dir = tempfile::tempdir().unwrap();
        let recording = |file: &str, power_w: u32| {
            let table = format!("time,power\n1800000000,{power_w}\n1800000001,201\n");
            let file = dir.path().join(file);
            std::fs::write(&file, &table).unwrap();
            recording::read(&file).unwrap()
        };
        let mut unit = recording("unit.csv", 200);
        let (kind, named) = (Some("bike power".to_owned()), Some(name.clone()));
        unit.sensors = vec![Sensor { kind, serial: named.clone(), firmware: named, ..Sensor::default() }];
        let draft = session::draft(&[unit, recording("other.csv", 199)], None, dir.path(), &[]).unwrap();
        let without_protocol: Vec<&str> = draft.text.lines().filter(|line| !line.starts_with("protocol: ?")).collect();
        let session = load(dir.path(), &filled(&without_protocol.join("\n")));

        // Control characters and marks that turn the direction of writing are shown as one sign.
        let unseen = |c: char| c.is_control() || "\u{200e}\u{200f}\u{2028}\u{2029}\u{202a}\u{202b}\u{202c}\u{202d}\u{202e}\u{2066}\u{2067}\u{2068}\u{2069}".contains(c);
        let shown: String = name.trim().chars().map(|c| if unseen(c) || "\u{feff}\u{fffe}\u{ffff}".contains(c) { '\u{fffd}' } else { c }).collect();
        let unit = &session.units[0].instrument;
        prop_assert_eq!(&unit.label, &format!("unit {shown}").trim().to_owned());
        prop_assert_eq!(unit.firmware.clone(), Some(shown).filter(|s| !["", "?", "？"].contains(&s.as_str())));
    }
}

#[test]
fn a_session_that_is_there_is_kept_unless_told_otherwise_and_a_recording_always() {
    let dir = rehearsed(1, None);
    let message = |output: &std::process::Output| String::from_utf8(output.stderr.clone()).unwrap();
    let first = draft(dir.path(), &FILES, &["--out", "session.yaml"]);
    let told = String::from_utf8(first.stdout).unwrap();
    assert!(told.starts_with("wrote session.yaml: ") && told.contains("`?` to fill in"), "{told}");
    std::fs::write(dir.path().join("session.yaml"), "filled in").unwrap();
    let second = draft(dir.path(), &FILES, &["--out", "session.yaml"]);
    assert_eq!(second.status.code(), Some(2));
    assert!(message(&second).contains("is there already"), "{}", message(&second));
    assert_eq!(std::fs::read_to_string(dir.path().join("session.yaml")).unwrap(), "filled in");
    assert!(draft(dir.path(), &FILES, &["--out", "session.yaml", "--force"]).status.success());
    assert!(std::fs::read_to_string(dir.path().join("session.yaml")).unwrap().contains("assize_session: 1"));
    let third = draft(dir.path(), &FILES, &["--out", "./unit-017.fit", "--force"]);
    assert!(message(&third).contains("is read by this command"), "{}", message(&third));
}

#[test]
fn a_file_that_cannot_be_read_does_not_keep_the_others_from_being_drafted() {
    let dir = rehearsed(1, None);
    let output = draft(dir.path(), &["unit-017.fit", "pedals-p.fit", "nowhere.fit"], &[]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8(output.stderr).unwrap().contains("nowhere.fit: no such file"));
    assert!(String::from_utf8(output.stdout).unwrap().contains("recording: \"pedals-p.fit\""));
    let nothing = draft(dir.path(), &["nowhere.fit"], &[]);
    assert!(String::from_utf8(nothing.stderr).unwrap().contains("no session to draft"));
    // A folder below finds the recordings above it.
    std::fs::create_dir(dir.path().join("sessions")).unwrap();
    assert!(draft(dir.path(), &FILES, &["--out", "sessions/a.yaml"]).status.success());
    let text = std::fs::read_to_string(dir.path().join("sessions/a.yaml")).unwrap();
    assert!(text.contains("recording: \"../unit-017.fit\""), "{text}");
}
