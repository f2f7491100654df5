//! How long it takes to make a 75-minute session with three recordings, files included.
//!
//! `cargo bench --bench rehearse`. The budget is 100 ms for simulating and writing.

use std::path::Path;

use assize::internals::rehearse::{RehearsalPlan, RideSetting, simulate, write};
use criterion::{Criterion, criterion_group, criterion_main};

fn rehearse(c: &mut Criterion) {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/bench-both-rings.yaml");
    let protocol = assize::protocol::load(&file, None).expect("a shipped protocol reads");
    let folder = tempfile::tempdir().expect("a folder to write into");
    let mut group = c.benchmark_group("75 min, three recordings");
    group.sample_size(20);
    for setting in RideSetting::ALL {
        let plan = RehearsalPlan { setting, ..RehearsalPlan::new(1) };
        group.bench_function(setting.word(), |b| {
            b.iter(|| write(&simulate(&protocol, &plan), folder.path()).expect("a folder that can be written"));
        });
    }
    group.finish();
}

criterion_group!(benches, rehearse);
criterion_main!(benches);
