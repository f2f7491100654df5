//! `assize verify`: the same files give the same verdict again; whatever was changed is told.

use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use assize::internals::verify::{
    self, FilesByHash, InputKind, InputPlaces, InputState, Severity, Verification, VerificationResult, VerifyError,
};
use assize::verdict::Verdict;
use assize::verdict::json;
use assize::{judge, protocol, session};
use serde_json::Value;
use tempfile::TempDir;

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// A season's session in a folder of its own, with its protocol and its verdict.
struct Case {
    folder: TempDir,
    verdict: Verdict,
}

impl Case {
    fn new() -> Self {
        Self::with(|_| {})
    }

    /// Judged after `edit` of its session file's text.
    fn with(edit: impl FnOnce(&mut String)) -> Self {
        Self::with_files(|_, text| edit(text))
    }

    /// The same, with the folder of the session.
    fn with_files(edit: impl FnOnce(&Path, &mut String)) -> Self {
        let folder = TempDir::new().unwrap();
        let ride = folder.path().join("ride");
        fs::create_dir_all(&ride).unwrap();
        let demo = project("demo-data/five-specimens/034-2026-06-21");
        for file in ["unit-034.fit", "pedals-p.fit", "session.yaml"] {
            fs::copy(demo.join(file), ride.join(file)).unwrap();
        }
        fs::copy(project("protocols/short-check.yaml"), folder.path().join("short-check.yaml")).unwrap();
        let mut text = fs::read_to_string(ride.join("session.yaml")).unwrap();
        text = text.replace("../../../protocols/short-check.yaml", "../short-check.yaml");
        edit(&ride, &mut text);
        fs::write(ride.join("session.yaml"), text).unwrap();
        let session = session::load(&ride.join("session.yaml")).unwrap_or_else(|problems| panic!("{problems}"));
        let verdict = judge(&session).unwrap().remove(0).verdict;
        fs::write(ride.join("verdict.json"), json::to_string(&verdict)).unwrap();
        Self { folder, verdict }
    }

    fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join("ride").join(name)
    }

    fn places(&self) -> InputPlaces {
        InputPlaces::beside(&self.file("verdict.json"))
    }

    fn again(&self) -> Verification {
        verify::again(&self.verdict, &self.places())
    }

    /// Turns one byte of a file round.
    fn spoil(&self, name: &str, at: usize) {
        let mut bytes = fs::read(self.file(name)).unwrap();
        bytes[at] ^= 0x01;
        fs::write(self.file(name), bytes).unwrap();
    }
}

fn state(again: &Verification, kind: InputKind) -> &InputState {
    &again.inputs.iter().find(|input| input.kind == kind).unwrap().state
}

fn differences(again: &Verification) -> &[verify::Difference] {
    &again.judged.as_ref().unwrap().differences
}

fn assize(arguments: &[&str], folder: &Path) -> (i32, String) {
    let mut command = Command::cargo_bin("assize").unwrap();
    let output = command.args(arguments).current_dir(folder).output().unwrap();
    let text = [output.stdout, output.stderr].concat();
    (output.status.code().unwrap(), String::from_utf8(text).unwrap())
}

#[test]
fn both_demos_verify_as_the_same_byte_for_byte() {
    let folder = TempDir::new().unwrap();
    for demo in ["bench-sound", "bench-faulty"] {
        let session = project("demo-data").join(demo).join("session.yaml");
        let file = folder.path().join(format!("{demo}.json"));
        let judged = ["judge", session.to_str().unwrap(), "--exit-zero", "--json", file.to_str().unwrap(), "--sheet"];
        let sheet = folder.path().join("sheet.html");
        assert_eq!(assize(&[&judged[..], &[sheet.to_str().unwrap()]].concat(), folder.path()).0, 0);
        let again = ["verify", file.to_str().unwrap(), "--session", session.to_str().unwrap()];
        let (code, text) = assize(&again, folder.path());
        assert_eq!(code, 0, "{text}");
        assert!(text.starts_with("SAME") && text.contains("byte for byte"), "{text}");
    }
}

