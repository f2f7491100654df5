//! What matching costs on a six-hour ride against 120 moves, and how that grows with either.
//!
//! `cargo bench --bench matching`. Half a second and 200 MB are allowed; both must grow in proportion to the ride and to
//! the protocol.

use std::hint::black_box;
use std::path::Path;
use std::time::{Duration, Instant};

use assize::internals::matching;
use assize::internals::rehearse::{RehearsalPlan, simulate};
use assize::internals::ride::Ride;
use assize::judge;
use assize::protocol::{self, Protocol};
use assize::session::Session;

/// Steady blocks on both rings, each at a power of its own, sprints and coasting between them: about 6 h.
fn long_protocol(blocks: usize) -> Protocol {
    let lasts_s = 96 * 140 / blocks;
    let mut text = String::from("assize: 1\ntitle: Long\nrevision: \"1\"\nneeds: {references: 1}\nphases:\n");
    for n in 0..blocks {
        let (ring, power_w) = (["big", "small"][n % 2], 110 + 5 * (n * 7 % 48));
        text.push_str(&format!(
            "  - phase: block-{n}\n    drill: steady\n    ring: {ring}\n    power: {power_w} W\n    lasts: {lasts_s} s\n    recover: 60..80 s\n"
        ));
        if n % 12 == 11 {
            let rest = "    recover: 30..60 s\n";
            text.push_str(&format!(
                "  - phase: coast-{n}\n    drill: coast_restart\n    lead_in: 180 W for 15 s\n    coast: 7..10 s\n    restart: at least 250 W for 5..8 s\n{rest}"
            ));
        }
    }
    protocol::load_bytes(Path::new("long.yaml"), text.as_bytes()).unwrap_or_else(|problems| panic!("{problems}"))
}

/// The first seconds of a ride.
fn cut(ride: &Ride, seconds: usize) -> Ride {
    let mut ride = ride.clone();
    ride.length_s = seconds;
    ride.unit.grid.truncate(seconds);
    ride.references.iter_mut().for_each(|r| r.trace.grid.truncate(seconds));
    ride
}

fn least(protocol: &Protocol, session: &Session, ride: &Ride) -> Duration {
    let once = |_| {
        let from = Instant::now();
        black_box(matching::find(protocol, session, ride));
        from.elapsed()
    };
    (0..3).map(once).min().unwrap_or_default()
}

/// Resident memory, or its peak since [`forget_peak`], as the kernel counts it; `None` where it does not tell.
fn memory_mb(of: &str) -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with(of))?;
    line.split_whitespace().nth(1)?.parse::<f64>().ok().map(|kb| kb / 1024.0)
}

fn forget_peak() {
    // Where the kernel has no such file, the peak is of the whole process: too much, never too little.
    let _ = std::fs::write("/proc/self/clear_refs", "5");
}

fn moves(protocol: &Protocol) -> usize {
    let drill = |p: &protocol::Phase| match p.drill {
        protocol::Drill::CoastRestart { .. } => 3,
        _ => 1,
    };
    protocol.phases.iter().map(drill).sum()
}

/// A ride as the protocol asks, and its session.
fn ridden(protocol: &Protocol) -> (Session, Ride) {
    let rehearsal = simulate(protocol, &RehearsalPlan::new(1));
    let recordings = rehearsal.recordings.iter().map(|r| (r.file.clone(), r.clone())).collect();
    let mut judged = judge::judge_recordings(&rehearsal.session, &recordings).expect("a rehearsed ride is judged");
    (rehearsal.session, judged.remove(0).ride)
}

fn main() {
    println!("| moves | hours | ridden | ms |\n| --- | --- | --- | --- |");
    let shown = |protocol: &Protocol, (session, ride): (&Session, &Ride), how: &str| {
        let took = least(protocol, session, ride).as_secs_f64() * 1e3;
        println!("| {} | {:.1} | {how} | {took:.0} |", moves(protocol), ride.length_s as f64 / 3600.0);
    };
    for blocks in [24, 48] {
        let protocol = long_protocol(blocks);
        let (session, ride) = ridden(&protocol);
        shown(&protocol, (&session, &ride), "as asked");
    }
    let protocol = long_protocol(96);
    let (session, ride) = ridden(&protocol);
    forget_peak();
    let before_mb = memory_mb("VmRSS:");
    for part in [4, 2, 1] {
        let ride = cut(&ride, ride.length_s / part);
        shown(&protocol, (&session, &ride), if part == 1 { "as asked" } else { "in part" });
    }
    for part in [4, 2] {
        let mut fewer = protocol.clone();
        fewer.phases.truncate(protocol.phases.len() / part);
        shown(&fewer, (&session, &ride), "and much else");
    }
    if let (Some(before_mb), Some(peak_mb)) = (before_mb, memory_mb("VmHWM:")) {
        println!("\npeak memory: {peak_mb:.0} MB, of which {before_mb:.0} MB are the ride's own");
    }
}
