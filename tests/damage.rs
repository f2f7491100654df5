//! Whatever is in a file, reading it neither panics nor fills the memory: 20,000 seeded mutations of files made here.
//!
//! `fuzz/` asks the same for as long as one likes.

use std::alloc::{GlobalAlloc, Layout, System};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};

use assize::internals::rehearse::{Rehearsal, RehearsalPlan, simulate};
use assize::recording::{self, Recording};
use assize::{protocol, session};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Counts what is allocated at one time. Only one test runs in this binary, so it is that test's.
struct Counting;

static NOW: AtomicUsize = AtomicUsize::new(0);
static MOST: AtomicUsize = AtomicUsize::new(0);

// SAFETY: every call is handed on to the system's allocator as it came.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        MOST.fetch_max(NOW.fetch_add(layout.size(), Relaxed) + layout.size(), Relaxed);
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        NOW.fetch_sub(layout.size(), Relaxed);
        unsafe { System.dealloc(at, layout) }
    }

    // The default would count old and new at one time, but a large block grows in place.
    unsafe fn realloc(&self, at: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        NOW.fetch_sub(layout.size(), Relaxed);
        MOST.fetch_max(NOW.fetch_add(size, Relaxed) + size, Relaxed);
        unsafe { System.realloc(at, layout, size) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

/// The most that was allocated at one time while `read` ran, above what was there before.
fn most_bytes<T>(read: impl FnOnce() -> T) -> usize {
    let before = NOW.load(Relaxed);
    MOST.store(before, Relaxed);
    drop(read());
    MOST.load(Relaxed) - before
}

const MUTATIONS: usize = 20_000;
/// A record takes 14 to 16 bytes in a rehearsed file; each channel that occurs takes 16 a record in the result and 8, or 16
/// while its column grows, on the way there. Damage that shortens the declared layout makes more records of the same bytes.
const MOST_PER_BYTE: usize = 20;
/// Decoders have tables and buffers of their own.
const MOST_FIXED_BYTES: usize = 50_000;
/// A tree of all that one file's budget of nodes allows is larger than any file's text.
const MOST_TEXT_BYTES: usize = 1_000_000;
/// Larger files are mutated in slices of this length.
const SLICE_BYTES: usize = 30_000;

#[derive(Clone, Copy)]
enum Kind {
    Recording,
    Protocol,
    Session,
}

fn rehearsed(name: &str) -> Rehearsal {
    simulate(&protocol::load(&here().join("protocols").join(name), None).unwrap(), &RehearsalPlan::new(5))
}

fn here() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn table(recording: &Recording) -> Vec<u8> {
    let mut text = b"time,power,cadence,heart_rate,watts_2,note\n".to_vec();
    let samples = &recording.samples;
    let cell = |value: Option<f64>| value.map(|v| v.to_string()).unwrap_or_default();
    for i in 0..samples.len().min(900) {
        let time = recording.start.timestamp() + samples.time_s[i] as i64;
        let (power, cadence) = (cell(samples.power_w[i]), cell(samples.cadence_rpm[i]));
        writeln!(text, "{time},{power},{cadence},{},{power},lap", cell(samples.heart_rate_bpm[i])).unwrap();
    }
    text
}

/// A hundred seconds as TCX.
fn tcx(recording: &Recording) -> Vec<u8> {
    let mut text = br#"<?xml version="1.0"?><TrainingCenterDatabase><Activities><Activity Sport="Biking"><Lap StartTime="2026-11-21T13:30:00Z"><TotalTimeSeconds>100</TotalTimeSeconds><Track>"#.to_vec();
    let samples = &recording.samples;
    for i in 0..samples.len().min(100) {
        let time = recording.start + chrono::TimeDelta::seconds(samples.time_s[i] as i64);
        let number = |value: Option<f64>| value.unwrap_or(0.0);
        let (power_w, cadence_rpm) = (number(samples.power_w[i]), number(samples.cadence_rpm[i]).round());
        let time = time.format("%Y-%m-%dT%H:%M:%SZ");
        writeln!(text, "<Trackpoint><Time>{time}</Time><Cadence>{cadence_rpm}</Cadence><Extensions><TPX><Watts>{power_w}</Watts></TPX></Extensions></Trackpoint>").unwrap();
    }
    text.extend(b"</Track></Lap></Activity></Activities></TrainingCenterDatabase>");
    text
}

/// A file to damage.
struct Base {
    kind: Kind,
    file: PathBuf,
    bytes: Vec<u8>,
    /// Of a gzipped one.
    unpacked_bytes: Option<usize>,
}

fn bases() -> Vec<Base> {
    let base = |kind, file: PathBuf, bytes: Vec<u8>| Base { kind, file, unpacked_bytes: None, bytes };
    let mut bases = vec![];
    for rehearsal in [rehearsed("short-check.yaml"), rehearsed("bench-both-rings.yaml")] {
        bases.extend(rehearsal.files.iter().map(|bytes| base(Kind::Recording, "ride.fit".into(), bytes.clone())));
        bases.push(base(Kind::Recording, "ride.tcx".into(), tcx(&rehearsal.recordings[0])));
        let table = table(&rehearsal.recordings[0]);
        let mut gzip = flate2::write::GzEncoder::new(vec![], flate2::Compression::default());
        gzip.write_all(&table).unwrap();
        let gzip = base(Kind::Recording, "ride.csv.gz".into(), gzip.finish().unwrap());
        bases.push(Base { unpacked_bytes: Some(table.len()), ..gzip });
        bases.push(base(Kind::Recording, "ride.csv".into(), table));
    }
    let written = [
        (Kind::Protocol, "protocols/short-check.yaml"),
        (Kind::Protocol, "protocols/bench-both-rings.yaml"),
        (Kind::Protocol, "tests/language/every-key.yaml"),
        (Kind::Session, "tests/language/every-key-session.yaml"),
    ];
    bases.extend(written.map(|(kind, name)| base(kind, here().join(name), std::fs::read(here().join(name)).unwrap())));
    bases
}

/// The whole of a small file; of a larger one its beginning, where the layout is declared, and a stretch from further on.
fn slice(bytes: &[u8], rng: &mut ChaCha8Rng) -> Vec<u8> {
    if bytes.len() <= SLICE_BYTES {
        return bytes.to_owned();
    }
    let (head, from) = (1000, rng.random_range(1000..bytes.len() - SLICE_BYTES + 1000));
    [&bytes[..head], &bytes[from..from + SLICE_BYTES - head]].concat()
}

fn damage(bytes: &mut Vec<u8>, rng: &mut ChaCha8Rng) {
    for _ in 0..rng.random_range(1..6) {
        if bytes.is_empty() {
            return;
        }
        // Half of the damage where the layout is declared: there it does most.
        let reach = if rng.random() { bytes.len() } else { bytes.len().min(400) };
        let at = rng.random_range(0..reach);
        let length = rng.random_range(1..=(bytes.len() - at).min(64));
        match rng.random_range(0..7) {
            0 => bytes[at] ^= 1 << rng.random_range(0..8),
            1 => bytes[at] = [0, 1, 0x7F, 0x80, 0xFF, b'?', b':', b'\n', b'-', b'9', b'"'][rng.random_range(0..11)],
            2 => bytes[at..at + length].fill(if rng.random() { 0xFF } else { 0 }),
            3 => drop(bytes.drain(at..at + length)),
            4 => {
                let copied = bytes[at..at + length].to_vec();
                let to = rng.random_range(0..=bytes.len());
                drop(bytes.splice(to..to, copied));
            }
            5 => rng.fill(&mut bytes[at..at + length]),
            _ => bytes.truncate(bytes.len() - rng.random_range(0..=bytes.len() / 4)),
        }
    }
}

#[test]
fn no_damage_makes_a_reader_panic_or_fill_the_memory() {
    let bases = bases();
    let mut rng = ChaCha8Rng::seed_from_u64(17);
    for n in 0..MUTATIONS {
        let Base { kind, file, bytes, unpacked_bytes } = &bases[n % bases.len()];
        let mut bytes = slice(bytes, &mut rng);
        if n < bases.len() {
            let sound = recording::read_bytes(file, &bytes).map(|r| r.samples.len());
            assert_eq!(sound.is_ok(), matches!(kind, Kind::Recording), "{}: {sound:?}", file.display());
        }
        damage(&mut bytes, &mut rng);
        let most = match kind {
            Kind::Recording => most_bytes(|| recording::read_bytes(file, &bytes)),
            Kind::Protocol => most_bytes(|| protocol::load_bytes(file, &bytes)),
            Kind::Session => most_bytes(|| session::load_bytes(file, &bytes)),
        };
        let allowed = match kind {
            Kind::Recording => MOST_FIXED_BYTES + MOST_PER_BYTE * unpacked_bytes.unwrap_or(bytes.len()),
            Kind::Protocol | Kind::Session => MOST_TEXT_BYTES,
        };
        assert!(most <= allowed, "mutation {n} of {}: {most} bytes for {}", file.display(), bytes.len());
    }
}

/// Following the guide to longer runs leaves nothing in the tree.
#[test]
fn the_guide_to_fuzzing_writes_into_target() {
    let guide = include_str!("../fuzz/README.md").replace("\\\n", " ");
    let commands: Vec<Vec<&str>> = guide
        .lines()
        .filter_map(|line| line.strip_prefix("    "))
        .map(|line| line.split_whitespace().collect())
        .collect();
    let mut places: Vec<&str> = vec![];
    for words in &commands {
        let behind = |mark: &str| words.iter().position(|w| *w == mark).map(|at| words[at + 1]);
        places.extend(["--out", ">", "--target-dir"].into_iter().filter_map(behind));
        places.extend(words.iter().filter_map(|w| w.strip_prefix("-artifact_prefix=")));
        match words[..] {
            ["mkdir", "-p", ref folders @ ..] | ["gzip", "-k", ref folders @ ..] => places.extend(folders),
            ["cp", .., to] => places.push(to),
            ["cargo", "fuzz", "run", ..] => places.push(behind("none").and(behind("fit")).expect("a corpus")),
            _ => {}
        }
    }
    assert!(places.len() >= 10, "{places:?}");
    assert!(places.iter().all(|place| place.starts_with("target/fuzz/")), "{places:?}");
}
