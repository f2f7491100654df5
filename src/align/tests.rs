use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::times::session_seconds;
use super::{AlignError, Aligned, to_session_time};
use crate::quantity::{Bound, Unit as Measured};
use crate::recording::{Format, GearChange, HeadUnit, Lap, Recording, Samples, Sensor, TimerEvent, TimerKind};
use crate::rehearse::{Rehearsal, RehearsalPlan, TrueInstrument, simulate};
use crate::ride::{AlignedOn, ClockReset, EdgeKind, Trace};
use crate::session::{
    ButtonMark, ClockTime, Conditions, Drivetrain, Instrument, Location, Readings, Reference, Session, Sides, Unit,
};

/// Not a whole fraction of a second, so that messages wander through the seconds. Common practice, no source.
const MESSAGE_S: f64 = 0.2463;

const NOON: i64 = 1_793_880_000;

/// A ride in true time: what a strap sends some four times a second, and what a perfect power meter would read.
struct World {
    heart_rate_bpm: Vec<f64>,
    power_w: Vec<f64>,
}

impl World {
    fn new(seed: u64, length_s: usize) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut noise = || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
        // The strap averages eight beats; breathing and chance vary them.
        let (mut slow, mut target, mut time_s, mut shown) = (120.0, 130.0, 0.0, vec![]);
        let mut beats = [0.5; 8];
        for beat in 0.. {
            if beat % 400 == 0 {
                target = 135.0 + 15.0 * noise().clamp(-2.0, 2.0);
            }
            slow += (target - slow) / 80.0;
            beats[beat % 8] = 60.0 / slow * (1.0 + 0.02 * (time_s * 1.6_f64).sin() + 0.015 * noise());
            time_s += beats[beat % 8];
            let bpm = (8.0 * 60.0 / beats.iter().sum::<f64>()).round();
            shown.resize((time_s / MESSAGE_S) as usize, bpm);
            if time_s > length_s as f64 {
                break;
            }
        }
        let heart_rate_bpm = shown;
        let mut level = 180.0;
        let power_w = (0..length_s)
            .map(|s| {
                if s % 90 == 0 {
                    level = 200.0 + 60.0 * noise();
                }
                f64::max(level + 12.0 * noise(), 0.0).round()
            })
            .collect();
        Self { heart_rate_bpm, power_w }
    }

    /// What a head unit stores whose clock is `offset_s` behind at true time `from_s` and drifts by `drift_ppm`:
    /// session seconds are its own plus offset plus drift.
    fn recording(&self, file: &str, clock: Clock, power_late_s: f64) -> Recording {
        let Clock { from_s, to_s, offset_s, drift_ppm } = clock;
        let seconds: Vec<f64> = (0..to_s - from_s).map(|j| j as f64).collect();
        let truth = |j: f64| from_s as f64 + j + offset_s + drift_ppm * 1e-6 * j;
        let heart_rate = |j: f64| self.heart_rate_bpm.get((truth(j) / MESSAGE_S).floor() as usize).copied();
        let power = |j: f64| self.power_w.get((truth(j) - power_late_s).floor().max(0.0) as usize).copied();
        let samples = Samples {
            power_w: seconds.iter().map(|j| power(*j)).collect(),
            heart_rate_bpm: seconds.iter().map(|j| heart_rate(*j)).collect(),
            ..blank(seconds)
        };
        Recording {
            file: file.into(),
            sha256: String::new(),
            bytes: 0,
            format: Format::Fit,
            head_unit: HeadUnit::default(),
            start: noon() + TimeDelta::seconds(from_s),
            samples,
            laps: vec![],
            timer: vec![],
            gears: vec![],
            positions: vec![],
            summaries: vec![],
            sensors: vec![],
            damage: vec![],
            cautions: vec![],
        }
    }
}

#[derive(Clone, Copy)]
struct Clock {
    from_s: i64,
    to_s: i64,
    offset_s: f64,
    drift_ppm: f64,
}

const TRUE_CLOCK: Clock = Clock { from_s: 0, to_s: 4500, offset_s: 0.0, drift_ppm: 0.0 };

fn noon() -> DateTime<Utc> {
    DateTime::from_timestamp(NOON, 0).unwrap()
}

fn blank(time_s: Vec<f64>) -> Samples {
    let none = vec![None; time_s.len()];
    Samples {
        time_s,
        power_w: none.clone(),
        cadence_rpm: none.clone(),
        heart_rate_bpm: none.clone(),
        speed_m_s: none.clone(),
        altitude_m: none.clone(),
        temperature_c: none.clone(),
        distance_m: none.clone(),
        latitude_deg: none.clone(),
        longitude_deg: none.clone(),
        right_share_pct: none,
        ..Samples::default()
    }
}

fn instrument(label: &str, files: &[&str]) -> Instrument {
    Instrument::new(label, Location::Pedals, Sides::Both, files.iter().map(PathBuf::from).collect())
}

