use chrono::TimeDelta;

use super::loss::LOSS;
use super::*;
use crate::protocol::{
    Accept, Decision, Drill, Hold, Needs, Part, Phase, PhaseId, PhaseOrder, Protocol, Ring, Rule, Setting as Where,
    Target,
};
use crate::quantity::Range;

pub(super) use super::bench::drivetrain;

/// A figure of the simulated world is measured, made up, a matter of design, or marked as what nobody wrote down: the comment
/// above a constant, or above the group that it stands in, says which.
#[test]
fn every_figure_of_the_simulated_ride_says_where_it_is_from() {
    const ORIGINS: [&str; 7] =
        ["practice, no source", "Source: ", "ade up", "made-up", "itted", "design", "from memory"];
    let mut folders = vec![std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/rehearse")];
    let mut files = vec![];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            match path.extension() {
                None => folders.push(path),
                Some(_) if path.ends_with("tests.rs") => {}
                Some(_) => files.push(path),
            }
        }
    }
    let mut told = 0;
    for file in files {
        let text = std::fs::read_to_string(&file).unwrap();
        let code = text.split("#[cfg(test)]\nmod ").next().unwrap();
        let (mut comment, mut over) = (String::new(), true);
        for line in code.lines() {
            if let Some(words) = line.strip_prefix("//") {
                if std::mem::take(&mut over) {
                    comment.clear();
                }
                comment += words.trim_start_matches('/');
            } else if line.contains("const ") && !line.contains("const fn") && !line.starts_with(' ') {
                over = true;
                if line.contains("f64") {
                    told += 1;
                    assert!(ORIGINS.iter().any(|origin| comment.contains(origin)), "{}: {line}", file.display());
                }
            } else if !line.starts_with(' ') {
                comment.clear();
            }
        }
    }
    assert!(told > 50, "{told}");
}

pub(super) fn phase(name: &str, keys: &[(&str, &str)], drill: Drill) -> Phase {
    let keys = keys.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect();
    Phase {
        id: PhaseId { name: name.to_owned(), keys },
        drill,
        ring: None,
        posture: None,
        cadence_rpm: None,
        grade_pct: None,
        repeats: 1,
        accept: Accept::EveryRepeat,
        checks: vec![],
        part: Part::Required,
        tolerance: 0.2,
        accepts_off_target: false,
    }
}

pub(super) fn hold(power_w: Target, low_s: f64, high_s: f64) -> Hold {
    Hold { power_w, for_s: Range::between(low_s, high_s) }
}

/// Six steady blocks on two rings, six sprints, six coasts and restarts, four times soft pedalling.
pub(super) fn bench_trial() -> Protocol {
    let mut phases = vec![];
    for (ring, power_w) in [
        (Ring::Big, 120),
        (Ring::Small, 120),
        (Ring::Small, 180),
        (Ring::Big, 180),
        (Ring::Big, 240),
        (Ring::Small, 240),
    ] {
        let drill = Drill::Steady {
            power_w: Target::Value(f64::from(power_w)),
            lasts_s: Range::at_least(240.0),
            settle_s: 30.0,
        };
        let keys = [("ring", ring.word()), ("power", &format!("{power_w} W"))];
        phases.push(Phase {
            ring: Some(ring),
            cadence_rpm: Some(Range::between(80.0, 95.0)),
            ..phase("steady", &keys, drill)
        });
    }
    let sprint = Drill::Sprint {
        effort_w: Range::at_least(600.0),
        lasts_s: Range::between(6.0, 12.0),
        recover_s: Some(Range::between(90.0, 180.0)),
    };
    phases.push(Phase { ring: Some(Ring::Big), repeats: 6, ..phase("standing-sprints", &[], sprint) });
    let coast = Drill::CoastRestart {
        lead_in: hold(Target::Value(200.0), 20.0, 20.0),
        coast_s: Range::between(7.0, 12.0),
        restart: hold(Target::Within(Range::at_least(300.0)), 5.0, 10.0),
        recover_s: None,
    };
    phases.push(Phase { repeats: 6, ..phase("coast-and-restart", &[], coast) });
    let soft = Drill::SoftPedal {
        surge: hold(Target::Value(300.0), 10.0, 10.0),
        soft: hold(Target::Within(Range::between(30.0, 90.0)), 15.0, 25.0),
        recover_s: None,
    };
    phases.push(Phase { repeats: 4, cadence_rpm: Some(Range::at_least(50.0)), ..phase("soft-pedalling", &[], soft) });
    Protocol {
        file: "bench.yaml".into(),
        sha256: String::new(),
        title: "Bench trial on both chainrings".to_owned(),
        revision: "2026-11".to_owned(),
        purpose: None,
        setting: Where::Indoor,
        order: PhaseOrder::AsWritten,
        needs: Needs { references: 2, warm_up_s: Some(600.0), ..Needs::default() },
        decision: Decision { rule: Rule::Guarded, coverage: 0.95 },
        threshold_power_w: None,
        phases,
        contrasts: vec![],
        whole_ride: vec![],
    }
}

