//! The matcher against known truth: what was found of what was ridden, how far its edges lie off, what was told of
//! rings and clocks.

use std::ops::AddAssign;

use assize::internals::against_truth::{self, ComparedClock};
use assize::internals::matching::{MatchOutcome, Ridden, ring};
use assize::internals::rehearse::{Rehearsal, RehearsalPlan, RideHabits, RideSetting, Shifting, TrueMove};
use assize::judge::Judgement;
use assize::protocol::{Drill, Hold, Phase, PhaseOrder, Protocol, Ring, Target};
use chrono::{DateTime, NaiveTime, Utc};

/// A way in which riders and head units go astray, ridden with many seeds.
#[derive(Debug, Clone, Copy)]
pub struct Case {
    pub name: &'static str,
    /// As `--mishap` takes them, one after the other.
    pub mishaps: &'static [&'static str],
    pub bench: BenchIs,
}

/// What the case is ridden on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BenchIs {
    Usual,
    ConstantPower,
    Road,
    Electronic,
    /// The short check instead of the bench trial.
    Short,
    /// A copy of the bench trial with `order: any`.
    AnyOrder,
}

#[rustfmt::skip]
pub const CASES: &[Case] = &[
    Case { name: "plain, resistance", mishaps: &[], bench: BenchIs::Usual },
    Case { name: "plain, constant power", mishaps: &[], bench: BenchIs::ConstantPower },
    Case { name: "plain, road", mishaps: &[], bench: BenchIs::Road },
    Case { name: "plain, short check", mishaps: &[], bench: BenchIs::Short },
    Case { name: "a repeat skipped", mishaps: &["skipped-repeat"], bench: BenchIs::Usual },
    Case { name: "a block skipped", mishaps: &["skipped-repeat@steady"], bench: BenchIs::Usual },
    Case { name: "a repeat too many", mishaps: &["surplus-repeat"], bench: BenchIs::Usual },
    Case { name: "rings in the other order", mishaps: &["rings-swapped@steady"], bench: BenchIs::Usual },
    Case { name: "phases out of order", mishaps: &["phases-swapped"], bench: BenchIs::Usual },
    Case { name: "`order: any`", mishaps: &["phases-swapped", "phases-swapped", "phases-swapped"], bench: BenchIs::AnyOrder },
    Case { name: "phone stop of 40 s", mishaps: &["phone-stop=40@steady"], bench: BenchIs::Usual },
    Case { name: "phone stop of 120 s", mishaps: &["phone-stop=120@steady"], bench: BenchIs::Usual },
    Case { name: "late start, all", mishaps: &["late-start=6"], bench: BenchIs::Usual },
    Case { name: "late start, one head unit", mishaps: &["late-start=6@P"], bench: BenchIs::Usual },
    Case { name: "all targets missed by −20 %", mishaps: &["off-target=-20"], bench: BenchIs::Usual },
    Case { name: "blocks missed by −20 %", mishaps: &["off-target=-20@steady"], bench: BenchIs::Usual },
    Case { name: "blocks missed by +20 %", mishaps: &["off-target=20@steady"], bench: BenchIs::Usual },
    Case { name: "cadence 15 rpm low", mishaps: &["off-cadence=-15@steady"], bench: BenchIs::Usual },
    Case { name: "no laps", mishaps: &["no-laps"], bench: BenchIs::Usual },
    Case { name: "laps 5 s late", mishaps: &["late-laps=5"], bench: BenchIs::Usual },
    Case { name: "six stray laps", mishaps: &["stray-laps=6@P"], bench: BenchIs::Usual },
    Case { name: "irregular pedals", mishaps: &["irregular=8@P"], bench: BenchIs::Usual },
    Case { name: "irregular unit", mishaps: &["irregular=8@017"], bench: BenchIs::Usual },
    Case { name: "restart of the pedals' recording", mishaps: &["restart=20@P"], bench: BenchIs::Usual },
    Case { name: "restart of the unit's recording", mishaps: &["restart=20@017"], bench: BenchIs::Usual },
    Case { name: "auto-pause and a stop", mishaps: &["phone-stop=40@steady", "auto-pause"], bench: BenchIs::Usual },
    Case { name: "auto-pause while coasting", mishaps: &["auto-pause-coasting@P"], bench: BenchIs::Usual },
    Case { name: "gear events", mishaps: &[], bench: BenchIs::Electronic },
    Case { name: "gear events from one head unit", mishaps: &["no-gears@P"], bench: BenchIs::Electronic },
    Case { name: "a clock never set", mishaps: &["clock-unset@P"], bench: BenchIs::Usual },
];