fn session(units: Vec<Instrument>, references: Vec<Instrument>) -> Session {
    let uncertainty = Bound::single(1.0, Measured::Percent);
    let reference =
        |instrument| Reference { instrument, uncertainty: uncertainty.clone(), certificate: None, mode: None };
    Session {
        file: None,
        sha256: None,
        protocol: None,
        tester: None,
        place: None,
        date: None,
        notes: None,
        authorised_by: None,
        units: units.into_iter().map(|instrument| Unit { instrument, claimed: None }).collect(),
        references: references.into_iter().map(reference).collect(),
        drivetrain: Drivetrain::default(),
        conditions: Conditions::default(),
        readings: Readings::default(),
        remarks: vec![],
        marks: vec![],
        report: Default::default(),
        marks_file: None,
        pins: vec![],
        cards: vec![],
        photos: vec![],
        threshold_power_w: None,
        assumed: vec![],
        cautions: vec![],
        files: vec![],
    }
}

fn align(session: &Session, recordings: Vec<Recording>) -> Result<Aligned, AlignError> {
    to_session_time(session, &recordings.into_iter().map(|r| (r.file.clone(), r)).collect())
}

/// Unit 017 in `u.fit` against pedal pair P in `p.fit`.
fn align_pair(unit: Recording, reference: Recording) -> Result<Aligned, AlignError> {
    let session = session(vec![instrument("unit 017", &["u.fit"])], vec![instrument("pedal pair P", &["p.fit"])]);
    align(&session, vec![unit, reference])
}

fn unit_of(unit: Recording, reference: Recording) -> Trace {
    align_pair(unit, reference).unwrap().units.remove(0)
}

/// Offset in the middle of the ride, and by how much it is wrong.
fn middle_error_s(trace: &Trace, truth: Clock) -> f64 {
    let middle_s = (truth.to_s - truth.from_s) as f64 / 2.0;
    let true_s = truth.offset_s + truth.drift_ppm * 1e-6 * middle_s;
    trace.clock.offset_s + trace.clock.drift_ppm * 1e-6 * middle_s - true_s
}

#[test]
fn offset_and_drift_come_back_within_their_uncertainty() {
    let mut squares = 0.0;
    for seed in 0..24 {
        let mut rng = ChaCha8Rng::seed_from_u64(1000 + seed);
        // One whole second among the fractions: there the fraction is unseen, and its uncertainty larger.
        let offset_s = if seed == 0 { 7.0 } else { 40.0 * rng.random::<f64>() - 20.0 };
        let drift_ppm = if seed == 0 { 0.0 } else { 40.0 * rng.random::<f64>() - 20.0 };
        let truth = Clock { from_s: rng.random_range(30..70), to_s: 4460, offset_s, drift_ppm };
        let world = World::new(seed, 4600);
        let unit = unit_of(world.recording("u.fit", truth, 0.0), world.recording("p.fit", TRUE_CLOCK, 0.0));
        let (error_s, u_s) = (middle_error_s(&unit, truth), unit.clock.standard_uncertainty_s);
        println!("seed {seed}: {error_s:+.3} s ± {u_s:.3} s, {:+.1} ppm off", unit.clock.drift_ppm - drift_ppm);
        assert_eq!(unit.clock.aligned_on, AlignedOn::HeartRate);
        assert!(error_s.abs() < 2.0 * u_s);
        assert!((unit.clock.drift_ppm - drift_ppm).abs() < 45.0);
        // Nothing delays the simulated strap, so the share of its Type B uncertainty is left out.
        squares += error_s.powi(2) / (u_s.powi(2) - 0.15f64.powi(2));
    }
    // The 99.9 % point of χ² with 24 degrees of freedom is 51.2 (from memory).
    assert!(squares < 51.2, "{squares}");
}

#[test]
fn a_drift_of_20_ppm_is_followed() {
    let truth = Clock { from_s: 30, to_s: 10_000, offset_s: 3.4, drift_ppm: 20.0 };
    let world = World::new(5, 10_200);
    let reference = world.recording("p.fit", Clock { to_s: 10_100, ..TRUE_CLOCK }, 0.0);
    let unit = unit_of(world.recording("u.fit", truth, 0.0), reference);
    assert!((unit.clock.drift_ppm - 20.0).abs() < 12.0, "{:?}", unit.clock);
    assert_eq!(unit.clock.windows.len(), 33);
}

#[test]
fn missing_seconds_and_readings_shift_nothing() {
    let truth = Clock { from_s: 30, to_s: 4400, offset_s: -2.6, drift_ppm: 0.0 };
    let world = World::new(3, 4600);
    let mut unit = world.recording("u.fit", truth, 0.0);
    let samples = &mut unit.samples;
    // A strap lost for five minutes and, on the other side, a pause that wrote nothing.
    samples.heart_rate_bpm[800..1100].fill(None);
    for i in (0..samples.len()).step_by(17) {
        samples.heart_rate_bpm[i] = None;
    }
    let mut reference = world.recording("p.fit", TRUE_CLOCK, 0.0);
    for column in [&mut reference.samples.power_w, &mut reference.samples.heart_rate_bpm] {
        column.drain(2000..2400);
    }
    reference.samples.time_s.drain(2000..2400);
    let unit = unit_of(unit, reference);
    assert!(middle_error_s(&unit, truth).abs() < 0.15, "{:?}", unit.clock);
}

