//! Small synthetic rides with known truth. The rider here is not the simulator of `rehearse`: only the
//! references' channels exist, and the only faults are the rider's.

use std::path::PathBuf;

use chrono::{NaiveTime, TimeZone, Utc};
use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;
use crate::protocol::*;
use crate::quantity::{Bound, Range, Unit};
use crate::ride::{AlignedOn, Clock, Edge, EdgeKind, Gear, ReferenceTrace, Ride, Trace};
use crate::session::{ClockTime, Drivetrain, Location, Pin, Remark, Session, Sides};

const WHEEL_M: f64 = 2.105;

fn phase(name: &str, keys: &[(&str, &str)], drill: Drill) -> Phase {
    Phase {
        id: PhaseId { name: name.into(), keys: keys.iter().map(|(k, v)| (k.to_string(), v.to_string())).collect() },
        drill,
        ring: None,
        posture: None,
        cadence_rpm: None,
        grade_pct: None,
        repeats: 1,
        accept: Accept::EveryRepeat,
        checks: vec![],
        part: Part::Required,
        tolerance: 0.20,
        accepts_off_target: false,
    }
}

fn steady(ring: Ring, power_w: f64, minutes: f64) -> Phase {
    let power = format!("{power_w} W");
    let drill =
        Drill::Steady { power_w: Target::Value(power_w), lasts_s: Range::at_least(minutes * 60.0), settle_s: 30.0 };
    Phase {
        ring: Some(ring),
        cadence_rpm: Some(Range::between(80.0, 95.0)),
        ..phase("steady", &[("ring", ring.word()), ("power", &power)], drill)
    }
}

fn protocol(phases: Vec<Phase>) -> Protocol {
    Protocol {
        file: PathBuf::from("bench.yaml"),
        sha256: String::new(),
        title: "bench".into(),
        revision: "1".into(),
        purpose: None,
        setting: Setting::Indoor,
        order: PhaseOrder::AsWritten,
        needs: Needs { references: 2, warm_up_s: Some(600.0), ..Needs::default() },
        decision: Decision { rule: Rule::Guarded, coverage: 0.95 },
        threshold_power_w: None,
        phases,
        contrasts: vec![],
        whole_ride: vec![],
    }
}

/// The bench trial: three powers on each ring (counterbalanced), sprints, stop-and-start, soft pedalling.
pub(super) fn bench() -> Protocol {
    let mut phases: Vec<Phase> = [(Ring::Big, 120.0), (Ring::Big, 180.0), (Ring::Big, 240.0)]
        .into_iter()
        .chain([(Ring::Small, 240.0), (Ring::Small, 180.0), (Ring::Small, 120.0)])
        .map(|(ring, power_w)| steady(ring, power_w, 4.0))
        .collect();
    phases.push(Phase {
        ring: Some(Ring::Big),
        repeats: 6,
        ..phase(
            "standing-sprints",
            &[],
            Drill::Sprint {
                effort_w: Range::at_least(600.0),
                lasts_s: Range::between(6.0, 12.0),
                recover_s: Some(Range::between(90.0, 180.0)),
            },
        )
    });
    phases.push(Phase {
        repeats: 6,
        ..phase(
            "coast-and-restart",
            &[],
            Drill::CoastRestart {
                lead_in: Hold { power_w: Target::Value(200.0), for_s: Range::between(20.0, 20.0) },
                coast_s: Range::between(7.0, 12.0),
                restart: Hold { power_w: Target::Within(Range::at_least(300.0)), for_s: Range::between(5.0, 10.0) },
                recover_s: None,
            },
        )
    });
    phases.push(Phase {
        repeats: 4,
        cadence_rpm: Some(Range::at_least(50.0)),
        ..phase(
            "soft-pedalling",
            &[],
            Drill::SoftPedal {
                surge: Hold { power_w: Target::Value(300.0), for_s: Range::between(10.0, 10.0) },
                soft: Hold { power_w: Target::Within(Range::between(30.0, 90.0)), for_s: Range::between(15.0, 25.0) },
                recover_s: None,
            },
        )
    });
    protocol(phases)
}