fn ridden(seed: u64, faults: &[&str]) -> Rehearsal {
    let faults = faults.iter().map(|f| f.parse().unwrap_or_else(|e| panic!("{e}"))).collect();
    simulate(&bench_trial(), &RehearsalPlan { faults, ..RehearsalPlan::new(seed) })
}

fn ideal(faults: &[&str]) -> Rehearsal {
    let faults = faults.iter().map(|f| f.parse().unwrap_or_else(|e| panic!("{e}"))).collect();
    simulate(&bench_trial(), &RehearsalPlan { faults, instruments: Instruments::Ideal, ..RehearsalPlan::new(5) })
}

const UNIT_AT: usize = 0;
const PEDALS_AT: usize = 1;
const TRAINER_AT: usize = 2;

/// Recorded value by true second of an ideal rehearsal, whose clocks show true time.
fn column(
    rehearsal: &Rehearsal,
    n: usize,
    of: fn(&crate::recording::Samples) -> &Vec<Option<f64>>,
) -> Vec<(f64, Option<f64>)> {
    let recording = &rehearsal.recordings[n];
    let start_s = (recording.start - rehearsal.truth.date).num_seconds() as f64;
    recording.samples.time_s.iter().map(|t| t + start_s).zip(of(&recording.samples).iter().copied()).collect()
}

fn power(rehearsal: &Rehearsal, n: usize) -> Vec<(f64, Option<f64>)> {
    column(rehearsal, n, |s| &s.power_w)
}

fn mean_in(series: &[(f64, Option<f64>)], from_s: f64, to_s: f64) -> f64 {
    let values: Vec<f64> = series.iter().filter(|v| (from_s..to_s).contains(&v.0)).filter_map(|v| v.1).collect();
    values.iter().sum::<f64>() / values.len() as f64
}

fn moves(rehearsal: &Rehearsal, act: RiderAction) -> impl Iterator<Item = &TrueMove> {
    rehearsal.truth.moves.iter().filter(move |m| m.act == act.word())
}

#[test]
fn the_same_plan_gives_the_same_bytes() {
    let (first, second) = (ridden(11, &["gain=2"]), ridden(11, &["gain=2"]));
    assert_eq!(first.files, second.files);
    assert_eq!(first, second);
    assert_ne!(first.files[0], ridden(12, &["gain=2"]).files[0]);
}

#[test]
fn ideal_instruments_agree_within_rounding() {
    let rehearsal = ideal(&[]);
    assert_eq!(power(&rehearsal, UNIT_AT), power(&rehearsal, PEDALS_AT));
    let over_blocks = |n| -> f64 {
        let series = power(&rehearsal, n);
        moves(&rehearsal, RiderAction::Block).map(|b| mean_in(&series, b.start_s + 15.0, b.end_s - 2.0)).sum()
    };
    let ratio = over_blocks(TRAINER_AT) / over_blocks(UNIT_AT);
    assert!((ratio - (1.0 - LOSS)).abs() < 0.003, "{ratio}");
}

#[test]
fn an_ideal_meter_reads_what_the_rider_puts_in() {
    let rehearsal = ideal(&[]);
    let series = power(&rehearsal, UNIT_AT);
    for block in moves(&rehearsal, RiderAction::Block) {
        let truly_w = rehearsal.truth.signal.mean_w(block.start_s + 30.0, block.end_s - 5.0);
        let read_w = mean_in(&series, block.start_s + 30.0, block.end_s - 5.0);
        assert!((read_w / truly_w - 1.0).abs() < 0.004, "{read_w} for {truly_w}");
    }
}

#[test]
fn a_sound_session_looks_like_one() {
    for seed in 0..4 {
        let rehearsal = ridden(seed, &[]);
        let minutes = rehearsal.recordings[0].samples.time_s.last().unwrap() / 60.0;
        assert!((60.0..85.0).contains(&minutes), "{minutes} min");
        let samples = &rehearsal.recordings[1].samples;
        let mean = |column: &[Option<f64>]| {
            let known: Vec<f64> = column.iter().flatten().copied().filter(|v| *v > 0.0).collect();
            known.iter().sum::<f64>() / known.len() as f64
        };
        assert!((100.0..150.0).contains(&mean(&samples.heart_rate_bpm)), "{}", mean(&samples.heart_rate_bpm));
        assert!((78.0..95.0).contains(&mean(&samples.cadence_rpm)), "{}", mean(&samples.cadence_rpm));
        assert!((120.0..200.0).contains(&mean(&samples.power_w)), "{}", mean(&samples.power_w));
        assert!((6.0..10.0).contains(&mean(&samples.speed_m_s)), "{}", mean(&samples.speed_m_s));
        assert!((46.0..55.0).contains(&mean(&samples.right_share_pct)), "{}", mean(&samples.right_share_pct));
        for bytes in &rehearsal.files {
            assert!((40_000..150_000).contains(&bytes.len()), "{} bytes", bytes.len());
        }
    }
}

