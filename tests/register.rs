//! `assize register`: adding, finding, asking, exporting, judging again; several processes at once, killed processes, files
//! that are something else.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::LazyLock;
use std::time::{Duration, Instant};

use assize::internals::register::{Added, AskError, Filters, Limits, Register, VIEWS, Value, VerdictDocument};
use assize::verdict::json;
use assize::verdict::{Outcome, Verdict};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tempfile::TempDir;

const FAULTY: &str = "demo-data/bench-faulty/session.yaml";
const PROGRAM: &str = env!("CARGO_BIN_EXE_assize");

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// The faulty demo, judged once.
static VERDICT: LazyLock<Verdict> = LazyLock::new(|| {
    let session = assize::session::load(&project(FAULTY)).unwrap_or_else(|problems| panic!("{problems}"));
    assize::judge(&session).unwrap().remove(0).verdict
});

/// A session of its own: another unit, ridden on another day, with recordings of its own.
fn session(n: usize) -> Verdict {
    let mut v = VERDICT.clone();
    v.unit.label = format!("unit {n:03}");
    v.sheet_number = format!("202611{:02}-{n:010X}", n % 28 + 1);
    v.session.start = format!("2026-11-{:02}T09:30:00Z", n % 28 + 1).parse().unwrap();
    for (i, recording) in v.recordings.iter_mut().enumerate() {
        recording.sha256 = format!("{n:060x}{i:04x}");
    }
    v
}

/// The same with few phases, for tests that add many.
fn small(n: usize) -> Verdict {
    let mut v = session(n);
    v.phases.truncate(4);
    v
}

fn written(folder: &Path, name: &str, verdict: &Verdict) -> PathBuf {
    let file = folder.join(name);
    std::fs::write(&file, json::to_string(verdict)).unwrap();
    file
}

/// Exit code, standard output, standard error.
fn run(args: &[&str], folder: &Path) -> (i32, String, String) {
    let output = Command::new(PROGRAM).arg("register").args(args).current_dir(folder).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

fn time() -> chrono::DateTime<chrono::Utc> {
    "2026-12-01T12:00:00Z".parse().unwrap()
}

/// A register of these verdicts.
fn register_of(folder: &TempDir, verdicts: &[Verdict]) -> PathBuf {
    let file = folder.path().join("register.sqlite");
    let mut register = Register::open(&file).unwrap();
    for (n, verdict) in verdicts.iter().enumerate() {
        let document = VerdictDocument::read(&written(folder.path(), &format!("v{n}.json"), verdict)).unwrap();
        register.add(&document, time()).unwrap();
    }
    file
}

const LIMITS: Limits = Limits { time: Duration::from_secs(20), lines: 10_000 };

fn asked(register: &mut Register, question: &str) -> Vec<Vec<Value>> {
    register.ask(question, LIMITS).unwrap_or_else(|error| panic!("{question}: {error}")).lines
}

fn texts(register: &mut Register, question: &str) -> Vec<String> {
    let lines = asked(register, question);
    lines.into_iter().map(|line| line.iter().map(shown).collect::<Vec<_>>().join("|")).collect()
}

fn shown(value: &Value) -> String {
    match value {
        Value::Null => "null".into(),
        Value::Integer(number) => number.to_string(),
        Value::Real(number) => number.to_string(),
        Value::Text(text) => text.clone(),
        Value::Blob(_) => "blob".into(),
    }
}

#[test]
fn adding_twice_changes_nothing_and_a_newer_judgement_supersedes_while_the_older_stays_readable() {
    let folder = tempfile::tempdir().unwrap();
    let first = session(17);
    let file = written(folder.path(), "verdict.json", &first);
    let at = ["--at", "2026-12-01T12:00:00Z"];
    let add = |name: &str| run(&["add", name, at[0], at[1]], folder.path());
    assert_eq!(add("verdict.json"), (0, "kept: 20261118-0000000011 unit 017, fail\n".into(), String::new()));
    let bytes = std::fs::read(folder.path().join("assize-register.sqlite")).unwrap();
    let told = "already kept, nothing changed: 20261118-0000000011 unit 017, fail\n";
    assert_eq!(add("verdict.json"), (0, told.into(), String::new()));
    assert_eq!(std::fs::read(folder.path().join("assize-register.sqlite")).unwrap(), bytes);

    // A corrected session file and a newer program: the same recordings, so the same session.
    let mut second = first.clone();
    (second.assize, second.verdict, second.unit.serial) = ("9.1.0".into(), Some(Outcome::Undecided), Some("A1".into()));
    second.sheet_number = "20261118-FFFFFFFFFF".into();
    second.session.sha256 = Some("0".repeat(64));
    second.diagnosis.clear();
    written(folder.path(), "newer.json", &second);
    let told = "kept: 20261118-FFFFFFFFFF unit 017, undecided; supersedes 20261118-0000000011, fail by 0.2.0, \
                which stays readable\n";
    assert_eq!(add("newer.json"), (0, told.into(), String::new()));
    let (_, list, _) = run(&["list"], folder.path());
    assert!(list.contains("undecided  20261118-FFFFFFFFFF") && list.contains("\n1 session\n"), "{list}");

    let (code, shown, _) = run(&["show", "20261118-F", "--all"], folder.path());
    assert!(code == 0 && shown.contains("supersedes an older one"), "{shown}");
    assert!(shown.contains("SUPERSEDED by judgement 2, sheet 20261118-FFFFFFFFFF"), "{shown}");
    assert!(shown.contains("added 2026-12-01T12:00:00Z"));
    let (_, old, _) = run(&["show", "20261118-f", "--judgement", "1", "--json"], folder.path());
    assert_eq!(old.as_bytes(), std::fs::read(&file).unwrap());
    // Its number leads to it still.
    let (_, old, _) = run(&["show", "20261118-0000000011", "--json"], folder.path());
    assert_eq!(old.as_bytes(), std::fs::read(&file).unwrap());
    let (_, told, _) = run(&["add", "verdict.json"], folder.path());
    assert!(told.starts_with("already kept and superseded since, nothing changed"), "{told}");

    let mut register = Register::open_to_read(&folder.path().join("assize-register.sqlite")).unwrap();
    assert_eq!(register.audit().unwrap(), Vec::<String>::new());
    assert_eq!(texts(&mut register, "SELECT count(*) FROM findings"), ["0"]);
    assert_eq!(
        texts(&mut register, "SELECT newest, program FROM judgements ORDER BY judgement"),
        ["0|0.2.0", "1|9.1.0"]
    );
}

#[test]
fn the_same_ride_under_another_label_is_a_session_of_its_own_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let mut other = session(1);
    other.unit.label = "unit one".into();
    written(folder.path(), "a.json", &session(1));
    written(folder.path(), "b.json", &other);
    let (code, told, _) = run(&["add", "a.json", "b.json"], folder.path());
    assert!(code == 0 && told.contains("the same recordings are kept for unit 001 too"), "{told}");
}

