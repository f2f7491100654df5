//! What is told before anything is judged: by `inspect` of recordings, by `draft` in the session that it writes, by `check` of a
//! session without its recordings.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use assize::cli::{Cli, Exit};
use assize::internals::rehearse::{self, RehearsalPlan, simulate};
use chrono::TimeDelta;
use clap::Parser;
use serde_json::Value;

use crate::common;

fn run(args: &[&str]) -> (Exit, String) {
    let mut out = vec![];
    let cli = Cli::try_parse_from(std::iter::once(&"assize").chain(args)).unwrap();
    let exit = assize::cli::run(&cli, &mut out).unwrap();
    (exit, String::from_utf8(out).unwrap())
}

/// What a terminal shows, its lines joined: a sentence may be wrapped anywhere.
fn shown(args: &[&str]) -> String {
    let (exit, text) = run(args);
    assert_eq!(exit, Exit::Done, "{text}");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A ride's files in a folder of its own; each seed another day.
fn ridden(folder: &Path, seed: u64) -> PathBuf {
    let protocol = common::shipped("short-check.yaml");
    let plan = RehearsalPlan::new(seed);
    let plan = RehearsalPlan { date: plan.date + TimeDelta::days(seed as i64), ..plan };
    let folder = folder.join(format!("ride-{seed}"));
    rehearse::write(&simulate(&protocol, &plan), &folder).unwrap();
    folder
}

/// A table of ten minutes, a line a second.
fn table(file: &Path, header: &str, line: impl Fn(u32) -> String) -> String {
    let mut text = format!("time,{header}\n");
    for second in 0..600 {
        writeln!(text, "{},{}", 1_795_267_800 + second, line(second)).unwrap();
    }
    fs::write(file, text).unwrap();
    file.display().to_string()
}

fn contradicted(report: &Value) -> Vec<(String, String)> {
    let of = |premise: &Value, key: &str| premise[key].as_str().unwrap().to_owned();
    let premises = report["premises"].as_array().unwrap();
    let told = premises.iter().filter(|premise| premise["state"] == "contradicted");
    told.map(|premise| (of(premise, "premise"), of(premise, "evidence"))).collect()
}

fn inspected(files: &[&str]) -> Value {
    serde_json::from_str(&run(&[&["inspect", "--json"], files].concat()).1).unwrap()
}

#[test]
fn inspect_tells_what_files_contradict_among_each_other() {
    let folder = tempfile::tempdir().unwrap();
    let ride = ridden(folder.path(), 1);
    let of = |file: &str| ride.join(file).display().to_string();
    let (unit, pedals, trainer) = (of("unit-017.fit"), of("pedals-p.fit"), of("trainer-t.fit"));
    let sound = inspected(&[&unit, &pedals, &trainer]);
    assert_eq!(contradicted(&sound), []);
    let held: Vec<&Value> = sound["premises"].as_array().unwrap().iter().filter(|p| p["state"] == "held").collect();
    assert_eq!(held.len(), 3 + 3 + 2, "each measured, each pair two, two of the first reference's ride: {held:?}");
    let text = shown(&["inspect", &unit, &pedals, &trainer]);
    assert!(text.ends_with("what they say of each other held two instruments, measured, same ride"), "{text}");

    let copy = folder.path().join("copy.fit");
    fs::copy(&pedals, &copy).unwrap();
    let told = contradicted(&inspected(&[&unit, &pedals, copy.to_str().unwrap()]));
    let about = format!("{pedals} and {}", copy.display());
    assert_eq!(told[0], ("own recording".to_owned(), format!("{about} have one serial number, 2001")));
    assert!(told[1].0 == "two instruments" && told[1].1.starts_with(&format!("{about} read the same to the watt in ")));
    assert_eq!(told.len(), 2);

    // The same pedals on another day are no copy, and no second instrument of one ride.
    let other = ridden(folder.path(), 2).join("pedals-p.fit").display().to_string();
    let told = contradicted(&inspected(&[&unit, &pedals, &other]));
    assert!(told.len() == 1 && told[0].0 == "same ride" && told[0].1.contains("are of different days"), "{told:?}");
    let text = shown(&["inspect", &pedals, &other]);
    assert!(text.contains("contradicted") && text.contains("are of different days"), "{text}");
    // A file that is named twice is one file.
    assert_eq!(contradicted(&inspected(&[&pedals, &pedals])), []);
}

#[test]
fn inspect_tells_a_recording_that_measured_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str| folder.path().join(name);
    let zero = table(&file("zero.csv"), "power", |_| "0".into());
    let one = table(&file("one.csv"), "power", |_| "180".into());
    let side = table(&file("side.csv"), "power,right_share", |s| format!("{},100", 150 + s % 60));
    let sound = table(&file("sound.csv"), "power,right_share", |s| format!("{},{}", 150 + s % 60, 48 + s % 5));
    for (file, says) in [
        (&zero, "all 600 readings are zero"),
        (&one, "all 600 readings are 180 W"),
        (&side, "records both sides and shows the right one alone in 600 of 600 seconds"),
    ] {
        let text = shown(&["inspect", file]);
        assert!(text.ends_with(&format!("what it says of itself contradicted {file}: {says}")), "{text}");
    }
    let text = shown(&["inspect", &sound]);
    assert!(!text.contains("says of itself"), "{text}");
    // More than one bike carries are not held against each other.
    let many: Vec<String> =
        (0..13).map(|i| table(&file(&format!("{i}.csv")), "power", |s| (100 + i + s % 50).to_string())).collect();
    let files: Vec<&str> = many.iter().map(String::as_str).collect();
    let text = shown(&[&["inspect"], &files[..]].concat());
    assert!(text.contains("two instruments: 13 recordings are more than one bike carries; name those of one ride"));
}

