//! What is judged of each stretch, by hand.

use super::plan::Stretch;
use crate::ride::Ride;
use crate::verdict::{AlsoValue, BudgetLine, CheckVerdict, Outcome};

/// A limit as written, and its ends.
#[derive(Debug, Clone, Copy)]
pub(super) struct InventedLimit {
    pub written: &'static str,
    pub low: Option<f64>,
    pub high: Option<f64>,
}

impl InventedLimit {
    const NONE: Self = Self { written: "none", low: Some(0.0), high: Some(0.0) };

    pub(super) fn within(written: &'static str, limit: f64) -> Self {
        Self { written, low: Some(-limit), high: Some(limit) }
    }

    fn at_most(written: &'static str, limit: f64) -> Self {
        Self { written, low: None, high: Some(limit) }
    }
}

pub(super) fn check(
    measure: &str,
    value: f64,
    uncertainty: Option<f64>,
    unit: &str,
    limit: InventedLimit,
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
        limit: Some(limit.written.into()),
        limit_low: limit.low,
        limit_high: limit.high,
        conformance_probability: uncertainty.map(|_| match verdict {
            Outcome::Pass => 0.9997,
            Outcome::Undecided => 0.71,
            _ => 0.0004,
        }),
        verdict,
        required: true,
        censored: false,
        reason,
        premise: None,
        remedy,
        clause: None,
        references: vec!["pedal pair P".into()],
        budget,
    }
}

pub(super) fn checks_for(stretch: &Stretch, ride: &Ride, window: (usize, usize)) -> Vec<CheckVerdict> {
    use Outcome::{Fail, NotApplicable, Pass, Undecided};
    let wobble = f64::from(stretch.repeat % 3) * 0.2;
    match stretch.drill {
        "steady" => {
            let errors: Vec<f64> = (window.0..window.1)
                .filter_map(|s| Some(ride.unit.power_at(s)? - ride.references[0].trace.power_at(s)?))
                .collect();
            let mean = errors.iter().sum::<f64>() / errors.len() as f64;
            let limit = (stretch.moves[0].power_w * 0.025f64).max(4.0);
            let (u, judged) = (stretch.moves[0].power_w * 0.0105, |u: f64| match mean.abs() {
                e if e + u <= limit => Pass,
                e if e - u > limit => Fail,
                _ => Undecided,
            });
            vec![
                check("mean_error", mean, Some(u), "W", InventedLimit::within("within 2.5 % or 4 W", limit), judged(u)),
                check("dropout_time", 0.0, None, "s", InventedLimit::NONE, Pass),
            ]
        }
        "sprint" => vec![
            check("work_error", -9.6 - wobble, Some(1.9), "%", InventedLimit::within("within 4 %", 4.0), Fail),
            check("peak_error", -11.2 - wobble, Some(2.4), "%", InventedLimit::within("within 5 %", 5.0), Fail),
            check("right_error", -18.0 + wobble, Some(3.6), "%", InventedLimit::within("within 6 %", 6.0), Fail),
            check("left_error", -3.9 + wobble, Some(3.1), "%", InventedLimit::within("within 6 %", 6.0), Undecided),
        ],
        "coast_restart" => vec![
            check("residual_power", 63.0 + wobble, Some(4.2), "W", InventedLimit::at_most("at most 5 W", 5.0), Fail),
            check("release_lag", 3.1 + wobble, Some(0.83), "s", InventedLimit::at_most("at most 2 s", 2.0), Fail),
            check("cadence_release_lag", 1.2, Some(0.91), "s", InventedLimit::at_most("at most 2 s", 2.0), Undecided),
            check("onset_lag", 2.0 + wobble, Some(0.61), "s", InventedLimit::at_most("at most 1.5 s", 1.5), Undecided),
            check("cadence_onset_lag", 0.3, Some(0.9), "s", InventedLimit::at_most("at most 1.5 s", 1.5), Pass),
            check("missing_work", 21.0 - wobble, Some(2.2), "%", InventedLimit::within("within 8 %", 8.0), Fail),
        ],
        "soft_pedal" => vec![
            check("mean_error", -1.4, Some(1.1), "W", InventedLimit::within("within 6 W", 6.0), Pass),
            check("dropout_time", 10.0, None, "s", InventedLimit::NONE, Fail),
            check("held_time", 1.0, None, "s", InventedLimit::at_most("at most 5 s", 5.0), Pass),
            check("left_error", 0.0, None, "W", InventedLimit::within("within 6 W", 6.0), NotApplicable),
        ],
        _ => vec![],
    }
}

pub(super) fn worst(checks: &[CheckVerdict]) -> Outcome {
    let any = |outcome| checks.iter().any(|c| c.verdict == outcome);
    [Outcome::Fail, Outcome::Undecided].into_iter().find(|o| any(*o)).unwrap_or(Outcome::Pass)
}