#[test]
fn what_is_no_verdict_is_refused_by_name_and_the_others_are_kept() {
    let folder = tempfile::tempdir().unwrap();
    written(folder.path(), "good.json", &session(1));
    written(folder.path(), "late.json", &session(2));
    let mut future = serde_json::to_value(session(3)).unwrap();
    future["verdict_format"] = 7.into();
    future["assize"] = "9.9.0".into();
    std::fs::write(folder.path().join("future.json"), future.to_string()).unwrap();
    std::fs::write(folder.path().join("half.json"), &json::to_string(&session(4))[..5000]).unwrap();
    std::fs::write(folder.path().join("other.json"), "{\"a\": 1}").unwrap();
    let (code, kept, refused) =
        run(&["add", "good.json", "future.json", "half.json", "other.json", "none.json", "late.json"], folder.path());
    assert_eq!((code, kept.lines().count()), (2, 2), "{kept}");
    let refused: Vec<&str> = refused.lines().collect();
    assert_eq!(
        refused[0],
        "refused: future.json: its verdict_format is 7, and this program reads up to 2; use the program that wrote it, 9.9.0, \
         or judge the session again with this one"
    );
    assert!(refused[1].starts_with("refused: half.json: it is no verdict: EOF while parsing"), "{}", refused[1]);
    assert!(refused[2].starts_with("refused: other.json: it is no verdict: it has no key `verdict_format`; give the"));
    assert!(refused[3].starts_with("refused: none.json: no such file; "), "{}", refused[3]);
    assert_eq!(refused.len(), 4);
}

