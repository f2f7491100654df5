//! The run sheet and the workout: what riders hold, and what head units lead through.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use assize::internals::brief::workout::{LONGEST_NAME, MOST_STEPS, WorkoutStep, WorkoutTarget};
use assize::internals::brief::{Step, steps};
use assize::protocol;
use fitparser::profile::MesgNum;
use fitparser::{FitDataRecord, Value};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Names of all protocols that are shipped.
fn shipped() -> Vec<String> {
    let files = std::fs::read_dir(root().join("protocols")).unwrap().map(|entry| entry.unwrap().path());
    let mut names: Vec<String> = files.map(|file| file.file_stem().unwrap().to_str().unwrap().to_owned()).collect();
    names.sort();
    assert!(names.len() >= 7, "{names:?}");
    names
}

fn protocol_file(name: &str) -> PathBuf {
    root().join(format!("protocols/{name}.yaml"))
}

fn brief() -> Command {
    let mut command = Command::cargo_bin("assize").unwrap();
    command.arg("brief").current_dir(root());
    command
}

fn told(command: &mut Command) -> String {
    String::from_utf8(command.assert().success().get_output().stdout.clone()).unwrap()
}

fn demo_session() -> PathBuf {
    root().join("demo-data/bench-faulty/session.yaml")
}

#[test]
fn the_bench_trial_on_a_terminal() {
    let sheet = told(
        brief()
            .arg("protocols/bench-both-rings.yaml")
            .arg("--session")
            .arg(demo_session())
            .args(["--threshold", "250 W"]),
    );
    insta::assert_snapshot!(sheet);
}

#[test]
fn the_rig_trial_on_a_terminal() {
    insta::assert_snapshot!(told(brief().arg("protocols/rig-ramp-and-loads.yaml")));
}

#[test]
fn the_road_trial_on_a_terminal() {
    insta::assert_snapshot!(told(brief().arg("protocols/road-climbs.yaml")));
}

#[test]
fn every_sheet_fits_eighty_columns() {
    for name in shipped() {
        for line in told(brief().arg(protocol_file(&name)).args(["--threshold", "250W"])).lines() {
            assert!(line.chars().count() <= 80, "{name}: {line}");
        }
    }
}

/// A number in a message of the workout, as [`fitparser`] reads it.
fn number(record: &FitDataRecord, name: &str) -> Option<i64> {
    let value = record.fields().iter().find(|field| field.name() == name)?.value().clone();
    value.try_into().ok()
}

fn text(record: &FitDataRecord, name: &str) -> Option<String> {
    match record.fields().iter().find(|field| field.name() == name)?.value() {
        Value::String(text) => Some(text.clone()),
        _ => None,
    }
}

/// Name, seconds (`None`: open) and target of a step.
type Read = (String, Option<f64>, WorkoutTarget);

/// A head unit's way through the file: repeats ridden as often as they say. Numbers and scales are those of the public FIT
/// profile: durations in ms, power as watts + 1000.
fn unfolded(file: &Path) -> (Vec<Read>, usize) {
    let bytes = std::fs::read(file).unwrap();
    let mut options = std::collections::HashSet::new();
    options.insert(fitparser::de::DecodeOption::ReturnNumericEnumValues);
    let records = fitparser::de::from_bytes_with_options(&bytes, &options).unwrap();
    let kinds: Vec<MesgNum> = records.iter().map(|record| record.kind()).collect();
    assert_eq!((kinds[0], kinds[1]), (MesgNum::FileId, MesgNum::Workout));
    let lines: Vec<&FitDataRecord> = records.iter().filter(|r| r.kind() == MesgNum::WorkoutStep).collect();
    assert_eq!(number(&records[1], "num_valid_steps"), Some(lines.len() as i64));
    let mut way: Vec<Read> = vec![];
    let mut begins: BTreeMap<i64, usize> = BTreeMap::new();
    for line in &lines {
        let index = number(line, "message_index").unwrap();
        begins.insert(index, way.len());
        let field = |names: &[&str]| names.iter().find_map(|name| number(line, name));
        // The profile renames the value by its kind, so that each is looked for by all its names.
        let value = field(&["duration_value", "duration_time", "duration_step"]);
        match field(&["duration_type"]).unwrap() {
            6 => {
                let times = field(&["target_value", "repeat_steps"]).unwrap();
                let round = way[begins[&value.unwrap()]..].to_vec();
                (1..times).for_each(|_| way.extend(round.clone()));
                continue;
            }
            kind => assert!([0, 5].contains(&kind), "{kind}"),
        }
        let lasts_s = line.fields().iter().find(|f| f.name() == "duration_time").map(|f| f.value().clone());
        let lasts_s: Option<f64> = lasts_s.map(|value| value.try_into().unwrap());
        let end = |which: &str| {
            field(&[
                &format!("custom_target_power_{which}"),
                &format!("custom_target_cadence_{which}"),
                &format!("custom_target_value_{which}"),
            ])
        };
        let ends = end("low").zip(end("high")).map(|(low, high)| (low as u32, high as u32));
        let target = match (field(&["target_type"]).unwrap(), ends) {
            (2, _) => WorkoutTarget::Open,
            (4, Some((low, high))) => WorkoutTarget::Power(low - 1000, high - 1000),
            (3, Some((low, high))) => WorkoutTarget::Cadence(low, high),
            other => panic!("{other:?}"),
        };
        way.push((text(line, "wkt_step_name").unwrap(), lasts_s, target));
    }
    (way, lines.len())
}