#[test]
fn a_changed_byte_of_any_input_is_told_with_both_hashes() {
    for (kind, name, at) in [
        (InputKind::Recording, "unit-034.fit", 20_000),
        (InputKind::Recording, "pedals-p.fit", 20_000),
        // In the comment at the top, and of the protocol in its purpose.
        (InputKind::Session, "session.yaml", 8),
        (InputKind::Protocol, "../short-check.yaml", 90),
    ] {
        let case = Case::new();
        case.spoil(name, at);
        let again = case.again();
        let changed: Vec<_> =
            again.inputs.iter().filter(|input| matches!(input.state, InputState::Another { .. })).collect();
        assert_eq!(changed.len(), 1, "{name}: {again:?}");
        let InputState::Another { sha256, .. } = &changed[0].state else { unreachable!() };
        assert_eq!((changed[0].kind, sha256.len()), (kind, 64));
        assert_ne!(changed[0].sha256.as_ref(), Some(sha256));
        assert_eq!(again.verified(), VerificationResult::Differs, "{name}");
        assert!(differences(&again).iter().any(|difference| difference.pointer == "/sheet_number"), "{name}");
    }
}

#[test]
fn what_is_missing_is_told_with_the_way_out_and_the_rest_all_the_same() {
    for (kind, name, way) in [
        (InputKind::Recording, "unit-034.fit", "--recordings DIR"),
        (InputKind::Session, "session.yaml", "--session FILE"),
        (InputKind::Protocol, "../short-check.yaml", "--protocol FILE"),
    ] {
        let case = Case::new();
        fs::remove_file(case.file(name)).unwrap();
        let again = case.again();
        assert_eq!(again.verified(), VerificationResult::CouldNot, "{name}");
        let missing: Vec<_> =
            again.inputs.iter().filter(|input| matches!(input.state, InputState::NotFound { .. })).collect();
        assert_eq!((missing.len(), missing[0].kind), (1, kind), "{again:?}");
        assert!(again.judged.as_ref().unwrap_err().to_string().contains(way), "{again:?}");
        assert!(again.inputs.iter().filter(|input| matches!(input.state, InputState::Same { .. })).count() >= 2);
        let (code, text) = assize(&["verify", "ride/verdict.json"], case.folder.path());
        assert_eq!(code, 2, "{text}");
        assert!(text.starts_with("NOT VERIFIED"), "{text}");
    }
}

#[test]
fn files_under_other_names_are_the_same_by_their_hash() {
    let case = Case::new();
    let attic = case.folder.path().join("attic/2026");
    fs::create_dir_all(&attic).unwrap();
    fs::rename(case.file("unit-034.fit"), attic.join("b.bin")).unwrap();
    // Something else took the name of this one.
    fs::rename(case.file("pedals-p.fit"), attic.join("a.bin")).unwrap();
    fs::write(case.file("pedals-p.fit"), "nothing").unwrap();
    fs::rename(case.file("session.yaml"), case.file("old session.yaml")).unwrap();
    fs::rename(case.file("../short-check.yaml"), attic.join("p.yaml")).unwrap();
    let places = InputPlaces {
        session: Some(case.file("old session.yaml")),
        shelf: FilesByHash::of(&case.folder.path().join("attic")).unwrap(),
        protocol: Some(attic.join("p.yaml")),
        ..case.places()
    };
    let again = verify::again(&case.verdict, &places);
    assert_eq!(again.verified(), VerificationResult::Same, "{again:?}");
    assert!(verify::written_as_now(&fs::read(case.file("verdict.json")).unwrap(), again.judged.as_ref().unwrap()));
    let arguments =
        ["verify", "ride/verdict.json", "--session", "ride/old session.yaml", "--recordings", "attic", "--protocol"];
    let (code, text) = assize(&[&arguments[..], &["attic/2026/p.yaml"]].concat(), case.folder.path());
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("is now attic/2026/b.bin"), "{text}");
}

