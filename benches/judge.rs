//! How long the main job takes on the 75-minute demo with three recordings, and what memory it peaks at.
//!
//! `cargo bench --bench judge`. The budget is 150 ms and 100 MB for reading, judging and making the sheet, and 10 ms of it
//! for scoring, apart from reading, aligning and matching.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Instant;

use assize::internals::{align, drivetrain, matching, scoring};
use assize::recording;
use criterion::{Criterion, criterion_group, criterion_main};

fn judge_demo(c: &mut Criterion) {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/bench-faulty/session.yaml");
    let mut group = c.benchmark_group("demo, 75 min, three recordings");
    group.sample_size(20);
    group.bench_function("session file to sheet", |b| {
        b.iter(|| {
            let session = assize::session::load(&file).expect("the demo session reads");
            let judgements = assize::judge(&session).expect("the demo session is judged");
            judgements
                .iter()
                .map(|j| {
                    assize::report::html::render(j).expect("a sheet").len()
                        + assize::verdict::json::to_string(&j.verdict).len()
                })
                .sum::<usize>()
        });
    });
    group.finish();
    if let Some(peak_mb) = peak_mb() {
        println!("peak memory of this process: {peak_mb:.0} MB");
    }
}

fn score_demo(c: &mut Criterion) {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/bench-faulty/session.yaml");
    let session = assize::session::load(&file).expect("the demo session reads");
    let references = session.references.iter().map(|r| &r.instrument);
    let recordings: BTreeMap<_, _> = references
        .chain(session.units.iter().map(|u| &u.instrument))
        .flat_map(|instrument| &instrument.recordings)
        .map(|path| (path.clone(), recording::read(path).expect("a demo recording reads")))
        .collect();
    let aligned = align::to_session_time(&session, &recordings).expect("the demo's clocks agree");
    let ride = drivetrain::to_unit_place(&aligned, &session, 0);
    let protocol = session.protocol.as_ref().expect("the demo follows a protocol");
    let matches = matching::find(protocol, &session, &ride);
    let score = || scoring::score_all(&session, protocol, &matches, &ride);
    c.bench_function("demo, 75 min, three recordings/scoring alone", |b| b.iter(score));
    // One pass of the bench prints no times, so the fastest of twenty is printed here.
    let timed = |_| {
        let began = Instant::now();
        std::hint::black_box(score());
        began.elapsed().as_secs_f64() * 1e3
    };
    println!("scoring alone: {:.1} ms (10 allowed)", (0..20).map(timed).fold(f64::INFINITY, f64::min));
}

/// Peak resident memory as the kernel counts it; `None` where it does not tell.
fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse::<f64>().ok().map(|kb| kb / 1024.0)
}

criterion_group!(benches, judge_demo, score_demo);
criterion_main!(benches);
