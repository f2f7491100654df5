//! The repeats of a phase together: what they share of their scatter, and their mean.

use crate::matching::Matches;
use crate::protocol::{Check, Phase, Protocol};

use super::budget::{Budget, Line, Source};
use super::drills;
use super::measures::{self, Repeats};
use super::no_value::NoValue;
use super::scatter;
use super::scores::PhaseScore;
use super::value::{Measured, Scored, SecondUnit, Value, ValueKind};

/// So many repeats say something of their scatter. Of two it would be known by one degree of freedom, good to three quarters
/// of itself (GUM, table E.1, from memory).
const LEAST_REPEATS: usize = 3;

/// Phases whose repeats carry the scatter of the session's repeats, of work and means that of the others.
pub fn with_scatter_of_repeats(protocol: &Protocol, matches: &Matches, mut phases: Vec<PhaseScore>) -> Vec<PhaseScore> {
    for (index, phase) in protocol.phases.iter().enumerate() {
        let ridden: Vec<usize> =
            (0..phases.len()).filter(|&i| matches.found[i].phase == index && phases[i].window.is_some()).collect();
        for (c, check) in phase.checks.iter().enumerate() {
            let rides = ridden.iter().map(|&i| phases[i].checks[c].measured.clone()).collect();
            for (&i, measured) in ridden.iter().zip(sharing_scatter(rides, check, phase)) {
                phases[i].checks[c].measured = measured;
            }
        }
    }
    phases
}

/// The rides of one check of a phase, each with the scatter of all.
pub fn sharing_scatter(rides: Vec<Measured>, check: &Check, phase: &Phase) -> Vec<Measured> {
    let has_scatter = |measured: &Measured| matches!(measured, Ok(value) if value.kind == ValueKind::Measured);
    let values: Vec<f64> =
        rides.iter().filter(|ride| has_scatter(ride)).filter_map(|ride| Some(ride.as_ref().ok()?.value)).collect();
    let drill = drills::scored(&phase.drill);
    let repeats = measures::scoring(check.measure).repeats;
    let shows_none_alone = drill.is_short() && !matches!(repeats, Repeats::ShowOwn);
    let repeated = phase.repeats > 1 && values.len() >= LEAST_REPEATS;
    if !shows_none_alone && !repeated {
        return rides;
    }
    let mut before = 0;
    let with_scatter = |ride: Measured| match ride {
        Ok(value) if value.kind == ValueKind::Measured => {
            let own = before;
            before += 1;
            let simulated = measures::scatter_from_simulation(check.measure, &value);
            let known = drill.repeat_scatter(check.measure, &value, simulated);
            let scatter = match repeats {
                Repeats::Edges(_) => scatter::of_edges(&values, known),
                // What a repeat is held against comes from the others: by its own distance it would excuse itself.
                _ => scatter::of_work(&[&values[..own], &values[own + 1..]].concat(), known),
            };
            Ok(value.with_scatter(Line::scatter(scatter.sd, scatter.degrees_of_freedom)))
        }
        other => other,
    };
    rides.into_iter().map(with_scatter).collect()
}

/// The mean of each of a phase's checks over some of its repeats (indices into `phases`).
pub fn means(phases: &[PhaseScore], repeats: &[usize], phase: &Phase) -> Vec<Scored> {
    let rides_of = |c: usize| repeats.iter().map(|&i| &phases[i].checks[c]).collect::<Vec<_>>();
    phase.checks.iter().enumerate().map(|(c, check)| mean_over(&rides_of(c), check)).collect()
}

/// The mean over the rides that have a value.
pub fn mean_over(rides: &[&Scored], check: &Check) -> Scored {
    let values: Vec<&Value> = rides.iter().filter_map(|ride| ride.measured.as_ref().ok()).collect();
    let advisory = check.advisory || rides.iter().any(|ride| ride.advisory);
    let measured = match (values.first(), rides.iter().find_map(|ride| ride.measured.as_ref().err())) {
        (Some(_), _) => Ok(mean_value(&values)),
        (None, Some(why)) => Err(*why),
        (None, None) => Err(NoValue::NoRepeatRidden),
    };
    Scored { check: check.clone(), measured, advisory }
}

/// Mean of values of one measure. Where one is only a lower bound, so is the mean.
pub fn mean_value(values: &[&Value]) -> Value {
    let n = values.len() as f64;
    let mean = |f: fn(&Value) -> f64| values.iter().map(|v| f(v)).sum::<f64>() / n;
    let budgets: Vec<&Budget> = values.iter().map(|v| &v.budget).collect();
    let mut budget = Budget::of_mean(&budgets);
    // Every repeat carries the same estimate of their scatter, so its degrees of freedom are not multiplied.
    for line in &mut budget.0 {
        if let Some(own) = values[0].budget.0.iter().find(|l| l.source == line.source && line.source == Source::Scatter)
        {
            line.degrees_of_freedom = own.degrees_of_freedom;
        }
    }
    let kind = if values.iter().any(|v| v.kind == ValueKind::AtLeast) { ValueKind::AtLeast } else { values[0].kind };
    let also = values[0].also.map(|also| SecondUnit {
        factor: values.iter().filter_map(|v| v.also).map(|a| a.factor).sum::<f64>() / n,
        ..also
    });
    Value {
        value: mean(|v| v.value),
        reference: mean(|v| v.reference),
        kind,
        budget,
        also,
        rides: values.iter().map(|v| v.rides).sum(),
        agreement: None,
        notes: vec![],
        ..values[0].clone()
    }
}
