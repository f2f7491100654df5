//! An invented session for the reports' tests: 75 minutes, a unit that reads low on the big ring, loses its right
//! side in sprints, holds a reading when the rider stops and falls silent at soft pedalling.

use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::Judgement;
use crate::matching::{MatchOutcome, Matches, PhaseMatch, Ridden};
use crate::protocol;
use crate::quantity::{Bound, Unit};
use crate::ride::{AlignedOn, Clock, ClockWindow, ReferenceTrace, Ride, Trace, Window};
use crate::scoring::PictureMarks;
use crate::session::{Location, Sides};
use crate::verdict::*;

/// One stretch of the invented ride.
struct Stretch {
    repeat: u32,
    selector: &'static str,
    drill: &'static str,
    ring: &'static str,
    /// (true power in W, duration in s) of each move.
    moves: Vec<(f64, usize)>,
}

const STEADY: [(&str, &str, f64); 6] = [
    ("steady[ring=big, power=120 W]", "big", 120.0),
    ("steady[ring=small, power=120 W]", "small", 120.0),
    ("steady[ring=small, power=180 W]", "small", 180.0),
    ("steady[ring=big, power=180 W]", "big", 180.0),
    ("steady[ring=big, power=240 W]", "big", 240.0),
    ("steady[ring=small, power=240 W]", "small", 240.0),
];

fn plan() -> Vec<Stretch> {
    let free = |power_w, duration_s| Stretch {
        repeat: 1,
        selector: "easy",
        drill: "free",
        ring: "big",
        moves: vec![(power_w, duration_s)],
    };
    let drill = |repeat, selector, drill, moves| Stretch { repeat, selector, drill, ring: "big", moves };
    let mut plan = vec![Stretch { selector: "warm-up", ..free(140.0, 660) }];
    for (selector, ring, power_w) in STEADY {
        let moves = vec![(power_w, 270)];
        plan.push(Stretch { repeat: 1, selector, drill: "steady", ring, moves });
        plan.push(free(110.0, 70));
    }
    for repeat in 1..=6 {
        plan.push(drill(repeat, "standing-sprints", "sprint", vec![(710.0 + 15.0 * f64::from(repeat), 10)]));
        plan.push(free(105.0, 110));
    }
    for repeat in 1..=6 {
        plan.push(drill(repeat, "coast-and-restart", "coast_restart", vec![(200.0, 20), (0.0, 10), (330.0, 8)]));
        plan.push(free(115.0, 45));
    }
    for repeat in 1..=3 {
        plan.push(drill(repeat, "soft-pedalling", "soft_pedal", vec![(300.0, 10), (60.0, 20)]));
        plan.push(free(120.0, 40));
    }
    plan.push(Stretch { selector: "cool-down", ..free(100.0, 330) });
    plan
}

fn start() -> DateTime<Utc> {
    "2026-11-20T14:00:00Z".parse().expect("a valid time")
}

fn trace(label: &str, located: Location, sides: Sides, power_w: Vec<Option<f64>>) -> Trace {
    let n = power_w.len();
    let aligned_on = if label.starts_with("unit") { AlignedOn::HeartRate } else { AlignedOn::SessionClock };
    Trace {
        label: label.into(),
        located,
        sides,
        clock: Clock {
            offset_s: 1.4,
            drift_ppm: 3.0,
            standard_uncertainty_s: 0.18,
            aligned_on,
            also: vec![],
            reset: None,
            windows: (0..6)
                .map(|n| ClockWindow {
                    at_s: 300.0 * f64::from(n) + 150.0,
                    offset_s: 1.4 + 0.05 * f64::from(n % 3),
                    standard_uncertainty_s: 0.08,
                })
                .collect(),
        },
        time_s: (0..n).map(|i| i as f64).collect(),
        grid: (0..n).map(|i| power_w[i].map(|_| i)).collect(),
        power_w,
        cadence_rpm: vec![Some(88.0); n],
        heart_rate_bpm: vec![None; n],
        speed_m_s: vec![None; n],
        altitude_m: vec![None; n],
        temperature_c: vec![None; n],
        right_share_pct: vec![None; n],
    }
}

