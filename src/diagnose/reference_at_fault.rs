//! A reference that the other references contradict.

use super::evidence::Evidence;
use super::finding::{Finding, finding, high_low};
use crate::pattern::Pattern;
use crate::quantity::Unit;

impl Evidence<'_> {
    pub fn reference_at_fault(&self) -> Option<Finding> {
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
}