impl Case {
    pub fn protocol(&self) -> Protocol {
        let mut protocol = super::shipped(match self.bench {
            BenchIs::Short => "short-check.yaml",
            _ => "bench-both-rings.yaml",
        });
        if self.bench == BenchIs::AnyOrder {
            protocol.order = PhaseOrder::Any;
        }
        protocol
    }

    /// Riders, noise, head units and straps differ from seed to seed.
    pub fn plan(&self, seed: u64) -> RehearsalPlan {
        let mishaps = self.mishaps.iter().map(|text| text.parse().unwrap_or_else(|e| panic!("{e}"))).collect();
        let mut plan = RehearsalPlan { mishaps, habits: RideHabits::varied(seed), ..RehearsalPlan::new(seed) };
        match self.bench {
            BenchIs::ConstantPower => plan.setting = RideSetting::ConstantPower,
            BenchIs::Road => plan.setting = RideSetting::Road,
            BenchIs::Electronic => plan.habits.shifting = Shifting::Electronic { only: None },
            BenchIs::Usual | BenchIs::Short | BenchIs::AnyOrder => {}
        }
        plan
    }
}

/// One repeat that was ridden, in session seconds.
#[derive(Debug)]
struct Occasion {
    phase: usize,
    repeat: u32,
    /// Act, start and end of each move; a block with a stop in it is one.
    moves: Vec<(&'static str, f64, f64)>,
    /// Ridden otherwise than the protocol allows: with a stop in it, with a target missed by three quarters of its
    /// tolerance and more, or with an effort that a reference within its uncertainty may read as too small.
    spoiled: bool,
}

impl Occasion {
    fn start_s(&self) -> f64 {
        self.moves[0].1
    }

    fn end_s(&self) -> f64 {
        self.moves[self.moves.len() - 1].2
    }

    /// Common time as a share of the shorter.
    fn overlap(&self, start_s: f64, end_s: f64) -> f64 {
        let common_s = self.end_s().min(end_s) - self.start_s().max(start_s);
        common_s / (self.end_s() - self.start_s()).min(end_s - start_s)
    }
}

/// How far off an edge lies, s; later than the truth is positive.
#[derive(Debug, Clone, PartialEq)]
pub struct Edge {
    /// `start of a block`, `end of a sprint`, `onset of a restart`.
    pub what: String,
    pub off_s: f64,
    /// Of the span of a phase, not between its moves.
    pub outer: bool,
}

/// What was found of what was ridden, of one ride or of many added up.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    pub rides: usize,
    /// Without the spoiled ones.
    pub ridden: usize,
    pub found: usize,
    pub misnumbered: usize,
    pub spoiled: usize,
    /// Spoiled repeats that were matched, or refused with themselves as the nearest stretch.
    pub spoiled_right: usize,
    /// Spans of a phase that was not ridden there.
    pub invented: Vec<String>,
    pub missed: Vec<String>,
    /// What was found with an edge more than five seconds from where it was, and what the match says of it.
    pub askew: Vec<String>,
    pub edges: Vec<Edge>,
    /// Seconds of pedalling in scored phases: all, those with a ring told, those with the right one.
    pub seconds: usize,
    pub ring_told: usize,
    pub ring_right: usize,
    pub clocks: Vec<ComparedClock>,
}

impl AddAssign for Tally {
    fn add_assign(&mut self, other: Self) {
        self.rides += other.rides;
        self.ridden += other.ridden;
        self.found += other.found;
        self.misnumbered += other.misnumbered;
        self.spoiled += other.spoiled;
        self.spoiled_right += other.spoiled_right;
        self.invented.extend(other.invented);
        self.missed.extend(other.missed);
        self.askew.extend(other.askew);
        self.edges.extend(other.edges);
        self.seconds += other.seconds;
        self.ring_told += other.ring_told;
        self.ring_right += other.ring_right;
        self.clocks.extend(other.clocks);
    }
}

impl Tally {
    pub fn outer_edges(&self) -> impl Iterator<Item = &Edge> {
        self.edges.iter().filter(|edge| edge.outer)
    }