#[test]
fn every_sprint_reaches_the_asked_effort() {
    for seed in 0..10 {
        let rehearsal = ridden(seed, &[]);
        for sprint in moves(&rehearsal, RiderAction::Sprint) {
            let best_w = (0..80)
                .map(|i| sprint.start_s + 0.1 * f64::from(i))
                .map(|t| rehearsal.truth.signal.mean_w(t, t + 3.0))
                .fold(0.0, f64::max);
            assert!((620.0..960.0).contains(&best_w), "{best_w}");
        }
    }
}

#[test]
fn a_sound_meter_is_silent_within_two_seconds_and_back_soon() {
    let rehearsal = ideal(&[]);
    let series = power(&rehearsal, UNIT_AT);
    for coast in moves(&rehearsal, RiderAction::Coast) {
        for (t, power_w) in &series {
            if (coast.start_s + 2.2..coast.end_s).contains(t) {
                assert_eq!(*power_w, Some(0.0), "{} s into the coast", t - coast.start_s);
            }
        }
        let back = series.iter().find(|(t, w)| *t > coast.end_s && w.is_some_and(|w| w > 0.0));
        assert!(back.is_some_and(|(t, _)| t - coast.end_s < 3.0));
    }
}

#[test]
fn speed_over_cadence_gives_a_gear_of_the_named_ring() {
    let rehearsal = ideal(&[]);
    let cadence = column(&rehearsal, UNIT_AT, |s| &s.cadence_rpm);
    let speed = column(&rehearsal, UNIT_AT, |s| &s.speed_m_s);
    let drivetrain = drivetrain();
    for block in moves(&rehearsal, RiderAction::Block) {
        let (from_s, to_s) = (block.start_s + 20.0, block.end_s - 5.0);
        let development_m = mean_in(&speed, from_s, to_s) * 60.0 / mean_in(&cadence, from_s, to_s);
        let teeth = drivetrain.teeth(if block.ring == "big" { Ring::Big } else { Ring::Small }).unwrap();
        let cog = f64::from(teeth) * drivetrain.wheel_m.unwrap() / development_m;
        assert!(drivetrain.cassette.iter().any(|c| (f64::from(*c) - cog).abs() < 0.1), "{} {cog}", block.phase);
    }
}

#[test]
fn a_ring_fault_leaves_the_other_ring_alone() {
    let (sound, faulty) = (ridden(3, &[]), ridden(3, &["ring-offset=-14@big"]));
    let (before, after) = (power(&sound, UNIT_AT), power(&faulty, UNIT_AT));
    let shown = sound.truth.instruments[0].clock_offset_s;
    for block in moves(&sound, RiderAction::Block) {
        let (from_s, to_s) = (block.start_s + shown + 10.0, block.end_s + shown - 2.0);
        let change_w = mean_in(&after, from_s, to_s) - mean_in(&before, from_s, to_s);
        let expected_w = if block.ring == "big" { -14.0 } else { 0.0 };
        assert!((change_w - expected_w).abs() < 0.3, "{} {change_w}", block.phase);
    }
    assert_eq!(sound.recordings[PEDALS_AT], faulty.recordings[PEDALS_AT]);
    assert_eq!(sound.recordings[TRAINER_AT], faulty.recordings[TRAINER_AT]);
}

/// Every kind, at one instrument; none of one side where the instrument has but a total.
fn every_fault(instrument: &str, two_sides: bool) -> Vec<Fault> {
    let at = |kind: &FaultKind| {
        let mut fault: Fault = kind.form.parse().unwrap();
        fault.instrument = Some(instrument.to_owned());
        fault
    };
    FAULT_KINDS.iter().map(at).filter(|fault| two_sides || fault.side.is_none()).collect()
}

#[test]
fn a_fault_reaches_the_instrument_that_it_names_and_no_other() {
    let sound = ridden(8, &[]);
    for (n, name, two_sides) in [(UNIT_AT, "unit", true), (PEDALS_AT, "P", true), (TRAINER_AT, "trainer T", false)] {
        for fault in every_fault(name, two_sides) {
            let faulty =
                simulate(&bench_trial(), &RehearsalPlan { faults: vec![fault.clone()], ..RehearsalPlan::new(8) });
            for (i, (before, after)) in sound.files.iter().zip(&faulty.files).enumerate() {
                assert_eq!(before == after, i != n, "{fault}: {i}");
            }
            assert_eq!(sound.truth.moves, faulty.truth.moves, "{fault}");
            let label = &sound.truth.instruments[n].label;
            assert!(faulty.truth.struck.iter().all(|w| w.instrument == *label), "{fault}");
        }
    }
}

#[test]
fn a_gain_and_an_offset_are_of_the_size_written() {
    let sound = ideal(&[]);
    for (fault, expected) in [("gain=2.5", 180.0 * 0.025), ("offset=-4", -4.0)] {
        let faulty = ideal(&[fault]);
        let block = moves(&sound, RiderAction::Block).nth(2).unwrap();
        assert!(block.phase.contains("180 W"));
        let window = (block.start_s + 10.0, block.end_s - 2.0);
        let mean_w = |r| mean_in(&power(r, UNIT_AT), window.0, window.1);
        let change_w = mean_w(&faulty) - mean_w(&sound);
        assert!((change_w / expected - 1.0).abs() < 0.06, "{fault}: {change_w}");
    }
}

