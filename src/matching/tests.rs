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
use crate::ride::{AlignedOn, Clock, Edge, EdgeKind, Gear, ReferenceTrace, Trace};
use crate::session::{Drivetrain, Location, Mark, Remark, Sides};

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
        needs: Needs { references: 2, warm_up_s: Some(600.0) },
        decision: Decision { rule: Rule::Guarded, coverage: 0.95 },
        threshold_power_w: None,
        phases,
        contrasts: vec![],
        whole_ride: vec![],
    }
}

/// The bench trial: three powers on each ring (counterbalanced), sprints, stop-and-start, soft pedalling.
fn bench() -> Protocol {
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
        pins: vec![],
        photos: vec![],
        threshold_power_w: None,
        assumed: vec![],
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
        let trace = |label: &str, located, power_w: Vec<Option<f64>>, cadence_rpm, speed_m_s| Trace {
            label: label.into(),
            located,
            sides: Sides::Both,
            clock: Clock {
                offset_s: 0.0,
                drift_ppm: 0.0,
                standard_uncertainty_s: 0.1,
                aligned_on: AlignedOn::HeartRate,
                windows: vec![],
            },
            time_s: (0..n).map(|k| k as f64).collect(),
            power_w,
            cadence_rpm,
            heart_rate_bpm: vec![None; n],
            speed_m_s,
            altitude_m: vec![None; n],
            temperature_c: vec![None; n],
            right_share_pct: vec![None; n],
            grid: (0..n).map(Some).collect(),
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
