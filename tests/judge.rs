//! The main job on whole files: what the demo sessions are judged as, and what bad input is answered with.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use assize::verdict::{Outcome, Verdict};

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn assize() -> Command {
    Command::cargo_bin("assize").expect("the binary is built")
}

/// Judges a demo session into a folder of its own; the exit code and the verdict's text.
fn judged(session: &str) -> (i32, String) {
    let folder = tempfile::tempdir().unwrap();
    let json = folder.path().join("verdict.json");
    let sheet = folder.path().join("sheet.html");
    let out = assize()
        .args(["judge"])
        .arg(project(session))
        .arg("--json")
        .arg(&json)
        .arg("--sheet")
        .arg(&sheet)
        .output()
        .unwrap();
    assert!(std::fs::read_to_string(sheet).unwrap().starts_with("<!doctype html>"));
    (out.status.code().unwrap(), std::fs::read_to_string(json).unwrap())
}

#[test]
fn the_sound_demo_passes_with_exit_code_0_and_names_nothing() {
    let (code, json) = judged("demo-data/bench-sound/session.yaml");
    let verdict: Verdict = serde_json::from_str(&json).unwrap();
    assert_eq!((code, verdict.verdict), (0, Some(Outcome::Pass)));
    assert!(verdict.diagnosis.is_empty(), "{:?}", verdict.diagnosis);
    assert!(verdict.deviations.is_empty(), "{:?}", verdict.deviations);
}

#[test]
fn the_faulty_demo_fails_with_exit_code_1_and_names_its_three_faults_and_nothing_else() {
    let (code, json) = judged("demo-data/bench-faulty/session.yaml");
    let verdict: Verdict = serde_json::from_str(&json).unwrap();
    assert_eq!((code, verdict.verdict), (1, Some(Outcome::Fail)));
    let named: Vec<(&str, &str)> = verdict.diagnosis.iter().map(|f| (f.pattern.as_str(), f.unit.as_str())).collect();
    let expected = [("ring-dependent", "W"), ("side-short-in-sprints", "W"), ("late-restart", "s")];
    assert_eq!(named, expected, "{:#?}", verdict.diagnosis);
    // Injected (demo-data/make.sh): −14 W on the big ring, 110 W of the left side in two of six sprints, 2.5 s.
    let sizes: Vec<f64> = verdict.diagnosis.iter().map(|f| f.size).collect();
    for (size, (injected, allowed)) in sizes.iter().zip([(-14.0, 1.0), (110.0, 15.0), (2.5, 0.6)]) {
        assert!((size - injected).abs() <= allowed, "{size} for {injected}");
    }
    assert!(verdict.diagnosis[0].says.contains("big ring"));
    assert!(verdict.diagnosis[1].says.contains("left side") && verdict.diagnosis[1].says.contains("2 of 6"));
}

#[cfg(unix)]
#[test]
fn what_is_no_file_is_written_to_and_never_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("nowhere");
    std::os::unix::fs::symlink("/dev/null", &link).unwrap();
    let mut command = assize();
    command.arg("judge").arg(project("demo-data/bench-sound/session.yaml"));
    assert!(command.arg("--json").arg(&link).arg("--sheet").arg(&link).output().unwrap().status.success());
    assert!(link.is_symlink() && !std::fs::metadata(&link).unwrap().is_file());
}

#[test]
fn the_same_files_give_the_same_bytes() {
    assert_eq!(judged("demo-data/bench-faulty/session.yaml"), judged("demo-data/bench-faulty/session.yaml"));
}

#[test]
fn the_verdict_on_disk_fits_the_published_schema() {
    let schema: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(project("shared/verdict.schema.json")).unwrap()).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    for demo in ["demo-data/bench-sound/session.yaml", "demo-data/bench-faulty/session.yaml"] {
        let verdict: serde_json::Value = serde_json::from_str(&judged(demo).1).unwrap();
        let errors: Vec<String> =
            validator.iter_errors(&verdict).map(|e| format!("{}: {e}", e.instance_path())).collect();
        assert!(errors.is_empty(), "{errors:#?}");
    }
}