#[test]
fn a_late_unit_stays_late() {
    let truth = Clock { from_s: 10, to_s: 4400, offset_s: 1.0, drift_ppm: 0.0 };
    let world = World::new(8, 4600);
    let aligned = align_pair(world.recording("u.fit", truth, 3.0), world.recording("p.fit", TRUE_CLOCK, 0.0)).unwrap();
    let (unit, reference) = (&aligned.units[0], &aligned.references[0]);
    assert!(middle_error_s(unit, truth).abs() < 0.15);
    let squares = |late: usize| -> f64 {
        (100..4000).map(|s| (unit.power_at(s + late).unwrap() - reference.power_at(s).unwrap()).powi(2)).sum()
    };
    assert_eq!((0..8).min_by(|a, b| squares(*a).total_cmp(&squares(*b))), Some(3));
    assert_eq!(aligned.cautions, Vec::<String>::new());
}

#[test]
fn another_strap_is_noticed_and_power_is_the_last_resort() {
    let world = World::new(2, 4600);
    let truth = Clock { from_s: 12, to_s: 4400, offset_s: 2.0, drift_ppm: 0.0 };
    let mut unit = world.recording("u.fit", truth, 0.0);
    // A sensor that smooths over ten seconds and has a noise of its own.
    let mut rng = ChaCha8Rng::seed_from_u64(0);
    let strap: Vec<f64> = unit.samples.heart_rate_bpm.iter().map(|v| v.unwrap()).collect();
    for i in 10..strap.len() {
        let smooth = strap[i - 10..i].iter().sum::<f64>() / 10.0;
        unit.samples.heart_rate_bpm[i] = Some((smooth + 3.0 * (rng.random::<f64>() - 0.5)).round());
    }
    let aligned = align_pair(unit, world.recording("p.fit", TRUE_CLOCK, 0.0)).unwrap();
    let clock = &aligned.units[0].clock;
    assert_eq!((clock.aligned_on, clock.offset_s), (AlignedOn::Power, 2.0));
    assert!(clock.standard_uncertainty_s >= 0.5);
    assert_eq!(aligned.cautions.len(), 2);
    assert!(
        aligned.cautions[0].contains("unit 017: its heart rate is not the one recorded with pedal pair P"),
        "{}",
        aligned.cautions[0]
    );
    assert!(
        aligned.cautions[1].contains("a constant lag can't be told from a clock offset"),
        "{}",
        aligned.cautions[1]
    );
}

#[test]
fn speed_serves_between_references_but_not_for_a_unit() {
    let world = World::new(4, 4600);
    let truth = Clock { from_s: 12, to_s: 4400, offset_s: 4.0, drift_ppm: 0.0 };
    let with_speed = |file: &str, clock: Clock| {
        let mut recording = world.recording(file, clock, 0.0);
        let samples = &mut recording.samples;
        samples.heart_rate_bpm.fill(None);
        samples.speed_m_s = samples.power_w.iter().map(|w| w.map(|w| w.sqrt() / 2.0)).collect();
        recording
    };
    let session = session(
        vec![instrument("unit 017", &["u.fit"])],
        vec![instrument("pedal pair P", &["p.fit"]), instrument("trainer T", &["t.fit"])],
    );
    let recordings = [("u.fit", truth), ("p.fit", TRUE_CLOCK), ("t.fit", truth)].map(|(f, c)| with_speed(f, c));
    let aligned = align(&session, recordings.into()).unwrap();
    assert_eq!(aligned.units[0].clock.aligned_on, AlignedOn::Power);
    assert_eq!(aligned.references[1].clock.aligned_on, AlignedOn::Speed);
    assert_eq!(aligned.references[1].clock.offset_s, 4.0);
}

#[test]
fn on_the_road_position_stands_in_for_the_strap() {
    let world = World::new(16, 4600);
    let truth = Clock { from_s: 12, to_s: 4400, offset_s: 4.0, drift_ppm: 0.0 };
    let placed = |file: &str, clock: Clock| {
        let mut recording = world.recording(file, clock, 0.0);
        let samples = &mut recording.samples;
        samples.heart_rate_bpm.fill(None);
        let true_s = |j: f64| clock.from_s as f64 + j + clock.offset_s;
        samples.latitude_deg = samples.time_s.iter().map(|j| Some(47.0 + 0.02 * (true_s(*j) / 500.0).sin())).collect();
        recording
    };
    let unit = unit_of(placed("u.fit", truth), placed("p.fit", TRUE_CLOCK));
    assert_eq!((unit.clock.aligned_on, unit.clock.offset_s), (AlignedOn::Position, 4.0));
}