#[test]
fn drift_grows_by_the_hour() {
    let (sound, faulty) = (ideal(&[]), ideal(&["drift=6"]));
    for block in moves(&sound, RiderAction::Block) {
        let window = (block.start_s + 10.0, block.end_s - 2.0);
        let mean_w = |r| mean_in(&power(r, UNIT_AT), window.0, window.1);
        let expected_w = 6.0 * (window.0 + window.1) / 2.0 / 3600.0;
        assert!((mean_w(&faulty) - mean_w(&sound) - expected_w).abs() < 0.15);
    }
}

#[test]
fn a_short_side_falls_short_in_as_many_sprints_as_written() {
    let (sound, faulty) = (ideal(&[]), ideal(&["side-short=110@left,2/6"]));
    assert_eq!(faulty.truth.struck.len(), 2);
    let mut short = 0;
    for sprint in moves(&sound, RiderAction::Sprint) {
        let window = (sprint.start_s + 2.5, sprint.end_s);
        let mean_w = |r: &Rehearsal| mean_in(&power(r, UNIT_AT), window.0, window.1);
        let right_w = |r: &Rehearsal| {
            mean_w(r) * mean_in(&column(r, UNIT_AT, |s| &s.right_share_pct), window.0, window.1) / 100.0
        };
        let missing_w = mean_w(&sound) - mean_w(&faulty);
        if missing_w > 1.0 {
            short += 1;
            assert!((missing_w - 110.0).abs() < 2.0, "{missing_w}");
            assert!((right_w(&sound) - right_w(&faulty)).abs() < 4.0);
            assert!(faulty.truth.struck.iter().any(|s| s.start_s == sprint.start_s));
        }
    }
    assert_eq!(short, 2);
}

/// Seconds, each with what a sound and a faulty unit recorded.
fn beside(sound: &Rehearsal, faulty: &Rehearsal, n: usize) -> Vec<(f64, Option<f64>, Option<f64>)> {
    power(sound, n).into_iter().zip(power(faulty, n)).map(|((t, before), (_, after))| (t, before, after)).collect()
}

fn struck_at(rehearsal: &Rehearsal, t_s: f64, grown_s: f64) -> bool {
    rehearsal.truth.struck.iter().any(|w| (w.start_s..w.end_s + grown_s).contains(&t_s))
}

#[test]
fn outside_its_occasions_a_fault_changes_nothing() {
    let sound = ideal(&[]);
    for kind in FAULT_KINDS.iter().filter(|kind| kind.occasion.is_some()) {
        for (n, name) in [(UNIT_AT, "unit"), (TRAINER_AT, "T")] {
            let mut fault: Fault = kind.form.parse().unwrap();
            if n == TRAINER_AT && fault.side.is_some() {
                continue;
            }
            (fault.share, fault.instrument) = (Some(StruckShare::Part { part: 1.0, of: 2.0 }), Some(name.to_owned()));
            let plan =
                RehearsalPlan { faults: vec![fault.clone()], instruments: Instruments::Ideal, ..RehearsalPlan::new(5) };
            let faulty = simulate(&bench_trial(), &plan);
            assert!(!faulty.truth.struck.is_empty(), "{fault}");
            // A reading stays until the next one: a turn of the cranks, a hub's smoothing, and what is late by seconds.
            let grown_s = 3.0 + if kind.unit == "s" { fault.size } else { 0.0 };
            let mut inside = 0;
            for (t, before, after) in beside(&sound, &faulty, n) {
                if struck_at(&faulty, t, grown_s) {
                    inside += usize::from(before != after);
                } else {
                    assert_eq!(before, after, "{fault} at {t}");
                }
            }
            assert!(inside > 0 || kind.kind == FaultEffect::LateCadence, "{fault}");
        }
    }
}

#[test]
fn a_share_of_restarts_wakes_late_and_a_share_of_stops_is_held() {
    let (sound, faulty) = (ideal(&[]), ideal(&["late-wake=3@2/6", "held-reading=2@1/2"]));
    let (sound_w, faulty_w) = (power(&sound, UNIT_AT), power(&faulty, UNIT_AT));
    let (mut woke_late, mut held) = (0, 0);
    for coast in moves(&sound, RiderAction::Coast) {
        let later_s =
            |from_s, positive| first_after(&faulty_w, from_s, positive) - first_after(&sound_w, from_s, positive);
        let (held_s, late_s) = (later_s(coast.start_s + 0.5, false), later_s(coast.end_s, true));
        assert!(held_s == 0.0 || held_s == 2.0, "{held_s}");
        assert!(late_s == 0.0 || (3.0..=5.0).contains(&late_s), "{late_s}");
        held += usize::from(held_s > 0.0);
        woke_late += usize::from(late_s > 0.0);
    }
    assert_eq!((woke_late, held), (2, 3));
}