#[test]
fn filters_find_what_they_are_asked_for_by_an_index_each() {
    let folder = tempfile::tempdir().unwrap();
    let verdicts: Vec<Verdict> = (1..=12)
        .map(|n| {
            let mut v = session(n);
            v.unit.model = Some(format!("model {}", n % 2));
            v.unit.firmware = Some(format!("1.{}", n % 3));
            v.session.tester = Some(["tester A", "tester B"][n % 2].into());
            v.protocol.as_mut().unwrap().title = format!("Protocol {}", n % 4);
            v.verdict = [Some(Outcome::Pass), Some(Outcome::Fail), None][n % 3];
            if n % 3 != 1 {
                v.diagnosis.clear();
            }
            v
        })
        .collect();
    let file = register_of(&folder, &verdicts);
    let register = Register::open_to_read(&file).unwrap();
    let some = |text: &str| Some(text.to_owned());
    let none = Filters::default;
    let day = |day: &str| Some(day.parse().unwrap());
    let cases = [
        (none(), vec![12, 11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1], "judgement_filters"),
        (Filters { unit: some("UNIT 007"), ..none() }, vec![7], "judgement_unit"),
        (Filters { model: some("model 1"), ..none() }, vec![11, 9, 7, 5, 3, 1], "judgement_model"),
        (Filters { firmware: some("1.2"), ..none() }, vec![11, 8, 5, 2], "judgement_firmware"),
        (Filters { protocol: some("protocol 3"), ..none() }, vec![11, 7, 3], "judgement_protocol"),
        (Filters { tester: some("tester b"), ..none() }, vec![11, 9, 7, 5, 3, 1], "judgement_tester"),
        // Unit n is ridden on the (n + 1)th of November.
        (Filters { from: day("2026-11-11"), ..none() }, vec![12, 11, 10], "judgement_filters"),
        (Filters { to: day("2026-11-04"), ..none() }, vec![3, 2, 1], "judgement_filters"),
        (Filters { verdict: some("fail"), ..none() }, vec![10, 7, 4, 1], "judgement_verdict"),
        (Filters { verdict: some("advisory"), ..none() }, vec![11, 8, 5, 2], "judgement_verdict"),
        (Filters { pattern: some("ring-dependent"), ..none() }, vec![10, 7, 4, 1], "finding_pattern"),
        (Filters { unit: some("unit 007"), verdict: some("pass"), ..none() }, vec![], "judgement_filters"),
        (Filters { verdict: some("fail"), from: day("2026-11-06"), ..none() }, vec![10, 7], "judgement_verdict"),
        (Filters { pattern: some("ring-dependent"), to: day("2026-11-06"), ..none() }, vec![4, 1], "finding_pattern"),
        (
            Filters { pattern: some("ring-dependent"), model: some("model 1"), ..none() },
            vec![7, 1],
            "judgement_filters",
        ),
    ];
    for (filters, expected, index) in cases {
        let (answer, all) = register.list(&filters, &["unit"], 100).unwrap();
        let units: Vec<usize> = answer.lines.iter().map(|line| shown(&line[0])[5..].parse().unwrap()).collect();
        assert_eq!((&units, all), (&expected, expected.len()), "{filters:?}");
        let plan = register.list_plan(&filters).unwrap();
        let by_index = |line: &String| {
            (line.contains("USING INDEX") || line.contains("USING COVERING INDEX")) && line.contains(index)
        };
        assert!(plan.iter().any(by_index), "{filters:?}: {plan:#?}");
        assert!(!plan.iter().any(|line| line.starts_with("SCAN") && !line.contains("INDEX")), "{plan:#?}");
    }
    let (_, list, _) =
        run(&["list", "--register", "register.sqlite", "--from", "2026-11-05", "--rows", "2"], folder.path());
    assert!(list.lines().all(|line| line.chars().count() <= 80), "{list}");
    assert!(list.ends_with("\n2 of 9 sessions; --rows 9 shows all\n"), "{list}");
    let (_, csv, _) = run(&["list", "--register", "register.sqlite", "--unit", "unit 004", "--csv"], folder.path());
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let heads = reader.headers().unwrap().clone();
    assert!(heads.iter().eq(VIEWS[0].columns.iter().map(|(name, _)| *name)));
    assert_eq!(reader.records().count(), 1);
    let (code, nothing, _) = run(&["list", "--register", "register.sqlite", "--unit", "x"], folder.path());
    assert_eq!((code, nothing.as_str()), (0, "no session here is so\n"));
}

#[test]
fn a_number_s_beginning_is_enough_and_one_that_fits_several_lists_them() {
    let folder = tempfile::tempdir().unwrap();
    register_of(&folder, &[session(1), session(2), session(29)]);
    let show = |sheet: &str| run(&["show", sheet, "--register", "register.sqlite"], folder.path());
    let (code, shown, _) = show("20261103");
    assert!(code == 0 && shown.starts_with("Sheet 20261103-0000000002, judged by assize 0.2.0\n"), "{shown}");
    assert!(shown.contains("\nFAIL  unit 002, firmware 1.8"));
    let (code, _, error) = show("20261102-");
    assert_eq!(code, 2);
    assert_eq!(
        error,
        "error: register.sqlite: 2 sheets and more begin with `20261102-`; write more of the number:\n  \
         20261102-000000001D  unit 029, ridden 2026-11-02\n  20261102-0000000001  unit 001, ridden 2026-11-02\n"
    );
    let (code, _, error) = show("2025");
    let told =
        "error: register.sqlite: no sheet here has a number that begins with `2025`; `assize register list` shows";
    assert!(code == 2 && error.starts_with(told), "{error}");
    let (code, _, error) =
        run(&["show", "20261103", "--judgement", "9", "--register", "register.sqlite"], folder.path());
    assert_eq!((code, error.as_str()), (2, "error: that session has no judgement 9; it has 2\n"));
}