#[test]
fn a_first_reference_whose_clock_was_never_set_dates_nothing() {
    let world = World::new(6, 4600);
    let truth = Clock { from_s: 20, to_s: 4400, offset_s: 1.3, drift_ppm: 0.0 };
    let mut reference = world.recording("p.fit", TRUE_CLOCK, 0.0);
    let set = align_pair(world.recording("u.fit", truth, 0.0), reference.clone()).unwrap();
    reference.start = DateTime::from_timestamp(631_065_600, 0).unwrap();
    let unset = align_pair(world.recording("u.fit", truth, 0.0), reference).unwrap();
    assert_eq!(unset.cautions, ["pedal pair P: its clock was never set; the session is dated by u.fit"]);
    assert!((unset.start - set.start).num_seconds().abs() <= 2, "{}", unset.start);
    assert!(unset.units[0].clock.offset_s.abs() < 0.6);
    for (a, b) in unset.units[0].time_s.iter().zip(&set.units[0].time_s) {
        assert!((a - b).abs() < 1e-3, "session seconds stay: {a} and {b}");
    }
}

#[test]
fn a_clock_hours_off_is_put_right_aloud() {
    let world = World::new(6, 4600);
    let truth = Clock { from_s: 20, to_s: 4400, offset_s: 1.3, drift_ppm: 0.0 };
    let mut unit = world.recording("u.fit", truth, 0.0);
    unit.start -= TimeDelta::hours(3);
    let aligned = align_pair(unit, world.recording("p.fit", TRUE_CLOCK, 0.0)).unwrap();
    assert!((aligned.units[0].clock.offset_s - 3.0 * 3600.0 - 1.3).abs() < 0.2);
    assert_eq!(
        aligned.cautions,
        ["unit 017: its clock ran 3 h 0 min 1 s behind that of pedal pair P; the heart rate says so"]
    );
}

#[test]
fn a_file_that_counts_from_its_own_start_is_found_by_its_heart_rate() {
    let world = World::new(7, 4600);
    let truth = Clock { from_s: 900, to_s: 4400, offset_s: 0.4, drift_ppm: 0.0 };
    let mut unit = world.recording("u.fit", truth, 0.0);
    unit.start = DateTime::UNIX_EPOCH;
    let aligned = align_pair(unit, world.recording("p.fit", TRUE_CLOCK, 0.0)).unwrap();
    assert!((aligned.units[0].time_s[0] - 900.4).abs() < 0.2, "{}", aligned.units[0].time_s[0]);
    assert!(aligned.cautions.is_empty(), "{:?}", aligned.cautions);
}

#[test]
fn nothing_in_common_leaves_the_stamps_aloud() {
    let (world, other) = (World::new(1, 4600), World::new(91, 4600));
    let aligned =
        align_pair(other.recording("u.fit", TRUE_CLOCK, 0.0), world.recording("p.fit", TRUE_CLOCK, 0.0)).unwrap();
    let clock = &aligned.units[0].clock;
    assert_eq!((clock.aligned_on, clock.offset_s, clock.standard_uncertainty_s), (AlignedOn::Nothing, 0.0, 1.0));
    assert!(aligned.cautions[1].contains("its time stamps are taken as they are"), "{:?}", aligned.cautions);
}

#[test]
fn two_instruments_in_one_recording_share_its_clock() {
    let world = World::new(9, 4600);
    let truth = Clock { from_s: 0, to_s: 4400, offset_s: 1.4, drift_ppm: 0.0 };
    let mut both = world.recording("u.fit", truth, 0.0);
    let doubled = both.samples.power_w.iter().map(|w| w.map(|w| 2.0 * w)).collect();
    both.samples.extra.insert("developer power_2".into(), doubled);
    both.samples.cadence_rpm.fill(Some(90.0));
    let mut second = instrument("crank C", &["u.fit"]);
    second.fields.insert("power".into(), "developer power_2".into());
    let session = session(
        vec![instrument("unit 017", &["u.fit"]), instrument("unit 018", &["p.fit"])],
        vec![instrument("pedal pair P", &["p.fit"]), second],
    );
    let aligned = align(&session, vec![both, world.recording("p.fit", TRUE_CLOCK, 0.0)]).unwrap();
    let (unit, crank) = (&aligned.units[0], &aligned.references[1]);
    assert_eq!((unit.clock.aligned_on, crank.clock.aligned_on), (AlignedOn::HeartRate, AlignedOn::SameRecording));
    assert_eq!((crank.clock.offset_s, &crank.time_s), (unit.clock.offset_s, &unit.time_s));
    assert_eq!(crank.power_at(500), unit.power_at(500).map(|w| 2.0 * w));
    // The cadence is the unit's; credited to both, it could never show the one's fault against the other.
    assert_eq!((unit.cadence_at(500), crank.cadence_at(500)), (Some(90.0), None));
    assert_eq!(aligned.cautions.iter().filter(|c| c.contains("crank C: cadence of its recording taken")).count(), 1);
    // A recording compared with itself: exactly the same.
    let (itself, reference) = (&aligned.units[1], &aligned.references[0]);
    assert_eq!(itself.clock.aligned_on, AlignedOn::SessionClock);
    assert_eq!((&itself.time_s, &itself.grid), (&reference.time_s, &reference.grid));
    assert_eq!((reference.clock.offset_s, reference.clock.standard_uncertainty_s), (0.0, 0.0));
}

