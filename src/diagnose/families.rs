//! The table of families of patterns, and the way through this folder.

use super::evidence::Evidence;
use super::finding::Finding;
use super::seen::Seen;
use crate::decide::Decisions;
use crate::matching::Matches;
use crate::pattern::Pattern;
use crate::protocol::Protocol;
use crate::ride::Ride;
use crate::scoring::Scores;

/// Patterns that one file names.
struct Family {
    patterns: &'static [Pattern],
    find: fn(&Seen) -> Vec<Finding>,
}

/// In the order in which findings are listed. A further pattern is a file and a line here.
const FAMILIES: &[Family] = &[
    Family {
        patterns: &[Pattern::ReferenceAtFault],
        find: |seen| seen.evidence.reference_at_fault().into_iter().collect(),
    },
    Family {
        patterns: &[Pattern::Gain, Pattern::Offset, Pattern::RingDependent, Pattern::Drift, Pattern::SoftPedallingLost],
        find: level,
    },
    Family { patterns: &[Pattern::SideShortInSprints], find: side_short },
    Family {
        patterns: &[
            Pattern::LateThroughout,
            Pattern::HoldsReadingWhenStopped,
            Pattern::LateRestart,
            Pattern::LateCadence,
            Pattern::PowerWhileCoasting,
        ],
        find: |seen| seen.edges.clone(),
    },
    Family { patterns: &[Pattern::SoftPedallingLost], find: |seen| seen.lost.iter().cloned().collect() },
    Family { patterns: &[Pattern::DoubledSide], find: |seen| seen.doubled.iter().cloned().collect() },
    Family {
        patterns: &[Pattern::StuckReading],
        find: |seen| seen.evidence.stuck_reading(&seen.stuck).into_iter().collect(),
    },
    Family {
        patterns: &[Pattern::PowerSpikes],
        find: |seen| seen.evidence.power_spikes(&seen.spikes).into_iter().collect(),
    },
    Family { patterns: &[Pattern::RadioDropouts], find: |seen| seen.evidence.radio().into_iter().collect() },
    Family { patterns: &[Pattern::ClockMismatch], find: |seen| seen.evidence.clocks() },
];

/// What one leg does is read twice by a doubled side: then it is no gain and no ring. Seconds of soft pedalling that are
/// lost say more than the watts beside them.
fn level(seen: &Seen) -> Vec<Finding> {
    if seen.doubled.is_some() {
        return vec![];
    }
    let said = |finding: &&Finding| seen.lost.as_ref().is_none_or(|lost| lost.pattern != finding.pattern);
    seen.level_findings.iter().filter(said).cloned().collect()
}

fn side_short(seen: &Seen) -> Vec<Finding> {
    if seen.doubled.is_some() {
        return vec![];
    }
    seen.evidence.side_short(&seen.level, &seen.open, seen.late)
}

/// All patterns that the checks, the readings, the clocks and the references show.
pub fn findings(
    protocol: &Protocol,
    ride: &Ride,
    matches: &Matches,
    scores: &Scores,
    decided: &Decisions,
) -> Vec<Finding> {
    let seen = Seen::of(Evidence { protocol, matches, ride, scores, decided, coverage: protocol.decision.coverage });
    let named = FAMILIES.iter().flat_map(|family| {
        let found = (family.find)(&seen);
        debug_assert!(found.iter().all(|finding| family.patterns.contains(&finding.pattern)));
        found
    });
    named.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pattern_has_a_family() {
        let named = |pattern: &Pattern| FAMILIES.iter().any(|family| family.patterns.contains(pattern));
        assert!(Pattern::ALL.iter().all(named));
    }
}