#[test]
fn another_reader_finds_every_step_in_the_workout() {
    let folder = tempfile::tempdir().unwrap();
    for name in shipped() {
        let file = folder.path().join(format!("{name}.fit"));
        brief().arg(protocol_file(&name)).arg("--workout").arg(&file).assert().success();
        let (way, lines) = unfolded(&file);
        let asked: Vec<Step> = steps(&protocol::load(&protocol_file(&name), None).unwrap());
        assert_eq!(way.len(), asked.len(), "{name}");
        for ((title, lasts_s, target), step) in way.iter().zip(&asked) {
            let shown = WorkoutStep::of(step);
            assert_eq!((title, target), (&shown.name, &shown.target), "{name}");
            assert_eq!(lasts_s.is_some(), step.lasts.planned_s.is_some(), "{name}: {title}");
            let off_s = lasts_s.unwrap_or(0.0) - step.lasts.planned_s.unwrap_or(0.0);
            assert!(off_s.abs() < 1e-3, "{name}: {title} {lasts_s:?}");
            assert!(title.is_ascii() && (1..=LONGEST_NAME).contains(&title.len()), "{title}");
        }
        assert!(lines <= MOST_STEPS, "{name}: {lines}");
    }
}

#[test]
fn the_same_workout_has_the_same_bytes_and_another_protocol_another_serial() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, to: &str| {
        let file = folder.path().join(to);
        brief().arg(protocol_file(name)).arg("--workout").arg(&file).assert().success();
        std::fs::read(file).unwrap()
    };
    let serial = |bytes: &[u8]| number(&fitparser::from_bytes(bytes).unwrap()[0], "serial_number").unwrap();
    let (one, again, other) = (write("short-check", "a"), write("short-check", "b"), write("single-sided", "c"));
    assert_eq!(one, again);
    assert_ne!(serial(&one), serial(&other));
}

#[test]
fn targets_of_threshold_power_follow_the_rider() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("p.yaml");
    let written = "assize: 1\ntitle: T\nrevision: one\nbasis: {threshold_power: 250 W}\nphases:\n  \
                   - {phase: block, drill: steady, power: 80 % of threshold_power, lasts: 4 min}\n";
    std::fs::write(&file, written).unwrap();
    let plain = told(brief().arg(&file));
    assert!(plain.contains("200 W") && plain.contains("the protocol's own 250 W"), "{plain}");
    let riders = told(brief().arg(&file).args(["--threshold", "300W"]));
    assert!(riders.contains("240 W (80 %)") && !riders.contains("own 250 W"), "{riders}");
    brief().arg(&file).args(["--threshold", "300"]).assert().failure().code(2);
}

const HOSTILE: &str = "</title></style><script>alert(1)</script>\u{202e}' onload='x'";

