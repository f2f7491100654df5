//! How long lists and questions take over a season of many testers: a register of 100,000 sessions.
//!
//! `cargo bench --bench register`, or `-- 20000` for fewer. The budget is 200 ms for each list filter and for the usual
//! question of each view; it ends with an error where one takes longer or goes without an index.
//!
//! The sessions are twelve rehearsed ones, judged, with other labels, firmware, testers, days and hashes; their documents
//! are kept as rehearsed, at their true size, so that the file is as large as one of 100,000 real sessions.

#[allow(dead_code, reason = "each test and bench uses its part")]
#[path = "../tests/common/mod.rs"]
mod common;

use std::path::Path;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use assize::internals::register::{Filters, Limits, Register, VIEWS, Value, VerdictDocument};
use assize::verdict::json;

const BUDGET: Duration = Duration::from_millis(200);
/// The fastest of these counts: others use this machine too.
const TIMES: usize = 5;
const FAILED: &str = "SELECT unit, started, value FROM checks WHERE measure = 'left_error' AND verdict = 'fail' \
                      AND kind = 'mean'";
const WORST: &str = "SELECT phase, measure, max(abs(value)) FROM checks WHERE unit = 'unit 017' AND verdict = 'fail' \
                     GROUP BY phase, measure";
/// Sessions in a transaction.
const TOGETHER: usize = 2_000;

