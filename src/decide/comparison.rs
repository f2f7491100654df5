//! A ride without a protocol: values and uncertainties, and nothing is passed or failed.

use crate::protocol::{Check, Decision, Measure, Rule};
use crate::quantity::{Bound, Limit, Unit};
use crate::scoring::value::Scored;

use super::decided::Decided;
use super::ends::Ends;
use super::outcome::Outcome;
use super::rules::Rules;

/// What a comparison without a protocol looks at, over the whole ride.
pub const COMPARED: [Measure; 6] = [
    Measure::WorkError,
    Measure::Spread,
    Measure::CadenceError,
    Measure::DropoutTime,
    Measure::LeftError,
    Measure::RightError,
];

/// By what a comparison without a protocol states its uncertainties. Coverage: common practice, no source.
pub const COMPARED_BY: Decision = Decision { rule: Rule::Guarded, coverage: 0.95 };

/// The checks of a comparison without a protocol: no limit.
pub fn compared() -> Vec<Check> {
    let no_limit = Limit::Within(Bound::single(f64::INFINITY, Unit::Percent));
    let check = |measure| Check { measure, limit: no_limit.clone(), advisory: true, clause: None, over_s: None };
    COMPARED.map(check).to_vec()
}

/// Values and uncertainties without a protocol. Nothing was asked, so nothing is passed or failed.
pub fn comparison(claimed: Option<&Bound>, scored: &[Scored]) -> Vec<Decided> {
    let rules = Rules { decision: COMPARED_BY, claimed, quarrel: None, premises: None };
    let compared = |scored: &Scored| {
        let decided = rules.check(scored, false);
        Decided {
            limit: None,
            ends: Ends::default(),
            conformance_probability: None,
            remedy: None,
            outcome: if decided.value().is_some() { Outcome::NotApplicable } else { decided.outcome },
            ..decided
        }
    };
    scored.iter().map(compared).collect()
}