#[test]
fn spikes_are_seconds_of_the_size_and_number_written() {
    let (sound, faulty) = (ideal(&[]), ideal(&["spike=400@3"]));
    let changes: Vec<f64> = beside(&sound, &faulty, UNIT_AT)
        .iter()
        .filter_map(|(_, a, b)| Some((*b)? - (*a)?))
        .filter(|c| *c != 0.0)
        .collect();
    assert_eq!(changes, [400.0; 3]);
}

#[test]
fn a_stuck_reading_stays_for_as_long_as_written() {
    let faulty = ideal(&["stuck=20@2"]);
    assert_eq!(faulty.truth.struck.len(), 2);
    for window in &faulty.truth.struck {
        let values: Vec<_> =
            power(&faulty, UNIT_AT).into_iter().filter(|v| (window.start_s..window.end_s).contains(&v.0)).collect();
        assert!(values.len() >= 19 && values[0].1 > Some(0.0));
        assert!(values.iter().all(|v| v.1 == values[0].1), "{values:?}");
    }
}

#[test]
fn an_unheard_instrument_is_missing_while_the_strap_is_there() {
    let faulty = ideal(&["dropout=5@6"]);
    let samples = &faulty.recordings[UNIT_AT].samples;
    let lost: Vec<usize> = (0..samples.len()).filter(|i| samples.power_w[*i].is_none()).collect();
    assert_eq!(lost.len(), 30);
    assert!(lost.iter().all(|i| samples.heart_rate_bpm[*i].is_some() && samples.cadence_rpm[*i].is_none()));
}

#[test]
fn phantom_watts_show_while_the_cranks_stand() {
    let (sound, faulty) = (ideal(&[]), ideal(&["phantom=12"]));
    for coast in moves(&sound, RiderAction::Coast) {
        for (t, before, after) in beside(&sound, &faulty, UNIT_AT) {
            if (coast.start_s + 2.2..coast.end_s).contains(&t) {
                assert_eq!((before, after), (Some(0.0), Some(12.0)), "at {t}");
            }
        }
    }
}

#[test]
fn a_temperature_drift_follows_the_sensors_temperature() {
    let (sound, faulty) = (ideal(&[]), ideal(&["temperature-drift=3"]));
    let temperature_c = &sound.truth.temperatures_c[UNIT_AT];
    let shown = &faulty.recordings[UNIT_AT].samples.temperature_c;
    for block in moves(&sound, RiderAction::Block) {
        let window = (block.start_s + 10.0, block.end_s - 2.0);
        let change_w = mean_in(&power(&faulty, UNIT_AT), window.0, window.1)
            - mean_in(&power(&sound, UNIT_AT), window.0, window.1);
        let middle = ((window.0 + window.1) / 2.0) as usize;
        let warmer_c = temperature_c[middle] - temperature_c[0];
        assert!((change_w - 3.0 * warmer_c).abs() < 0.2, "{change_w} W for {warmer_c} °C");
        assert!((shown[middle].unwrap() - temperature_c[middle]).abs() <= 0.51, "the head unit writes it down");
    }
    assert!(temperature_c.iter().fold(0.0, |most: f64, c| most.max(*c)) - temperature_c[0] > 3.0);
}

#[test]
fn faults_combine() {
    let faulty = ideal(&["gain=10", "offset=-8@big", "spike=300@2", "gain=5@P", "late=2@T"]);
    let sound = ideal(&[]);
    let block = moves(&sound, RiderAction::Block).find(|b| b.ring == "big").unwrap();
    let struck = |t| struck_at(&faulty, t, 0.0);
    let seconds: Vec<_> =
        beside(&sound, &faulty, UNIT_AT).into_iter().filter(|s| (block.start_s..block.end_s).contains(&s.0)).collect();
    for (t, before, after) in seconds.into_iter().skip(2).filter(|s| !struck(s.0)) {
        let expected_w = before.unwrap() * 1.1 - 8.0;
        assert!((after.unwrap() - expected_w).abs() <= 1.1, "{after:?} for {expected_w} at {t}");
    }
    assert_eq!(faulty.truth.struck.len(), 2);
    assert_ne!(sound.files[PEDALS_AT], faulty.files[PEDALS_AT]);
    assert_ne!(sound.files[TRAINER_AT], faulty.files[TRAINER_AT]);
}

fn on_bench(word: &str, instruments: Instruments) -> Rehearsal {
    let bench = (BENCHES.iter().find(|kind| kind.word == word).unwrap().bench)();
    simulate(&bench_trial(), &RehearsalPlan { bench, instruments, ..RehearsalPlan::new(5) })
}

#[test]
fn an_instrument_reads_the_same_whoever_is_worn_beside_it() {
    let all = on_bench("three", Instruments::Real);
    let [both, pedals, trainer] = ["both", "pedals", "trainer"].map(|word| on_bench(word, Instruments::Real));
    assert_eq!(all.files[..3], both.files);
    assert_eq!(all.files[..2], pedals.files);
    // Laps are pressed on the first reference's head unit.
    assert_eq!(all.recordings[2].samples, trainer.recordings[1].samples);
}