fn ride(plan: &[Stretch]) -> Ride {
    let mut rng = ChaCha8Rng::seed_from_u64(17);
    let (mut unit, mut pedals, mut hub, mut right_pct) = (vec![], vec![], vec![], vec![]);
    let mut smooth_w = 0.0;
    for stretch in plan {
        for (k, &(power_w, duration_s)) in stretch.moves.iter().enumerate() {
            for s in 0..duration_s {
                let mut noise = |share: f64| 1.0 + share * (rng.random::<f64>() + rng.random::<f64>() - 1.0);
                let truth_w = power_w * noise(0.10);
                smooth_w += 0.45 * (truth_w - smooth_w);
                let gain = if stretch.ring == "big" { 0.957 } else { 1.004 };
                let read_w = match (stretch.drill, k) {
                    ("sprint", _) => truth_w * gain * 0.93,
                    ("coast_restart", 1) if s < 3 => 190.0,
                    ("coast_restart", 2) if s < 2 => 0.0,
                    ("soft_pedal", 1) if s > 9 => 0.0,
                    _ => truth_w * gain * noise(0.03),
                };
                let lost = stretch.selector == "warm-up" && (300..340).contains(&s);
                unit.push((!lost).then_some(read_w.round()));
                right_pct.push(Some(if stretch.drill == "sprint" { 44.5 } else { 50.0 }));
                pedals.push(Some((truth_w * noise(0.02)).round()));
                hub.push(Some((smooth_w * 1.003).round()));
            }
        }
    }
    let n = unit.len();
    let mut unit = trace("unit 017", Location::Spindle, Sides::Both, unit);
    unit.right_share_pct = right_pct;
    let reference = |label, located, sides, power_w, pct| ReferenceTrace {
        trace: trace(label, located, sides, power_w),
        carried_by: 1.0,
        uncertainty: Bound::single(pct, Unit::Percent),
        loss_standard_pct: 0.0,
    };
    let mut pedals = reference("pedal pair P", Location::Pedals, Sides::Both, pedals, 1.0);
    pedals.trace.right_share_pct = vec![Some(50.5); n];
    Ride {
        start: start(),
        length_s: n,
        unit,
        references: vec![pedals, reference("trainer T", Location::Hub, Sides::Total, hub, 1.5)],
        edges: vec![],
        gears: vec![],
    }
}

/// A check; `limit` as written and as numbers.
fn check(
    measure: &str,
    value: f64,
    uncertainty: Option<f64>,
    unit: &str,
    limit: (&str, Option<f64>, Option<f64>),
    verdict: Outcome,
) -> CheckVerdict {
    let line = |source: &str, share: f64, degrees, evaluation: &str| BudgetLine {
        source: source.into(),
        standard_uncertainty: uncertainty.unwrap_or(0.0) / 2.0 * share,
        degrees_of_freedom: degrees,
        evaluation: evaluation.into(),
        distribution: if evaluation == "A" { "t" } else { "normal" }.into(),
    };
    let budget = match uncertainty {
        None => vec![],
        Some(_) => vec![
            line("scatter of the readings", 0.55, Some(23.0), "A"),
            line("reference's gain", 0.78, None, "B"),
            line("clock", 0.22, Some(11.0), "B"),
            line("resolution", 0.18, None, "B"),
        ],
    };
    let (reason, remedy) = match verdict {
        Outcome::Fail => (Some("the whole uncertainty lies beyond the limit".into()), None),
        Outcome::Undecided => (
            Some("the limit lies within the uncertainty".into()),
            Some("four more repeats, or a reference of 0.6 %, would decide it".into()),
        ),
        Outcome::NotApplicable => (Some("the unit reports no sides".into()), None),
        _ => (None, None),
    };
    let has_value = !matches!(verdict, Outcome::NotApplicable | Outcome::NotRidden);
    CheckVerdict {
        contrast: None,
        measure: measure.into(),
        value: has_value.then_some(value),
        unit: unit.into(),
        also: (measure == "mean_error").then(|| AlsoValue {
            value: value / 1.8,
            unit: "%".into(),
            expanded_uncertainty: uncertainty.map(|u| u / 1.8),
        }),
        expanded_uncertainty: uncertainty.filter(|_| has_value),
        coverage_factor: uncertainty.map(|_| 2.03),
        degrees_of_freedom: uncertainty.map(|_| 38.0),
        method: uncertainty.map(|_| "GUM".into()),
        limits_of_agreement: None,
        limit: Some(limit.0.into()),
        limit_low: limit.1,
        limit_high: limit.2,
        conformance_probability: uncertainty.map(|_| match verdict {
            Outcome::Pass => 0.9997,
            Outcome::Undecided => 0.71,
            _ => 0.0004,
        }),
        verdict,
        required: true,
        censored: false,
        reason,
        remedy,
        clause: None,
        references: vec!["pedal pair P".into()],
        budget,
    }
}