#[test]
fn two_files_without_anything_in_common_are_told_as_two_rides() {
    let folder = tempfile::tempdir().unwrap();
    // A long wave and a short one, on stamps of one hour.
    let wave = |s: u32, period: f64| (200.0 + 60.0 * (f64::from(s) / period).sin() + f64::from(s * s % 17)).round();
    let one = table(&folder.path().join("a.csv"), "power", |s| wave(s, 50.0).to_string());
    let other = table(&folder.path().join("b.csv"), "power", |s| wave(s * s % 601, 7.0).to_string());
    let text = shown(&["inspect", &one, &other]);
    let says = "nothing that they recorded is alike, nor their power: recordings of different rides";
    assert!(text.contains(&format!("contradicted {one} and {other}: {says}")), "{text}");
}

#[test]
fn a_draft_says_what_its_recordings_contradict() {
    let folder = tempfile::tempdir().unwrap();
    let ride = ridden(folder.path(), 1);
    let of = |file: &str| ride.join(file).display().to_string();
    let copy = ride.join("copy.fit");
    fs::copy(of("pedals-p.fit"), &copy).unwrap();
    // A byte more, so that it is not the same file.
    let mut bytes = fs::read(&copy).unwrap();
    bytes.push(0);
    fs::write(&copy, bytes).unwrap();
    let out = folder.path().join("session.yaml");
    let copied = copy.display().to_string();
    let (unit, pedals) = (of("unit-017.fit"), of("pedals-p.fit"));
    let (_, printed) = run(&["draft", &unit, &pedals, &copied, "--out", out.to_str().unwrap()]);
    let says = format!("{pedals} and {copied} have one serial number, 2001");
    assert!(printed.contains(&format!("\ncontradicted: {says}\n")), "{printed}");
    let text = fs::read_to_string(&out).unwrap();
    assert!(text.contains(&format!("\n# Contradicted: {says}\n")), "{text}");
    assert!(text.contains("a copy, no second instrument\n"));
    for line in ["  label: \"unit 17\"", "  serial: \"17\"\n", "  firmware: \"1.80\"\n", "    serial: \"2001\"\n"] {
        assert!(text.contains(line), "{line}{text}");
    }
    let (_, printed) = run(&["draft", &unit, &pedals]);
    assert!(!printed.contains("ontradicted"), "{printed}");
}