#[test]
fn numbers_that_were_tampered_with_are_told_with_both_values() {
    let case = Case::new();
    let mut written = serde_json::to_value(&case.verdict).unwrap();
    let phase = written["phases"].as_array().unwrap().iter().position(|p| p["drill"] == "steady").unwrap();
    let true_value = written["phases"][phase]["checks"][0]["value"].clone();
    written["phases"][phase]["checks"][0]["value"] = (-1.25).into();
    written["phases"][phase]["checks"][0]["expanded_uncertainty"] = 0.5.into();
    written["phases"][phase]["checks"][0]["limit"] = "within 9 %".into();
    written["phases"][phase]["checks"][0]["verdict"] = "pass".into();
    written["verdict"] = "pass".into();
    written["diagnosis"] = Value::Array(vec![]);
    written["deviations"] = serde_json::json!(["nothing to see"]);
    written["approved"] = true.into();
    fs::write(case.file("verdict.json"), written.to_string()).unwrap();

    let verdict: Verdict = serde_json::from_value(written.clone()).unwrap();
    let again = verify::again_as_written(&verdict, &written, &case.places());
    assert_eq!(again.verified(), VerificationResult::Differs);
    let at = |pointer: &str| {
        differences(&again).iter().find(|d| d.pointer == pointer).unwrap_or_else(|| panic!("{pointer}"))
    };
    let value = at(&format!("/phases/{phase}/checks/0/value"));
    assert_eq!((&value.then, &value.now), (&Some((-1.25).into()), &Some(true_value)));
    assert!(value.place.contains("mean error: value"), "{}", value.place);
    assert_eq!(value.weight, Severity::Shown);
    assert_eq!(at("/verdict").weight, Severity::Outcome);
    assert_eq!((&at("/verdict").then, &at("/verdict").now), (&Some("pass".into()), &Some("fail".into())));
    assert_eq!(at(&format!("/phases/{phase}/checks/0/verdict")).weight, Severity::Outcome);
    assert_eq!(at(&format!("/phases/{phase}/checks/0/limit")).then, Some("within 9 %".into()));
    at(&format!("/phases/{phase}/checks/0/expanded_uncertainty"));
    assert_eq!(at("/approved").now, None);
    let lost = differences(&again).iter().filter(|d| d.pointer.starts_with("/diagnosis")).count();
    assert!(lost >= 1 && lost == case.verdict.diagnosis.len());
    assert!(differences(&again).iter().any(|d| d.then == Some("nothing to see".into()) && d.now.is_none()));

    let (code, text) = assize(&["verify", "ride/verdict.json", "--json", "-"], case.folder.path());
    assert_eq!(code, 1);
    let told: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(told[0]["verified"], "differs");
    assert_eq!(told[0]["differences"].as_array().unwrap().len(), differences(&again).len());
}

#[test]
fn of_another_version_both_are_named_and_unseen_numbers_are_told_from_outcomes() {
    let case = Case::new();
    let mut written = serde_json::to_value(&case.verdict).unwrap();
    written["assize"] = "0.0.7".into();
    // What an older version did not write.
    written["recordings"].as_array_mut().unwrap().iter_mut().for_each(|recording| {
        recording.as_object_mut().unwrap().remove("channels");
    });
    fs::write(case.file("verdict.json"), written.to_string()).unwrap();
    let (code, text) = assize(&["verify", "ride/verdict.json"], case.folder.path());
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("Judged then by version 0.0.7, now by version"), "{text}");
    assert!(text.contains("No outcome and no pattern differs."), "{text}");
    assert!(!text.contains("written otherwise"), "{text}");

    let checks = case.verdict.phases.iter().position(|phase| phase.drill == "steady").unwrap();
    let check = &case.verdict.phases[checks].checks[0];
    let (value, expanded) = (check.value.unwrap(), check.expanded_uncertainty.unwrap());
    // A tenth and ten times the last digit shown, which is the second of the uncertainty.
    for (share, weight) in [(0.001, Severity::Unseen), (1.0, Severity::Shown)] {
        written["phases"][checks]["checks"][0]["value"] = (value + share * expanded).into();
        let verdict: Verdict = serde_json::from_value(written.clone()).unwrap();
        let again = verify::again_as_written(&verdict, &written, &case.places());
        let found: Vec<_> = differences(&again).iter().filter(|d| d.weight != Severity::Added).collect();
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((found[0].weight, again.verified()), (weight, VerificationResult::Differs));
    }
    written["verdict_format"] = 99.into();
    fs::write(case.file("verdict.json"), written.to_string()).unwrap();
    let (code, text) = assize(&["verify", "ride/verdict.json"], case.folder.path());
    assert_eq!(code, 2);
    assert!(text.contains("verdict_format is 99"), "{text}");
}

