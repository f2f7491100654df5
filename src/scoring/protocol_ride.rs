//! A ride seen as its protocol's phases.

use crate::matching::{MatchOutcome, Matches, PhaseMatch, Ridden};
use crate::protocol::{Protocol, Ring};
use crate::ride::{Ride, Window};

use super::consensus::ReferenceNeed;
use super::context::ScoringContext;
use super::drills;
use super::losses::Losses;
use super::paired::{PairedSeconds, PooledScatter};
use super::phase::RiddenPhase;

/// What was found of a protocol in a ride, ready to be scored.
#[derive(Clone, Copy)]
pub struct ProtocolRide<'a> {
    pub protocol: &'a Protocol,
    pub matches: &'a Matches,
    pub context: ScoringContext<'a>,
    /// The scored windows of the steady blocks.
    pub steady: &'a [Window],
}

impl<'a> ProtocolRide<'a> {
    /// `steady`: what [`steady_windows`] gives.
    pub fn of(
        protocol: &'a Protocol,
        matches: &'a Matches,
        ride: &'a Ride,
        losses: &'a Losses,
        steady: &'a [Window],
    ) -> Self {
        let alone = ScoringContext { ride, losses, pooled: None };
        let context = ScoringContext { pooled: pooled_scatter(&alone, steady), ..alone };
        Self { protocol, matches, context, steady }
    }

    /// One per `matches.found`, in its order; `None` for what was not ridden.
    pub fn phases(&self) -> impl Iterator<Item = Option<RiddenPhase<'a>>> {
        let Self { protocol, context, steady, .. } = *self;
        self.matches
            .found
            .iter()
            .map(move |found| Some(RiddenPhase::of(context, &protocol.phases[found.phase], ridden(found)?, steady)))
    }

    /// The steady blocks that were ridden.
    pub fn steady_blocks(&self) -> impl Iterator<Item = SteadyBlock> {
        let block = |block: RiddenPhase| SteadyBlock {
            ring_asked: block.phase.ring,
            ring: block.phase.ring.or(block.ridden.ring),
            window: block.window,
        };
        self.phases().flatten().filter(|phase| phase.drill.is_steady()).map(block)
    }
}

/// One steady block that was ridden.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SteadyBlock {
    pub ring_asked: Option<Ring>,
    /// As asked, or as ridden where the protocol leaves it open.
    pub ring: Option<Ring>,
    /// As scored.
    pub window: Window,
}

/// The scored windows of the steady blocks that were ridden.
pub fn steady_windows(protocol: &Protocol, matches: &Matches) -> Vec<Window> {
    let window = |found: &PhaseMatch| {
        let drill = drills::scored(&protocol.phases[found.phase].drill);
        if drill.is_steady() { Some(drill.window(ridden(found)?)) } else { None }
    };
    matches.found.iter().filter_map(window).collect()
}

fn ridden(found: &PhaseMatch) -> Option<&Ridden> {
    match &found.outcome {
        MatchOutcome::Ridden(ridden) => Some(ridden),
        MatchOutcome::NotRidden { .. } => None,
    }
}

fn pooled_scatter(context: &ScoringContext, steady: &[Window]) -> Option<PooledScatter> {
    let pairs = |&window: &Window| {
        let consensus = context.consensus(ReferenceNeed::SteadyPower, window).ok()?;
        Some(context.power_pairs(&consensus, window))
    };
    PooledScatter::of(&steady.iter().filter_map(pairs).collect::<Vec<PairedSeconds>>())
}