fn checks_for(stretch: &Stretch, ride: &Ride, window: (usize, usize)) -> Vec<CheckVerdict> {
    use Outcome::{Fail, NotApplicable, Pass, Undecided};
    const NONE: (&str, Option<f64>, Option<f64>) = ("none", Some(0.0), Some(0.0));
    let within = |text, limit: f64| (text, Some(-limit), Some(limit));
    let wobble = f64::from(stretch.repeat % 3) * 0.2;
    match stretch.drill {
        "steady" => {
            let errors: Vec<f64> = (window.0..window.1)
                .filter_map(|s| Some(ride.unit.power_at(s)? - ride.references[0].trace.power_at(s)?))
                .collect();
            let mean = errors.iter().sum::<f64>() / errors.len() as f64;
            let limit = (stretch.moves[0].0 * 0.025f64).max(4.0);
            let (u, judged) = (stretch.moves[0].0 * 0.0105, |u: f64| match mean.abs() {
                e if e + u <= limit => Pass,
                e if e - u > limit => Fail,
                _ => Undecided,
            });
            vec![
                check("mean_error", mean, Some(u), "W", within("within 2.5 % or 4 W", limit), judged(u)),
                check("dropout_time", 0.0, None, "s", NONE, Pass),
            ]
        }
        "sprint" => vec![
            check("work_error", -9.6 - wobble, Some(1.9), "%", within("within 4 %", 4.0), Fail),
            check("peak_error", -11.2 - wobble, Some(2.4), "%", within("within 5 %", 5.0), Fail),
            check("right_error", -18.0 + wobble, Some(3.6), "%", within("within 6 %", 6.0), Fail),
            check("left_error", -3.9 + wobble, Some(3.1), "%", within("within 6 %", 6.0), Undecided),
        ],
        "coast_restart" => vec![
            check("residual_power", 63.0 + wobble, Some(4.2), "W", ("at most 5 W", None, Some(5.0)), Fail),
            check("release_lag", 3.1 + wobble, Some(0.83), "s", ("at most 2 s", None, Some(2.0)), Fail),
            check("cadence_release_lag", 1.2, Some(0.91), "s", ("at most 2 s", None, Some(2.0)), Undecided),
            check("onset_lag", 2.0 + wobble, Some(0.61), "s", ("at most 1.5 s", None, Some(1.5)), Undecided),
            check("cadence_onset_lag", 0.3, Some(0.9), "s", ("at most 1.5 s", None, Some(1.5)), Pass),
            check("missing_work", 21.0 - wobble, Some(2.2), "%", within("within 8 %", 8.0), Fail),
        ],
        "soft_pedal" => vec![
            check("mean_error", -1.4, Some(1.1), "W", within("within 6 W", 6.0), Pass),
            check("dropout_time", 10.0, None, "s", NONE, Fail),
            check("held_time", 1.0, None, "s", ("at most 5 s", None, Some(5.0)), Pass),
            check("left_error", 0.0, None, "W", within("within 6 W", 6.0), NotApplicable),
        ],
        _ => vec![],
    }
}