#[test]
fn marks_made_while_riding_are_an_input_like_the_others() {
    let case = Case::with_files(|ride, text| {
        let protocol = protocol::load(&ride.join("../short-check.yaml"), None).unwrap();
        let note = "- { at: \"2026-06-21T09:31:00Z\", text: \"chain noisy\" }";
        fs::write(ride.join("marks.yaml"), format!("{}\n{note}\n", session::MarksHeader::of(&protocol))).unwrap();
        text.push_str("marks: marks.yaml\n");
    });
    let again = case.again();
    assert_eq!((again.verified(), again.inputs.len()), (VerificationResult::Same, 5), "{again:?}");
    let attic = case.folder.path().join("m.yaml");
    fs::rename(case.file("marks.yaml"), &attic).unwrap();
    let gone = case.again();
    assert!(matches!(state(&gone, InputKind::Marks), InputState::NotFound { .. }));
    assert!(gone.judged.unwrap_err().to_string().contains("--marks FILE"));
    let given = InputPlaces { marks: Some(attic.clone()), ..case.places() };
    assert_eq!(verify::again(&case.verdict, &given).verified(), VerificationResult::Same);
    let text = fs::read_to_string(&attic).unwrap().replace("noisy", "quiet");
    fs::write(case.file("marks.yaml"), text).unwrap();
    assert!(matches!(state(&case.again(), InputKind::Marks), InputState::Another { .. }));
    assert_eq!(case.again().verified(), VerificationResult::Differs);
}

#[test]
fn a_pin_and_another_protocol_are_given_as_they_were_to_judge() {
    let case = Case::new();
    let ride = case.folder.path().join("ride");
    let text = fs::read_to_string(case.file("../short-check.yaml")).unwrap().replace("within 4 % or 6 W", "within 9 %");
    fs::write(case.file("wide.yaml"), text).unwrap();
    let matched = case.verdict.phases.iter().find(|p| p.phase == "sprints" && p.repeat == 2).unwrap();
    let span = matched.matched.as_ref().unwrap();
    let pin = format!("sprints/2={}..{}", span.start.format("%H:%M:%S"), span.end.format("%H:%M:%S"));
    let options = ["--protocol", "wide.yaml", "--pin", &pin];
    let judged = [&["judge", "session.yaml", "--exit-zero", "--json", "v.json", "--sheet", "s"][..], &options].concat();
    assert_eq!(assize(&judged, &ride).0, 0);
    let (code, text) = assize(&[&["verify", "v.json"][..], &options].concat(), &ride);
    assert_eq!(code, 0, "{text}");
    let (code, text) = assize(&["verify", "v.json"], &ride);
    assert_eq!(code, 1, "{text}");
    assert!(text.contains("another    protocol"), "{text}");
}

#[test]
fn a_card_that_changed_is_another_one_and_its_change_shows_in_the_values() {
    let case = Case::with_files(|ride, text| {
        fs::write(ride.join("bike.yaml"), "conditions: { height: 35 m }\n").unwrap();
        text.push_str("bike: bike.yaml\n");
    });
    let again = case.again();
    assert_eq!(again.verified(), VerificationResult::Same);
    let card = |again: &Verification| {
        again
            .inputs
            .iter()
            .find(|input| input.kind == InputKind::Card && input.name == "bike.yaml")
            .unwrap()
            .state
            .clone()
    };
    assert!(matches!(card(&again), InputState::Same { .. }), "{again:?}");
    fs::write(case.file("bike.yaml"), "conditions: { height: 53 m }\n").unwrap();
    let again = case.again();
    assert!(matches!(card(&again), InputState::Another { .. }), "{again:?}");
    assert_eq!(again.verified(), VerificationResult::Differs);
    let found: Vec<&str> = differences(&again).iter().map(|d| d.pointer.as_str()).collect();
    assert_eq!(found, ["/sheet_number", "/session/conditions/2/1", "/session/cards/0/sha256"]);
    let height = &differences(&again)[1];
    assert_eq!((&height.then, &height.now), (&Some("35 m".into()), &Some("53 m".into())));
    assert_eq!(height.place, "session: condition height");
}