#[test]
fn explain_tells_every_second_of_the_ride_once() {
    let folder = tempfile::tempdir().unwrap();
    let mut command = assize();
    command.args(["judge", "--explain", "--exit-zero"]).arg(project("demo-data/bench-sound/session.yaml"));
    command.arg("--json").arg(folder.path().join("v.json")).arg("--sheet").arg(folder.path().join("s.html"));
    let text = String::from_utf8(command.assert().success().get_output().stdout.clone()).unwrap();
    let told = text.split("How the ride was read").nth(1).expect("the assignment is printed");
    let is_time = |t: &str| t.len() == 8 && t.chars().filter(|c| *c == ':').count() == 2;
    let stretches: Vec<(&str, &str)> = told
        .lines()
        .filter_map(|line| line.strip_prefix("  ")?.split_once(" to "))
        .map(|(from, rest)| (from, rest.split(' ').next().unwrap_or_default()))
        .filter(|(from, to)| is_time(from) && is_time(to))
        .collect();
    assert!(stretches.len() > 40, "{told}");
    for pair in stretches.windows(2) {
        assert_eq!(pair[0].1, pair[1].0, "a hole or an overlap");
    }
    assert!(told.contains("between repeats") && told.contains("confidence") && !told.contains("Not found"));
}

#[test]
fn exit_zero_is_for_people_and_hides_no_failure_to_judge() {
    let folder = tempfile::tempdir().unwrap();
    let out = ["--json", "--sheet"].map(|option| (option, folder.path().join(option.trim_start_matches('-'))));
    let run = |session: &Path| {
        let mut command = assize();
        command.arg("judge").arg(session).arg("--exit-zero");
        for (option, path) in &out {
            command.arg(option).arg(path);
        }
        command.output().unwrap().status.code()
    };
    assert_eq!(run(&project("demo-data/bench-faulty/session.yaml")), Some(0));
    assert_eq!(run(Path::new("no-such-session.yaml")), Some(2));
}

#[test]
fn without_a_protocol_a_unit_is_compared_over_the_whole_ride_and_nothing_is_passed_or_failed() {
    let out = assize()
        .args(["judge", "--json", "-", "--sheet"])
        .arg(tempfile::tempdir().unwrap().path().join("none").with_file_name("assize-comparison.html"))
        .arg("--unit")
        .arg(project("demo-data/bench-faulty/unit-021.fit"))
        .arg("--reference")
        .arg(project("demo-data/bench-faulty/pedals-p.fit"))
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    let verdict: Verdict = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(verdict.verdict, None);
    assert!(verdict.whole_ride.iter().all(|c| c.limit.is_none() && !c.required));
    let work = verdict.whole_ride.iter().find(|c| c.measure == "work_error").unwrap();
    assert!(work.value.unwrap() < -3.0 && work.expanded_uncertainty.unwrap() > 0.0);
    assert!(!verdict.session.assumed.is_empty());
}

/// A folder with the faulty demo's files, to be spoiled.
fn spoilable() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for file in ["unit-021.fit", "pedals-p.fit", "trainer-t.fit", "session.yaml"] {
        std::fs::copy(project("demo-data/bench-faulty").join(file), folder.path().join(file)).unwrap();
    }
    let protocol = project("protocols/bench-both-rings.yaml");
    std::fs::copy(&protocol, folder.path().join("protocol.yaml")).unwrap();
    edit(&folder.path().join("session.yaml"), "../../protocols/bench-both-rings.yaml", "protocol.yaml");
    folder
}

fn edit(file: &Path, from: &str, to: &str) {
    let text = std::fs::read_to_string(file).unwrap();
    assert!(text.contains(from), "{} has no `{from}`", file.display());
    std::fs::write(file, text.replace(from, to)).unwrap();
}