fn worst(checks: &[CheckVerdict]) -> Outcome {
    let any = |outcome| checks.iter().any(|c| c.verdict == outcome);
    [Outcome::Fail, Outcome::Undecided].into_iter().find(|o| any(*o)).unwrap_or(Outcome::Pass)
}

fn instrument(label: &str, located: &str, sides: &str, uncertainty: &str) -> InstrumentFacts {
    InstrumentFacts {
        label: label.into(),
        located: located.into(),
        sides: sides.into(),
        model: None,
        serial: Some("SN-0017-A".into()),
        firmware: Some("1.10".into()),
        battery: Some("good".into()),
        head_unit: Some("head unit H1, firmware 3.2".into()),
        history: None,
        condition: None,
        received: None,
        uncertainty: Some(uncertainty.into()),
        certificate: None,
        mode: None,
        serves: None,
    }
}

/// The invented session, judged by hand.
pub fn judgement() -> Judgement {
    let written = include_bytes!("../../protocols/bench-both-rings.yaml");
    let protocol = protocol::load_bytes(Path::new("bench-both-rings.yaml"), written).expect("a sound protocol");
    let phase_of = |selector: &str| {
        protocol.phases.iter().position(|p| p.id.to_string() == selector).expect("a phase of the protocol")
    };
    let plan = plan();
    let ride = ride(&plan);
    let at = |s: usize| start() + TimeDelta::seconds(s as i64);
    let (mut phases, mut found, mut from) = (vec![], vec![], 0);
    for stretch in &plan {
        let mut edges = vec![from];
        edges.extend(stretch.moves.iter().scan(from, |end, m| {
            *end += m.1;
            Some(*end)
        }));
        let to = from + stretch.moves.iter().map(|m| m.1).sum::<usize>();
        let window = match stretch.drill {
            "steady" => (from + 30, to),
            "sprint" => (from - 3, to + 5),
            "soft_pedal" => (from + 13, to),
            _ => (from, to),
        };
        let checks = checks_for(stretch, &ride, window);
        let span = |a: usize, b: usize| Span { start: at(a), end: at(b) };
        if stretch.selector != "easy" {
            phases.push(PhaseVerdict {
                phase: stretch.selector.into(),
                repeat: stretch.repeat,
                surplus: false,
                drill: stretch.drill.into(),
                verdict: worst(&checks),
                required: stretch.drill != "free",
                matched: Some(MatchFacts {
                    start: at(from),
                    end: at(to),
                    window: span(window.0, window.1),
                    moves: edges.windows(2).map(|e| span(e[0], e[1])).collect(),
                    confidence: 0.98,
                    ring: (stretch.drill != "free").then(|| stretch.ring.into()),
                    rests_on: vec!["power".into(), "laps".into(), "order".into()],
                    runner_up: None,
                    deviations: vec![],
                }),
                reason: None,
                checks,
            });
            let window_of = |a: usize, b: usize| Window { start_s: a as f64, end_s: b as f64 };
            let outcome = MatchOutcome::Ridden(Ridden {
                span: window_of(from, to),
                moves: edges.windows(2).map(|e| window_of(e[0], e[1])).collect(),
                confidence: 0.98,
                ring: None,
                ring_rests_on: None,
                rests_on: vec![],
                runner_up: None,
                deviations: vec![],
            });
            found.push(PhaseMatch {
                phase: phase_of(stretch.selector),
                repeat: stretch.repeat,
                surplus: false,
                outcome,
            });
        }
        from = to;
    }
    let reason = "closest stretch 14:58:12 to 14:58:40: its soft part was ridden at 131 W instead of 30 to 90 W";
    let insert = phases.len() - 1;
    phases.insert(
        insert,
        PhaseVerdict {
            repeat: 4,
            verdict: Outcome::NotRidden,
            matched: None,
            reason: Some(reason.into()),
            checks: vec![],
            ..phases[insert - 1].clone()
        },
    );
    let missing = MatchOutcome::NotRidden { reason: reason.into() };
    found.insert(insert, PhaseMatch { phase: phase_of("soft-pedalling"), repeat: 4, surplus: false, outcome: missing });
    let verdict = verdict(phases, &ride);
    let matches = Matches { found, ..Matches::default() };
    let shown = PictureMarks::of_ride(Some(&protocol), &matches, &ride);
    Judgement { verdict, matches, ride, protocol: Some(protocol), shown }
}