/// The lines of `check` for a session of this protocol, its first line aside.
fn checked(needs: &str, session: &str) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let protocol = format!(
        "assize: 1\ntitle: t\nrevision: r\nneeds: {needs}\nphases:\n  - {{phase: zero, drill: zero_check, checks: {{zero_shift: \
         within 5}}}}\n  - {{phase: hung, drill: static_load, loads: [5 kg, 10 kg], checks: {{torque_error: within 2 %}}}}\n"
    );
    fs::write(folder.path().join("p.yaml"), protocol).unwrap();
    fs::write(folder.path().join("p.csv"), "what it holds is not looked at").unwrap();
    let file = folder.path().join("session.yaml");
    fs::write(&file, format!("assize_session: 1\nprotocol: p.yaml\n{session}")).unwrap();
    let (exit, text) = run(&["check", file.to_str().unwrap()]);
    assert_eq!(exit, Exit::Done, "{text}");
    let told = ["hint: ", "warning: ", "contradicted: "];
    let lines = text.lines().map(str::trim).filter(|line| told.iter().any(|word| line.starts_with(word)));
    lines.map(str::to_owned).collect()
}

const UNIT: &str = "unit: {label: unit 017, located: spindle, sides: both}\n";
const PEDALS: &str =
    "references:\n  - {label: pedals, located: pedals, sides: both, recording: p.csv, uncertainty: 1 %}\n";

#[test]
fn check_tells_what_a_session_contradicts_before_any_recording_is_read() {
    let to_type = [
        "hint: zero: 2 readings are to be typed in the session",
        "hint: hung: 4 readings are to be typed in the session",
    ];
    assert_eq!(checked("{references: 1}", &format!("{UNIT}{PEDALS}")), to_type);
    let session = "date: 2026-11-03\n\
                   unit: {label: unit 017, located: spindle, sides: both, serial: 0017, received: 2026-11-09}\n\
                   references:\n  - label: pedals\n    located: pedals\n    sides: both\n    recording: p.csv\n    uncertainty: 1 %\n    serial: 17\n    \
                   certificate: {number: P-12, date: 2026-11-05}\n\
                   readings:\n  zero_before: 3\n  loads: [{mass: 5 kg, side: left, torque: 8.4 N·m}]\n";
    assert_eq!(
        checked("{references: 1}", session),
        [
            "contradicted: unit 017 and pedals have one serial number, 17; this takes the verdict",
            "contradicted: pedals: its certificate is of 2026-11-05, after the ride on 2026-11-03",
            "contradicted: unit 017: came on 2026-11-09, after the ride on 2026-11-03",
            "contradicted: zero: 1 of 2 readings were typed; this takes the check",
            "contradicted: hung: 1 of 4 readings were typed; this takes the check",
        ]
    );
}

#[test]
fn check_tells_what_a_protocol_needs_and_nothing_can_hold() {
    let told = checked("{certificates: valid}", &format!("date: 2026-11-03\n{UNIT}{PEDALS}"));
    assert_eq!(
        told[..2],
        [
            "contradicted: no reference is left to judge by; this takes the verdict",
            "contradicted: pedals: no certificate is given; this takes the reference",
        ]
    );
    let held =
        "{held: [own recording, firmware, references, clocks, bike, pins, dates, protocol ridden, certificates]}";
    let told = checked(held, &format!("{UNIT}{PEDALS}"));
    let so = |says: &str, word: &str| {
        format!("warning: {says}; the protocol needs `{word}` to be held, so nothing can pass")
    };
    for expected in [
        so("unit 017: give its `serial` as recordings state it, else its `model`", "own recording"),
        so("pedals: give its `serial` as recordings state it, else its `model`", "own recording"),
        so("no instrument's `firmware` is given", "firmware"),
        so("there is no second reference to hold one against", "references"),
        so("chainrings, cassette and wheel are not all given in `drivetrain`", "bike"),
        so("nothing is pinned", "pins"),
        so("neither the session's `date` nor when an instrument came (`received`) is given", "dates"),
        so("no version up to this one tests it", "protocol ridden"),
        so("pedals: no certificate is given", "certificates"),
    ] {
        assert!(told.contains(&expected), "{expected}\n{told:?}");
    }
    // Clocks are the recordings' to tell, and so is the day.
    assert!(!told.iter().any(|line| line.contains("`clocks`")), "{told:?}");
    let dated = PEDALS.replace("uncertainty: 1 %", "uncertainty: 1 %, certificate: {date: 2026-03-02}");
    assert_eq!(checked("{certificates: valid}", &format!("{UNIT}{dated}")).len(), 2);
}