/// Judges the spoiled folder: exit 2, every expected word in the message, no panic, nothing written.
fn refused(folder: &tempfile::TempDir, words: &[&str]) {
    let before = names(folder.path());
    let out = assize().arg("judge").arg(folder.path().join("session.yaml")).output().unwrap();
    let message = String::from_utf8(out.stderr).unwrap();
    assert_eq!(out.status.code(), Some(2), "{message}");
    assert!(!message.contains("panicked"), "{message}");
    for word in words {
        assert!(message.contains(word), "no `{word}` in: {message}");
    }
    assert_eq!(names(folder.path()), before, "something was written");
}

/// Judges the folder: exit 2, every expected word on the terminal, and a sheet that says it.
fn not_judged(folder: &tempfile::TempDir, words: &[&str]) {
    let out = assize().arg("judge").arg(folder.path().join("session.yaml")).output().unwrap();
    let told = String::from_utf8(out.stdout).unwrap();
    let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(out.status.code(), Some(2), "{told}");
    assert!(told.starts_with("NOT JUDGED"), "{told}");
    for word in words {
        assert!(told.contains(word), "no `{word}` in: {told}");
    }
    let sheet = std::fs::read_to_string(folder.path().join("sheet.html")).unwrap();
    assert!(sheet.contains("not judged") && sheet.contains("What this verdict rests on"));
    // Nothing is drawn or explained of what was not judged.
    assert!(!sheet.contains("<h2>The ride</h2>") && !sheet.contains("<h2>What explains it</h2>"));
    let verdict: Verdict = serde_json::from_slice(&std::fs::read(folder.path().join("verdict.json")).unwrap()).unwrap();
    assert_eq!((verdict.verdict, verdict.phases.len()), (Some(Outcome::NotJudged), 0));
}

fn names(folder: &Path) -> Vec<std::ffi::OsString> {
    let mut names: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    names
}

#[test]
fn a_recording_that_is_not_there_is_named_with_its_line() {
    let folder = spoilable();
    std::fs::remove_file(folder.path().join("pedals-p.fit")).unwrap();
    refused(&folder, &["session.yaml:", "pedals-p.fit"]);
}

#[test]
fn an_empty_recording_is_named() {
    let folder = spoilable();
    std::fs::write(folder.path().join("unit-021.fit"), b"").unwrap();
    refused(&folder, &["unit-021.fit", "empty"]);
}

#[test]
fn a_file_that_is_no_recording_is_named() {
    let folder = spoilable();
    std::fs::write(folder.path().join("unit-021.fit"), b"\x89PNG\r\n\x1a\nnot a ride at all").unwrap();
    refused(&folder, &["unit-021.fit"]);
}

#[test]
fn recordings_of_different_days_are_not_judged_and_both_times_told() {
    let folder = spoilable();
    // The sound demo was ridden a week before.
    std::fs::copy(project("demo-data/bench-sound/unit-017.fit"), folder.path().join("unit-021.fit")).unwrap();
    not_judged(&folder, &["serial number 21, and was recorded with serial number 17"]);
    edit(&folder.path().join("session.yaml"), "  serial: \"21\"\n", "");
    not_judged(&folder, &["2026-11-07", "2026-11-14"]);
}

#[test]
fn a_recording_without_power_is_not_judged() {
    let folder = spoilable();
    let rows: String = (0..600).map(|s| format!("{},90,140\n", 1_794_648_600 + s)).collect();
    std::fs::write(folder.path().join("unit-021.fit"), format!("time,cadence,heart_rate\n{rows}")).unwrap();
    not_judged(&folder, &["unit 021: its recording holds no power", "`assize inspect` lists what it holds"]);
}