fn repeat(phases: &[PhaseVerdict], phase: &str, verdict: Outcome) -> RepeatVerdict {
    let of: Vec<_> = phases.iter().filter(|p| p.phase == phase).collect();
    let count = |outcome| of.iter().filter(|p| p.verdict == outcome).count() as u32;
    let (asked, missing, failed) = (of.len() as u32, count(Outcome::NotRidden), count(Outcome::Fail));
    let interval = |sides, low, high| Some(RateInterval { level: 0.95, sides, low, high });
    RepeatVerdict {
        phase: phase.into(),
        asked,
        ridden: asked - missing,
        failed,
        undecided: count(Outcome::Undecided),
        accept: "every repeat".into(),
        checks: of[0].checks.clone(),
        fault_rate: Some(f64::from(failed) / f64::from(asked - missing)),
        fault_rate_interval: interval(2, 0.54, 1.0),
        fault_rate_upper_limit: interval(1, 0.0, 1.0),
        verdict,
        required: true,
        reason: (failed > 0).then(|| format!("{failed} of {} repeats failed", asked - missing)),
        remedy: None,
    }
}

fn verdict(phases: Vec<PhaseVerdict>, ride: &Ride) -> Verdict {
    use Outcome::{Fail, Pass, Undecided};
    let checks = || phases.iter().flat_map(|p| &p.checks);
    let count = |outcome| checks().filter(|c| c.verdict == outcome).count();
    let ring = |ring: &str, error_w, u_w, error_pct, u_pct| RingError {
        ring: ring.into(),
        blocks: 3,
        error_w,
        expanded_uncertainty_w: u_w,
        error_pct,
        expanded_uncertainty_pct: u_pct,
        reference_w: 180.0,
    };
    let finding = |pattern: &str, size, unit: &str, u, says: &str, evidence: &[&str]| Finding {
        pattern: pattern.into(),
        size,
        unit: unit.into(),
        expanded_uncertainty: u,
        says: says.into(),
        evidence: evidence.iter().map(|e| (*e).into()).collect(),
        could_also_be: vec![],
    };
    let recording = |file: &str, instrument: &str, role: &str, damage: &[&str]| RecordingFacts {
        file: file.into(),
        sha256: "3f2a9c81d04be75a66f10c2b9ed87745aa31cc02916e5b84f7d0e3a1526b9c08".into(),
        instrument: instrument.into(),
        role: role.into(),
        head_unit: Some("head unit H1, firmware 3.2".into()),
        start: start(),
        samples: ride.length_s,
        gaps: usize::from(role == "unit"),
        damage: damage.iter().map(|d| (*d).into()).collect(),
        stores: "the last message".into(),
        stops: 8,
        stops_between: 0,
        channels: vec![ChannelCounts { channel: "power".into(), values: 4490, zeros: 60, invalid: 4, missing: 6 }],
    };
    let clock = |recording: &str, offset_s, u, on: &str| ClockFacts {
        recording: recording.into(),
        offset_s,
        drift_ppm: 3.0,
        standard_uncertainty_s: u,
        aligned_on: on.into(),
    };
    Verdict {
        assize: "0.1.0".into(),
        verdict_format: VERDICT_FORMAT,
        verdict: Some(Fail),
        sheet_number: "A-7C41-09E2".into(),
        why: vec![
            "The unit reads 4.3 % low on the big ring and true on the small one.".into(),
            "In all six standing sprints it reports too little work, most of it missing on the right side.".into(),
            "After the rider stops it holds its last reading for 3 s, and it returns 2 s late.".into(),
        ],
        scope:
            "These results are about this specimen's readings in the windows that were ridden, and about nothing else."
                .into(),
        protocol: Some(ProtocolFacts {
            title: "Bench trial on both chainrings".into(),
            revision: "2026-11".into(),
            sha256: "90b1d6a7c3e24f5588aa17d0e9f3b2c46d7e8f90a1b2c3d4e5f60718293a4b5c".into(),
            purpose: Some("Does the unit read true on both rings, in sprints, in stop-and-start riding?".into()),
            rule: "guarded".into(),
            rule_in_words:
                "A check passes if its value lies within the limit by more than its expanded uncertainty, fails if \
                            it lies beyond it by more than that, and is undecided between."
                    .into(),
            coverage: 0.95,
            references_needed: 2,
        }),
        session: SessionFacts {
            file: Some("session.yaml".into()),
            sha256: Some("77aa".repeat(16)),
            tester: Some("tester A".into()),
            place: Some("north bench".into()),
            start: start(),
            end: start() + TimeDelta::seconds(ride.length_s as i64),
            duration_s: ride.length_s as f64,
            conditions: vec![("temperature".into(), "19 °C".into()), ("crank length".into(), "172.5 mm".into())],
            readings: vec![("zero before".into(), "12".into()), ("zero after".into(), "14".into())],
            drivetrain: vec![("chainrings".into(), "52, 36".into()), ("loss".into(), "2.3 % ± 1.0 %".into())],
            remarks: vec!["14:32:10 fan switched on".into()],
            notes: None,
            authorised_by: Some("tester B".into()),
            laboratory: Some("bench of tester A".into()),
            address: Some("north hall, bay 2".into()),
            customer: Some("owner of unit 017".into()),
            issued: Some("2026-11-21".into()),
            amends: Some(AmendmentFacts {
                sheet: "A-1F02-77B3".into(),
                because: "the crank length was typed wrong; all results are new".into(),
            }),
            assumed: vec!["the strap delay is 0.2 s, because no head unit states it".into()],
            marks: None,
        },
        unit: InstrumentFacts {
            condition: Some("as sold, a scratch on the left arm".into()),
            received: Some("2026-11-18".into()),
            ..instrument("unit 017", "spindle", "both", "claimed 1.5 %")
        },
        references: vec![
            InstrumentFacts {
                certificate: Some("P-12 of 2026-03-02".into()),
                serves: Some("means, work, peaks, edges and sides".into()),
                ..instrument("pedal pair P", "pedals", "both", "±(1 % or 2 W), k = 2")
            },
            InstrumentFacts {
                mode: Some("resistance".into()),
                serves: Some("means and work over windows with margins".into()),
                ..instrument("trainer T", "hub", "total", "±(1.5 % or 3 W), k = 2")
            },
        ],
        rings: vec![ring("big", -7.7, 1.9, -4.3, 1.1), ring("small", 0.7, 1.9, 0.4, 1.1)],
        counts: Counts {
            checks_made: count(Pass) + count(Fail) + count(Undecided),
            passed: count(Pass),
            failed: count(Fail),
            undecided: count(Undecided),
            not_ridden: 1,
            not_applicable: count(Outcome::NotApplicable),
            surplus: 0,
        },
        recordings: vec![
            recording(
                "unit-017.fit",
                "unit 017",
                "unit",
                &["cut short: the last 41 bytes are missing, all seconds were read"],
            ),
            recording("pedals-p.fit", "pedal pair P", "reference", &[]),
            recording("trainer-t.fit", "trainer T", "reference", &[]),
        ],
        clocks: vec![
            clock("unit-017.fit", 1.42, 0.18, "heart rate"),
            clock("pedals-p.fit", 0.0, 0.0, "session clock"),
            clock("trainer-t.fit", -0.63, 0.21, "heart rate"),
        ],
        repeats: vec![
            repeat(&phases, "standing-sprints", Fail),
            repeat(&phases, "coast-and-restart", Fail),
            repeat(&phases, "soft-pedalling", Fail),
        ],
        phases,
        contrasts: vec![CheckVerdict {
            contrast: Some("ring-shift".into()),
            ..check("mean_error", 4.7, Some(0.62), "%", ("within 1.5 % or 3 W", Some(-1.7), Some(1.7)), Fail)
        }],
        whole_ride: vec![
            check("work_error", -3.1, Some(1.2), "%", ("within 2 %", Some(-2.0), Some(2.0)), Undecided),
            CheckVerdict {
                required: false,
                ..check("drift_time", 0.4, Some(1.6), "W/h", ("within 3 W", Some(-3.0), Some(3.0)), Pass)
            },
        ],
        reference_comparison: vec![ReferenceComparison {
            first: "pedal pair P".into(),
            second: "trainer T".into(),
            difference_pct: 0.31,
            expanded_uncertainty_pct: 1.4,
            e_n: 0.22,
            consistent: true,
        }],
        diagnosis: vec![
            finding(
                "ring-dependent",
                -4.7,
                "%",
                Some(0.62),
                "The big ring reads 4.7 % less than the small one at the same power.",
                &["steady[ring=big, power=240 W]: -10.4 W", "steady[ring=small, power=240 W]: 0.9 W"],
            ),
            finding(
                "side-short-in-sprints",
                -18.0,
                "%",
                Some(3.6),
                "The right side gives 18 % too little work in every sprint.",
                &["standing-sprints/1 to /6: right error -17.8 to -18.0 %"],
            ),
            finding(
                "holds-reading-when-stopped",
                3.1,
                "s",
                Some(0.83),
                "After a stop the unit repeats its last reading for three seconds.",
                &["coast-and-restart/1 to /6"],
            ),
        ],
        deviations: vec!["soft-pedalling/4 was not ridden".into()],
        cautions: vec!["unit-017.fit is cut short by 41 bytes".into()],
    }
}

