//! How fast a FIT recording is read, against `fitparser::from_bytes`, which applies its profile to every message.
//!
//! `cargo bench --bench reading`. At least three times as fast is what was asked for. The real ride's folder is named by
//! `ASSIZE_RECORDINGS`; without it only a rehearsed ride is read.

use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use assize::internals::rehearse::{RehearsalPlan, simulate};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};

fn rides() -> Vec<(&'static str, Vec<u8>)> {
    let protocol = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/bench-both-rings.yaml");
    let protocol = assize::protocol::load(&protocol, None).expect("a shipped protocol reads");
    let unit = simulate(&protocol, &RehearsalPlan::new(1)).files.swap_remove(0);
    let mut rides = vec![("rehearsed, 75 min", unit)];
    match std::env::var_os("ASSIZE_RECORDINGS") {
        Some(folder) => {
            let file = PathBuf::from(folder).join("road-autopause-6h.fit");
            rides.push(("road, 6 h", std::fs::read(&file).expect("ASSIZE_RECORDINGS holds road-autopause-6h.fit")));
        }
        None => println!("ASSIZE_RECORDINGS names no folder: the real ride is skipped"),
    }
    rides
}

fn ours(bytes: &[u8]) -> usize {
    assize::recording::read_bytes(Path::new("ride.fit"), bytes).expect("a recording").samples.len()
}

fn theirs(bytes: &[u8]) -> usize {
    fitparser::from_bytes(bytes).expect("a FIT file").len()
}

/// The least time of twenty: whatever else the machine does only adds.
fn least(read: impl Fn() -> usize) -> Duration {
    let once = || {
        let from = Instant::now();
        black_box(read());
        from.elapsed()
    };
    (0..20).map(|_| once()).min().unwrap_or_default()
}

fn reading(c: &mut Criterion) {
    for (name, bytes) in rides() {
        let mut group = c.benchmark_group(name);
        group.throughput(Throughput::Bytes(bytes.len() as u64)).sample_size(20);
        group.bench_function("assize", |b| b.iter(|| ours(black_box(&bytes))));
        group.bench_function("fitparser", |b| b.iter(|| theirs(black_box(&bytes))));
        group.finish();
        let (ours, theirs) = (least(|| ours(&bytes)), least(|| theirs(&bytes)));
        println!(
            "{name}: assize {:.1} ms, fitparser {:.1} ms: {:.1} times as fast\n",
            ours.as_secs_f64() * 1e3,
            theirs.as_secs_f64() * 1e3,
            theirs.as_secs_f64() / ours.as_secs_f64()
        );
    }
}

criterion_group!(benches, reading);
criterion_main!(benches);
