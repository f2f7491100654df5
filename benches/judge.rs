//! How long the main job takes on the 75-minute demo with three recordings, and what memory it peaks at.
//!
//! `cargo bench --bench judge`. The budget is 150 ms and 100 MB for reading, judging and making the sheet.

use std::path::Path;

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
                        + assize::report::json::to_string(&j.verdict).len()
                })
                .sum::<usize>()
        });
    });
    group.finish();
    if let Some(peak_mb) = peak_mb() {
        println!("peak memory of this process: {peak_mb:.0} MB");
    }
}

/// Peak resident memory as the kernel counts it; `None` where it does not tell.
fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse::<f64>().ok().map(|kb| kb / 1024.0)
}

criterion_group!(benches, judge_demo);
criterion_main!(benches);
