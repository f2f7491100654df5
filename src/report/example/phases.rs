//! Each stretch matched and judged.

use chrono::TimeDelta;

use super::checks::{checks_for, worst};
use super::plan::Stretch;
use super::ride::start;
use crate::matching::{MatchOutcome, Matches, PhaseMatch, Ridden};
use crate::protocol::Protocol;
use crate::ride::{Ride, Window};
use crate::verdict::{MatchFacts, Outcome, PhaseVerdict, RateInterval, RepeatVerdict, Span};

/// The phases of the verdict and the matches that they rest on, in one order.
pub(super) struct JudgedPhases {
    pub phases: Vec<PhaseVerdict>,
    pub matches: Matches,
}

/// All stretches that the protocol asks for, and a fourth soft pedalling that was not ridden.
pub(super) fn judged_phases(plan: &[Stretch], ride: &Ride, protocol: &Protocol) -> JudgedPhases {
    let phase_of = |selector: &str| {
        protocol.phases.iter().position(|p| p.id.to_string() == selector).expect("a phase of the protocol")
    };
    let (mut phases, mut found, mut from) = (vec![], vec![], 0);
    for stretch in plan {
        let stretch = PlacedStretch::of(stretch, from);
        from = stretch.to();
        if stretch.of.selector != "easy" {
            phases.push(stretch.verdict(ride));
            found.push(stretch.matched(phase_of(stretch.of.selector)));
        }
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
    JudgedPhases { phases, matches: Matches { found, ..Matches::default() } }
}

/// A stretch with the session seconds at which its moves begin and end.
struct PlacedStretch<'a> {
    of: &'a Stretch,
    edges: Vec<usize>,
}

impl<'a> PlacedStretch<'a> {
    fn of(stretch: &'a Stretch, from: usize) -> Self {
        let mut edges = vec![from];
        edges.extend(stretch.moves.iter().scan(from, |end, m| {
            *end += m.duration_s;
            Some(*end)
        }));
        Self { of: stretch, edges }
    }

    fn from(&self) -> usize {
        self.edges[0]
    }

    fn to(&self) -> usize {
        self.edges[self.edges.len() - 1]
    }

    /// The scored window.
    fn window(&self) -> (usize, usize) {
        let (from, to) = (self.from(), self.to());
        match self.of.drill {
            "steady" => (from + 30, to),
            "sprint" => (from - 3, to + 5),
            "soft_pedal" => (from + 13, to),
            _ => (from, to),
        }
    }

    fn verdict(&self, ride: &Ride) -> PhaseVerdict {
        let at = |s: usize| start() + TimeDelta::seconds(s as i64);
        let span = |a: usize, b: usize| Span { start: at(a), end: at(b) };
        let (stretch, window) = (self.of, self.window());
        let checks = checks_for(stretch, ride, window);
        PhaseVerdict {
            phase: stretch.selector.into(),
            repeat: stretch.repeat,
            surplus: false,
            drill: stretch.drill.into(),
            verdict: worst(&checks),
            required: stretch.drill != "free",
            matched: Some(MatchFacts {
                start: at(self.from()),
                end: at(self.to()),
                window: span(window.0, window.1),
                moves: self.edges.windows(2).map(|e| span(e[0], e[1])).collect(),
                confidence: 0.98,
                ring: (stretch.drill != "free").then(|| stretch.ring.into()),
                rests_on: vec!["power".into(), "laps".into(), "order".into()],
                runner_up: None,
                deviations: vec![],
            }),
            reason: None,
            checks,
        }
    }

    fn matched(&self, phase: usize) -> PhaseMatch {
        let window = |a: usize, b: usize| Window { start_s: a as f64, end_s: b as f64 };
        let outcome = MatchOutcome::Ridden(Ridden {
            span: window(self.from(), self.to()),
            moves: self.edges.windows(2).map(|e| window(e[0], e[1])).collect(),
            confidence: 0.98,
            ring: None,
            ring_rests_on: None,
            rests_on: vec![],
            runner_up: None,
            deviations: vec![],
        });
        PhaseMatch { phase, repeat: self.of.repeat, surplus: false, outcome }
    }
}

pub(super) fn repeat(phases: &[PhaseVerdict], phase: &str, verdict: Outcome) -> RepeatVerdict {
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
