//! The sentences of a verdict.

use crate::decide::{Decided, Outcome};
use crate::protocol::{Decision, Measure, Protocol, Rule};
use crate::scoring;
use crate::session::Remark;

use super::case::Case;
use super::model::Verdict;

impl Case<'_> {
    /// What is different where fewer references were ridden than the protocol asks for, or none that serves some checks.
    pub(super) fn missing_references(&self, protocol: &Protocol) -> Option<String> {
        let (needed, given) = (protocol.needs.references, self.session.references.len());
        let unserved = scoring::unserved(protocol, self.ride);
        let mut says = vec![];
        match self.session.references.as_slice() {
            [alone] if given < needed => {
                says.push(format!(
                    "The protocol asks for {needed} references and only {} was ridden: where it is off the unit looks off, so errors of level rest on what it states of itself.",
                    alone.instrument.label
                ));
                if self.ride.references[0].loss_standard_pct > 0.0 {
                    let d = &self.session.drivetrain;
                    says.push(format!(
                        "The chain lies between it and the unit, so the chain's loss ({:.1} % ± {:.1} %) enters them too.",
                        d.loss_pct, d.loss_expanded_pct
                    ));
                }
                if unserved.is_empty() {
                    says.push("It serves every check that is asked for.".to_owned());
                }
            }
            _ if given < needed => says.push(format!(
                "The protocol asks for {needed} references and {given} were ridden: where these differ, only the unit is left to say which is off."
            )),
            _ => {}
        }
        if !unserved.is_empty() {
            let places: Vec<String> = unserved.iter().map(unserved_in_words).collect();
            says.push(format!("No reference here can decide {}, so the session can't pass.", listed(&places)));
        }
        (!says.is_empty()).then(|| says.join(" "))
    }
}

fn unserved_in_words(unserved: &scoring::UnmeasurableChecks) -> String {
    if unserved.all {
        return unserved.place.clone();
    }
    let measures: Vec<String> = unserved.measures.iter().map(|measure| measure.word().replace('_', " ")).collect();
    format!("{} of {}", listed(&measures), unserved.place)
}

/// `a`, `a and b`, `a, b and c`.
fn listed(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

pub(super) fn scope_in_words(label: &str) -> String {
    format!(
        "This verdict is about the readings of this specimen ({label}) in the windows that were ridden; it says nothing about other specimens or about mechanical safety."
    )
}

pub(super) fn rule_in_words(decision: Decision) -> String {
    let coverage = decision.coverage;
    match decision.rule {
        Rule::Simple => "A check passes if the value lies within its limit and fails if it does not; the uncertainty is shown and takes no part. A value at its limit is accepted wrongly in up to half of cases.".to_owned(),
        Rule::Guarded => format!("A check passes if the value with its expanded uncertainty ({:.0} %) lies within the limit, fails if it lies beyond the limit by more than that, and is undecided between. A value at its limit is accepted wrongly in at most {:.1} % of cases.", coverage * 100.0, (1.0 - coverage) * 50.0),
    }
}

pub(super) fn remark_in_words(remark: &Remark) -> String {
    let at = remark.at.as_ref().map_or(String::new(), |at| format!("{}: ", at.time.format("%H:%M:%S")));
    let spoiled = remark.spoiled.as_ref().map_or(String::new(), |selector| format!(" (spoiled: {selector})"));
    format!("{at}{}{spoiled}", remark.text)
}

/// Up to three sentences: what decided, what explains it, what holds.
pub(super) fn why(verdict: &Verdict) -> Vec<String> {
    let counts = &verdict.counts;
    let plural = |n: usize| if n == 1 { "check" } else { "checks" };
    let mut why = Vec::new();
    match verdict.verdict {
        Some(Outcome::Fail) => {
            let mut places = required_places(verdict, Outcome::Fail);
            let more = places.len().saturating_sub(3);
            places.truncate(3);
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            why.push(format!(
                "It fails in {}{more}: {} of {} {} fail.",
                places.join(", "),
                counts.failed,
                counts.checks_made,
                plural(counts.checks_made)
            ));
        }
        Some(Outcome::Pass) => {
            let alone = if counts.undecided > 0 {
                format!(", {} are of single repeats too short to decide by themselves", counts.undecided)
            } else {
                String::new()
            };
            why.push(format!("It passes: {} of {} checks pass{alone}, none fails.", counts.passed, counts.checks_made));
        }
        _ => {
            let mut places = required_places(verdict, Outcome::Undecided);
            places.extend(required_places(verdict, Outcome::NotRidden));
            places.extend(required_places(verdict, Outcome::NotRecorded));
            let more = places.len().saturating_sub(3);
            places.truncate(3);
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            let nothing = if counts.failed > 0 { "Nothing is decided" } else { "Nothing required fails" };
            why.push(match places.as_slice() {
                [] => format!("{nothing}: what the protocol needs is not held."),
                _ => format!("{nothing}, but {}{more} could not be decided.", places.join(", ")),
            });
        }
    }
    if !verdict.diagnosis.is_empty() {
        let (told, _) = verdict.findings_by_telling();
        let says: Vec<&str> = told.iter().map(|f| f.says.as_str()).collect();
        why.push(format!("{}.", capital(&says.join("; "))));
    }
    if !verdict.rings.is_empty() {
        let rings: Vec<String> = verdict
            .rings
            .iter()
            .map(|r| {
                format!(
                    "{} W ± {:.1} W ({} %) on the {} ring",
                    signed(r.error_w),
                    r.expanded_uncertainty_w,
                    signed(r.error_pct),
                    r.ring
                )
            })
            .collect();
        why.push(format!("In steady riding its error is {}.", rings.join(" and ")));
    }
    why
}

fn signed(value: f64) -> String {
    let text = format!("{value:+.1}");
    text.replace('-', "−")
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |first| first.to_uppercase().chain(chars).collect())
}

/// Phases (repeats together), contrasts and the whole ride with this outcome, in order.
fn required_places(verdict: &Verdict, outcome: Outcome) -> Vec<String> {
    let single = verdict.phases.iter().filter(|p| verdict.repeats_of(&p.phase).is_none());
    let phases = single.filter(|p| p.required && p.verdict == outcome).map(|p| p.phase.clone());
    let repeats = verdict.repeats.iter().filter(|r| r.required && r.verdict == outcome).map(|r| r.phase.clone());
    let contrasts =
        verdict.contrasts.iter().filter(|c| c.required && c.verdict == outcome).filter_map(|c| c.contrast.clone());
    let whole =
        verdict.whole_ride.iter().any(|c| c.required && c.verdict == outcome).then(|| "the whole ride".to_owned());
    phases.chain(repeats).chain(contrasts).chain(whole).collect()
}

pub(super) fn comparison_in_words(checks: &[Decided]) -> String {
    let work = checks.iter().find(|c| c.measure == Measure::WorkError);
    let value = work.and_then(|w| Some((w.value()?, w.expanded_uncertainty()?)));
    match value {
        Some((value, expanded)) => format!(
            "Over the seconds that both have, the unit reads {} % ± {expanded:.1} % against the reference; without a protocol this is a comparison, not a verdict.",
            signed(value)
        ),
        None => {
            "Unit and reference share too little to compare; without a protocol this is a comparison, not a verdict."
                .to_owned()
        }
    }
}