#[test]
fn a_restarted_recording_is_one_trace() {
    let world = World::new(10, 4600);
    let part =
        |file, from_s, to_s, offset_s| world.recording(file, Clock { from_s, to_s, offset_s, drift_ppm: 0.0 }, 0.0);
    let session = session(
        vec![instrument("unit 017", &["b.fit", "a.fit", "c.fit"])],
        vec![instrument("pedal pair P", &["p.fit"])],
    );
    // Two head units, an hour of ride, and a last piece from after it.
    let recordings = vec![
        part("a.fit", 5, 2000, 2.0),
        part("b.fit", 2100, 4300, 5.0),
        part("c.fit", 4580, 4599, 0.0),
        part("p.fit", 0, 4500, 0.0),
    ];
    let aligned = align(&session, recordings).unwrap();
    let unit = &aligned.units[0];
    assert_eq!(unit.time_s.len(), 1995 + 2200);
    assert!(unit.time_s.is_sorted());
    assert!((unit.time_s[0] - 7.0).abs() < 0.2 && (unit.time_s[1995] - 2105.0).abs() < 0.2);
    assert!(unit.recorded_at(1000) && !unit.recorded_at(2050) && unit.recorded_at(3000));
    assert_eq!(aligned.cautions.len(), 1);
    assert!(aligned.cautions[0].contains("unit 017: a recording was left out: c.fit"), "{}", aligned.cautions[0]);
}

#[test]
fn the_grid_takes_each_sample_once_and_leaves_gaps() {
    let world = World::new(11, 4600);
    let mut reference = world.recording("p.fit", Clock { to_s: 200, ..TRUE_CLOCK }, 0.0);
    reference.start += TimeDelta::milliseconds(300);
    for column in [&mut reference.samples.power_w, &mut reference.samples.heart_rate_bpm] {
        column.remove(50);
    }
    reference.samples.time_s.remove(50);
    let mut unit = reference.clone();
    unit.file = "u.fit".into();
    let aligned = align_pair(unit, reference).unwrap();
    let trace = &aligned.references[0];
    assert_eq!((aligned.start, aligned.length_s), (noon(), 200));
    assert_eq!((trace.grid[49], trace.grid[50], trace.grid[51]), (Some(49), None, Some(50)));
    assert!((trace.time_s[0] - 0.3).abs() < 1e-9);
    assert_eq!(trace.grid.iter().flatten().count(), 199);
}

#[test]
fn laps_timer_gears_and_marks_come_in_session_time() {
    let world = World::new(12, 4600);
    let truth = Clock { from_s: 0, to_s: 4400, offset_s: 10.0, drift_ppm: 0.0 };
    let mut unit = world.recording("u.fit", truth, 0.0);
    unit.laps = vec![Lap { start_s: 0.0, end_s: 300.0 }, Lap { start_s: 300.0, end_s: 900.0 }];
    unit.timer =
        vec![TimerEvent { at_s: 450.0, kind: TimerKind::Stop }, TimerEvent { at_s: 480.0, kind: TimerKind::Start }];
    unit.gears = vec![GearChange {
        at_s: 500.0,
        front_teeth: Some(36),
        rear_teeth: Some(17),
        front_number: None,
        rear_number: None,
    }];
    let mut session = session(vec![instrument("unit 017", &["u.fit"])], vec![instrument("pedal pair P", &["p.fit"])]);
    let time = noon().time() + TimeDelta::seconds(333);
    session.marks = vec![ButtonMark { at: ClockTime { date: None, time, offset_s: None }, phase: None, text: None }];
    let aligned = align(&session, vec![unit, world.recording("p.fit", TRUE_CLOCK, 0.0)]).unwrap();
    let edges: Vec<(f64, EdgeKind)> =
        aligned.edges.iter().map(|e| ((e.at_s * 2.0).round() / 2.0, e.kind.clone())).collect();
    let expected = [
        (10.0, EdgeKind::Lap),
        (310.0, EdgeKind::Lap),
        (333.0, EdgeKind::Mark(None)),
        (460.0, EdgeKind::TimerStop),
        (490.0, EdgeKind::TimerStart),
        (910.0, EdgeKind::Lap),
    ];
    assert_eq!(edges, expected);
    assert!((aligned.gears[0].at_s - 510.0).abs() < 0.2);
    assert_eq!(aligned.cautions, ["marks: no time zone was written, so their times were read as UTC"]);
}

