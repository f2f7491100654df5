//! What pattern of faults explains the findings, and whose they are. No pattern, no guess.
//!
//! What is wrong with single readings, with the clocks or with a reference is seen directly. What is left open after that
//! (checks that fail, or whose value lies beyond the limit) is explained by late edges, by a side in sprints, and by the
//! unit's level, fitted jointly (`level.rs`): patterns that explain the same finding compete, and the fewest win.

mod edges;
mod fit;
mod level;
mod readings;
mod sprints;

use crate::decide::Outcome;
use crate::decide::{Decided, Decisions};
use crate::matching::{MatchOutcome, Matches, Ridden};
use crate::protocol::{Drill, Measure, Phase, Protocol};
use crate::quantity::Unit;
use crate::ride::{ClockReset, Ride};
use crate::scoring::value::Value;
use crate::scoring::{Scores, SteadyStretch};

use crate::pattern::Pattern;
use readings::touches;

/// A clock further off than this was set wrong; head units set by satellite or phone agree within seconds.
const CLOCK_SET_WRONG_S: f64 = 60.0;

/// All patterns that the checks, the readings, the clocks and the references show.
pub fn findings(
    protocol: &Protocol,
    ride: &Ride,
    matches: &Matches,
    scores: &Scores,
    decided: &Decisions,
) -> Vec<Finding> {
    Evidence { protocol, matches, ride, scores, decided, coverage: protocol.decision.coverage }.patterns()
}

/// What diagnosis looks at.
struct Evidence<'a> {
    protocol: &'a Protocol,
    matches: &'a Matches,
    ride: &'a Ride,
    scores: &'a Scores,
    decided: &'a Decisions,
    coverage: f64,
}

/// What a check is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum CheckSubject {
    /// One repeat: index into the matches.
    Found(usize),
    /// The mean over a phase's repeats: index into the protocol's phases.
    Mean(usize),
    /// Index into the protocol's contrasts.
    Contrast(usize),
    WholeRide,
}

/// A check that asks for an explanation: it fails, or its value lies beyond the limit though not surely.
struct UnexplainedCheck<'a> {
    of: CheckSubject,
    /// Said in evidence.
    place: String,
    check: &'a Decided,
    /// It is explained where no more than this lies beyond the limit, in the check's unit.
    guard: f64,
}

impl UnexplainedCheck<'_> {
    /// Whether it would no longer be open at this value.
    fn within(&self, value: f64) -> bool {
        !beyond(self.check, value, self.guard)
    }
}

/// Whether a value lies beyond a check's limit by more than a guard, in the check's unit.
fn beyond(check: &Decided, value: f64, guard: f64) -> bool {
    check.ends.low.is_some_and(|low| value + guard < low) || check.ends.high.is_some_and(|high| value - guard > high)
}

/// A pattern that explains something, with its size and what shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    pub pattern: Pattern,
    pub size: f64,
    pub unit: Unit,
    pub expanded_uncertainty: Option<f64>,
    /// One sentence that names what, where and how much.
    pub says: String,
    pub evidence: Vec<String>,
    /// Other explanations of the same findings that are hardly less likely, each in a few words.
    pub could_also_be: Vec<String>,
}

fn finding(
    pattern: Pattern,
    size: f64,
    unit: Unit,
    expanded: Option<f64>,
    says: String,
    evidence: Vec<String>,
) -> Finding {
    Finding { pattern, size, unit, expanded_uncertainty: expanded, says, evidence, could_also_be: vec![] }
}