    pub fn clocks_inside(&self) -> usize {
        self.clocks.iter().filter(|clock| clock.inside()).count()
    }
}

/// Session second of what the pedals' clock shows: that is session time, but where it was never set.
pub fn shown_s(judgement: &Judgement, shown: DateTime<Utc>) -> f64 {
    let ride = &judgement.ride;
    (shown - ride.start).as_seconds_f64() + ride.references[0].trace.clock.offset_s
}

fn session_s(rehearsal: &Rehearsal, judgement: &Judgement, true_s: f64) -> f64 {
    shown_s(judgement, rehearsal.truth.shown_utc(1, true_s))
}

/// What was truly ridden of phases that ask for an effort.
fn truly(protocol: &Protocol, rehearsal: &Rehearsal, judgement: &Judgement) -> Vec<Occasion> {
    let session_s = |true_s: f64| session_s(rehearsal, judgement, true_s);
    let mut occasions: Vec<Occasion> = vec![];
    for m in rehearsal.truth.moves.iter().filter(|m| !matches!(m.act, "ride" | "still")) {
        let spoiled = misses(&protocol.phases[m.phase_index], m, rehearsal);
        let (start_s, end_s) = (session_s(m.start_s), session_s(m.end_s));
        match occasions.last_mut().filter(|o| (o.phase, o.repeat) == (m.phase_index, m.repeat)) {
            Some(occasion) => {
                occasion.spoiled |= spoiled;
                match occasion.moves.last_mut().filter(|last| last.0 == m.act && m.act == "block") {
                    Some(last) => {
                        last.2 = end_s;
                        occasion.spoiled = true;
                    }
                    None => occasion.moves.push((m.act, start_s, end_s)),
                }
            }
            None => {
                let (phase, repeat) = (m.phase_index, m.repeat);
                occasions.push(Occasion { phase, repeat, moves: vec![(m.act, start_s, end_s)], spoiled });
            }
        }
    }
    occasions
}

/// Whether a move was ridden too far from what was asked.
fn misses(phase: &Phase, m: &TrueMove, rehearsal: &Rehearsal) -> bool {
    let best_w = || {
        let starts = (0..((m.end_s - m.start_s - 3.0) / 0.5).max(1.0) as usize).map(|n| m.start_s + 0.5 * n as f64);
        starts.map(|from_s| rehearsal.truth.signal.mean_w(from_s, from_s + 3.0)).fold(0.0, f64::max)
    };
    // A gain of 1 % and the sampling of a peak.
    const READ_AS: f64 = 1.02;
    let weaker = |low: f64| best_w() < READ_AS * low;
    let off = |target: &Target| match target {
        Target::Value(asked_w) => (m.mean_power_w / asked_w - 1.0).abs() > 0.75 * phase.tolerance,
        Target::Within(_) => false,
    };
    let weak = |hold: &Hold| match hold.power_w {
        Target::Within(range) => range.low.is_some_and(weaker),
        Target::Value(_) => off(&hold.power_w),
    };
    match (&phase.drill, m.act) {
        (Drill::Steady { power_w, .. }, _) => off(power_w),
        (Drill::Sprint { effort_w, .. }, _) => effort_w.low.is_some_and(weaker),
        (Drill::CoastRestart { lead_in, .. }, "lead-in") => off(&lead_in.power_w),
        (Drill::CoastRestart { restart, .. }, "restart") => weak(restart),
        (Drill::SoftPedal { surge, .. }, "surge") => off(&surge.power_w),
        _ => false,
    }
}