#[test]
fn views_have_the_columns_that_are_told_and_hold_the_numbers_of_the_json() {
    let folder = tempfile::tempdir().unwrap();
    let verdict = session(17);
    let file = register_of(&folder, std::slice::from_ref(&verdict));
    let mut register = Register::open_to_read(&file).unwrap();
    for view in VIEWS {
        let columns = texts(&mut register, &format!("SELECT name FROM pragma_table_info('{}')", view.name));
        let told: Vec<&str> = view.columns.iter().map(|(name, _)| *name).collect();
        assert_eq!(columns, told, "{}", view.name);
        register.ask(view.question, LIMITS).unwrap_or_else(|error| panic!("{}: {error}", view.question));
        let plan = texts(&mut register, &format!("EXPLAIN QUERY PLAN {}", view.question));
        assert!(plan.iter().any(|line| line.contains("INDEX")), "{}: {plan:#?}", view.name);
        assert!(!plan.iter().any(|line| line.contains("SCAN") && !line.contains("INDEX")), "{}: {plan:#?}", view.name);
    }
    let checks =
        "SELECT place, phase, repeat, measure, value, expanded_uncertainty, limit_low, limit_high, verdict, required
                  FROM checks ORDER BY place";
    let lines = asked(&mut register, checks);
    assert_eq!(lines.len(), verdict.checks().count());
    let real = |number: Option<f64>| number.map_or(Value::Null, Value::Real);
    for (line, placed) in lines.iter().zip(verdict.checks()) {
        let check = placed.check;
        assert_eq!((shown(&line[1]).as_str(), shown(&line[3]).as_str()), (placed.label(), check.measure.as_str()));
        assert_eq!(line[2], placed.repeat().map_or(Value::Null, |repeat| Value::Integer(repeat.into())));
        assert_eq!(line[4..8], [check.value, check.expanded_uncertainty, check.limit_low, check.limit_high].map(real));
        assert_eq!(shown(&line[8]), check.verdict.word());
        assert_eq!(line[9], Value::Integer(placed.required().into()));
    }
    let findings: Vec<String> =
        verdict.diagnosis.iter().map(|f| format!("{}|{}|{}", f.pattern, f.size, f.says)).collect();
    assert_eq!(texts(&mut register, "SELECT pattern, size, says FROM findings ORDER BY place"), findings);
    let repeats: Vec<String> =
        verdict.repeats.iter().map(|r| format!("{}|{}|{}", r.phase, r.ridden, r.failed)).collect();
    assert_eq!(texts(&mut register, "SELECT phase, ridden, failed FROM repeats ORDER BY place"), repeats);
    assert_eq!(
        texts(&mut register, "SELECT conditions ->> 'temperature', patterns FROM sessions"),
        [format!("19 °C|{}", verdict.diagnosis.iter().map(|f| f.pattern.as_str()).collect::<Vec<_>>().join(", "))]
    );
    let (_, told, _) = run(&["ask", "--views"], folder.path());
    assert!(told.lines().all(|line| line.chars().count() <= 120) && told.contains("findings: a line for each pattern"));
}

#[test]
fn a_question_only_reads() {
    let folder = tempfile::tempdir().unwrap();
    let file = register_of(&folder, &[small(1)]);
    let before = std::fs::read(&file).unwrap();
    let other = folder.path().join("other.sqlite");
    let attach = format!("ATTACH '{}' AS o", other.display());
    let vacuum = format!("VACUUM INTO '{}'", other.display());
    let refused = [
        ("DELETE FROM judgement", "change `judgement`"),
        ("INSERT INTO document VALUES (1, x'00')", "change `document`"),
        ("UPDATE judgement SET unit = 'x'", "change `judgement`"),
        ("DROP VIEW sessions", "change the register"),
        ("CREATE TABLE t (a)", "change the register"),
        ("CREATE TEMP TABLE t (a)", "change the register"),
        (attach.as_str(), "open another file (ATTACH)"),
        (vacuum.as_str(), "change something"),
        ("PRAGMA user_version = 7", "use the setting `user_version`"),
        ("PRAGMA journal_mode = WAL", "use the setting `journal_mode`"),
        ("PRAGMA query_only = 0", "use the setting `query_only`"),
        ("BEGIN IMMEDIATE", "open a transaction"),
        ("SELECT load_extension('x')", "load a program from a file"),
        ("SELECT gzip FROM document", "read `document`, which is no view and may change with any version"),
    ];
    for (question, would) in refused {
        let mut register = Register::open_to_read(&file).unwrap();
        match register.ask(question, LIMITS) {
            Err(AskError::NotReading(told)) => assert_eq!(told, would, "{question}"),
            other => panic!("{question}: {other:?}"),
        }
        // What was refused once does not spoil the next.
        assert_eq!(texts(&mut register, "SELECT count(*) FROM sessions"), ["1"]);
    }
    let (code, _, error) = run(&["ask", "DELETE FROM judgement", "--register", "register.sqlite"], folder.path());
    let told = "error: a question only reads, and this would change `judgement`; write one SELECT on the views that \
                `assize register ask --views` lists\n";
    assert_eq!((code, error.as_str()), (2, told));
    let mut register = Register::open_to_read(&file).unwrap();
    for nothing in ["", " ; ", "-- a remark"] {
        assert!(matches!(register.ask(nothing, LIMITS), Err(AskError::Nothing)), "{nothing:?}");
    }
    let two = register.ask("SELECT 1; SELECT 2", LIMITS).unwrap_err();
    assert_eq!(two.to_string(), "only one statement at a time; ask the others after it");
    let wrong = register.ask("SELECT unitt FROM sessions", LIMITS).unwrap_err().to_string();
    assert_eq!(wrong, "no such column: unitt, at `unitt`; `assize register ask --views` lists views and columns");
    let large = register.ask("SELECT length(zeroblob(1000000000))", LIMITS).unwrap_err();
    assert!(matches!(large, AskError::TooLarge), "{large}");
    assert!(!other.exists());
    assert_eq!(std::fs::read(&file).unwrap(), before);
}