#[test]
fn typed_times_fall_on_the_day_of_the_ride() {
    let start = "2026-03-02T23:50:00Z".parse().unwrap();
    let at = |h, m, date, offset_s| ClockTime { date, time: NaiveTime::from_hms_opt(h, m, 0).unwrap(), offset_s };
    assert_eq!(session_seconds(&at(23, 55, None, None), start), 300.0);
    assert_eq!(session_seconds(&at(0, 10, None, None), start), 1200.0);
    assert_eq!(session_seconds(&at(1, 10, None, Some(3600)), start), 1200.0);
    let next = NaiveDate::from_ymd_opt(2026, 3, 3);
    assert_eq!(session_seconds(&at(23, 50, next, Some(0)), start), 86_400.0);
}

#[test]
fn recordings_of_different_rides_are_refused_with_their_times() {
    let (world, other) = (World::new(13, 4600), World::new(14, 4600));
    let reference = || world.recording("p.fit", TRUE_CLOCK, 0.0);
    let unit = |later: TimeDelta| {
        let mut unit = other.recording("u.fit", TRUE_CLOCK, 0.0);
        unit.start += later;
        unit
    };
    let message = |unit| align_pair(unit, reference()).unwrap().apart[0].why.to_string();
    assert_eq!(
        message(unit(TimeDelta::days(1))),
        "u.fit (2026-11-06 12:00:00 to 13:14:59 UTC) and p.fit (2026-11-05 12:00:00 to 13:14:59 UTC) are of different \
         days, and nothing that both recorded (heart rate, position, speed) links them; list recordings of one ride"
    );
    assert!(message(unit(TimeDelta::hours(2))).contains("have no time in common"));
    assert!(message(unit(TimeDelta::seconds(4460))).contains("have only 39 s in common"));
    let mut silent = unit(TimeDelta::zero());
    silent.samples.power_w.fill(None);
    assert_eq!(
        message(silent),
        "u.fit: no power for `unit 017` in its usual field; name the field or column that holds it (`assize inspect` \
         lists them)"
    );
}

#[test]
fn a_wild_stamp_is_an_error_and_not_a_gigabyte() {
    let world = World::new(15, 4600);
    let mut reference = world.recording("p.fit", TRUE_CLOCK, 0.0);
    *reference.samples.time_s.last_mut().unwrap() = 1e9;
    let error = align_pair(world.recording("u.fit", TRUE_CLOCK, 0.0), reference).unwrap_err();
    assert!(error.to_string().contains("longer than two days"), "{error}");
}

#[test]
fn a_session_of_typed_readings_has_an_empty_ride() {
    let typed = session(vec![instrument("unit 017", &[])], vec![]);
    let aligned = align(&typed, vec![]).unwrap();
    assert_eq!((aligned.length_s, aligned.units.len()), (0, 1));
    let unread = session(vec![instrument("unit 017", &["u.fit"])], vec![]);
    assert_eq!(align(&unread, vec![]).unwrap_err(), AlignError::NoReference);
}

fn rehearsed(seed: u64, fault: Option<&str>) -> (Rehearsal, Aligned) {
    let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/bench-both-rings.yaml");
    let protocol = crate::protocol::load(&file, None).unwrap_or_else(|problems| panic!("{problems}"));
    let faults = fault.iter().map(|text| text.parse().unwrap()).collect();
    let ride = simulate(&protocol, &RehearsalPlan { faults, ..RehearsalPlan::new(seed) });
    let instruments = ride.session.units.iter().map(|u| &u.instrument);
    let instruments = instruments.chain(ride.session.references.iter().map(|r| &r.instrument));
    let files = instruments.map(|i| i.recordings[0].clone());
    let recordings = files.zip(&ride.recordings).map(|(file, r)| Recording { file, ..r.clone() }).collect();
    let aligned = align(&ride.session, recordings).unwrap();
    (ride, aligned)
}

#[test]
fn rehearsed_rides_come_back_on_one_clock() {
    for seed in 0..6 {
        let (ride, aligned) = rehearsed(seed, (seed % 2 == 1).then_some("radio-dropout=0.04"));
        let [unit, pedals, trainer] = &ride.truth.instruments[..] else { panic!("three instruments") };
        for (trace, own) in [(&aligned.units[0], unit), (&aligned.references[1], trainer)] {
            let middle_s = aligned.length_s as f64 / 2.0;
            let shown_s = |i: &TrueInstrument| i.clock_offset_s + i.clock_drift_ppm * 1e-6 * middle_s;
            let found_s = trace.clock.offset_s + trace.clock.drift_ppm * 1e-6 * middle_s;
            let error_s = found_s - (shown_s(pedals) - shown_s(own));
            assert!(error_s.abs() < 2.0 * trace.clock.standard_uncertainty_s, "seed {seed}: {error_s}");
            // Nearly all of it is what no clock can see: the strap reaches one head unit later than the other.
            let unseen_s = pedals.strap_delay_s - own.strap_delay_s;
            assert!((error_s - unseen_s).abs() < 0.1, "seed {seed}: {error_s} against {unseen_s}");
        }
    }
}

