//! What `rehearse` writes is read back equal, whatever was ridden.

use std::path::Path;

use assize::internals::rehearse::{
    self, FAULT_KINDS, Fault, Instruments, MISHAP_KINDS, Mishap, MishapPlace, RehearsalPlan, RideHabits, Shifting,
    simulate,
};
use assize::protocol::{self, Protocol};
use assize::recording::{self, Recording};
use assize::session;
use chrono::DateTime;
use proptest::prelude::*;

fn protocols() -> [Protocol; 2] {
    let load = |name: &str| {
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols").join(name);
        protocol::load(&file, None).unwrap_or_else(|problems| panic!("{problems}"))
    };
    ["short-check.yaml", "bench-both-rings.yaml"].map(load)
}

/// A fault of any kind and of a size drawn for it, at the unit or a reference, always or now and then.
fn fault() -> impl Strategy<Value = Fault> {
    let instrument = proptest::sample::select(vec!["", "unit", "P", "T"]);
    (proptest::sample::select(FAULT_KINDS), 1..40_u32, any::<bool>(), 1..=6_u32, instrument).prop_map(
        |(kind, tenths, one, part, instrument)| {
            let (size, sign) = (f64::from(tenths) / 10.0, if one { "" } else { "-" });
            let (side, ring) = if one { ("left", "big") } else { ("right", "small") };
            let (size, place) = match kind.word {
                "gain" | "offset" | "drift" | "temperature-drift" => (format!("{sign}{size}"), ""),
                "clock-set" => (format!("{sign}{tenths}"), ""),
                "ring-offset" => (format!("{sign}{size}"), ring),
                "side-short" => (tenths.to_string(), side),
                "doubled-side" => (side.to_owned(), ""),
                "soft-dropout" | "radio-dropout" => (format!("{part}/60"), ""),
                _ => (size.to_string(), ""),
            };
            let share = if kind.occasion.is_some() && tenths % 2 == 0 { format!("{part}/6") } else { String::new() };
            let places = [place, share.as_str(), instrument].into_iter().filter(|p| !p.is_empty()).collect::<Vec<_>>();
            let at = if places.is_empty() { "" } else { "@" };
            let text = format!("{}={size}{at}{}", kind.word, places.join(","));
            text.parse().unwrap_or_else(|e| panic!("{e}"))
        },
    )
}

/// A mishap of any kind and its usual size, anywhere or on one head unit.
fn mishap() -> impl Strategy<Value = Mishap> {
    (proptest::sample::select(MISHAP_KINDS), 0..4_usize).prop_map(|(kind, at)| {
        let place = Some(at).filter(|at| *at < 3 && kind.place == MishapPlace::HeadUnit);
        let place = place.map(|at| ["017", "P", "T"][at].to_owned());
        Mishap { place, ..kind.word.parse().unwrap_or_else(|e| panic!("{e}")) }
    })
}

fn plan() -> impl Strategy<Value = RehearsalPlan> {
    let instruments = proptest::sample::select(vec![Instruments::Real, Instruments::Ideal]);
    // From 2001 to 2033: FIT stamps are 32 bits of seconds, and below 1998 they count from power-on.
    let date = 1_000_000_000..2_000_000_000_i64;
    let shifting = proptest::sample::select(vec![
        Shifting::Cable,
        Shifting::Electronic { only: None },
        Shifting::Electronic { only: Some(2) },
    ]);
    let faults = proptest::collection::vec(fault(), 0..4);
    let mishaps = proptest::collection::vec(mishap(), 0..4);
    (any::<u64>(), faults, mishaps, date, instruments, shifting).prop_map(
        |(seed, faults, mishaps, unix_s, instruments, shifting)| {
            let date = DateTime::from_timestamp(unix_s, 0).unwrap();
            let habits = RideHabits { shifting, ..RideHabits::varied(seed) };
            RehearsalPlan { faults, mishaps, date, instruments, habits, ..RehearsalPlan::new(seed) }
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]
    #[test]
    fn whatever_is_rehearsed_reads_back_equal(plan in plan(), which in 0..2_usize) {
        let rehearsal = simulate(&protocols()[which], &plan);
        for (in_memory, bytes) in rehearsal.recordings.iter().zip(&rehearsal.files) {
            let read = recording::read_bytes(&in_memory.file, bytes).unwrap();
            // Cautions are the reader's own remarks; the summary is made in writing.
            let spans: Vec<(f64, f64)> = read.summaries.iter().map(|s| (s.start_s, s.end_s)).collect();
            prop_assert_eq!(spans, [(0.0, in_memory.laps.last().unwrap().end_s)]);
            let (cautions, summaries) = (read.cautions.clone(), read.summaries.clone());
            let expected = Recording { cautions, summaries, ..in_memory.clone() };
            prop_assert!(read == expected, "{}", in_memory.file.display());
        }
    }

    #[test]
    fn a_rehearsed_session_reads_back_equal(plan in plan(), which in 0..2_usize) {
        let rehearsal = simulate(&protocols()[which], &plan);
        let dir = tempfile::tempdir().unwrap();
        rehearse::write(&rehearsal, dir.path()).unwrap();
        let read = session::load(&dir.path().join("session.yaml")).unwrap_or_else(|problems| panic!("{problems}"));
        let mut expected = rehearsal.session.clone();
        (expected.file, expected.sha256, expected.assumed) = (read.file.clone(), read.sha256.clone(), read.assumed.clone());
        expected.files.clone_from(&read.files);
        expected.protocol.as_mut().unwrap().file = read.protocol.as_ref().unwrap().file.clone();
        let units = expected.units.iter_mut().map(|u| &mut u.instrument);
        for instrument in units.chain(expected.references.iter_mut().map(|r| &mut r.instrument)) {
            instrument.recordings.iter_mut().for_each(|file| *file = dir.path().join(&file));
        }
        prop_assert_eq!(read, expected);
    }
}