#[test]
fn a_question_without_end_is_stopped_and_a_long_answer_is_left_off_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let file = register_of(&folder, &[small(1)]);
    let mut register = Register::open_to_read(&file).unwrap();
    let endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT count(*) FROM n";
    let limits = Limits { time: Duration::from_millis(200), lines: 10 };
    let error = register.ask(endless, limits).unwrap_err();
    assert!(error.to_string().starts_with("the question was stopped after 200ms; narrow it"), "{error}");
    let numbers = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i FROM n";
    let answer = register.ask(numbers, limits).unwrap();
    assert!(answer.more && answer.lines.len() == 10);
    let (code, out, note) =
        run(&["ask", numbers, "--rows", "3", "--csv", "--register", "register.sqlite"], folder.path());
    let told = "note: only the first 3 lines; --rows shows more\n";
    assert_eq!((code, out.as_str(), note.as_str()), (0, "\"i\"\n1\n2\n3\n", told));
}

#[test]
fn every_view_is_exported_and_a_single_one_too() {
    let folder = tempfile::tempdir().unwrap();
    let verdicts = [session(1), session(2)];
    register_of(&folder, &verdicts);
    let (code, told, error) = run(&["export", "--csv", "out", "--register", "register.sqlite"], folder.path());
    assert_eq!((code, error.as_str(), told.lines().count()), (0, "", VIEWS.len()));
    for view in VIEWS {
        let file = folder.path().join("out").join(format!("{}.csv", view.name));
        let mut reader = csv::Reader::from_path(&file).unwrap();
        assert!(reader.headers().unwrap().iter().eq(view.columns.iter().map(|(name, _)| *name)));
        let lines = reader.records().map(Result::unwrap).count();
        assert!(told.contains(&format!("{}.csv: {lines} line", view.name)), "{told}");
        if view.name == "checks" {
            assert_eq!(lines, verdicts.iter().map(|v| v.checks().count()).sum::<usize>());
        }
    }
    let (_, told, _) = run(&["export", "rings", "--csv", "one", "--register", "register.sqlite"], folder.path());
    assert_eq!(told, "one/rings.csv: 4 lines\n");
    assert_eq!(std::fs::read_dir(folder.path().join("one")).unwrap().count(), 1);
}

#[test]
fn what_is_no_register_or_a_newer_one_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    written(folder.path(), "v.json", &small(1));
    std::fs::write(folder.path().join("notes.txt"), "no database, but a text of more than a hundred bytes ".repeat(9))
        .unwrap();
    std::fs::write(folder.path().join("short.txt"), "short").unwrap();
    let other = rusqlite::Connection::open(folder.path().join("other.sqlite")).unwrap();
    other.execute_batch("CREATE TABLE bikes (label); INSERT INTO bikes VALUES ('bike B')").unwrap();
    drop(other);
    let newer = register_of(&folder, &[small(1)]);
    rusqlite::Connection::open(&newer).unwrap().pragma_update(None, "user_version", 99).unwrap();
    std::fs::create_dir(folder.path().join("folder")).unwrap();
    let is_another = "this is another program's database, not a register; it was left as it is; name another file with";
    let is_none = "this is a file of another kind, not a register";
    let cases = [
        ("notes.txt", is_none),
        ("short.txt", is_none),
        ("other.sqlite", is_another),
        ("folder", "this is a folder, not a register"),
        (
            "register.sqlite",
            "this register has layout 99, from a newer assize; this one reads layouts up to 2; it was left as it is; use the \
             newer program",
        ),
    ];
    for (file, told) in cases {
        let path = folder.path().join(file);
        let before = std::fs::read(&path).ok();
        for args in [&["add", "v.json"][..], &["list"], &["show", "2"], &["ask", "SELECT 1"], &["rejudge"]] {
            let args: Vec<&str> = args.iter().copied().chain(["--register", file]).collect();
            let (code, out, error) = run(&args, folder.path());
            assert!(code == 2 && out.is_empty(), "{args:?}: {out}");
            assert!(error.starts_with(&format!("error: {file}: {told}")), "{args:?}: {error}");
        }
        assert_eq!(std::fs::read(&path).ok(), before);
        assert!(!folder.path().join(format!("{file}-journal")).exists());
    }
    let (code, _, error) = run(&["list", "--register", "none.sqlite"], folder.path());
    let told = "error: none.sqlite: there is no register here; `assize register add VERDICT.json` begins one, --register FILE \
                names another file\n";
    assert_eq!((code, error.as_str()), (2, told));
    assert!(!folder.path().join("none.sqlite").exists());
    let (code, _, error) = run(&["add", "v.json", "--register", "nowhere/r.sqlite"], folder.path());
    assert!(code == 2 && error.contains("nowhere/r.sqlite: the register can't be written"), "{error}");
}

