//! What is seen before any pattern is named, as several families need it.

use super::drills::is_soft_pedalling;
use super::effect::LevelEffects;
use super::evidence::Evidence;
use super::finding::Finding;
use super::open_checks::{CheckSubject, UnexplainedCheck};
use super::runs::{Runs, touches};
use crate::pattern::Pattern;
use crate::scoring::SteadyStretch;

pub(super) struct Seen<'a> {
    pub evidence: Evidence<'a>,
    pub stuck: Runs,
    pub spikes: Runs,
    pub edges: Vec<Finding>,
    /// Whether every reading comes late.
    pub late: bool,
    pub doubled: Option<Finding>,
    /// Seconds of soft pedalling that are read as nothing.
    pub lost: Option<Finding>,
    pub level: LevelEffects,
    pub level_findings: Vec<Finding>,
    /// Checks that a level or a side may explain.
    pub open: Vec<UnexplainedCheck<'a>>,
}

impl<'a> Seen<'a> {
    pub fn of(evidence: Evidence<'a>) -> Self {
        let (stuck, spikes) = (evidence.stuck_runs(), evidence.spikes());
        let wrong: Runs = stuck.iter().chain(&spikes).cloned().collect();
        // What wrong readings explain needs no other explanation.
        let open: Vec<UnexplainedCheck> =
            evidence.open().into_iter().filter(|open| !open.touched_by(&evidence, &wrong)).collect();
        let edges = evidence.edges(&open);
        let late = edges.iter().any(|finding| finding.pattern == Pattern::LateThroughout);
        let doubled = evidence.doubled_side();
        // A late unit still reads the surge where soft pedalling has begun.
        let is_soft = |phase: usize| is_soft_pedalling(&evidence.protocol.phases[phase].drill);
        let is_spoiled = |open: &UnexplainedCheck| match open.of {
            CheckSubject::Found(found) => late && is_soft(evidence.matches.found[found].phase),
            CheckSubject::Mean(phase) => late && is_soft(phase),
            _ => false,
        };
        let open: Vec<UnexplainedCheck> = open.into_iter().filter(|open| !is_spoiled(open)).collect();
        let usable = |s: &SteadyStretch| {
            let spoiled = late && is_soft(evidence.matches.found[s.found].phase);
            !(spoiled || touches(&wrong, s.window))
        };
        let lost = evidence.soft_pedalling_lost();
        let (level, level_findings) = evidence.level(&open, usable);
        Self { stuck, spikes, edges, late, doubled, lost, level, level_findings, open, evidence }
    }
}