#[test]
fn each_place_reads_what_is_there() {
    let [both, spider, left, hub, pedals] =
        ["both", "spider-unit", "left-unit", "hub-unit", "pedal-unit"].map(|word| on_bench(word, Instruments::Ideal));
    assert_eq!(power(&both, UNIT_AT), power(&spider, UNIT_AT));
    assert_eq!(power(&both, UNIT_AT), power(&pedals, UNIT_AT));
    assert!(!both.recordings[UNIT_AT].samples.right_share_pct.is_empty());
    for totals in [&spider, &left, &hub] {
        assert!(totals.recordings[UNIT_AT].samples.right_share_pct.is_empty());
    }
    let block = moves(&both, RiderAction::Block).next().unwrap();
    let (from_s, to_s) = (block.start_s + 30.0, block.end_s - 5.0);
    let (from, to) = (both.truth.signal.work_until(from_s), both.truth.signal.work_until(to_s));
    let left_w = (to.left_j - from.left_j) / (to_s - from_s);
    assert!((mean_in(&power(&left, UNIT_AT), from_s, to_s) / (2.0 * left_w) - 1.0).abs() < 0.005);
    let at_hub_w = both.truth.signal.mean_w(from_s, to_s) * (1.0 - LOSS);
    assert!((mean_in(&power(&hub, UNIT_AT), from_s, to_s) / at_hub_w - 1.0).abs() < 0.005);
}

#[test]
fn a_trainer_reads_low_while_spun_up_and_watts_while_coasting_and_a_hub_does_neither() {
    let wearing = |missed: bool| {
        let mut bench = RehearsalBench::both();
        bench.references.remove(0);
        if !missed {
            bench.references[0].mode = None;
        }
        // No gain, offset or loss but what the flywheel does.
        let habits = RideHabits { systematic: 0.0, ..RideHabits::default() };
        simulate(&bench_trial(), &RehearsalPlan { bench, habits, ..RehearsalPlan::new(5) })
    };
    let (trainer, hub) = (wearing(true), wearing(false));
    let mean_w = |r: &Rehearsal, from_s: f64, to_s: f64| {
        let clock = r.truth.instruments[1].clock_offset_s;
        mean_in(&power(r, 1), from_s + clock, to_s + clock)
    };
    let (mut spun_up_w, mut after_w, mut coasting_w) = (0.0, 0.0, 0.0);
    for sprint in moves(&trainer, RiderAction::Sprint) {
        spun_up_w +=
            mean_w(&trainer, sprint.start_s, sprint.start_s + 3.0) - mean_w(&hub, sprint.start_s, sprint.start_s + 3.0);
        after_w += mean_w(&trainer, sprint.end_s + 1.0, sprint.end_s + 6.0)
            - mean_w(&hub, sprint.end_s + 1.0, sprint.end_s + 6.0);
    }
    assert!(spun_up_w / 6.0 < -8.0 && after_w / 6.0 > 4.0, "{spun_up_w} {after_w}");
    // A rider who starts late and ends early leaves no second clear of both ends.
    let long: Vec<&TrueMove> = moves(&trainer, RiderAction::Coast).filter(|m| m.end_s - m.start_s > 7.6).collect();
    assert!(long.len() >= 3);
    for coast in &long {
        coasting_w += mean_w(&trainer, coast.start_s + 6.0, coast.end_s - 1.0);
        assert_eq!(mean_w(&hub, coast.start_s + 6.5, coast.end_s - 0.5), 0.0);
    }
    assert!(coasting_w / long.len() as f64 > 3.0, "{coasting_w}");
}

/// First and last true second of a stretch around a move in which the unit reads power.
fn first_after(series: &[(f64, Option<f64>)], t_s: f64, positive: bool) -> f64 {
    series.iter().find(|(t, w)| *t >= t_s && w.is_some_and(|w| (w > 0.0) == positive)).map_or(f64::NAN, |v| v.0)
}

#[test]
fn late_wake_and_held_reading_last_as_long_as_written() {
    let (sound, faulty) = (ideal(&[]), ideal(&["late-wake=3", "held-reading=2"]));
    for coast in moves(&sound, RiderAction::Coast) {
        let (sound_w, faulty_w) = (power(&sound, UNIT_AT), power(&faulty, UNIT_AT));
        let held_s =
            first_after(&faulty_w, coast.start_s + 0.5, false) - first_after(&sound_w, coast.start_s + 0.5, false);
        assert_eq!(held_s, 2.0);
        // It wakes with the first turn after three seconds: up to one turn and one stamp later.
        let woke_s = first_after(&faulty_w, coast.end_s, true) - first_after(&sound_w, coast.end_s, true);
        assert!((3.0..=5.0).contains(&woke_s), "{woke_s}");
    }
}

