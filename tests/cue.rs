//! `assize cue` as a program: a whole session by a script, its marks judged, killed in the middle, gone on with.

use crate::common;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use assert_cmd::cargo::CommandCargoExt;
use assize::internals::rehearse::{self, Rehearsal, RehearsalPlan, simulate};
use assize::session::{self, MarkEvent, MarksFile};
use chrono::TimeDelta;

fn protocol_file() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/bench-both-rings.yaml")
}

fn assize(args: &[&str]) -> Command {
    let mut command = Command::cargo_bin("assize").unwrap();
    command.args(args).env("NO_COLOR", "1");
    command
}

/// Runs a script; what it printed, after its exit code.
fn by_script(folder: &Path, script: &str, more: &[&str]) -> (Option<i32>, String) {
    let file = folder.join("script.txt");
    std::fs::write(&file, script).unwrap();
    let marks = folder.join("marks.yaml");
    let protocol = protocol_file();
    let mut args = vec!["cue", protocol.to_str().unwrap(), "--script", file.to_str().unwrap()];
    if !more.contains(&"--marks") {
        args.extend(["--marks", marks.to_str().unwrap()]);
    }
    args.extend(more);
    let done = assize(&args).output().unwrap();
    (done.status.code(), String::from_utf8(done.stdout).unwrap() + &String::from_utf8(done.stderr).unwrap())
}

fn marks(folder: &Path) -> MarksFile {
    let protocol = common::shipped("bench-both-rings.yaml");
    session::load_marks(&folder.join("marks.yaml"), Some(&protocol)).unwrap_or_else(|p| panic!("{p}"))
}

#[test]
fn a_whole_session_by_a_script_is_judged_with_its_marks() {
    let folder = tempfile::tempdir().unwrap();
    // The short way: everything that waits is gone on from at once, countdowns run by themselves.
    let mut script = String::from("0 space\n100 show\n");
    script.push_str("631 space\n"); // zero offset, after a warm-up of 10.5 min
    script.push_str("650.5 show\n2589 show\n2600 s\n2601 s\n2602 s\n9000 show\n9000 space\n9001 space\n9002 show\n");
    let (code, text) = by_script(folder.path(), &script, &["--from", "2026-11-28T14:00:00Z"]);
    assert_eq!(code, Some(0), "{text}");
    assert!(text.contains("marks: marks.yaml") && text.contains("The session is done"), "{text}");
    let read = marks(folder.path());
    assert_eq!(read.cautions, [] as [String; 0]);
    let began = read.marks.iter().filter(|m| matches!(m.what, MarkEvent::Began { act: None, .. })).count();
    let protocol = common::shipped("bench-both-rings.yaml");
    assert_eq!(began as u32, protocol.phases.iter().map(|p| p.repeats).sum::<u32>());
    assert_eq!(read.marks[0].at.to_rfc3339(), "2026-11-28T14:00:00+00:00");
    insta::assert_snapshot!("cue-script", text.replace(folder.path().to_str().unwrap(), "DIR"));
}

