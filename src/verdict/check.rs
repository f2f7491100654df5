//! A check in numbers and words.

use crate::decide::{Decided, Reason};
use crate::scoring::value::ValueKind;

use super::model::{AlsoValue, BudgetLine, CheckVerdict, LimitsOfAgreement};
use super::reasons::{reason_in_words, remedy_in_words};

/// `references`: labels, in the session's order.
pub(crate) fn check_verdict(decided: &Decided, references: &[String]) -> CheckVerdict {
    let Decided { measured, combined, .. } = decided;
    let value = measured.as_ref().ok();
    let expanded = decided.expanded_uncertainty();
    let budget = value.filter(|value| value.kind != ValueKind::Count).into_iter().flat_map(|value| &value.budget.0);
    let budget = budget.map(|line| BudgetLine {
        source: line.source.word().to_owned(),
        standard_uncertainty: line.standard_uncertainty,
        degrees_of_freedom: line.degrees_of_freedom.is_finite().then_some(line.degrees_of_freedom),
        evaluation: line.source.evaluation().to_owned(),
        distribution: line.distribution().to_owned(),
    });
    let also = value.and_then(|value| {
        let also = value.also?;
        Some(AlsoValue {
            value: value.value * also.factor,
            unit: also.unit.symbol().to_owned(),
            expanded_uncertainty: expanded.map(|u| u * also.factor.abs()),
        })
    });
    let agreement = value.and_then(|value| value.agreement).zip(expanded);
    CheckVerdict {
        contrast: None,
        measure: decided.measure.word().to_owned(),
        value: decided.value(),
        unit: decided.unit.symbol().to_owned(),
        also,
        expanded_uncertainty: expanded,
        coverage_factor: combined.map(|c| c.coverage_factor),
        degrees_of_freedom: combined.map(|c| c.degrees_of_freedom).filter(|nu| nu.is_finite()),
        method: combined.map(|c| c.method.word().to_owned()),
        limits_of_agreement: agreement.map(|([low, high], expanded_uncertainty)| LimitsOfAgreement {
            low,
            high,
            expanded_uncertainty,
        }),
        limit: decided.limit.as_ref().map(ToString::to_string),
        limit_low: decided.ends.low,
        limit_high: decided.ends.high,
        conformance_probability: decided.conformance_probability,
        verdict: decided.outcome,
        required: decided.required,
        censored: value.is_some_and(|value| value.kind == ValueKind::AtLeast),
        reason: decided.reason.as_ref().map(|reason| reason_in_words(reason, references)),
        premise: match decided.reason {
            Some(Reason::Premise(premise)) => Some(premise.word().to_owned()),
            _ => None,
        },
        remedy: decided.remedy.map(remedy_in_words),
        clause: decided.clause.clone(),
        references: value.map_or(vec![], |value| value.references.iter().map(|&i| references[i].clone()).collect()),
        budget: budget.collect(),
    }
}