#[test]
fn each_unit_of_a_session_is_verified_by_its_label() {
    let unit = |label: &str| {
        format!("  - label: {label}\n    located: spindle\n    sides: both\n    recording: unit-034.fit\n")
    };
    let case = Case::with(|text| {
        let (before, rest) = text.split_once("unit:\n").unwrap();
        let (_, after) = rest.split_once("references:\n").unwrap();
        let second = unit("unit 052").replace("    recording", "    power: power\n    recording");
        *text = format!("{before}units:\n{}{second}references:\n{after}", unit("unit 051"));
    });
    let session = session::load(&case.file("session.yaml")).unwrap();
    let judged = judge(&session).unwrap();
    assert_eq!(judged.len(), 2);
    for judgement in &judged {
        let again = verify::again(&judgement.verdict, &case.places());
        assert_eq!(again.unit, judgement.verdict.unit.label);
        // The other unit's recording decides nothing here and has no hash in this verdict.
        assert_eq!(again.verified(), VerificationResult::Same, "{again:?}");
        assert!(again.inputs.iter().any(|input| matches!(input.state, InputState::Unstated { .. })));
    }
    let mut other = judged[0].verdict.clone();
    other.unit.label = "unit 099".to_owned();
    let again = verify::again(&other, &case.places());
    assert!(matches!(&again.judged, Err(VerifyError::NoSuchUnit { has, .. }) if has.len() == 2), "{again:?}");
}

#[test]
fn without_a_session_file_it_says_what_it_cannot_verify() {
    let case = Case::new();
    let ride = case.folder.path().join("ride");
    let judged = ["judge", "--unit", "unit-034.fit", "--reference", "pedals-p.fit", "--json", "v.json", "--sheet", "s"];
    assert_eq!(assize(&judged, &ride).0, 0);
    let (code, text) = assize(&["verify", "v.json"], &ride);
    assert_eq!(code, 2);
    assert!(text.contains("same       recording unit-034.fit, unit"), "{text}");
    assert!(text.contains("without a session file"), "{text}");
}

#[test]
fn hostile_names_lead_nowhere_and_steer_no_terminal() {
    let case = Case::new();
    let mut verdict = case.verdict.clone();
    verdict.unit.label = "unit \u{1b}[2J\u{202e}034".to_owned();
    verdict.session.file = Some("../../../../../../dev/zero".to_owned());
    verdict.recordings[0].file = "/etc/\u{1b}]0;x\u{7}passwd".to_owned();
    verdict.deviations.push("\u{1b}[31mred".to_owned());
    verdict.phases[0].phase = "\u{1b}[1mphase".to_owned();
    fs::write(case.file("verdict.json"), json::to_string(&verdict)).unwrap();
    let again = verify::again(&verdict, &case.places());
    assert!(
        matches!(state(&again, InputKind::Session), InputState::NotFound { looked_for: Some(path) } if path.starts_with(case.folder.path()))
    );
    for arguments in
        [&["verify", "ride/verdict.json"][..], &["verify", "ride/verdict.json", "--session", "ride/session.yaml"]]
    {
        let (code, text) = assize(arguments, case.folder.path());
        assert_eq!(code, 2, "{text}");
        assert!(!text.contains(['\u{1b}', '\u{202e}', '\u{7}']), "{text:?}");
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    }
    // No verdict at all.
    for (name, bytes) in [("a.json", &b"{}"[..]), ("b.json", b"\xff\xfe"), ("c.json", b"[[[[[[")] {
        fs::write(case.file(name), bytes).unwrap();
        let (code, text) = assize(&["verify", &format!("ride/{name}")], case.folder.path());
        assert_eq!(code, 2);
        assert!(text.contains("no verdict; give the JSON file"), "{text}");
    }
}

#[test]
fn a_protocol_that_can_no_longer_be_read_is_told_at_its_line() {
    let case = Case::new();
    let text = fs::read_to_string(case.file("../short-check.yaml")).unwrap().replace("phases:", "phases: [");
    fs::write(case.file("../short-check.yaml"), text).unwrap();
    let (code, text) = assize(&["verify", "ride/verdict.json"], case.folder.path());
    assert_eq!(code, 2);
    assert!(text.contains("short-check.yaml:") && text.contains("recording unit-034.fit"), "{text}");
}