#[test]
fn eight_processes_add_at_once_and_nothing_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    // Every process has files of its own and some that all add.
    let shared: Vec<PathBuf> = (0..3).map(|n| written(folder.path(), &format!("s{n}.json"), &small(900 + n))).collect();
    let children: Vec<_> = (0..8)
        .map(|p| {
            let own = (0..5).map(|n| written(folder.path(), &format!("{p}-{n}.json"), &small(10 * p + n)));
            let files: Vec<PathBuf> = shared.iter().cloned().chain(own).collect();
            let mut command = Command::new(PROGRAM);
            command.args(["register", "add"]).args(files).current_dir(folder.path());
            command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
        })
        .collect();
    let (mut kept, mut already) = (0, 0);
    for child in children {
        let output = child.wait_with_output().unwrap();
        let out = String::from_utf8(output.stdout).unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        kept += out.lines().filter(|line| line.starts_with("kept: ")).count();
        already += out.lines().filter(|line| line.starts_with("already kept")).count();
    }
    assert_eq!((kept, already), (8 * 5 + 3, 7 * 3));
    let mut register = Register::open_to_read(&folder.path().join("assize-register.sqlite")).unwrap();
    assert_eq!(register.audit().unwrap(), Vec::<String>::new());
    assert_eq!(texts(&mut register, "SELECT count(*), sum(judgements) FROM sessions"), ["43|43"]);
}

/// Files of a killed process: sessions, half of them judged twice.
fn pool(folder: &Path) -> Vec<PathBuf> {
    let each = (0..8).flat_map(|n| {
        let mut again = small(n);
        again.assize = "9.0.0".into();
        let first = written(folder, &format!("{n}.json"), &small(n));
        std::iter::once(first).chain((n % 2 == 0).then(|| written(folder, &format!("{n}-again.json"), &again)))
    });
    each.collect()
}

#[test]
fn killed_at_any_moment_nothing_is_lost_and_nothing_half_there() {
    kill_while_adding(40);
}

#[test]
#[ignore = "takes most of a minute; .ci/run runs it"]
fn killed_two_hundred_times_nothing_is_lost_and_nothing_half_there() {
    kill_while_adding(220);
}

fn kill_while_adding(kills: usize) {
    let folder = tempfile::tempdir().unwrap();
    let files = pool(folder.path());
    let hashes: Vec<String> = files.iter().map(|file| VerdictDocument::read(file).unwrap().sha256).collect();
    let add = |register: &Path| {
        let mut command = Command::new(PROGRAM);
        command.args(["register", "add", "--register"]).arg(register).args(&files);
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    };
    let began = Instant::now();
    assert!(add(&folder.path().join("whole.sqlite")).output().unwrap().status.success());
    let whole = began.elapsed();
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let (mut round, mut amid, mut journals, mut before_any) = (0, 0, 0, 0);
    for kill in 0..kills {
        // A register that holds all is left: beginning one is killed as well.
        let register = folder.path().join(format!("{round}.sqlite"));
        let mut child = add(&register).spawn().unwrap();
        std::thread::sleep(whole.mul_f64(rng.random::<f64>() * 1.1));
        child.kill().unwrap();
        child.wait().unwrap();
        let mut told = String::new();
        child.stdout.take().unwrap().read_to_string(&mut told).unwrap();
        let mut error = String::new();
        child.stderr.take().unwrap().read_to_string(&mut error).unwrap();
        assert_eq!(error, "", "kill {kill}");
        // A line without its end was not acknowledged.
        let acknowledged = told.matches('\n').count();
        journals += usize::from(Path::new(&format!("{}-journal", register.display())).exists());
        amid += usize::from(acknowledged > 0 && acknowledged < files.len());
        before_any += usize::from(acknowledged == 0);
        if acknowledged == 0 && !register.exists() {
            continue;
        }
        let mut opened = Register::open_to_read(&register).unwrap_or_else(|error| panic!("kill {kill}: {error}"));
        assert_eq!(opened.audit().unwrap(), Vec::<String>::new(), "kill {kill}");
        let kept = texts(&mut opened, "SELECT verdict_sha256 FROM judgements");
        assert!(hashes[..acknowledged].iter().all(|hash| kept.contains(hash)), "kill {kill}");
        assert!(kept.iter().all(|hash| hashes.contains(hash)));
        if kept.len() == files.len() || kill % 4 == 3 {
            // Adding goes on.
            drop(opened);
            assert!(add(&register).output().unwrap().status.success());
            let mut opened = Register::open_to_read(&register).unwrap();
            assert_eq!(opened.audit().unwrap(), Vec::<String>::new());
            assert_eq!(texts(&mut opened, "SELECT count(*) FROM judgements"), [files.len().to_string()]);
            assert_eq!(texts(&mut opened, "SELECT count(*) FROM sessions WHERE program = '9.0.0'"), ["4"]);
            round += 1;
        }
    }
    println!("{kills} kills: {amid} amid adding, {before_any} before the first, {journals} left a journal");
    assert!(amid >= kills / 5, "only {amid} kills struck while verdicts were being added");
}