#[test]
fn late_moves_power_and_cadence_and_late_cadence_only_cadence() {
    let (sound, late, cadence) = (ideal(&[]), ideal(&["late=2"]), ideal(&["late-cadence=2"]));
    let moved = |a: Vec<(f64, Option<f64>)>, b: Vec<(f64, Option<f64>)>| {
        a.iter().zip(b.iter().skip(2)).skip(10).all(|(x, y)| x.1 == y.1)
    };
    let rpm = |r| column(r, UNIT_AT, |s| &s.cadence_rpm);
    assert!(moved(power(&sound, UNIT_AT), power(&late, UNIT_AT)));
    assert!(moved(rpm(&sound), rpm(&late)));
    assert_eq!(power(&sound, UNIT_AT), power(&cadence, UNIT_AT));
    assert!(moved(rpm(&sound), rpm(&cadence)));
    let bpm = |r| column(r, UNIT_AT, |s| &s.heart_rate_bpm);
    assert_eq!(bpm(&sound), bpm(&late));
}

#[test]
fn soft_dropout_loses_the_written_share_of_soft_pedalling_and_nothing_else() {
    let (sound, faulty) = (ideal(&[]), ideal(&["soft-dropout=0.3"]));
    let asked_s: f64 = moves(&sound, RiderAction::Soft).map(|m| 0.3 * (m.end_s - m.start_s)).sum();
    let struck_s: f64 = faulty.truth.struck.iter().map(|s| s.end_s - s.start_s).sum();
    assert!((asked_s - struck_s).abs() < 1e-9);
    for ((t, before), (_, after)) in power(&sound, UNIT_AT).into_iter().zip(power(&faulty, UNIT_AT)) {
        let struck = faulty.truth.struck.iter().any(|s| (s.start_s..s.end_s).contains(&t));
        assert_eq!(after, if struck { Some(0.0) } else { before }, "at {t}");
    }
}

#[test]
fn a_doubled_side_sends_twice_that_side_and_no_balance() {
    let (sound, faulty) = (ideal(&[]), ideal(&["doubled-side=left"]));
    assert!(faulty.recordings[UNIT_AT].samples.right_share_pct.iter().all(Option::is_none));
    let (block, sum) = (moves(&sound, RiderAction::Block).next().unwrap(), |r: &Rehearsal, t: f64| {
        r.truth.signal.work_until(t).left_j
    });
    let left_w = (sum(&sound, block.end_s) - sum(&sound, block.start_s)) / (block.end_s - block.start_s);
    let read_w = mean_in(&power(&faulty, UNIT_AT), block.start_s, block.end_s);
    assert!((read_w / (2.0 * left_w) - 1.0).abs() < 0.01, "{read_w} {left_w}");
}

#[test]
fn a_deaf_radio_loses_power_and_strap_together() {
    let faulty = ideal(&["radio-dropout=0.04"]);
    let samples = &faulty.recordings[UNIT_AT].samples;
    let lost = samples.power_w.iter().filter(|w| w.is_none()).count() as f64;
    assert!((lost / samples.len() as f64 - 0.04).abs() < 0.005);
    // The strap has its first beat after a second.
    assert!(samples.power_w.iter().zip(&samples.heart_rate_bpm).skip(3).all(|(w, b)| w.is_none() == b.is_none()));
}

#[test]
fn a_gain_of_a_reference_is_of_the_size_written() {
    for (fault, n) in [("gain=3@P", PEDALS_AT), ("gain=3@trainer T", TRAINER_AT)] {
        let (sound, faulty) = (ideal(&[]), ideal(&[fault]));
        let sum = |r: &Rehearsal| power(r, n).iter().filter_map(|v| v.1).sum::<f64>();
        assert!((sum(&faulty) / sum(&sound) - 1.03).abs() < 0.001, "{fault}");
    }
}

#[test]
fn head_units_disagree_by_what_the_truth_says() {
    let rehearsal = ridden(21, &[]);
    // The same heartbeats, each on its own clock, minus the truth's offset: within a second's stamp and the strap's delay.
    let at = |n: usize| {
        let clock = &rehearsal.truth.instruments[n];
        let bpm = column(&rehearsal, n, |s| &s.heart_rate_bpm);
        let rise = bpm.windows(2).find(|w| w[0].0 > 900.0 && w[0].1 != w[1].1).unwrap();
        rise[1].0 - clock.clock_offset_s - clock.clock_drift_ppm * 1e-6 * rise[1].0
    };
    assert!((at(0) - at(1)).abs() < 3.0);
    assert!(rehearsal.truth.instruments.iter().any(|i| i.clock_offset_s.fract().abs() > 0.05));
    let shown = rehearsal.truth.shown_utc(0, 100.0) - rehearsal.truth.date;
    let clock = &rehearsal.truth.instruments[0];
    assert!((shown.num_microseconds().unwrap() as f64 / 1e6 - 100.0 - clock.clock_offset_s).abs() < 0.003);
}