#[test]
fn marks_of_a_scripted_session_are_evidence_for_its_rehearsal() {
    let folder = tempfile::tempdir().unwrap();
    let protocol = common::shipped("bench-both-rings.yaml");
    let rehearsal = simulate(&protocol, &RehearsalPlan::new(7));
    rehearse::write(&rehearsal, folder.path()).unwrap();
    // The computer's clock is 40 s ahead, and the rider follows the prompts.
    let from = (rehearsal.truth.date + TimeDelta::seconds(40)).to_rfc3339();
    let script = scripted_ride(&rehearsal, &[("standing-sprints", 3)]);
    let (code, text) = by_script(folder.path(), &script, &["--from", &from]);
    assert_eq!(code, Some(0), "{text}");
    let session = folder.path().join("session.yaml");
    let verdict = |more: &[&str]| -> serde_json::Value {
        let mut args = vec!["judge", session.to_str().unwrap(), "--exit-zero", "--json", "-", "--sheet", "/dev/null"];
        args.extend(more);
        let done = assize(&args).output().unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        serde_json::from_slice(&done.stdout).unwrap()
    };
    let (without, marks) = (verdict(&[]), folder.path().join("marks.yaml"));
    let with = verdict(&["--marks", marks.to_str().unwrap()]);
    let written = std::fs::read_to_string(&session).unwrap() + "marks: marks.yaml\n";
    std::fs::write(&session, written).unwrap();
    let named = verdict(&[]);
    assert_eq!(named["phases"], with["phases"], "by the session file as by the option");
    let sprint = |verdict: &serde_json::Value, n: u64| {
        let phases = verdict["phases"].as_array().unwrap().clone();
        phases.into_iter().find(|p| p["phase"] == "standing-sprints" && p["repeat"] == n).unwrap()
    };
    assert!(sprint(&without, 3)["match"].is_object());
    let reason = sprint(&with, 3)["reason"].as_str().unwrap().to_owned();
    assert!(reason.starts_with("called spoiled by the tester: marked while riding, at "), "{reason}");
    for n in [1, 2, 4, 5, 6] {
        let rests_on = sprint(&with, n)["match"]["rests_on"].as_array().unwrap().clone();
        assert!(rests_on.iter().any(|on| on == "marks"), "{n}: {rests_on:?}");
    }
    let cautions = with["cautions"].as_array().unwrap();
    let clock = cautions.iter().filter_map(|c| c.as_str()).find(|c| c.starts_with("marks.yaml: its clock is")).unwrap();
    let ahead_s: f64 = clock.split(' ').nth(4).unwrap().parse().unwrap();
    assert!(clock.contains("ahead of") && (ahead_s - 40.0).abs() < 3.0, "{clock}");
    assert_eq!(with["session"]["marks"]["file"], "marks.yaml");
    assert_eq!(without["session"].get("marks"), None);
    let table = assize(&["judge", session.to_str().unwrap(), "--exit-zero", "--explain"]).output().unwrap();
    assert!(String::from_utf8(table.stdout).unwrap().contains("marks"));
}

/// Keys for a rehearsed ride, with one for each change from easy riding to a repeat and back.
fn scripted_ride(rehearsal: &Rehearsal, spoiled: &[(&str, u32)]) -> String {
    let protocol = &rehearsal.session.protocol.clone().unwrap();
    let steps = assize::internals::brief::steps(protocol);
    let truth = &rehearsal.truth.moves;
    let mut keys: Vec<(f64, &str)> = vec![(0.0, "space")];
    let mut now_s = 0.0;
    for (at, step) in steps.iter().enumerate() {
        // When the step after this one truly began.
        let next = steps.get(at + 1);
        let act = |s: &assize::internals::brief::Step| {
            match s.act.word() {
                "soft pedalling" => "soft",
                word => word,
            }
            .to_owned()
        };
        let truly = |s: &assize::internals::brief::Step| {
            let part = s.part?;
            let of =
                |m: &&assize::internals::rehearse::TrueMove| (m.phase_index, m.repeat) == (part.phase, part.repeat);
            truth.iter().filter(of).find(|m| m.act == act(s)).map(|m| (m.start_s, m.end_s))
        };
        let ends_s = match (step.act.is_scored(), next.filter(|n| n.act.is_scored())) {
            (true, _) => truly(step).map(|t| t.1),
            (false, Some(next)) => truly(next).map(|t| t.0),
            (false, None) => Some(now_s + 5.0),
        };
        let ends_s = f64::max(ends_s.unwrap_or(now_s + 1.0), now_s + 0.1);
        // The rider takes longer than the countdown: it is held until then.
        let planned_s = step
            .lasts
            .planned_s
            .filter(|_| !step.is_typed() && step.act != assize::internals::brief::StepAction::OffBike);
        if let Some(planned_s) = planned_s.filter(|s| now_s + s <= ends_s + 0.05) {
            keys.extend([(now_s + planned_s - 0.5, "p"), (ends_s, "p")]);
        }
        now_s = ends_s;
        keys.push((now_s, "space"));
        if let Some(part) = step.part.filter(|_| step.act.is_scored() && next.is_some_and(|n| !n.act.is_scored()))
            && spoiled.contains(&(protocol.phases[part.phase].id.name.as_str(), part.repeat))
        {
            keys.push((now_s + 12.0, "s"));
        }
    }
    keys.iter().map(|(s, key)| format!("{s:.1} {key}\n")).collect()
}