#[test]
fn a_journal_left_by_a_killed_process_is_undone_by_whoever_reads_next() {
    let folder = tempfile::tempdir().unwrap();
    let file = register_of(&folder, &[small(1)]);
    // A transaction that is written to the file and not committed; its copy is what a kill leaves.
    let db = rusqlite::Connection::open(&file).unwrap();
    db.execute_batch("PRAGMA cache_size = 1; PRAGMA cache_spill = 1; BEGIN; UPDATE judgement SET unit = 'half'")
        .unwrap();
    db.execute("UPDATE document SET gzip = zeroblob(200000)", []).unwrap();
    let (left, journal) = (folder.path().join("left.sqlite"), folder.path().join("left.sqlite-journal"));
    std::fs::copy(&file, &left).unwrap();
    std::fs::copy(folder.path().join("register.sqlite-journal"), &journal).unwrap();
    assert!(std::fs::metadata(&journal).unwrap().len() > 512);
    let mut register = Register::open_to_read(&left).unwrap();
    assert_eq!(register.audit().unwrap(), Vec::<String>::new());
    assert_eq!(texts(&mut register, "SELECT unit FROM sessions"), ["unit 001"]);
    assert!(!journal.exists());
}

#[test]
fn the_audit_notices_what_is_half_there() {
    let folder = tempfile::tempdir().unwrap();
    let file = register_of(&folder, &[small(1), small(2)]);
    let faults = |spoil: &str| {
        let spoiled = folder.path().join("spoiled.sqlite");
        std::fs::copy(&file, &spoiled).unwrap();
        let db = rusqlite::Connection::open(&spoiled).unwrap();
        db.execute_batch(&format!("PRAGMA foreign_keys = 0; {spoil}")).unwrap();
        drop(db);
        Register::open_to_read(&spoiled).unwrap().audit().unwrap().join("; ")
    };
    assert_eq!(faults("SELECT 1"), "");
    let checks = small(2).checks().count();
    assert_eq!(
        faults("DELETE FROM check_value WHERE judgement = 2 AND place = 3"),
        format!("judgement 2 has {} lines in check_value, not {checks}", checks - 1)
    );
    assert_eq!(
        faults("UPDATE document SET gzip = (SELECT gzip FROM document WHERE judgement = 1) WHERE judgement = 2"),
        "the document of judgement 2 is not the one that was added"
    );
    assert!(faults("UPDATE judgement SET newest = 0 WHERE id = 1").contains("session 1 has not one newest judgement"));
    assert!(faults("DELETE FROM judgement WHERE id = 1").contains("a line of document belongs to nothing"));
}

#[test]
fn added_together_all_or_none_and_the_outcomes_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let documents: Vec<VerdictDocument> = [1, 2, 1]
        .iter()
        .map(|&n| VerdictDocument::read(&written(folder.path(), "v.json", &small(n))).unwrap())
        .collect();
    let mut register = Register::open(&folder.path().join("r.sqlite")).unwrap();
    let new = Added::New { other_unit: None };
    let added = register.add_together(&documents, time()).unwrap();
    assert_eq!(added, [new.clone(), new, Added::Already { newest: true }]);
}

/// The demo in a folder of its own, with its verdict beside it, and its register.
fn demo(folder: &Path, change: impl Fn(&mut Verdict)) -> PathBuf {
    let session = folder.join("sessions/one");
    std::fs::create_dir_all(&session).unwrap();
    std::fs::create_dir_all(folder.join("protocols")).unwrap();
    for file in ["session.yaml", "pedals-p.fit", "trainer-t.fit", "unit-021.fit"] {
        std::fs::copy(project("demo-data/bench-faulty").join(file), session.join(file)).unwrap();
    }
    let protocol = "protocols/bench-both-rings.yaml";
    std::fs::copy(project(protocol), folder.join(protocol)).unwrap();
    let mut verdict = VERDICT.clone();
    change(&mut verdict);
    written(&session, "verdict.json", &verdict);
    let (code, _, error) = run(&["add", "sessions/one/verdict.json"], folder);
    assert_eq!(code, 0, "{error}");
    session
}