/// Everything that a session can name, as unfriendly as it gets.
fn hostile_session(folder: &Path) -> PathBuf {
    let file = folder.join("session.yaml");
    let bench = protocol_file("short-check");
    let written = format!(
        "assize_session: 1\nprotocol: {}\ntester: \"{HOSTILE}\"\nplace: \"{HOSTILE}\"\ndate: 2026-11-03\n\
         unit: {{label: \"{HOSTILE}\", located: spindle, firmware: \"{HOSTILE}\", battery: ?}}\n\
         references:\n  - {{label: \"{}\", located: pedals, uncertainty: 1 %, firmware: \"{{{{ nobody }}}}\", recording: not-there-yet.fit}}\n",
        bench.display(),
        "x".repeat(80),
    );
    std::fs::write(&file, written).unwrap();
    file
}

#[test]
fn the_page_loads_and_runs_nothing_and_hostile_labels_stay_text() {
    let folder = tempfile::tempdir().unwrap();
    let page = told(brief().arg("--session").arg(hostile_session(folder.path())).args(["--html", "-"]));
    for word in ["<script", "http:", "https:", "url(", "@import", " src=", "<link", "<iframe", "<object", "<img"] {
        assert!(!page.contains(word), "{word}");
    }
    assert!(page.contains("Content-Security-Policy") && page.contains("default-src 'none'"));
    assert!(page.contains("&lt;script&gt;alert(1)") && !page.contains("onload='x'"));
    assert!(page.contains("{{ nobody }}"), "a text is no template");
    assert_eq!((page.matches("</style>").count(), page.matches("</title>").count()), (1, 1));
    let terminal = told(brief().arg("--session").arg(hostile_session(folder.path())));
    assert!(!terminal.contains('\u{202e}'));
}

#[test]
fn every_page_has_headings_in_order_and_headers_that_say_what_they_head() {
    for name in shipped() {
        let page = told(brief().arg(protocol_file(&name)).args(["--html", "-"]));
        let levels: Vec<u32> =
            page.match_indices("<h").filter_map(|(i, _)| page[i + 2..].chars().next()?.to_digit(10)).collect();
        assert_eq!(levels[0], 1, "{name}");
        assert!(levels.windows(2).all(|w| w[1] <= w[0] + 1), "{name}: {levels:?}");
        let headers = page.matches("<th").count() - page.matches("<thead").count();
        assert_eq!(headers, page.matches("<th scope=\"").count(), "{name}");
        assert!(page.len() < 60_000, "{name}: {} bytes", page.len());
    }
}

#[test]
fn mistakes_are_listed_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("page.html");
    let output = brief().arg("tests/language/twelve-mistakes.yaml").arg("--html").arg(&page).assert().code(2);
    let said = String::from_utf8(output.get_output().stderr.clone()).unwrap();
    assert!(said.contains("the protocol can't be used") && said.matches("error:").count() >= 12, "{said}");
    assert!(!page.exists());
}

#[test]
fn a_session_of_another_protocol_is_said() {
    let sheet = told(brief().arg("protocols/short-check.yaml").arg("--session").arg(demo_session()));
    let lines: Vec<&str> = sheet.split_whitespace().collect();
    assert!(lines.join(" ").contains("The session names another protocol: Bench trial on both chainrings"), "{sheet}");
}

#[test]
fn a_session_still_to_be_ridden_may_leave_blanks_but_no_mistakes() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("session.yaml");
    let bench = protocol_file("bench-both-rings");
    let write = |rest: &str| {
        std::fs::write(&file, format!("assize_session: 1\nprotocol: {}\n{rest}", bench.display())).unwrap()
    };
    write("tester: ?\nunit: {label: unit 017, located: ?, recording: ?}\nreferences: ?\n");
    let sheet = told(brief().arg("--session").arg(&file));
    assert!(sheet.contains("Tester                   ____"), "{sheet}");
    write("unit: {label: unit 017, locatd: spindle}\nreferences: ?\n");
    let said = brief().arg("--session").arg(&file).assert().code(2);
    let said = String::from_utf8(said.get_output().stderr.clone()).unwrap();
    assert!(said.contains("the session can't be used") && said.contains("locatd"), "{said}");
    std::fs::write(&file, "?\n").unwrap();
    brief().arg("--session").arg(&file).assert().code(2);
}