#[test]
fn a_session_without_a_reference_is_refused() {
    let folder = spoilable();
    let session = folder.path().join("session.yaml");
    let text = std::fs::read_to_string(&session).unwrap();
    let (before, rest) = text.split_once("references:").unwrap();
    let (_, after) = rest.split_once("drivetrain:").unwrap();
    std::fs::write(&session, format!("{before}drivetrain:{after}")).unwrap();
    refused(&folder, &["reference"]);
}

#[test]
fn mistakes_in_the_protocol_are_all_named_with_their_lines() {
    let folder = spoilable();
    let protocol = folder.path().join("protocol.yaml");
    edit(&protocol, "drill: sprint", "drill: sprnt");
    edit(&protocol, "cadence: 80..95 rpm", "cadance: 80..95 rpm");
    refused(&folder, &["protocol.yaml:", "sprint", "cadence"]);
}

#[test]
fn a_session_that_still_asks_is_refused() {
    let folder = spoilable();
    edit(&folder.path().join("session.yaml"), "located: spindle", "located: ?");
    refused(&folder, &["session.yaml:", "located"]);
}

#[test]
fn a_damaged_recording_is_judged_by_what_is_left_and_the_sheet_says_so() {
    let folder = spoilable();
    let file = folder.path().join("pedals-p.fit");
    let bytes = std::fs::read(&file).unwrap();
    std::fs::write(&file, &bytes[..bytes.len() * 9 / 10]).unwrap();
    let out = assize().arg("judge").arg(folder.path().join("session.yaml")).args(["--json", "-"]).output().unwrap();
    let verdict: Verdict = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(out.status.code(), Some(1));
    let pedals = verdict.recordings.iter().find(|r| r.file == "pedals-p.fit").unwrap();
    assert!(!pedals.damage.is_empty());
    assert!(
        verdict.cautions.iter().any(|c| c.contains("pedals-p.fit") && c.contains("byte")),
        "{:?}",
        verdict.cautions
    );
}

/// Rehearses into a folder and gives the arguments that judge it.
fn rehearsed(folder: &Path, seed: &str, fault: &str) -> [PathBuf; 2] {
    let mut command = assize();
    command.arg("rehearse").arg(project("protocols/short-check.yaml")).args(["--seed", seed, "--fault", fault]);
    command.arg("--out").arg(folder).assert().success();
    ["session.yaml", "truth.json"].map(|file| folder.join(file))
}

#[test]
fn the_truth_of_a_rehearsal_says_how_well_it_was_judged_and_changes_no_exit_code() {
    let folder = tempfile::tempdir().unwrap();
    let [session, truth] = rehearsed(&folder.path().join("a"), "7", "ring-offset=-14@big");
    let plain = assize().arg("judge").arg(&session).output().unwrap();
    let verdict = std::fs::read(session.with_file_name("verdict.json")).unwrap();
    let out = assize().arg("judge").arg(&session).arg("--truth").arg(&truth).output().unwrap();
    assert_eq!((out.status.code(), plain.status.code()), (Some(1), Some(1)));
    assert_eq!(std::fs::read(session.with_file_name("verdict.json")).unwrap(), verdict);
    let text = String::from_utf8(out.stdout).unwrap().replace('\u{a0}', " ");
    let report = text.split_once("Beside the truth (seed 7)").unwrap().1;
    assert!(text.starts_with(String::from_utf8(plain.stdout).unwrap().replace('\u{a0}', " ").trim_end()));
    assert!(report.contains("ring-offset=-14@big          named, as ring dependent"), "{report}");
    assert!(report.contains("21 of 21 found") && report.contains("0 wrong"), "{report}");
    // −14 W of 145 to 150 W, and the unit's own few tenths.
    assert!(report.contains("truly −9.9 %       inside"), "{report}");
    assert!(report.lines().all(|line| line.chars().count() <= 80), "{report}");
    assert!(!report.contains("FALSE"), "{report}");
}