pub fn tally(protocol: &Protocol, rehearsal: &Rehearsal, judgement: &Judgement) -> Tally {
    let truly = truly(protocol, rehearsal, judgement);
    let spoiled = truly.iter().filter(|o| o.spoiled).count();
    let mut tally = Tally { rides: 1, ridden: truly.len() - spoiled, spoiled, ..Tally::default() };
    let mut found = vec![false; truly.len()];
    for m in &judgement.matches.found {
        let MatchOutcome::Ridden(ridden) = &m.outcome else { continue };
        let phase = &protocol.phases[m.phase];
        if matches!(phase.drill, Drill::Free { .. } | Drill::Wait { .. }) {
            continue;
        }
        let overlap = |o: &Occasion| o.overlap(ridden.span.start_s, ridden.span.end_s);
        let at = truly.iter().position(|o| o.phase == m.phase && overlap(o) > 0.5);
        let Some(at) = at.filter(|at| !found[*at]) else {
            tally.invented.push(format!("{}/{} at {:.0} s", phase.id, m.repeat, ridden.span.start_s));
            continue;
        };
        found[at] = true;
        tally.misnumbered += usize::from(truly[at].repeat != m.repeat);
        if truly[at].spoiled {
            tally.spoiled_right += 1;
        } else {
            tally.found += 1;
        }
        let edges = edges(&truly[at], ridden);
        let outer: Vec<f64> = edges.iter().filter(|e| e.outer).map(|e| e.off_s).collect();
        if outer.iter().any(|off_s| off_s.abs() > 5.0) {
            let says: Vec<&str> = ridden.deviations.iter().map(|deviation| deviation.says.as_str()).collect();
            let says = says.join("; ");
            tally.askew.push(format!("{}/{} {:+.0} {:+.0} s ({says})", phase.id, m.repeat, outer[0], outer[1]));
        }
        tally.edges.extend(edges);
    }
    for (occasion, _) in truly.iter().zip(&found).filter(|(_, found)| !**found) {
        if occasion.spoiled && refused(occasion, judgement) {
            tally.spoiled_right += 1;
        } else {
            let spoiled = if occasion.spoiled { " (spoiled)" } else { "" };
            tally.missed.push(format!("{}/{}{spoiled}", protocol.phases[occasion.phase].id, occasion.repeat));
        }
    }
    (tally.seconds, tally.ring_told, tally.ring_right) = rings(rehearsal, judgement);
    let compared = against_truth::compare(&judgement.verdict, &rehearsal.truth_file());
    tally.clocks = compared.unwrap_or_else(|e| panic!("{e}")).clocks;
    tally
}

fn edges(truly: &Occasion, ridden: &Ridden) -> Vec<Edge> {
    let last = truly.moves.len() - 1;
    let mut edges = vec![];
    if ridden.moves.len() == truly.moves.len() {
        for (n, ((act, start_s, _), got)) in truly.moves.iter().zip(&ridden.moves).enumerate() {
            edges.push(Edge { what: format!("start of {act}"), off_s: got.start_s - start_s, outer: n == 0 });
        }
    } else {
        let off_s = ridden.span.start_s - truly.start_s();
        edges.push(Edge { what: format!("start of {}", truly.moves[0].0), off_s, outer: true });
    }
    let off_s = ridden.span.end_s - truly.end_s();
    edges.push(Edge { what: format!("end of {}", truly.moves[last].0), off_s, outer: true });
    edges
}

/// Whether its phase was refused with this occasion as the nearest stretch.
fn refused(occasion: &Occasion, judgement: &Judgement) -> bool {
    judgement.matches.found.iter().filter(|m| m.phase == occasion.phase).any(|m| {
        let MatchOutcome::NotRidden { reason } = &m.outcome else { return false };
        let times: Vec<NaiveTime> =
            reason.split_whitespace().filter_map(|w| NaiveTime::parse_from_str(w, "%H:%M:%S").ok()).collect();
        let [from, to, ..] = times[..] else { return false };
        let session_s = |at: NaiveTime| {
            let whole = (at - judgement.ride.start.time()).as_seconds_f64();
            whole.rem_euclid(86_400.0)
        };
        occasion.overlap(session_s(from), session_s(to)) > 0.5
    })
}

/// Seconds of pedalling in scored phases: all, those with a ring told, those with the right one.
fn rings(rehearsal: &Rehearsal, judgement: &Judgement) -> (usize, usize, usize) {
    let told = ring::rings(&rehearsal.session, &judgement.ride);
    let (mut all, mut any, mut right) = (0, 0, 0);
    for m in rehearsal.truth.moves.iter().filter(|m| !matches!(m.act, "ride" | "still" | "coast")) {
        let from = session_s(rehearsal, judgement, m.start_s).ceil().max(0.0) as usize;
        let to = (session_s(rehearsal, judgement, m.end_s).max(0.0) as usize).min(told.len());
        for belief in &told[from.min(to)..to] {
            let truly = if m.ring == "big" { Ring::Big } else { Ring::Small };
            all += 1;
            any += usize::from(belief.is_some());
            right += usize::from(belief.is_some_and(|belief| belief.ring == truly));
        }
    }
    (all, any, right)
}