impl Evidence<'_> {
    fn patterns(&self) -> Vec<Finding> {
        let mut patterns = Vec::new();
        patterns.extend(self.reference_at_fault());
        let (stuck, spikes) = (self.stuck_runs(), self.spikes());
        let wrong: readings::Runs = stuck.iter().chain(&spikes).cloned().collect();
        // What wrong readings explain needs no other explanation.
        let open: Vec<UnexplainedCheck> =
            self.open().into_iter().filter(|open| !open.touched_by(self, &wrong)).collect();
        let edges = self.edges(&open);
        let late = edges.iter().any(|finding| finding.pattern == Pattern::LateThroughout);
        let doubled = self.doubled_side();
        // A late unit still reads the surge where soft pedalling has begun.
        let is_soft = |phase: usize| matches!(self.protocol.phases[phase].drill, Drill::SoftPedal { .. });
        let is_spoiled = |open: &UnexplainedCheck| match open.of {
            CheckSubject::Found(found) => late && is_soft(self.matches.found[found].phase),
            CheckSubject::Mean(phase) => late && is_soft(phase),
            _ => false,
        };
        let of_level: Vec<UnexplainedCheck> = open.into_iter().filter(|open| !is_spoiled(open)).collect();
        let usable = |s: &SteadyStretch| {
            let spoiled = late && is_soft(self.matches.found[s.found].phase);
            !(spoiled || touches(&wrong, s.window))
        };
        let lost = self.soft_pedalling_lost();
        let (level, mut found) = self.level(&of_level, usable);
        // Seconds lost say more than the watts beside them.
        found.retain(|finding| lost.as_ref().is_none_or(|lost| lost.pattern != finding.pattern));
        // What one leg does is read twice: no gain, no ring.
        if doubled.is_none() {
            patterns.extend(found);
            patterns.extend(self.side_short(&level, &of_level, late));
        }
        patterns.extend(edges);
        patterns.extend(lost);
        patterns.extend(doubled);
        patterns.extend(self.wrong_readings(&stuck, &spikes));
        patterns.extend(self.radio());
        patterns.extend(self.clocks());
        patterns
    }

    /// Every check that asks for an explanation.
    fn open(&self) -> Vec<UnexplainedCheck<'_>> {
        let name = |phase: usize| self.protocol.phases[phase].id.to_string();
        let found = self.decided.phases.iter().enumerate().take(self.matches.found.len()).flat_map(|(i, decided)| {
            let repeated = self.protocol.phases[decided.phase].repeats > 1;
            let name = name(decided.phase);
            let place = if repeated { format!("{name}/{}", decided.repeat) } else { name };
            decided.checks.iter().map(move |check| (CheckSubject::Found(i), place.clone(), check))
        });
        let means = self.decided.repeats.iter().flat_map(|repeats| {
            let place = format!("{}, mean", name(repeats.phase));
            repeats.checks.iter().map(move |check| (CheckSubject::Mean(repeats.phase), place.clone(), check))
        });
        let contrasts = self.protocol.contrasts.iter().zip(&self.decided.contrasts).enumerate();
        let contrasts =
            contrasts.map(|(i, (contrast, check))| (CheckSubject::Contrast(i), contrast.name.clone(), check));
        let whole =
            self.decided.whole_ride.iter().map(|check| (CheckSubject::WholeRide, "whole ride".to_owned(), check));
        let all = means.chain(found).chain(contrasts).chain(whole);
        all.filter_map(|(of, place, check)| {
            Some(UnexplainedCheck { of, place, check, guard: self.guard_if_open(check)? })
        })
        .collect()
    }

    /// `None` for a check that asks for no explanation: it passes, or its value lies within the limit.
    fn guard_if_open(&self, check: &Decided) -> Option<f64> {
        let guard = match check.outcome {
            Outcome::Fail => return Some(check.expanded_uncertainty().unwrap_or(0.0)),
            Outcome::Undecided => self.quarrel_in_unit(check),
            _ => return None,
        };
        beyond(check, check.value()?, guard).then_some(guard)
    }

    /// By how much a reference that is right may lie from the others, where they quarrel; in the check's unit.
    fn quarrel_in_unit(&self, check: &Decided) -> f64 {
        if !self.scores.agreement.quarrel() {
            return 0.0;
        }
        // A reference that is named is the better explanation.
        let apart_pct =
            if self.scores.agreement.suspect.is_some() { f64::INFINITY } else { self.scores.agreement.apart_pct };
        let in_percent = check.scored().and_then(|scored| {
            let also = scored.also.filter(|also| also.unit == Unit::Percent)?;
            Some((scored.value, scored.value * also.factor))
        });
        match in_percent {
            _ if check.unit == Unit::Percent => apart_pct,
            Some((value, percent)) if percent != 0.0 => apart_pct * (value / percent).abs(),
            _ if check.unit == Unit::Watt => f64::INFINITY,
            _ => 0.0,
        }
    }

    fn reference_at_fault(&self) -> Option<Finding> {
        let suspect = self.scores.agreement.suspect.as_ref()?;
        let label = &self.ride.references[suspect.reference].trace.label;
        let evidence = self.scores.agreement.pairs.iter().map(|pair| {
            let label = |i: usize| &self.ride.references[i].trace.label;
            format!(
                "{} against {}: {:+.1} % ± {:.1} %, E_n {:.1}",
                label(pair.second),
                label(pair.first),
                pair.difference_pct,
                pair.expanded_pct,
                pair.e_n
            )
        });
        let says = format!(
            "{label} reads {:.1} % {} than the instruments that agree",
            suspect.off_by_pct.abs(),
            high_low(suspect.off_by_pct, "higher", "lower")
        );
        Some(finding(Pattern::ReferenceAtFault, suspect.off_by_pct, Unit::Percent, None, says, evidence.collect()))
    }

    fn clocks(&self) -> Vec<Finding> {
        let traces = std::iter::once(&self.ride.unit).chain(self.ride.references.iter().map(|r| &r.trace));
        let mut found = vec![];
        for trace in traces {
            let (clock, label) = (&trace.clock, &trace.label);
            let mut add = |size_s: f64, says: String| {
                let evidence = vec![format!("aligned on {}", clock.channels())];
                let expanded_s = Some(2.0 * clock.standard_uncertainty_s);
                found.push(finding(Pattern::ClockMismatch, size_s, Unit::Second, expanded_s, says, evidence));
            };
            let off_s = clock.offset_s;
            if off_s.abs() > CLOCK_SET_WRONG_S {
                add(off_s, format!("the clock of {label}'s head unit was off by {off_s:.0} s; it was corrected"));
            }
            if let Some(ClockReset { by_s, .. }) = clock.reset {
                let way = if by_s > 0.0 { "back" } else { "forward" };
                let by = by_s.abs();
                add(
                    by_s,
                    format!(
                        "the clock of {label}'s head unit was put {way} by {by:.1} s while it recorded; it was followed"
                    ),
                );
            }
        }
        found
    }

    fn drill(&self, found: usize) -> &Drill {
        &self.protocol.phases[self.matches.found[found].phase].drill
    }

    fn ridden(&self, found: usize) -> Option<&Ridden> {
        match &self.matches.found[found].outcome {
            MatchOutcome::Ridden(ridden) => Some(ridden),
            MatchOutcome::NotRidden { .. } => None,
        }
    }

    fn value(&self, found: usize, measure: Measure) -> Option<&Value> {
        let scored = self.scores.phases[found].checks.iter().find(|s| s.check.measure == measure)?;
        scored.measured.as_ref().ok()
    }

    /// Values of a measure in every ridden repeat of the phases chosen, each with the middle of its window, session
    /// seconds.
    fn values_in<'b>(
        &'b self,
        chosen: impl Fn(&Phase) -> bool + 'b,
        measure: Measure,
    ) -> impl Iterator<Item = (&'b Phase, &'b Value, f64)> {
        self.matches.found.iter().enumerate().filter_map(move |(i, found)| {
            let phase = &self.protocol.phases[found.phase];
            let window = self.scores.phases[i].window?;
            if chosen(phase) {
                Some((phase, self.value(i, measure)?, window.start_s + window.length_s() / 2.0))
            } else {
                None
            }
        })
    }

    /// Failed checks of some measures, in words, over repeats and their means.
    fn failing_in(&self, chosen: impl Fn(&Phase) -> bool, measures: &[Measure]) -> Vec<String> {
        let here = |phase: usize| chosen(&self.protocol.phases[phase]);
        let name = |phase: usize| &self.protocol.phases[phase].id;
        let means = self.decided.repeats.iter().filter(|r| here(r.phase));
        let means =
            means.flat_map(|r| failed(&r.checks, measures).map(|c| describe(&format!("{}, mean", name(r.phase)), c)));
        let each = self.decided.phases.iter().filter(|p| here(p.phase));
        let each = each
            .flat_map(|p| failed(&p.checks, measures).map(|c| describe(&format!("{}/{}", name(p.phase), p.repeat), c)));
        means.chain(each).collect()
    }
}

fn high_low<'a>(size: f64, high: &'a str, low: &'a str) -> &'a str {
    if size < 0.0 { low } else { high }
}

fn failed<'a>(checks: &'a [Decided], measures: &'a [Measure]) -> impl Iterator<Item = &'a Decided> {
    checks.iter().filter(move |c| c.outcome == Outcome::Fail && measures.contains(&c.measure))
}

/// One check in a line of evidence.
fn describe(place: &str, check: &Decided) -> String {
    let unit = check.unit.symbol();
    let value = check.value().map_or(String::new(), |v| format!(" {v:+.1} {unit}"));
    let expanded = check.expanded_uncertainty().map_or(String::new(), |u| format!(" ± {u:.1} {unit}"));
    let limit = check.limit.as_ref().map_or(String::new(), |l| format!(", limit {l}"));
    format!("{place}: {}{value}{expanded}{limit}", check.measure.word())
}