#[test]
fn killed_in_the_middle_every_mark_so_far_is_whole_and_the_session_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("marks.yaml");
    let protocol = protocol_file();
    let args = ["cue", protocol.to_str().unwrap(), "--script", "-", "--marks", file.to_str().unwrap()];
    let mut child = assize(&args).stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let mut stdin = child.stdin.take().unwrap();
    stdin.write_all(b"0 space\n631 space\n2700 s\n2710 s\n").unwrap();
    stdin.flush().unwrap();
    // The pipe stays open: the program waits for its next line when it is killed.
    let since = Instant::now();
    let written = || std::fs::read_to_string(&file).unwrap_or_default();
    while !(written().contains("taken_back") && written().ends_with('\n')) && since.elapsed() < Duration::from_secs(20)
    {
        std::thread::sleep(Duration::from_millis(20));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let before = std::fs::read_to_string(&file).unwrap();
    assert!(before.ends_with("}\n"), "{before}");
    let read = marks(folder.path());
    assert_eq!(read.cautions, [] as [String; 0]);
    assert!(matches!(read.marks.last().unwrap().what, MarkEvent::TakenBack(_)), "{before}");

    // Nothing is written over without being told to.
    let (code, text) = by_script(folder.path(), "0 space\n", &[]);
    assert!(code == Some(2) && text.contains("--go-on"), "{text}");
    assert_eq!(std::fs::read_to_string(&file).unwrap(), before);
    // Half a line, as a pulled plug leaves it; then on from there.
    std::fs::write(&file, format!("{before}- {{ at: \"2026-01-01T12:4")).unwrap();
    let (code, text) = by_script(folder.path(), "3000 show\n3001 space\n3002 show\n3200 show\n", &["--go-on"]);
    assert_eq!(code, Some(0), "{text}");
    assert!(text.contains("SPACE goes on"), "{text}");
    let after = std::fs::read_to_string(&file).unwrap();
    assert!(after.starts_with(&before));
    let read = marks(folder.path());
    assert_eq!(read.cautions.len(), 1, "{:?}", read.cautions);
    assert!(after.lines().filter(|l| l.contains("session: resumed")).count() == 1);
}

#[test]
fn marks_of_another_protocol_are_not_gone_on_with() {
    let folder = tempfile::tempdir().unwrap();
    let short = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/short-check.yaml");
    let file = folder.path().join("marks.yaml");
    let script = folder.path().join("script.txt");
    std::fs::write(&script, "0 space\n").unwrap();
    let marks = ["--marks", file.to_str().unwrap(), "--script", script.to_str().unwrap()];
    let done = assize(&["cue", short.to_str().unwrap()]).args(marks).output().unwrap();
    assert!(done.status.success());
    let (code, text) = by_script(folder.path(), "0 space\n", &["--go-on"]);
    assert!(code == Some(2) && text.contains("Short check"), "{text}");
}

#[test]
fn on_the_road_it_refuses_and_without_a_terminal_too() {
    let road = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/road-climbs.yaml");
    let done = assize(&["cue", road.to_str().unwrap()]).output().unwrap();
    let text = String::from_utf8(done.stderr).unwrap();
    assert!(done.status.code() == Some(2) && text.contains("nobody steers by a screen"), "{text}");
    let done = assize(&["cue", protocol_file().to_str().unwrap()]).stdin(Stdio::null()).output().unwrap();
    let text = String::from_utf8(done.stderr).unwrap();
    assert!(done.status.code() == Some(2) && text.contains("--script"), "{text}");
}

#[test]
fn a_mistake_in_a_script_is_told_at_its_line() {
    let folder = tempfile::tempdir().unwrap();
    let (code, text) = by_script(folder.path(), "0 space\n3 jump\n", &[]);
    assert!(code == Some(2) && text.contains("line 2") && text.contains("`3 jump`"), "{text}");
    let folder = tempfile::tempdir().unwrap();
    let (code, text) = by_script(folder.path(), "5 space\n3 show\n", &[]);
    assert!(code == Some(2) && text.contains("in order of time"), "{text}");
}