#[test]
fn rehearsed_clock_faults_are_named() {
    let (_, set_wrong) = rehearsed(3, Some("clock-set=120"));
    assert_eq!(set_wrong.cautions.len(), 1, "{:?}", set_wrong.cautions);
    assert!(set_wrong.cautions[0].contains("its clock ran 2 min"), "{}", set_wrong.cautions[0]);
    let (_, jumping) = rehearsed(3, Some("clock-jump=3"));
    assert_eq!(jumping.cautions.len(), 1, "{:?}", jumping.cautions);
    assert!(jumping.cautions[0].contains("its clock was put forward by 3."), "{}", jumping.cautions[0]);
}

#[test]
fn a_clock_that_jumps_is_followed_aloud() {
    for jump_at in [1400, 2250, 3000] {
        let world = World::new(17, 4600);
        let steady = Clock { from_s: 0, to_s: 4400, offset_s: 1.4, drift_ppm: 0.0 };
        let (mut unit, late) = (world.recording("u.fit", steady, 0.0), Clock { offset_s: 5.4, ..steady });
        let after = world.recording("u.fit", late, 0.0).samples;
        unit.samples.heart_rate_bpm[jump_at..].copy_from_slice(&after.heart_rate_bpm[jump_at..]);
        let aligned = align_pair(unit, world.recording("p.fit", TRUE_CLOCK, 0.0)).unwrap();
        assert_eq!(aligned.units[0].clock.aligned_on, AlignedOn::HeartRate);
        let said = aligned.cautions.iter().filter(|c| c.contains("unit 017: its clock was put back by 4.0 s")).count();
        assert_eq!(said, 1, "{:?}", aligned.cautions);
        let clock = &aligned.units[0].clock;
        let ClockReset { at_s, by_s } = clock.reset.unwrap();
        assert!((at_s - jump_at as f64).abs() < 20.0 && (by_s - 4.0).abs() < 0.3, "{:?}", clock.reset);
        assert!(
            (clock.offset_s - 1.4).abs() < 2.0 * clock.standard_uncertainty_s && clock.standard_uncertainty_s < 0.3
        );
    }
}

/// A road: speed and heading wander, hills come and go; true position (m), speed and altitude each second and tenth.
struct Road {
    east_m: Vec<f64>,
    north_m: Vec<f64>,
    speed_m_s: Vec<f64>,
    altitude_m: Vec<f64>,
}

impl Road {
    const PER_S: f64 = 10.0;

    fn new(seed: u64, length_s: usize) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut noise = || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
        let mut road = Self { east_m: vec![], north_m: vec![], speed_m_s: vec![], altitude_m: vec![] };
        let (mut east, mut north, mut altitude, mut heading, mut speed, mut grade) = (0.0, 0.0, 100.0, 0.0, 8.0, 0.0);
        for step in 0..(length_s as f64 * Self::PER_S) as usize {
            let kick = 0.1_f64.sqrt();
            speed += (8.0 - speed) / 300.0 + 0.25 * kick * noise();
            heading += 0.05 * kick * noise();
            if step % 900 == 0 {
                grade = 0.04 * noise();
            }
            let moved = f64::max(speed, 1.0) / Self::PER_S;
            (east, north, altitude) =
                (east + moved * heading.sin(), north + moved * heading.cos(), altitude + moved * grade);
            road.east_m.push(east);
            road.north_m.push(north);
            road.speed_m_s.push(f64::max(speed, 1.0));
            road.altitude_m.push(altitude);
        }
        road
    }

    /// What a head unit of this clock stores, its receiver `late_s` behind, with errors of its own.
    fn ridden(&self, seed: u64, late_s: f64, file: &str, clock: Clock) -> Recording {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut noise = || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
        let mut recording = World::new(1, 4600).recording(file, clock, 0.0);
        let samples = &mut recording.samples;
        samples.heart_rate_bpm.clear();
        let at = |column: &[f64], true_s: f64| column[((true_s * Self::PER_S) as usize).min(column.len() - 1)];
        let (mut east_off, mut north_off, mut drift_m) = (2.0 * noise(), 2.0 * noise(), 5.0 * noise());
        for column in
            [&mut samples.latitude_deg, &mut samples.longitude_deg, &mut samples.altitude_m, &mut samples.speed_m_s]
        {
            column.clear();
        }
        for j in &samples.time_s {
            let true_s = clock.from_s as f64 + j + clock.offset_s + clock.drift_ppm * 1e-6 * j;
            // Metres that wander within half a minute.
            east_off += -east_off / 30.0 + 0.5 * noise();
            north_off += -north_off / 30.0 + 0.5 * noise();
            drift_m += 0.02 * noise();
            let (east, north) =
                (at(&self.east_m, true_s - late_s) + east_off, at(&self.north_m, true_s - late_s) + north_off);
            samples.latitude_deg.push(Some(47.0 + north / 111_111.0));
            samples.longitude_deg.push(Some(8.0 + east / 111_111.0 / 47_f64.to_radians().cos()));
            samples
                .altitude_m
                .push(Some(((at(&self.altitude_m, true_s) + drift_m + 0.2 * noise()) * 5.0).round() / 5.0));
            samples.speed_m_s.push(Some((at(&self.speed_m_s, true_s) * 1000.0).round() / 1000.0));
        }
        recording
    }
}

