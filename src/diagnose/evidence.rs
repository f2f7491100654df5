//! What diagnosis looks at, and how it asks.

use super::finding::describe;
use crate::decide::{Decided, Decisions, Outcome};
use crate::matching::{MatchOutcome, Matches, Ridden};
use crate::protocol::{Drill, Measure, Phase, Protocol};
use crate::ride::{Ride, Trace};
use crate::scoring::Scores;
use crate::scoring::value::Value;
use crate::session::{Location, Sides};

/// Below this the reference counts as coasting. Common practice, no source.
pub(super) const PEDALLING_W: f64 = 15.0;

/// What diagnosis looks at.
pub(super) struct Evidence<'a> {
    pub protocol: &'a Protocol,
    pub matches: &'a Matches,
    pub ride: &'a Ride,
    pub scores: &'a Scores,
    pub decided: &'a Decisions,
    pub coverage: f64,
}

/// Seconds in which the unit wrote, while the rider pedalled, and read nothing.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct LostSeconds {
    /// Zero watts.
    pub zero_s: usize,
    /// No power at all.
    pub missing_s: usize,
}

impl Evidence<'_> {
    pub fn drill(&self, found: usize) -> &Drill {
        &self.protocol.phases[self.matches.found[found].phase].drill
    }

    pub fn ridden(&self, found: usize) -> Option<&Ridden> {
        match &self.matches.found[found].outcome {
            MatchOutcome::Ridden(ridden) => Some(ridden),
            MatchOutcome::NotRidden { .. } => None,
        }
    }

    pub fn value(&self, found: usize, measure: Measure) -> Option<&Value> {
        let scored = self.scores.phases[found].checks.iter().find(|s| s.check.measure == measure)?;
        scored.measured.as_ref().ok()
    }

    /// Values of a measure in every ridden repeat of the phases chosen.
    pub fn values_in<'b>(
        &'b self,
        chosen: impl Fn(&Phase) -> bool + 'b,
        measure: Measure,
    ) -> impl Iterator<Item = &'b Value> {
        let ridden = self.matches.found.iter().zip(&self.scores.phases).enumerate();
        let ridden = ridden.filter(|(_, (_, scored))| scored.window.is_some());
        ridden
            .filter(move |(_, (found, _))| chosen(&self.protocol.phases[found.phase]))
            .filter_map(move |(i, _)| self.value(i, measure))
    }

    /// Failed checks of some measures, in words, over repeats and their means.
    pub fn failing_in(&self, chosen: impl Fn(&Phase) -> bool, measures: &[Measure]) -> Vec<String> {
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

    /// `HH:MM:SS` of a grid second.
    pub fn clock(&self, second: usize) -> String {
        self.ride.utc(second as f64).format("%H:%M:%S").to_string()
    }

    /// What serves as a witness that the rider pedals: the first reference off the hub, else the first.
    pub fn witness(&self) -> Option<&Trace> {
        let off_hub = self.ride.references.iter().find(|r| r.trace.located != Location::Hub);
        off_hub.or(self.ride.references.first()).map(|r| &r.trace)
    }

    /// The first reference that measures the two sides apart.
    pub fn sided(&self) -> Option<&Trace> {
        let mut traces = self.ride.references.iter().map(|r| &r.trace);
        traces.find(|t| t.sides == Sides::Both && t.right_share_pct.iter().any(Option::is_some))
    }

    /// Seconds of a phase's windows in which the unit wrote (zero watts, no power at all) while it lost the rider.
    pub fn lost_s(&self, chosen: impl Fn(&Phase) -> bool) -> LostSeconds {
        let mut lost = LostSeconds::default();
        let Some(witness) = self.witness() else { return lost };
        for (found, scored) in self.matches.found.iter().zip(&self.scores.phases) {
            let Some(window) = scored.window.filter(|_| chosen(&self.protocol.phases[found.phase])) else { continue };
            for k in window.seconds() {
                if !self.ride.unit.recorded_at(k) || witness.power_at(k).is_none_or(|w| w < PEDALLING_W) {
                    continue;
                }
                match self.ride.unit.power_at(k) {
                    Some(0.0) => lost.zero_s += 1,
                    None => lost.missing_s += 1,
                    _ => {}
                }
            }
        }
        lost
    }
}

/// Failed checks of some measures.
pub(super) fn failed<'a>(checks: &'a [Decided], measures: &'a [Measure]) -> impl Iterator<Item = &'a Decided> {
    checks.iter().filter(move |c| c.outcome == Outcome::Fail && measures.contains(&c.measure))
}