#[test]
fn a_clock_that_jumps_leaves_a_hole_and_shows_later_times_after_it() {
    let (sound, faulty) = (ideal(&[]), ideal(&["clock-jump=3"]));
    let (before, after) = (&sound.recordings[UNIT_AT].samples, &faulty.recordings[UNIT_AT].samples);
    assert_eq!(before.power_w, after.power_w);
    let jumps: Vec<f64> = after.time_s.windows(2).map(|w| w[1] - w[0]).filter(|step| *step != 1.0).collect();
    assert_eq!(jumps, [4.0]);
    let late = faulty.truth.shown_utc(UNIT_AT, 4000.0) - sound.truth.shown_utc(UNIT_AT, 4000.0);
    assert_eq!(late, TimeDelta::seconds(3));
    assert_eq!(faulty.truth.shown_utc(UNIT_AT, 100.0), sound.truth.shown_utc(UNIT_AT, 100.0));
}

#[test]
fn a_clock_set_wrong_shifts_the_recording_and_keeps_its_values() {
    let (sound, faulty) = (ideal(&[]), ideal(&["clock-set=-120"]));
    assert_eq!(sound.recordings[UNIT_AT].samples, faulty.recordings[UNIT_AT].samples);
    assert_eq!(faulty.recordings[UNIT_AT].start, sound.recordings[UNIT_AT].start - TimeDelta::seconds(120));
}

#[test]
fn laps_stand_near_the_starts_of_repeats_and_cover_the_ride() {
    let rehearsal = ridden(2, &[]);
    let laps = &rehearsal.recordings[PEDALS_AT].laps;
    assert!(rehearsal.recordings[UNIT_AT].laps.len() == 1);
    assert!(laps.windows(2).all(|w| w[0].end_s == w[1].start_s));
    let start_s = (rehearsal.recordings[PEDALS_AT].start - rehearsal.truth.date).num_seconds() as f64;
    let offset_s = rehearsal.truth.instruments[PEDALS_AT].clock_offset_s;
    for block in moves(&rehearsal, RiderAction::Block) {
        let near = laps.iter().any(|l| (-1.5..=2.6).contains(&(l.start_s + start_s - offset_s - block.start_s)));
        assert!(near, "{}", block.phase);
    }
}

#[test]
fn in_every_setting_blocks_hold_their_power_and_coasting_reads_zero() {
    for setting in RideSetting::ALL {
        let plan = RehearsalPlan { instruments: Instruments::Ideal, setting, ..RehearsalPlan::new(6) };
        let rehearsal = simulate(&bench_trial(), &plan);
        let series = power(&rehearsal, UNIT_AT);
        for block in moves(&rehearsal, RiderAction::Block) {
            let asked_w: f64 = block.phase.split("power=").nth(1).unwrap().trim_end_matches(" W]").parse().unwrap();
            let ridden_w = rehearsal.truth.signal.mean_w(block.start_s + 30.0, block.end_s);
            assert!((ridden_w / asked_w - 1.0).abs() < 0.1, "{setting:?} {}: {ridden_w}", block.phase);
        }
        for coast in moves(&rehearsal, RiderAction::Coast) {
            let still = series.iter().filter(|(t, _)| (coast.start_s + 2.3..coast.end_s).contains(t));
            assert!(still.clone().count() > 3 && still.clone().all(|v| v.1 == Some(0.0)), "{setting:?}");
        }
        for sprint in moves(&rehearsal, RiderAction::Sprint) {
            let best_w = (0..60)
                .map(|i| sprint.start_s + 0.1 * f64::from(i))
                .map(|t| rehearsal.truth.signal.mean_w(t, t + 3.0))
                .fold(0.0, f64::max);
            assert!((560.0..1200.0).contains(&best_w), "{setting:?}: {best_w}");
        }
    }
}

#[test]
fn a_brake_that_holds_power_is_slow_to_come_back() {
    let onset_s = |setting| {
        let plan = RehearsalPlan { instruments: Instruments::Ideal, setting, ..RehearsalPlan::new(6) };
        let rehearsal = simulate(&bench_trial(), &plan);
        let lags = moves(&rehearsal, RiderAction::Restart).map(|restart| {
            let half = |t: &f64| rehearsal.truth.signal.mean_w(*t, t + 0.5) > restart.mean_power_w / 2.0;
            (0..80).map(|i| restart.start_s + 0.1 * f64::from(i)).find(half).unwrap() - restart.start_s
        });
        lags.sum::<f64>() / 6.0
    };
    assert!(onset_s(RideSetting::ConstantPower) > onset_s(RideSetting::Resistance) + 0.3);
}

#[test]
fn riders_are_late_and_now_and_then_early() {
    let protocol = bench_trial();
    let asked = script::write(&protocol, &drivetrain(), 4);
    let mut ridden = asked.clone();
    stretches::follow(&mut ridden, &protocol, 4);
    let late: Vec<f64> = asked.iter().zip(&ridden).skip(1).map(|(a, r)| r.start_s - a.start_s).collect();
    assert!(late.iter().all(|s| (-0.5..=1.5).contains(s)));
    assert!(late.iter().any(|s| *s < 0.05) && late.iter().sum::<f64>() / late.len() as f64 > 0.5);
    assert!(ridden.windows(2).all(|pair| pair[0].end_s == pair[1].start_s));
}