#[test]
fn several_sessions_find_their_truths_and_are_summed() {
    let folder = tempfile::tempdir().unwrap();
    let [a, truth_a] = rehearsed(&folder.path().join("a"), "1", "gain=3");
    let [b, truth_b] = rehearsed(&folder.path().join("b"), "2", "late-wake=2.5");
    let mut command = assize();
    command.arg("judge").args([a, b]).arg("--truth").arg(truth_b).arg("--truth").arg(truth_a);
    let text = String::from_utf8(command.output().unwrap().stdout).unwrap();
    assert_eq!(text.matches("Beside the truth").count(), 2);
    assert!(text.contains("Sum of 2 sessions\n  phases    42 of 42 found"), "{text}");
}

#[test]
fn a_truth_of_other_recordings_or_of_no_kind_is_refused_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let [session, _] = rehearsed(&folder.path().join("a"), "1", "gain=3");
    let [_, other] = rehearsed(&folder.path().join("b"), "2", "gain=3");
    let refused = |arguments: &[&Path]| {
        let out = assize().arg("judge").arg(&session).args(arguments).output().unwrap();
        assert_eq!(out.status.code(), Some(2));
        String::from_utf8(out.stderr).unwrap()
    };
    let of_other = refused(&[Path::new("--truth"), &other]);
    for said in ["truth.json", "not the truth of unit-017.fit", "sha256", "written with this session"] {
        assert!(of_other.contains(said), "{of_other}");
    }
    assert!(refused(&[Path::new("--truth"), &session]).contains("a truth file is what `assize rehearse` writes"));
    let both = refused(&[Path::new("--truth"), &other, Path::new("--json"), Path::new("-")]);
    assert!(both.contains("--truth reports to standard output"), "{both}");
}

/// Without a protocol there are few pictures: the session, the clocks, and what spreads about them.
#[test]
fn charts_are_written_each_as_svg_and_png_in_two_sizes_with_its_numbers() {
    let folder = tempfile::tempdir().unwrap();
    let demo = project("demo-data/bench-sound");
    let mut command = assize();
    command.arg("judge").arg("--unit").arg(demo.join("unit-017.fit"));
    command.arg("--reference").arg(demo.join("pedals-p.fit")).arg("--charts").arg(folder.path().join("pictures"));
    command.arg("--json").arg(folder.path().join("v.json")).arg("--sheet").arg(folder.path().join("s.html"));
    let out = command.output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let said = String::from_utf8_lossy(&out.stdout);
    assert!(said.contains("Pictures: "));
    let draws_png = assize::report::publish::DRAWS_PNG;
    assert_eq!(said.contains("--features png"), !draws_png, "{said}");
    let files: Vec<PathBuf> =
        std::fs::read_dir(folder.path().join("pictures")).unwrap().map(|f| f.unwrap().path()).collect();
    assert!(files.len() >= 6 && files.len().is_multiple_of(if draws_png { 5 } else { 3 }), "{files:?}");
    for file in &files {
        let bytes = std::fs::read(file).unwrap();
        match file.extension().and_then(|e| e.to_str()).unwrap() {
            // The signature of PNG (ISO/IEC 15948, 5.2), then the size in the first chunk (11.2.2).
            "png" => {
                assert_eq!(bytes[..8], [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n']);
                let size = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
                let screen = file.to_string_lossy().contains("-16x9");
                assert!(if screen { (size(16), size(20)) == (1920, 1080) } else { size(16) == 1600 });
            }
            "svg" => {
                let mut reader = quick_xml::Reader::from_reader(bytes.as_slice());
                while !matches!(reader.read_event().expect("well-formed"), quick_xml::events::Event::Eof) {}
                let text = String::from_utf8(bytes.clone()).unwrap();
                assert!(!text.contains("NaN") && text.contains("<title>") && text.contains("sheet "));
            }
            "csv" => assert!(bytes.iter().filter(|b| **b == b'\n').count() > 1, "{}", file.display()),
            other => panic!("{other}"),
        }
    }
}
