//! The judge against known truth: what a measure truly was over the windows that were scored, whether value ± U covers
//! it, what was named.

use std::collections::BTreeMap;

use assize::against_truth::{self, ComparedPhase, ComparedValue};
use assize::judge::Judgement;
use assize::protocol::{Check, Drill, Measure, Protocol, Ring};
use assize::quantity::{Bound, Limit, Unit};
use assize::rehearse::{Rehearsal, TrueRidden, TrueSpan};
use assize::verdict::{Outcome, PhaseVerdict, Span, Verdict};
use chrono::{DateTime, Utc};

/// One number of one session beside its truth, both in the number's unit.
#[derive(Debug, Clone)]
pub struct Observation {
    /// `phase measure`, `mean of phase measure` for the mean over repeats.
    pub what: String,
    pub value: f64,
    pub truth: f64,
    pub expanded: f64,
    pub coverage_factor: f64,
}

impl Observation {
    pub fn covered(&self) -> bool {
        (self.value - self.truth).abs() <= self.expanded
    }
}

/// The same protocol with every further measure that has a known truth, advisory.
pub fn asked_more(mut protocol: Protocol) -> Protocol {
    let advisory = |measure| {
        let unit = match measure {
            Measure::CadenceError => Unit::Rpm,
            Measure::DriftTime => Unit::WattPerHour,
            _ => Unit::Percent,
        };
        let limit = Limit::Within(Bound::single(50.0, unit));
        Check { measure, limit, advisory: true, clause: None, over_s: None }
    };
    for phase in protocol.phases.iter_mut().filter(|p| matches!(p.drill, Drill::Steady { .. })) {
        phase.checks.extend([Measure::LeftError, Measure::RightError, Measure::CadenceError].map(advisory));
    }
    protocol.whole_ride.extend([Measure::DriftTime, Measure::Linearity].map(advisory));
    protocol
}

/// The windows that the judge took, in true time: the truth is asked for where it looked.
fn as_matched(rehearsal: &Rehearsal, verdict: &Verdict) -> Vec<TrueRidden> {
    let protocol = rehearsal.session.protocol.as_ref().expect("a rehearsal has a protocol");
    // Session time is the clock of the first reference, which is the second recording.
    let true_s = |utc: DateTime<Utc>| rehearsal.truth.true_s(1, utc);
    let span = |span: &Span| Some(TrueSpan { start_s: true_s(span.start)?, end_s: true_s(span.end)? });
    let ridden = |phase: &PhaseVerdict| {
        let matched = phase.matched.as_ref()?;
        let phase_index = protocol.phases.iter().position(|p| p.id.to_string() == phase.phase)?;
        let ring = protocol.phases[phase_index].ring.unwrap_or(Ring::Big);
        let moves = matched.moves.iter().map(span).collect::<Option<Vec<_>>>()?;
        Some(TrueRidden { phase_index, repeat: phase.repeat, ring, window: span(&matched.window)?, moves })
    };
    verdict.phases.iter().filter_map(ridden).collect()
}

/// Every number of a judged rehearsal that has an uncertainty and a known truth.
pub fn observations(rehearsal: &Rehearsal, judgement: &Judgement) -> Vec<Observation> {
    let verdict = &judgement.verdict;
    let truth = rehearsal.truth_over(&as_matched(rehearsal, verdict));
    let comparison = against_truth::compare(verdict, &truth).unwrap_or_else(|e| panic!("{e}"));
    let surplus = |phase: &ComparedPhase| {
        verdict.phases.iter().any(|p| p.surplus && (&p.phase, p.repeat) == (&phase.phase, phase.repeat))
    };
    let name = |phase: &str| phase.split('[').next().unwrap_or_default().to_owned();
    let phases = comparison.phases.iter().filter(|p| !surplus(p)).map(|p| (name(&p.phase), &p.checks));
    let across = comparison.across.iter().map(|(what, values)| (what.clone(), values));
    let seen = |(what, value): (String, &ComparedValue)| {
        value.inside()?;
        Some(Observation {
            what: format!("{what} {}", value.measure),
            value: value.value?,
            truth: value.truth?,
            expanded: value.expanded_uncertainty?,
            coverage_factor: value.coverage_factor.unwrap_or(1.96),
        })
    };
    let all = phases.chain(across).flat_map(|(what, values)| values.iter().map(move |v| (what.clone(), v)));
    all.filter_map(seen).collect()
}

/// One session's part of a count over sessions: of each measure one number, so that sessions are independent.
pub fn one_each(seed: u64, observations: &[Observation]) -> Vec<Observation> {
    let mut by: BTreeMap<&str, Vec<&Observation>> = BTreeMap::new();
    for observation in observations {
        by.entry(&observation.what).or_default().push(observation);
    }
    // Any fixed rule that looks at nothing but the seed is as good as a draw.
    let choose = |n: usize| (seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 33) as usize % n;
    by.into_values().map(|of| of[choose(of.len())].clone()).collect()
}

/// Names of the patterns that a verdict shows.
pub fn named(judgement: &Judgement) -> Vec<&str> {
    judgement.verdict.diagnosis.iter().map(|finding| finding.pattern.as_str()).collect()
}

/// Every failed or undecided check of a verdict that counts, in words without numbers.
pub fn not_passed(judgement: &Judgement, outcome: Outcome) -> Vec<String> {
    let verdict = &judgement.verdict;
    let repeated = |phase: &str| verdict.repeats.iter().any(|r| r.phase == phase);
    let plain = |phase: &str| phase.split('[').next().unwrap_or_default().to_owned();
    let mut found = vec![];
    for phase in verdict.phases.iter().filter(|p| p.required) {
        let single = if repeated(&phase.phase) { "one of " } else { "" };
        if single.is_empty() || outcome == Outcome::Fail {
            let checks = phase.checks.iter().filter(|c| c.required && c.verdict == outcome);
            found.extend(checks.map(|c| format!("{single}{} {}", plain(&phase.phase), c.measure)));
        }
        if phase.matched.is_none() && outcome == Outcome::Undecided && phase.verdict == Outcome::NotRidden {
            found.push(format!("{} not ridden", plain(&phase.phase)));
        }
    }
    for repeat in verdict.repeats.iter().filter(|r| r.required) {
        let checks = repeat.checks.iter().filter(|c| c.required && c.verdict == outcome);
        found.extend(checks.map(|c| format!("mean of {} {}", plain(&repeat.phase), c.measure)));
    }
    let rest = verdict.contrasts.iter().chain(&verdict.whole_ride).filter(|c| c.required && c.verdict == outcome);
    found.extend(rest.map(|c| c.contrast.clone().unwrap_or_else(|| format!("whole ride {}", c.measure))));
    found.sort();
    found.dedup();
    found
}
