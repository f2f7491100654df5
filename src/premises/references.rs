//! Whether the references are sound: each pair against what both state.

use super::evidence::Evidence;
use super::tested::TestedPremise;
use crate::premise::{Premise, Takes};
use crate::ride::Ride;
use crate::scoring::Agreement;

/// Below this two references may differ by chance or a little more, which widens what hangs on them; above, one of them is
/// wrong: with k = 1.96 it is 3.3 standard uncertainties, which one honest pair in a thousand is apart by (normal
/// distribution), so that with three pairs and the edges of a season it stays rare.
const WRONG_E_N: f64 = 1.7;

/// The steady agreement of all pairs.
pub fn references(ride: &Ride, agreement: &Agreement) -> Vec<TestedPremise> {
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
            Some(out) if pair.e_n > WRONG_E_N => {
                TestedPremise::contradicted(Premise::References, vec![label(out)], differ, Takes::Reference)
            }
            None if pair.e_n > WRONG_E_N => {
                TestedPremise::contradicted(Premise::References, about, differ, Takes::Gain)
            }
            _ if pair.differs() => TestedPremise::held(Premise::References, about, differ),
            _ => TestedPremise::held(Premise::References, about, Evidence::ReferencesAgree { e_n }),
        }
    });
    tested.collect()
}