fn without(mut recording: Recording, names: &[&str]) -> Recording {
    let samples = &mut recording.samples;
    for name in names {
        match *name {
            "position" => {
                samples.latitude_deg.clear();
                samples.longitude_deg.clear();
            }
            "altitude" => samples.altitude_m.clear(),
            "speed" => samples.speed_m_s.clear(),
            other => panic!("{other}"),
        }
    }
    recording
}

#[test]
fn position_and_altitude_give_the_clock_within_its_uncertainty() {
    let mut covered = BTreeMap::from([("position", 0), ("altitude", 0)]);
    const RIDES: u64 = 20;
    for seed in 0..RIDES {
        let mut rng = ChaCha8Rng::seed_from_u64(500 + seed);
        let truth = Clock {
            from_s: rng.random_range(30..70),
            to_s: 4460,
            offset_s: 40.0 * rng.random::<f64>() - 20.0,
            drift_ppm: 40.0 * rng.random::<f64>() - 20.0,
        };
        let road = Road::new(seed, 4600);
        // Receivers differ by up to half a second.
        let late_s = rng.random::<f64>() - 0.5;
        for (on, others) in [("position", ["altitude", "speed"]), ("altitude", ["position", "speed"])] {
            let unit = without(road.ridden(2 * seed, late_s, "u.fit", truth), &others);
            let reference = without(road.ridden(2 * seed + 1, 0.0, "p.fit", TRUE_CLOCK), &others);
            let unit = unit_of(unit, reference);
            assert_eq!(unit.clock.aligned_on.word(), on, "seed {seed}");
            let error_s = middle_error_s(&unit, truth);
            assert!(error_s.abs() < 3.0, "seed {seed}: {on} off by {error_s}");
            *covered.get_mut(on).unwrap() += u32::from(error_s.abs() <= 1.96 * unit.clock.standard_uncertainty_s);
        }
    }
    // 95 % of 20 are 19; 16 or fewer come by chance in 2 % of such tests.
    assert!(covered.values().all(|n| *n >= 17), "{covered:?} of {RIDES}");
}

#[test]
fn channels_that_agree_are_combined_and_one_that_does_not_is_told() {
    let truth = Clock { from_s: 40, to_s: 4460, offset_s: 3.3, drift_ppm: 5.0 };
    let road = Road::new(7, 4600);
    let heart = World::new(7, 4600);
    let with_strap = |mut recording: Recording, clock| {
        recording.samples.heart_rate_bpm = heart.recording("x.fit", clock, 0.0).samples.heart_rate_bpm;
        recording
    };
    let reference = with_strap(road.ridden(1, 0.0, "p.fit", TRUE_CLOCK), TRUE_CLOCK);
    let unit = with_strap(road.ridden(2, 0.1, "u.fit", truth), truth);
    let alone = unit_of(without(unit.clone(), &["position", "altitude"]), reference.clone());
    let joint = align_pair(unit, reference.clone()).unwrap();
    let clock = &joint.units[0].clock;
    assert_eq!(clock.channels(), "heart rate, position, altitude");
    assert!(clock.standard_uncertainty_s < alone.clock.standard_uncertainty_s);
    assert!(middle_error_s(&joint.units[0], truth).abs() < 1.96 * clock.standard_uncertainty_s);
    assert_eq!(joint.cautions, [""; 0]);

    // A receiver that is five seconds late: the strap stands.
    let late = with_strap(road.ridden(2, 5.0, "u.fit", truth), truth);
    let joint = align_pair(without(late, &["altitude"]), reference).unwrap();
    assert_eq!(joint.units[0].clock.channels(), "heart rate");
    assert!(joint.cautions[0].contains("its heart rate and its position put its clock 5."), "{:?}", joint.cautions);
}

#[test]
fn one_speed_sensor_heard_by_both_serves_a_unit_too() {
    let truth = Clock { from_s: 40, to_s: 4460, offset_s: 3.3, drift_ppm: 5.0 };
    let road = Road::new(9, 4600);
    let sensed = |seed, file, clock| {
        let mut recording = without(road.ridden(seed, 0.0, file, clock), &["position", "altitude"]);
        let sensor = Sensor { kind: Some("bike speed".into()), serial: Some("77".into()), ..Sensor::default() };
        recording.sensors.push(sensor);
        recording
    };
    let unit = unit_of(sensed(1, "u.fit", truth), sensed(2, "p.fit", TRUE_CLOCK));
    assert_eq!(unit.clock.channels(), "speed");
    assert!(middle_error_s(&unit, truth).abs() < 1.96 * unit.clock.standard_uncertainty_s);
    let mut other = sensed(1, "u.fit", truth);
    other.sensors[0].serial = Some("78".into());
    assert_eq!(unit_of(other, sensed(2, "p.fit", TRUE_CLOCK)).clock.channels(), "power");
}