fn main() -> ExitCode {
    let number = std::env::args().filter_map(|arg| arg.parse().ok()).next();
    let sessions: usize = number.unwrap_or(100_000);
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("register.sqlite");
    let began = Instant::now();
    fill(&file, sessions);
    let bytes = std::fs::metadata(&file).map_or(0, |facts| facts.len());
    println!(
        "{sessions} sessions, {:.0} MB, made in {:.0} s; fastest of {TIMES}, {} ms allowed",
        bytes as f64 / 1e6,
        began.elapsed().as_secs_f64(),
        BUDGET.as_millis()
    );
    let combined = "SELECT sheet_number, started FROM sessions WHERE unit = 'unit 017' AND verdict = 'fail'";
    let others = [("failed of a unit", combined), ("failed of a measure", FAILED), ("worst of a unit", WORST)];
    let late = filters().into_iter().filter(|(name, filters)| !list(&file, name, filters)).count()
        + VIEWS.iter().filter(|view| !ask(&file, view.name, view.question)).count()
        + others.iter().filter(|(name, question)| !ask(&file, name, question)).count();
    if late == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn fill(file: &Path, sessions: usize) {
    let kinds = [
        ("short-check.yaml", vec![vec![], vec!["gain=3"], vec!["ring-offset=-14@big"], vec!["late-wake=2.5"]]),
        (
            "sprint-and-stop.yaml",
            vec![vec![], vec!["late-wake=2.5"], vec!["held-reading=5"], vec!["side-short=110@left,2/6"]],
        ),
        ("bench-both-rings.yaml", vec![vec![], vec!["ring-offset=-14@big"], vec!["gain=5"], vec!["held-reading=5"]]),
    ];
    let judged = kinds.iter().flat_map(|(protocol, faults)| {
        let protocol = common::shipped(protocol);
        faults.iter().enumerate().map(move |(i, faults)| {
            let verdict = common::rehearse_and_judge(&protocol, 990_001 + i as u64, faults).verdict;
            let bytes = json::to_string(&verdict).into_bytes();
            VerdictDocument::of(&bytes, "/season".into(), "verdict.json".into()).expect("a verdict")
        })
    });
    let judged: Vec<VerdictDocument> = judged.collect();
    let mut register = Register::open(file).expect("a register");
    let at = "2026-12-01T12:00:00Z".parse().expect("a time");
    let numbers: Vec<usize> = (0..sessions).collect();
    for chunk in numbers.chunks(TOGETHER) {
        let documents: Vec<VerdictDocument> = chunk.iter().map(|&n| changed(&judged[n % judged.len()], n)).collect();
        register.add_together(&documents, at).expect("room on the disk");
    }
}

/// 400 units of 20 models, 12 firmware versions, 150 testers, four years.
fn changed(document: &VerdictDocument, n: usize) -> VerdictDocument {
    let mut document = document.clone();
    let v = &mut document.verdict;
    // Units are not in step with the kinds of verdict.
    let unit = (n / 12 + n) % 400;
    v.unit.label = format!("unit {unit:03}");
    v.unit.serial = Some((unit + 1).to_string());
    v.unit.model = Some(format!("model {}", unit % 20));
    v.unit.firmware = Some(format!("1.{}", (n / 7) % 12));
    v.session.tester = Some(format!("tester {}", (n / 5) % 150));
    v.session.start += chrono::TimeDelta::hours(((n * 7919) % 35_000) as i64) - chrono::TimeDelta::days(1400);
    v.sheet_number = format!("{}-{n:010X}", v.session.start.format("%Y%m%d"));
    for (i, recording) in v.recordings.iter_mut().enumerate() {
        recording.sha256 = format!("{n:060x}{i:04x}");
    }
    document.sha256 = format!("{n:064x}");
    document
}

fn filters() -> Vec<(&'static str, Filters)> {
    let none = Filters::default;
    let some = |text: &str| Some(text.to_owned());
    let day = |day: &str| day.parse().ok();
    vec![
        ("no filter", none()),
        ("unit", Filters { unit: some("unit 017"), ..none() }),
        ("model", Filters { model: some("model 7"), ..none() }),
        ("firmware", Filters { firmware: some("1.8"), ..none() }),
        ("protocol", Filters { protocol: some("Short check on both chainrings"), ..none() }),
        ("tester", Filters { tester: some("tester 40"), ..none() }),
        ("from and to", Filters { from: day("2025-03-01"), to: day("2025-03-31"), ..none() }),
        ("verdict fail", Filters { verdict: some("fail"), ..none() }),
        ("pattern", Filters { pattern: some("ring-dependent"), ..none() }),
        ("unit, verdict", Filters { unit: some("unit 017"), verdict: some("fail"), ..none() }),
        (
            "pattern, firmware, from",
            Filters { pattern: some("late-restart"), firmware: some("1.8"), from: day("2025-06-01"), ..none() },
        ),
    ]
}

/// From opening the register to the last line, as a command does it.
fn fastest<T>(work: impl Fn() -> T) -> (Duration, T) {
    let timed = |_| {
        let began = Instant::now();
        let result = work();
        (began.elapsed(), result)
    };
    (0..TIMES).map(timed).min_by_key(|(took, _)| *took).expect("more than none")
}

fn told(name: &str, took: Duration, lines: usize, plan: &[String]) -> bool {
    let index = plan.iter().any(|line| line.contains("INDEX"));
    let bare = plan.iter().any(|line| line.contains("SCAN") && !line.contains("INDEX"));
    let fits = took <= BUDGET && index && !bare;
    let by = plan.iter().find(|line| line.contains("INDEX")).map_or("no index", String::as_str);
    println!("{name:<32}{:>7.1} ms {lines:>7}  {by}{}", took.as_secs_f64() * 1e3, if fits { "" } else { "  LATE" });
    fits
}

fn list(file: &Path, name: &str, filters: &Filters) -> bool {
    let columns = ["verdict", "sheet_number", "started", "unit", "firmware", "tester", "protocol"];
    let (took, (all, plan)) = fastest(|| {
        let register = Register::open_to_read(file).expect("a register");
        let (_, all) = register.list(filters, &columns, 200).expect("a list");
        (all, register.list_plan(filters).expect("a plan"))
    });
    told(&format!("list: {name}"), took, all, &plan)
}

fn ask(file: &Path, name: &str, question: &str) -> bool {
    let limits = Limits { time: Duration::from_secs(60), lines: 100_000 };
    let (took, lines) = fastest(|| {
        let mut register = Register::open_to_read(file).expect("a register");
        register.ask(question, limits).expect("an answer").lines.len()
    });
    let mut register = Register::open_to_read(file).expect("a register");
    let plan = register.ask(&format!("EXPLAIN QUERY PLAN {question}"), limits).expect("a plan");
    let detail = |line: &Vec<Value>| match line.last() {
        Some(Value::Text(text)) => text.clone(),
        _ => String::new(),
    };
    told(&format!("ask: {name}"), took, lines, &plan.lines.iter().map(detail).collect::<Vec<_>>())
}
