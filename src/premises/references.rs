//! Whether the references are sound: each pair against what both state.

use super::evidence::Evidence;
use super::tested::TestedPremise;
use crate::premise::{Premise, Takes};
use crate::ride::Ride;
use crate::scoring::Agreement;
use crate::stats;

/// Below this two references may differ by chance or a little more, which widens what hangs on them; above, one of them is
/// wrong.
const WRONG_E_N: f64 = 1.7;
/// Of honest sessions so few may be told that a reference is wrong, all pairs allowed for: three in ten thousand, so that a
/// season is not spoiled by one.
const ACCUSED: f64 = 0.0003;

/// The E_n above which one of a pair is wrong, of so many pairs.
fn wrong_e_n(pairs: usize, coverage: f64) -> f64 {
    let infinite = f64::INFINITY;
    let k = stats::coverage_factor(1.0 - ACCUSED / pairs.max(1) as f64, infinite);
    WRONG_E_N.max(k / stats::coverage_factor(coverage, infinite))
}

/// The steady agreement of all pairs.
pub fn references(ride: &Ride, agreement: &Agreement, coverage: f64) -> Vec<TestedPremise> {
    let wrong_e_n = wrong_e_n(agreement.pairs.len(), coverage);
    let label = |i: usize| ride.references[i].trace.label.clone();
    if agreement.pairs.is_empty() {
        let about = ride.references.iter().map(|reference| reference.trace.label.clone()).collect();
        let evidence = if ride.references.len() > 1 { Evidence::NothingTells } else { Evidence::OneReferenceAlone };
        return vec![TestedPremise::untested(Premise::References, about, evidence)];
    }
    let tested = agreement.pairs.iter().map(|pair| {
        let about = vec![label(pair.first), label(pair.second)];
        let (e_n, difference_pct, expanded_pct) = (pair.e_n, pair.difference_pct, pair.expanded_pct);
        let differ = Evidence::ReferencesDiffer { e_n, difference_pct, expanded_pct };
        match agreement.left_out().filter(|out| pair.first == *out || pair.second == *out) {
            Some(out) if pair.e_n > wrong_e_n => {
                TestedPremise::contradicted(Premise::References, vec![label(out)], differ, Takes::Reference)
            }
            None if pair.e_n > wrong_e_n => {
                TestedPremise::contradicted(Premise::References, about, differ, Takes::Gain)
            }
            _ if pair.differs() => TestedPremise::held(Premise::References, about, differ),
            _ => TestedPremise::held(Premise::References, about, Evidence::ReferencesAgree { e_n }),
        }
    });
    tested.collect()
}