fn session() -> Session {
    Session {
        file: None,
        sha256: None,
        protocol: None,
        tester: None,
        place: None,
        date: None,
        notes: None,
        authorised_by: None,
        units: vec![],
        references: vec![],
        drivetrain: Drivetrain {
            chainrings: vec![52, 36],
            cassette: vec![11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28, 30],
            wheel_m: Some(WHEEL_M),
            ..Drivetrain::default()
        },
        conditions: Default::default(),
        readings: Default::default(),
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

/// A rider who follows what the test says, but wanders.
struct Rider {
    rng: ChaCha8Rng,
    power_w: Vec<f64>,
    cadence_rpm: Vec<f64>,
    speed_m_s: Vec<f64>,
    edges: Vec<Edge>,
    /// What every block's target is missed by.
    off: f64,
    /// Correlated wander of power, as a share.
    wander: f64,
    ring: Ring,
    now_w: f64,
    drift: f64,
    cadence_drift: f64,
    /// (phase index, boundaries) in order of time.
    truth: Vec<(usize, Vec<usize>)>,
}

impl Rider {
    fn new(seed: u64) -> Self {
        Self {
            rng: ChaCha8Rng::seed_from_u64(seed),
            power_w: vec![],
            cadence_rpm: vec![],
            speed_m_s: vec![],
            edges: vec![],
            off: 1.0,
            wander: 0.04,
            ring: Ring::Big,
            now_w: 0.0,
            drift: 0.0,
            cadence_drift: 0.0,
            truth: vec![],
        }
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.rng.random::<f64>()).sum::<f64>() - 6.0
    }

    fn now(&self) -> usize {
        self.power_w.len()
    }

    fn lap(&mut self) {
        let at_s = self.now() as f64;
        self.edges.push(Edge { at_s, kind: EdgeKind::Lap });
    }

    /// `seconds` at a power; changes take a second or two, as legs and meters do.
    fn ride(&mut self, power_w: f64, seconds: usize, cadence_rpm: f64) {
        for _ in 0..seconds {
            let rho: f64 = 0.95;
            self.drift = rho * self.drift + (1.0 - rho * rho).sqrt() * self.normal();
            self.cadence_drift = rho * self.cadence_drift + (1.0 - rho * rho).sqrt() * self.normal();
            self.now_w += 0.7 * (power_w - self.now_w);
            let noise = self.wander * self.drift + 0.03 * self.normal();
            let power = if self.now_w < 8.0 { 0.0 } else { (self.now_w * (1.0 + noise)).max(0.0) };
            let cadence = if cadence_rpm == 0.0 { 0.0 } else { cadence_rpm * (1.0 + 0.02 * self.cadence_drift) };
            let gear = match self.ring {
                Ring::Big => 52.0 / 19.0,
                Ring::Small => 36.0 / 14.0,
            };
            let coasting_from = self.speed_m_s.last().copied().unwrap_or(0.0);
            let speed = if cadence == 0.0 { coasting_from * 0.95 } else { cadence / 60.0 * gear * WHEEL_M };
            self.power_w.push(power.round());
            self.cadence_rpm.push(cadence.round());
            self.speed_m_s.push((speed * 1000.0).round() / 1000.0);
        }
    }

    fn rest(&mut self, seconds: usize) {
        let power_w = 95.0 + 15.0 * self.rng.random::<f64>();
        self.ride(power_w, seconds, 82.0);
    }

    fn block(&mut self, phase: usize, ring: Ring, power_w: f64, seconds: usize) {
        self.ring = ring;
        let from = self.now();
        self.ride(power_w * self.off, seconds, 88.0);
        self.truth.push((phase, vec![from, self.now()]));
    }

    fn sprint(&mut self, phase: usize, power_w: f64) {
        self.ring = Ring::Big;
        let from = self.now();
        self.ride(power_w, 8, 110.0);
        self.truth.push((phase, vec![from, self.now()]));
    }

    fn coast(&mut self, phase: usize) {
        let mut bounds = vec![self.now()];
        for (power_w, seconds, cadence) in [(200.0 * self.off, 20, 85.0), (0.0, 9, 0.0), (360.0, 7, 80.0)] {
            self.ride(power_w, seconds, cadence);
            bounds.push(self.now());
        }
        self.truth.push((phase, bounds));
    }

    fn soft(&mut self, phase: usize) {
        let mut bounds = vec![self.now()];
        for (power_w, seconds) in [(300.0, 10), (60.0, 20)] {
            self.ride(power_w, seconds, 85.0);
            bounds.push(self.now());
        }
        self.truth.push((phase, bounds));
    }

    /// The whole bench trial as asked, with laps where blocks begin and end.
    fn bench(&mut self, order: &[usize]) {
        self.warm_up();
        for &p in order {
            self.bench_phase(p);
        }
        self.rest(120);
    }

    fn warm_up(&mut self) {
        self.ride(90.0, 300, 80.0);
        self.ride(150.0, 120, 85.0);
        self.ride(100.0, 240, 80.0);
    }

    fn bench_phase(&mut self, p: usize) {
        let blocks = [
            (Ring::Big, 120.0),
            (Ring::Big, 180.0),
            (Ring::Big, 240.0),
            (Ring::Small, 240.0),
            (Ring::Small, 180.0),
            (Ring::Small, 120.0),
        ];
        match p {
            0..=5 => {
                self.lap();
                self.block(p, blocks[p].0, blocks[p].1, 245);
                self.lap();
                if p % 2 == 1 {
                    self.rest(60);
                }
            }
            6 => (0..6).for_each(|_| {
                self.sprint(6, 720.0);
                self.rest(110);
            }),
            7 => (0..6).for_each(|_| {
                self.coast(7);
                self.rest(45);
            }),
            _ => (0..4).for_each(|_| {
                self.soft(8);
                self.ride(130.0, 40, 85.0);
            }),
        }
    }

    fn finish(self) -> (Ride, Vec<(usize, Vec<usize>)>) {
        let n = self.power_w.len();
        let some = |column: &[f64]| column.iter().map(|&v| Some(v)).collect::<Vec<_>>();
        let hub: Vec<f64> = (0..n).map(|k| self.power_w[k.saturating_sub(2)..=k].iter().sum::<f64>() / 3.0).collect();
        let clock = Clock {
            offset_s: 0.0,
            drift_ppm: 0.0,
            standard_uncertainty_s: 0.1,
            aligned_on: AlignedOn::HeartRate,
            also: vec![],
            apart: vec![],
            reset: None,
            windows: vec![],
        };
        let trace = |label: &str, located, power_w: Vec<Option<f64>>, cadence_rpm, speed_m_s| Trace {
            power_w,
            cadence_rpm,
            speed_m_s,
            ..Trace::without_values(label, located, Sides::Both, clock.clone(), n)
        };
        let carried = |trace| ReferenceTrace {
            trace,
            carried_by: 1.0,
            uncertainty: Bound::single(1.0, Unit::Percent),
            loss_standard_pct: 0.0,
        };
        let none = vec![None; n];
        let ride = Ride {
            start: Utc.with_ymd_and_hms(2026, 3, 7, 14, 0, 0).unwrap(),
            length_s: n,
            // The unit reads nothing at all: the matcher must not care.
            unit: trace("unit 017", Location::Spindle, none.clone(), none.clone(), none.clone()),
            references: vec![
                carried(trace("trainer T", Location::Hub, some(&hub), none.clone(), some(&self.speed_m_s))),
                carried(trace("pedal pair P", Location::Pedals, some(&self.power_w), some(&self.cadence_rpm), none)),
            ],
            edges: self.edges,
            gears: vec![],
        };
        (ride, self.truth)
    }
}

const AS_WRITTEN: [usize; 9] = [0, 1, 2, 3, 4, 5, 6, 7, 8];

fn ridden(matches: &Matches) -> Vec<(usize, u32, &Ridden)> {
    let mut all: Vec<_> = matches
        .found
        .iter()
        .filter_map(|m| match &m.outcome {
            MatchOutcome::Ridden(r) => Some((m.phase, m.repeat, r)),
            MatchOutcome::NotRidden { .. } => None,
        })
        .collect();
    all.sort_by(|a, b| a.2.span.start_s.total_cmp(&b.2.span.start_s));
    all
}

fn reasons(matches: &Matches) -> Vec<(usize, u32, &str)> {
    matches
        .found
        .iter()
        .filter_map(|m| match &m.outcome {
            MatchOutcome::NotRidden { reason } => Some((m.phase, m.repeat, reason.as_str())),
            MatchOutcome::Ridden(_) => None,
        })
        .collect()
}

fn story(matches: &Matches) -> String {
    let line = |m: &PhaseMatch| match &m.outcome {
        MatchOutcome::Ridden(r) => format!(
            "{}/{} {}..{} {:.3} {:?} {:?} {:?}\n",
            m.phase, m.repeat, r.span.start_s, r.span.end_s, r.confidence, r.ring, r.rests_on, r.deviations
        ),
        MatchOutcome::NotRidden { reason } => format!("{}/{} {reason}\n", m.phase, m.repeat),
    };
    let found: String = matches.found.iter().map(line).collect();
    format!("{found}{:?}\n{:?}", matches.deviations, matches.cautions)
}

/// Phases in time order as found, and how many of their boundaries lie within 2 s of the truth.
fn compare(matches: &Matches, truth: &[(usize, Vec<usize>)]) -> (usize, usize) {
    let found = ridden(matches);
    let phases: Vec<usize> = found.iter().map(|f| f.0).collect();
    let true_phases: Vec<usize> = truth.iter().map(|t| t.0).collect();
    assert_eq!(phases, true_phases, "{}", story(matches));
    let mut within = (0, 0);
    for ((phase, repeat, ridden), (_, bounds)) in found.iter().zip(truth) {
        let got = ridden.moves.iter().map(|m| m.start_s).chain([ridden.span.end_s]);
        for (got, &truth) in got.zip(bounds) {
            within.1 += 1;
            if (got - truth as f64).abs() <= 2.0 {
                within.0 += 1;
            } else {
                eprintln!("phase {phase}/{repeat}: {got} for {truth}");
            }
        }
    }
    within
}

#[test]
fn a_bench_trial_is_found_whole_with_its_edges() {
    let (mut within, mut all) = (0, 0);
    for seed in 0..10 {
        let mut rider = Rider::new(seed);
        rider.bench(&AS_WRITTEN);
        let (ride, truth) = rider.finish();
        let matches = find(&bench(), &session(), &ride);
        let (w, a) = compare(&matches, &truth);
        within += w;
        all += a;
        assert_eq!(matches.deviations, Vec::<String>::new());
    }
    assert!(within * 100 >= all * 95, "{within} of {all}");
}

#[test]
fn a_skipped_repeat_is_not_ridden_and_says_so() {
    let mut rider = Rider::new(1);
    rider.bench(&[0, 1, 2, 4, 5, 6, 7, 8]);
    let (ride, truth) = rider.finish();
    let matches = find(&bench(), &session(), &ride);
    compare(&matches, &truth);
    let reasons = reasons(&matches);
    assert_eq!(reasons.len(), 1, "{}", story(&matches));
    assert_eq!((reasons[0].0, reasons[0].1), (3, 1));
    assert!(reasons[0].2.contains("closest stretch"), "{}", reasons[0].2);
}

#[test]
fn a_skipped_sprint_leaves_the_last_number_open() {
    let mut rider = Rider::new(2);
    rider.warm_up();
    (0..6).for_each(|p| rider.bench_phase(p));
    rider.rest(120);
    for _ in 0..5 {
        rider.sprint(6, 720.0);
        rider.rest(110);
    }
    (7..9).for_each(|p| rider.bench_phase(p));
    let (ride, truth) = rider.finish();
    let matches = find(&bench(), &session(), &ride);
    compare(&matches, &truth);
    let reasons = reasons(&matches);
    assert_eq!(reasons.iter().map(|r| (r.0, r.1)).collect::<Vec<_>>(), [(6, 6)]);
}

#[test]
fn a_weak_sprint_keeps_its_number_and_names_its_effort() {
    let mut rider = Rider::new(3);
    rider.warm_up();
    (0..6).for_each(|p| rider.bench_phase(p));
    rider.rest(120);
    for i in 0..6 {
        rider.sprint(6, if i == 2 { 520.0 } else { 720.0 });
        rider.rest(110);
    }
    (7..9).for_each(|p| rider.bench_phase(p));
    let (ride, _) = rider.finish();
    let matches = find(&bench(), &session(), &ride);
    let reasons = reasons(&matches);
    assert_eq!(reasons.iter().map(|r| (r.0, r.1)).collect::<Vec<_>>(), [(6, 3)], "{}", story(&matches));
    assert!(reasons[0].2.contains("an effort of only "), "{}", reasons[0].2);
}

#[test]
fn a_surplus_repeat_is_numbered_after_the_asked_ones() {
    let mut rider = Rider::new(4);
    rider.warm_up();
    (0..7).for_each(|p| rider.bench_phase(p));
    rider.sprint(6, 720.0);
    rider.rest(110);
    (7..9).for_each(|p| rider.bench_phase(p));
    let (ride, truth) = rider.finish();
    let matches = find(&bench(), &session(), &ride);
    compare(&matches, &truth);
    let surplus: Vec<_> = matches.found.iter().filter(|m| m.surplus).map(|m| (m.phase, m.repeat)).collect();
    assert_eq!(surplus, [(6, 7)]);
    assert_eq!(matches.deviations, ["standing-sprints was ridden 7 times, 6 asked"]);
}

#[test]
fn rings_ridden_in_the_other_order_are_matched_with_a_warning() {
    let mut rider = Rider::new(5);
    rider.bench(&[3, 4, 5, 0, 1, 2, 6, 7, 8]);
    let (ride, truth) = rider.finish();
    let matches = find(&bench(), &session(), &ride);
    compare(&matches, &truth);
    assert!(matches.deviations.iter().any(|d| d.contains("out of the protocol's order")), "{:?}", matches.deviations);
}

#[test]
fn a_single_make_up_sprint_at_the_end_is_found() {
    let mut rider = Rider::new(6);
    rider.warm_up();
    (0..6).for_each(|p| rider.bench_phase(p));
    rider.rest(100);
    for _ in 0..5 {
        rider.sprint(6, 720.0);
        rider.rest(110);
    }
    (7..9).for_each(|p| rider.bench_phase(p));
    rider.rest(100);
    rider.sprint(6, 720.0);
    rider.rest(100);
    let (ride, truth) = rider.finish();
    let matches = find(&bench(), &session(), &ride);
    compare(&matches, &truth);
    assert!(reasons(&matches).is_empty());
}

#[test]
fn a_stop_for_the_phone_stays_inside_its_block() {
    for (at, seconds) in [(60, 40), (120, 25), (200, 60)] {
        let mut rider = Rider::new(7);
        rider.warm_up();
        rider.bench_phase(0);
        rider.bench_phase(1);
        let from = rider.now();
        rider.ring = Ring::Big;
        rider.ride(240.0, at, 88.0);
        rider.ride(0.0, seconds, 0.0);
        rider.ride(240.0, 245 - at, 88.0);
        rider.truth.push((2, vec![from, rider.now()]));
        (3..9).for_each(|p| rider.bench_phase(p));
        let (ride, truth) = rider.finish();
        let matches = find(&bench(), &session(), &ride);
        compare(&matches, &truth);
        let stopped = ridden(&matches)[2].2;
        assert!(
            stopped.deviations.iter().any(|d| d.says.contains("the rider stopped for")),
            "{:?}",
            stopped.deviations
        );
    }
}

#[test]
fn a_late_start_and_a_late_finish_move_nothing() {
    for seed in 0..3 {
        let mut rider = Rider::new(seed);
        rider.ride(0.0, 300, 0.0);
        rider.ride(110.0, 900, 80.0);
        rider.bench(&AS_WRITTEN);
        rider.ride(150.0, 600, 80.0);
        let (ride, truth) = rider.finish();
        let (within, all) = compare(&find(&bench(), &session(), &ride), &truth);
        assert!(within * 100 >= all * 95, "{within} of {all}");
    }
}

#[test]
fn targets_missed_by_fifteen_per_cent_are_matched_with_a_deviation() {
    for (seed, off) in [(4, 0.85), (1, 0.85), (2, 1.15), (3, 1.15)] {
        let mut rider = Rider::new(seed);
        rider.off = off;
        rider.bench(&AS_WRITTEN);
        let (ride, truth) = rider.finish();
        let matches = find(&bench(), &session(), &ride);
        compare(&matches, &truth);
        for (phase, _, r) in ridden(&matches).iter().filter(|r| r.0 < 6) {
            assert!(r.deviations.iter().any(|d| d.says.contains("% off")), "{phase} {:?}", r.deviations);
        }
    }
}

#[test]
fn a_rider_who_wanders_by_eight_per_cent_is_followed() {
    let (mut within, mut all) = (0, 0);
    for seed in 20..25 {
        let mut rider = Rider::new(seed);
        rider.wander = 0.08;
        rider.bench(&AS_WRITTEN);
        let (ride, truth) = rider.finish();
        let (w, a) = compare(&find(&bench(), &session(), &ride), &truth);
        within += w;
        all += a;
    }
    assert!(within * 100 >= all * 95, "{within} of {all}");
}

#[test]
fn without_laps_every_phase_is_still_found() {
    for seed in 30..33 {
        let mut rider = Rider::new(seed);
        rider.bench(&AS_WRITTEN);
        let (mut ride, truth) = rider.finish();
        ride.edges.clear();
        compare(&find(&bench(), &session(), &ride), &truth);
    }
}

#[test]
fn laps_in_wrong_places_force_nothing() {
    for seed in 40..43 {
        let mut rider = Rider::new(seed);
        rider.bench(&AS_WRITTEN);
        let (mut ride, truth) = rider.finish();
        for edge in &mut ride.edges {
            edge.at_s += 35.0;
        }
        let (within, all) = compare(&find(&bench(), &session(), &ride), &truth);
        assert!(within * 100 >= all * 95, "{within} of {all}");
    }
}

#[test]
fn without_ring_evidence_the_order_decides_and_says_so() {
    let mut rider = Rider::new(50);
    rider.bench(&AS_WRITTEN);
    let (ride, truth) = rider.finish();
    let mut session = session();
    session.drivetrain = Drivetrain::default();
    let matches = find(&bench(), &session, &ride);
    compare(&matches, &truth);
    let first = ridden(&matches)[0].2;
    assert_eq!(first.ring, Some(Ring::Big));
    assert!(first.ring_rests_on.as_deref().is_some_and(|r| r.contains("order")), "{:?}", first.ring_rests_on);
    let told = find(&bench(), &self::session(), &ride);
    assert!(first.confidence < ridden(&told)[0].2.confidence, "{}", story(&matches));
}

#[test]
fn a_block_on_the_wrong_ring_is_not_the_other_rings_block() {
    let mut rider = Rider::new(51);
    rider.warm_up();
    for p in 0..3 {
        rider.bench_phase(p);
    }
    rider.rest(60);
    // Small ring asked, big ring ridden.
    rider.ring = Ring::Big;
    rider.ride(240.0, 245, 88.0);
    (4..9).for_each(|p| rider.bench_phase(p));
    let (ride, _) = rider.finish();
    let matches = find(&bench(), &session(), &ride);
    let missing = reasons(&matches);
    assert_eq!(missing.iter().map(|r| r.0).collect::<Vec<_>>(), [3], "{}", story(&matches));
}

#[test]
fn gear_events_come_before_ratios() {
    let mut rider = Rider::new(52);
    rider.bench(&AS_WRITTEN);
    let (mut ride, truth) = rider.finish();
    let small_from = truth[3].1[0] as f64;
    let big_from = truth[6].1[0] as f64 - 20.0;
    ride.gears = [(0.0, 52), (small_from, 36), (big_from, 52)]
        .map(|(at_s, teeth)| Gear { at_s, front_teeth: Some(teeth), rear_teeth: None })
        .to_vec();
    let matches = find(&bench(), &session(), &ride);
    compare(&matches, &truth);
    assert_eq!(ridden(&matches)[0].2.ring_rests_on.as_deref(), Some("gear-change events"));
}

/// A hard endurance ride without drills: every five minutes another power, short surges, no long coasting.
fn endurance(seed: u64) -> Ride {
    let mut rider = Rider::new(seed);
    rider.wander = 0.12;
    while rider.now() < 5400 {
        let power_w = 135.0 + 160.0 * rider.rng.random::<f64>();
        let seconds = 30 + (120.0 * rider.rng.random::<f64>()) as usize;
        rider.ride(power_w, seconds, 85.0);
    }
    rider.finish().0
}

#[test]
fn a_ride_of_another_kind_holds_few_blocks_and_no_drill() {
    for seed in 60..65 {
        let matches = find(&bench(), &session(), &endurance(seed));
        // A few minutes near a target are a block, whatever the rider meant; a drill is not found by chance.
        let (blocks, drills): (Vec<_>, Vec<_>) = ridden(&matches).into_iter().partition(|r| r.0 < 6);
        assert!(blocks.len() <= 4 && drills.is_empty(), "{}", story(&matches));
        assert!(matches.found.len() >= 22);
    }
}

#[test]
fn a_pin_overrules_and_says_so() {
    let mut rider = Rider::new(70);
    rider.bench(&AS_WRITTEN);
    let (ride, truth) = rider.finish();
    let mut session = session();
    let (from, to) = (truth[7].1[0] as i64 - 20, truth[7].1[1] as i64 + 30);
    let at = |s: i64| ClockTime { date: None, time: ride.utc(s as f64).time(), offset_s: None };
    let phase = Selector { name: "standing-sprints".into(), keys: vec![], repeat: Some(5) };
    session.pins.push(Pin { phase, from: at(from), to: at(to) });
    let matches = find(&bench(), &session, &ride);
    let pinned = matches.found.iter().find(|m| m.phase == 6 && m.repeat == 5).unwrap();
    let MatchOutcome::Ridden(pinned) = &pinned.outcome else { panic!("{}", story(&matches)) };
    // The pin is far wider than a sprint: within it, power says where.
    let near = |got_s: f64, truth: usize| (got_s - truth as f64).abs() <= 2.0;
    assert!(near(pinned.span.start_s, truth[7].1[0]) && near(pinned.span.end_s, truth[7].1[1]), "{:?}", pinned.span);
    assert_eq!(pinned.moves, [pinned.span]);
    assert_eq!(pinned.rests_on, [Ground::Pinned]);
    // The other five sprints keep the numbers that are left, and nothing else is lost.
    let starts: Vec<f64> = ridden(&matches).iter().filter(|r| r.0 == 6).map(|r| r.2.span.start_s).collect();
    assert_eq!(starts.len(), 6, "{}", story(&matches));
    assert_eq!(ridden(&matches).len(), truth.len(), "{}", story(&matches));
}

#[test]
fn a_pin_across_three_moves_still_has_three() {
    let mut rider = Rider::new(71);
    rider.bench(&AS_WRITTEN);
    let (ride, truth) = rider.finish();
    let bounds = &truth[12].1;
    let mut session = session();
    let at = |s: usize| ClockTime { date: None, time: ride.utc(s as f64).time(), offset_s: None };
    let phase = Selector { name: "coast-and-restart".into(), keys: vec![], repeat: Some(1) };
    session.pins.push(Pin { phase, from: at(bounds[0] + 3), to: at(bounds[3] + 2) });
    let matches = find(&bench(), &session, &ride);
    let (_, _, first) = *ridden(&matches).iter().find(|r| r.0 == 7).unwrap();
    assert_eq!((first.span.start_s, first.span.end_s), (bounds[0] as f64 + 3.0, bounds[3] as f64 + 2.0));
    assert!((first.moves[1].start_s - bounds[1] as f64).abs() <= 2.0, "{:?}", first.moves);
    assert!((first.moves[1].end_s - bounds[2] as f64).abs() <= 2.0, "{:?}", first.moves);
}

#[test]
fn pins_that_cannot_be_used_are_named() {
    let mut rider = Rider::new(72);
    rider.bench(&AS_WRITTEN);
    let (ride, truth) = rider.finish();
    let mut session = session();
    let at = |h, m, s| ClockTime { date: None, time: NaiveTime::from_hms_opt(h, m, s).unwrap(), offset_s: None };
    for (name, from, to) in [
        ("no-such-phase", at(14, 20, 0), at(14, 21, 0)),
        ("steady", at(14, 20, 0), at(14, 21, 0)),
        ("standing-sprints", at(9, 0, 0), at(9, 0, 10)),
        ("standing-sprints", at(14, 21, 0), at(14, 20, 0)),
    ] {
        let phase = Selector { name: name.into(), keys: vec![], repeat: None };
        session.pins.push(Pin { phase, from, to });
    }
    let matches = find(&bench(), &session, &ride);
    compare(&matches, &truth);
    assert_eq!(matches.cautions.len(), 4, "{:?}", matches.cautions);
}

#[test]
fn a_repeat_called_spoiled_is_kept_but_not_ridden() {
    let mut rider = Rider::new(73);
    rider.bench(&AS_WRITTEN);
    let (ride, _) = rider.finish();
    let mut session = session();
    session.remarks.push(Remark {
        at: None,
        text: "chain dropped".into(),
        spoiled: Some(Selector { name: "standing-sprints".into(), keys: vec![], repeat: Some(3) }),
    });
    let matches = find(&bench(), &session, &ride);
    assert_eq!(reasons(&matches), [(6, 3, "called spoiled by the tester: chain dropped")]);
}

#[test]
fn a_remark_strikes_what_was_ridden_at_its_time_whatever_its_number() {
    let mut rider = Rider::new(73);
    rider.bench(&AS_WRITTEN);
    let (ride, _) = rider.finish();
    let mut session = session();
    let second = ridden(&find(&bench(), &session, &ride)).iter().find(|r| (r.0, r.1) == (6, 2)).unwrap().2.span;
    let at = ride.utc(second.end_s + 12.0);
    session.remarks.push(Remark {
        at: Some(ClockTime { date: None, time: at.time(), offset_s: None }),
        text: "chain dropped".into(),
        spoiled: Some(Selector { name: "standing-sprints".into(), keys: vec![], repeat: Some(3) }),
    });
    let matches = find(&bench(), &session, &ride);
    assert_eq!(reasons(&matches), [(6, 2, "called spoiled by the tester: chain dropped")]);
    assert!(matches.cautions[0].contains("at its time repeat 2 was ridden"), "{:?}", matches.cautions);
}

#[test]
fn a_remark_decides_between_places_that_fit_alike() {
    // One block asked, ridden twice a sixth too weak, too little for a surplus one: the one written of is it.
    let mut protocol = bench();
    protocol.phases = vec![steady(Ring::Big, 200.0, 4.0)];
    let mut rider = Rider::new(77);
    rider.rest(100);
    for _ in 0..2 {
        rider.ride(168.0, 250, 88.0);
        rider.rest(100);
    }
    let (ride, _) = rider.finish();
    let mut session = session();
    let found = |session: &Session| find(&protocol, session, &ride);
    assert_eq!(ridden(&found(&session)).len(), 1);
    for middle_s in [225.0, 575.0] {
        session.remarks = vec![Remark {
            at: Some(ClockTime { date: None, time: ride.utc(middle_s).time(), offset_s: None }),
            text: "a truck".into(),
            // No such repeat, so only what was ridden then can be meant.
            spoiled: Some(Selector { name: "steady".into(), keys: vec![], repeat: Some(9) }),
        }];
        assert!(ridden(&found(&session)).is_empty(), "{middle_s} s: {}", story(&found(&session)));
    }
}

#[test]
fn a_mark_decides_between_places_that_fit_alike() {
    // Twice the same block in one run, no ring evidence, no laps: only the mark tells where one ends.
    let mut protocol = bench();
    protocol.phases = vec![steady(Ring::Big, 200.0, 4.0), steady(Ring::Small, 200.0, 4.0)];
    let mut rider = Rider::new(74);
    rider.rest(200);
    rider.ride(200.0, 560, 88.0);
    rider.rest(100);
    let (mut ride, _) = rider.finish();
    let phase = Selector { name: "steady".into(), keys: vec![("ring".into(), "small".into())], repeat: None };
    ride.edges = vec![Edge { at_s: 462.0, kind: EdgeKind::Mark(Some(phase)) }];
    let mut session = session();
    session.drivetrain = Drivetrain::default();
    let matches = find(&protocol, &session, &ride);
    let found = ridden(&matches);
    assert_eq!(found.len(), 2, "{}", story(&matches));
    assert!((found[1].2.span.start_s - 462.0).abs() <= 2.0, "{}", story(&matches));
    assert!((found[0].2.span.end_s - 462.0).abs() <= 2.0, "{}", story(&matches));
}

#[test]
fn a_short_warm_up_is_a_deviation() {
    let mut rider = Rider::new(75);
    rider.rest(240);
    AS_WRITTEN.iter().for_each(|&p| rider.bench_phase(p));
    let (ride, _) = rider.finish();
    let matches = find(&bench(), &session(), &ride);
    assert_eq!(matches.deviations, ["warm-up of 4.0 min, 10 min asked"], "{}", story(&matches));
}

#[test]
fn a_block_stopped_early_is_shortened_or_not_ridden() {
    for (seconds, counts) in [(232, true), (205, true), (150, false)] {
        let mut rider = Rider::new(76);
        rider.warm_up();
        rider.bench_phase(0);
        rider.bench_phase(1);
        rider.block(2, Ring::Big, 240.0, seconds);
        rider.rest(60);
        (3..9).for_each(|p| rider.bench_phase(p));
        let (ride, _) = rider.finish();
        let matches = find(&bench(), &session(), &ride);
        match &matches.found[2].outcome {
            MatchOutcome::Ridden(r) => {
                assert!(counts, "{}", story(&matches));
                assert_eq!(
                    r.deviations.iter().any(|d| d.says.contains("shortened")),
                    seconds == 205,
                    "{:?}",
                    r.deviations
                );
            }
            MatchOutcome::NotRidden { reason } => {
                assert!(!counts, "{reason}");
                assert!(reason.contains("240 s asked"), "{reason}");
            }
        }
    }
}

#[test]
fn an_empty_ride_finds_nothing_and_does_not_panic() {
    let (ride, _) = Rider::new(0).finish();
    let matches = find(&bench(), &session(), &ride);
    assert_eq!(reasons(&matches).len(), 22);
}

#[test]
fn missing_seconds_neither_make_nor_break_a_match() {
    let mut rider = Rider::new(77);
    rider.bench(&AS_WRITTEN);
    let (mut ride, truth) = rider.finish();
    for reference in &mut ride.references {
        for k in (truth[1].1[0] + 50)..(truth[1].1[0] + 70) {
            reference.trace.grid[k] = None;
        }
    }
    compare(&find(&bench(), &session(), &ride), &truth);
}

#[test]
fn a_ramp_has_one_move_for_each_step() {
    let drill = Drill::Ramp { steps_w: vec![50.0, 100.0, 200.0, 300.0], each_s: 60.0, settle_s: 15.0 };
    let protocol = protocol(vec![phase("ramp", &[], drill)]);
    let mut rider = Rider::new(78);
    rider.rest(300);
    let mut bounds = vec![rider.now()];
    for power_w in [50.0, 100.0, 200.0, 300.0] {
        rider.ride(power_w, 60, 85.0);
        bounds.push(rider.now());
    }
    rider.rest(100);
    rider.truth.push((0, bounds));
    let (ride, truth) = rider.finish();
    let (within, all) = compare(&find(&protocol, &session(), &ride), &truth);
    assert!(within >= all - 1, "{within} of {all}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn filler_before_and_after_shifts_every_match_by_itself(before in 0usize..2000, after in 0usize..2000, seed in 0u64..50) {
        let mut rider = Rider::new(seed);
        rider.rest(30);
        rider.bench(&AS_WRITTEN);
        let (plain, _) = rider.finish();
        let moved = padded(&plain, before, after);
        let (plain, moved) = (find(&bench(), &session(), &plain), find(&bench(), &session(), &moved));
        let spans = |m: &Matches, by: usize| {
            ridden(m).iter().map(|r| (r.0, r.1, r.2.span.start_s - by as f64, r.2.span.end_s - by as f64)).collect::<Vec<_>>()
        };
        prop_assert_eq!(spans(&plain, 0), spans(&moved, before));
    }

    #[test]
    fn a_ride_at_another_hour_is_matched_alike(minutes in 0i64..100_000, seed in 0u64..50) {
        let mut rider = Rider::new(seed);
        rider.bench(&AS_WRITTEN);
        let (plain, _) = rider.finish();
        let later = Ride { start: plain.start + chrono::TimeDelta::minutes(minutes), ..plain.clone() };
        let (plain, later) = (find(&bench(), &session(), &plain), find(&bench(), &session(), &later));
        prop_assert_eq!(ridden(&plain), ridden(&later));
        prop_assert_eq!(plain.deviations, later.deviations);
    }

    #[test]
    fn the_order_of_the_references_changes_nothing(rotated in 0usize..3, swapped: bool, seed in 0u64..50) {
        let mut rider = Rider::new(seed);
        rider.bench(&AS_WRITTEN);
        let (mut plain, _) = rider.finish();
        // Two off the hub that read differently.
        let mut other = plain.references[1].clone();
        other.trace.label = "crank C".into();
        other.trace.located = Location::Spindle;
        other.trace.power_w.iter_mut().flatten().for_each(|power_w| *power_w *= 1.02);
        plain.references.push(other);
        let mut permuted = plain.clone();
        permuted.references.rotate_left(rotated);
        if swapped {
            permuted.references.swap(0, 1);
        }
        prop_assert_eq!(find(&bench(), &session(), &plain), find(&bench(), &session(), &permuted));
    }
}

/// The same ride with the bike standing still before and after.
fn padded(ride: &Ride, before: usize, after: usize) -> Ride {
    let mut ride = ride.clone();
    let n = before + ride.length_s + after;
    for trace in ride.references.iter_mut().map(|r| &mut r.trace).chain([&mut ride.unit]) {
        let pad = |column: &mut Vec<Option<f64>>| {
            let still = column.iter().any(Option::is_some).then_some(0.0);
            let ridden = std::mem::take(column);
            column.extend(std::iter::repeat_n(still, before));
            column.extend(ridden);
            column.resize(n, still);
        };
        pad(&mut trace.power_w);
        pad(&mut trace.cadence_rpm);
        pad(&mut trace.speed_m_s);
        trace.grid = (0..n).map(Some).collect();
    }
    ride.edges.iter_mut().for_each(|e| e.at_s += before as f64);
    ride.length_s = n;
    ride
}

#[test]
fn with_a_hub_alone_every_phase_is_still_found() {
    let mut rider = Rider::new(80);
    rider.bench(&AS_WRITTEN);
    let (mut ride, truth) = rider.finish();
    ride.references.truncate(1);
    compare(&find(&bench(), &session(), &ride), &truth);
}

#[test]
fn every_asked_repeat_is_listed_in_protocol_order() {
    let mut rider = Rider::new(81);
    rider.bench(&[6, 7, 0, 1, 2, 8]);
    let (ride, _) = rider.finish();
    let matches = find(&bench(), &session(), &ride);
    let listed: Vec<(usize, u32)> = matches.found.iter().map(|m| (m.phase, m.repeat)).collect();
    let asked = [1, 1, 1, 1, 1, 1, 6, 6, 4];
    let expected: Vec<(usize, u32)> =
        asked.iter().enumerate().flat_map(|(phase, &n)| (1..=n).map(move |repeat| (phase, repeat))).collect();
    assert_eq!(listed, expected, "{}", story(&matches));
}

#[test]
fn typed_drills_are_left_to_the_scorer() {
    let mut protocol = bench();
    protocol.phases.insert(0, phase("zero", &[], Drill::ZeroCheck));
    let mut rider = Rider::new(82);
    rider.bench(&AS_WRITTEN);
    let matches = find(&protocol, &session(), &rider.finish().0);
    assert_eq!(matches.found[0].phase, 1);
    assert!(reasons(&matches).is_empty(), "{}", story(&matches));
}

#[test]
fn in_any_order_nothing_is_out_of_order() {
    let mut protocol = bench();
    protocol.order = PhaseOrder::Any;
    let mut rider = Rider::new(83);
    rider.bench(&[8, 3, 0, 7, 5, 2, 6, 1, 4]);
    let (ride, truth) = rider.finish();
    let matches = find(&protocol, &session(), &ride);
    compare(&matches, &truth);
    assert_eq!(matches.deviations, Vec::<String>::new());
}

#[test]
fn warm_up_and_recoveries_are_what_lies_between() {
    let free = |name: &str| phase(name, &[], Drill::Free { power_w: None, lasts_s: None });
    let mut protocol = bench();
    protocol.phases.insert(0, free("warm-up"));
    protocol.phases.insert(7, free("spin"));
    protocol.phases.push(free("cool-down"));
    let mut rider = Rider::new(84);
    rider.bench(&AS_WRITTEN);
    let (ride, truth) = rider.finish();
    let matches = find(&protocol, &session(), &ride);
    assert!(reasons(&matches).is_empty() && matches.deviations.is_empty(), "{}", story(&matches));
    let span = |phase: usize| match &matches.found.iter().find(|m| m.phase == phase).unwrap().outcome {
        MatchOutcome::Ridden(r) => r.span,
        MatchOutcome::NotRidden { reason } => panic!("{reason}"),
    };
    let near = |got: f64, truth: usize| assert!((got - truth as f64).abs() <= 3.0, "{got} for {truth}");
    near(span(0).start_s, 0);
    near(span(0).end_s, truth[0].1[0]);
    near(span(7).start_s, truth[5].1[1]);
    near(span(7).end_s, truth[6].1[0]);
    near(span(11).start_s, truth[21].1[2]);
    near(span(11).end_s, ride.length_s);
}

#[test]
fn a_pin_on_a_stretch_that_is_no_such_repeat_is_refused() {
    let mut rider = Rider::new(85);
    rider.bench(&AS_WRITTEN);
    let (ride, truth) = rider.finish();
    let mut session = session();
    let at = |s: usize| ClockTime { date: None, time: ride.utc(s as f64).time(), offset_s: None };
    let phase = Selector { name: "coast-and-restart".into(), keys: vec![], repeat: Some(1) };
    let from = truth[12].1[0];
    session.pins.push(Pin { phase, from: at(from), to: at(from + 6) });
    let matches = find(&bench(), &session, &ride);
    // What was ridden there counts as it was found.
    let (_, _, first) = *ridden(&matches).iter().find(|r| r.0 == 7 && r.1 == 1).unwrap();
    assert!(!first.rests_on.contains(&Ground::Pinned), "{}", story(&matches));
    let says = &matches.refused_pins[0].says;
    assert!(says.starts_with("what was pinned is not that"), "{says}");
    assert_eq!(matches.refused_pins.len(), 1);
    assert_eq!((matches.refused_pins[0].phase, matches.refused_pins[0].repeat), (7, Some(1)));
}

#[test]
fn a_lap_ends_soft_pedalling_where_the_recovery_is_as_soft() {
    let mut protocol = bench();
    protocol.phases.drain(..8);
    let mut rider = Rider::new(86);
    rider.rest(200);
    for _ in 0..4 {
        rider.soft(0);
        rider.lap();
        rider.ride(60.0, 40, 80.0);
        rider.rest(30);
    }
    let (ride, truth) = rider.finish();
    let (within, all) = compare(&find(&protocol, &session(), &ride), &truth);
    assert_eq!(within, all);
}