/// The same with everything that a person or a file can name made as unfriendly as it gets.
pub fn hostile() -> Judgement {
    let bad = "</title></style><script>alert(\"1\")</script>' onload='x' \u{202e}txet\u{1b}[31m{{ 7*7 }}";
    let long = "an unbroken label ".repeat(12) + &"x".repeat(200);
    let mut j = judgement();
    let v = &mut j.verdict;
    v.unit.label = bad.into();
    v.sheet_number = format!("N\"{bad}");
    j.ride.unit.label = bad.into();
    v.unit.serial = Some(long.clone());
    v.references[0].label = long.clone();
    v.references[1].label = bad.into();
    v.session.place = Some(bad.into());
    v.session.tester = Some("مختبر القدرة".into());
    v.session.remarks = vec![bad.into(), long.clone()];
    v.session.notes = Some(bad.into());
    v.session.laboratory = Some(bad.into());
    v.session.customer = Some(long.clone());
    v.unit.condition = Some(bad.into());
    if let Some(amends) = &mut v.session.amends {
        amends.because = bad.into();
    }
    v.session.conditions.push((bad.into(), bad.into()));
    v.why = vec![bad.into()];
    v.deviations = vec![long.clone(), bad.into()];
    v.recordings[0].file = bad.into();
    v.diagnosis[0].evidence = vec![bad.into()];
    let protocol = v.protocol.as_mut().expect("the example has a protocol");
    protocol.title = long.clone();
    let renamed = format!("{bad}[ring=big, power={bad}]");
    v.phases[1].phase = renamed;
    v.phases[2].phase = long;
    let check = &mut v.phases[3].checks[0];
    (check.measure, check.reason) = (bad.into(), Some(bad.into()));
    // Units are the program's own; a long one would only break a line that no file can break.
    check.unit = "<b>W".into();
    check.budget[0].source = bad.into();
    j
}