#[test]
fn judged_again_the_same_stays_and_what_differs_supersedes() {
    let folder = tempfile::tempdir().unwrap();
    demo(folder.path(), |_| {});
    let same = (0, "1 the same, 0 kept anew, 0 not judged again\n".to_owned(), String::new());
    assert_eq!(run(&["rejudge"], folder.path()), same);

    // Digits that no sheet shows are no other judgement, nor is another version by itself.
    let folder = tempfile::tempdir().unwrap();
    demo(folder.path(), |verdict| {
        verdict.assize = "0.0.9".into();
        *verdict.whole_ride[0].value.as_mut().unwrap() *= 1.0 + 1e-14;
    });
    assert_eq!(run(&["rejudge"], folder.path()), same);

    // As an older program might have judged.
    let folder = tempfile::tempdir().unwrap();
    demo(folder.path(), |verdict| {
        verdict.assize = "0.0.9".into();
        verdict.verdict = Some(Outcome::Undecided);
        verdict.whole_ride[0].value = Some(1.0);
    });
    let (code, told, _) = run(&["rejudge", "--at", "2026-12-24T00:00:00Z"], folder.path());
    let sheet = &VERDICT.sheet_number;
    assert_eq!(code, 1);
    assert_eq!(
        told,
        format!(
            "{sheet}: undecided became fail, one check differs; judged by 0.2.0 in place of 0.0.9\n\
             0 the same, 1 kept anew, 0 not judged again\n"
        )
    );
    let (_, json, _) = run(&["show", sheet, "--json"], folder.path());
    assert_eq!(json, json::to_string(&VERDICT));
    let (_, shown, _) = run(&["show", sheet, "--all"], folder.path());
    assert!(shown.contains("added 2026-12-24T00:00:00Z, supersedes an older one"), "{shown}");
    assert_eq!(run(&["rejudge"], folder.path()), same);
}

#[test]
fn what_was_moved_is_found_by_its_hash_and_what_is_gone_or_changed_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let session = demo(folder.path(), |_| {});
    let attic = folder.path().join("attic/deep");
    std::fs::create_dir_all(&attic).unwrap();
    std::fs::rename(session.join("unit-021.fit"), attic.join("renamed.fit")).unwrap();
    let sheet = &VERDICT.sheet_number;
    let last = "0 the same, 0 kept anew, 1 not judged again\n";
    let (code, told, _) = run(&["rejudge"], folder.path());
    let why =
        format!("{sheet}: not judged again: recording unit-021.fit is not there; say with --recordings DIR where");
    assert!(code == 2 && told.starts_with(&why) && told.ends_with(last), "{told}");
    let same = "1 the same, 0 kept anew, 0 not judged again\n";
    let (code, told, error) = run(&["rejudge", "--recordings", "attic"], folder.path());
    assert_eq!((code, told.as_str(), error.as_str()), (0, same, ""));

    // The whole folder was moved, protocol and all.
    let elsewhere = folder.path().join("sessions/two");
    std::fs::rename(&session, &elsewhere).unwrap();
    let (code, told, error) = run(&["rejudge", "--recordings", "attic", "--recordings", "sessions"], folder.path());
    assert_eq!((code, told.as_str(), error.as_str()), (0, same, ""));
    std::fs::rename(&elsewhere, &session).unwrap();

    let yaml = session.join("session.yaml");
    let text = std::fs::read_to_string(&yaml).unwrap();
    std::fs::write(&yaml, format!("{text}notes: added later\n")).unwrap();
    let (code, told, _) = run(&["rejudge", "--recordings", "attic"], folder.path());
    assert!(
        code == 2 && told.contains("session session.yaml changed since; judge it anew and add the verdict"),
        "{told}"
    );
    std::fs::remove_file(&yaml).unwrap();
    let (code, told, _) = run(&["rejudge"], folder.path());
    assert!(code == 2 && told.contains("session session.yaml is not there"), "{told}");
    let (code, _, error) = run(&["rejudge", "--recordings", "nowhere"], folder.path());
    assert!(code == 2 && error.starts_with("error: looking into nowhere: "), "{error}");
}

#[test]
fn what_was_pinned_on_the_command_line_is_not_superseded_by_a_judgement_without_the_pin() {
    let folder = tempfile::tempdir().unwrap();
    demo(folder.path(), |verdict| {
        let ridden = verdict.phases.iter_mut().find_map(|phase| phase.matched.as_mut()).unwrap();
        ridden.rests_on = vec!["pinned by hand".into()];
    });
    let (code, told, _) = run(&["rejudge"], folder.path());
    assert!(
        code == 2 && told.contains("it was judged with pins of the command line; judge it again with them"),
        "{told}"
    );
    let mut register = Register::open_to_read(&folder.path().join("assize-register.sqlite")).unwrap();
    assert_eq!(texts(&mut register, "SELECT judgements FROM sessions"), ["1"]);
}

#[test]
fn another_protocol_by_now_and_a_verdict_without_a_session_file_are_told() {
    let folder = tempfile::tempdir().unwrap();
    demo(folder.path(), |_| {});
    let protocol = folder.path().join("protocols/bench-both-rings.yaml");
    let text = std::fs::read_to_string(&protocol).unwrap();
    std::fs::write(&protocol, format!("{text}\n# a remark\n")).unwrap();
    let mut alone = small(5);
    alone.session.file = None;
    written(folder.path(), "alone.json", &alone);
    run(&["add", "alone.json"], folder.path());
    let (code, told, _) = run(&["rejudge"], folder.path());
    assert!(code == 2 && told.contains(" changed since; judge it anew"), "{told}");
    assert!(told.contains("made without a session file"), "{told}");
}
