//! What a picture marks in a ride beside the readings: seconds lost, the edges of the stops, steady levels. Scoring hands it
//! on, so that no report has to score again.

#[cfg(test)]
use crate::matching::Matches;
#[cfg(test)]
use crate::protocol::Protocol;
use crate::quantity::Unit;
use crate::ride::{ReferenceTrace, Ride, Window};
use crate::stats::{self, LimitsOfAgreement};

use super::consensus::ReferenceNeed;
use super::context::ScoringContext;
use super::losses::Losses;
use super::phase::RiddenPhase;
use super::protocol_ride::ProtocolRide;
#[cfg(test)]
use super::protocol_ride::steady_windows;
use super::stop::{Stop, StopEdge};

/// Session seconds at which the reference's power crossed half of its own step.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferenceEdges {
    /// Its label.
    pub reference: String,
    pub release_s: Option<f64>,
    pub onset_s: Option<f64>,
}

/// One second of unit and first reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairedSecond {
    /// Mean of both.
    pub mean_w: f64,
    /// Unit less reference.
    pub error_w: f64,
}

/// Steady riding at one power: a block, or a step of a ramp.
#[derive(Debug, Clone, PartialEq)]
pub struct SteadyLevel {
    /// Index into `matches.found`.
    pub found: usize,
    pub window: Window,
    /// Mean power of the references, combined.
    pub reference_w: f64,
    pub error_w: f64,
    pub error_pct: f64,
    pub expanded_uncertainty_w: f64,
    /// Seconds that unit and first reference both have, without those lost.
    pub seconds: Vec<PairedSecond>,
    /// Of `seconds`; `None` with too few of them.
    pub limits_w: Option<LimitsOfAgreement>,
    /// How far each other reference's mean power stands from the first one's, in per cent.
    pub against_first_pct: Vec<Option<f64>>,
}

/// What pictures mark, found by the same rules as the scores.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PictureMarks {
    /// Runs in which the unit said nothing while the rider pedalled.
    pub dropouts: Vec<Window>,
    /// Runs in which its head unit heard nothing at all.
    pub set_aside: Vec<Window>,
    /// By `matches.found`; `None` for what is no coast-and-restart, or was not ridden.
    pub stops: Vec<Option<ReferenceEdges>>,
    pub levels: Vec<SteadyLevel>,
}

impl PictureMarks {
    /// Without a protocol only what was lost.
    pub(super) fn lost(losses: &Losses) -> Self {
        Self { dropouts: runs(&losses.dropout), set_aside: runs(&losses.set_aside), ..Self::default() }
    }

    /// `recorded` has the references that judge and one that was left out, too: pictures show all of them.
    pub(super) fn of(ride: &ProtocolRide, recorded: &Ride) -> Self {
        let context = ride.context;
        let edges = |phase: RiddenPhase| reference_edges(&context, phase.drill.stop(phase.ridden)?);
        let stops = ride.phases().map(|phase| phase.and_then(edges)).collect();
        let windows = ride.phases().enumerate().filter_map(|(found, phase)| {
            let phase = phase?;
            Some(phase.drill.steady_levels(phase.ridden).into_iter().map(move |window| (found, window)))
        });
        let level = |(found, window)| {
            let value = context.mean_error(ReferenceNeed::SteadyPower, window, Unit::Watt).ok()?;
            let seconds = paired_seconds(recorded, context.losses, window);
            let errors_w: Vec<f64> = seconds.iter().map(|second| second.error_w).collect();
            Some(SteadyLevel {
                found,
                window,
                reference_w: value.reference,
                error_w: value.value,
                error_pct: 100.0 * value.value / value.reference,
                expanded_uncertainty_w: value.budget.combine(ride.protocol.decision.coverage).expanded(),
                limits_w: stats::limits_of_agreement(&errors_w),
                seconds,
                against_first_pct: against_first_pct(recorded, window),
            })
        };
        Self { stops, levels: windows.flatten().filter_map(level).collect(), ..Self::lost(context.losses) }
    }

    /// What scoring would hand on of a ride that a test made.
    #[cfg(test)]
    pub fn of_ride(protocol: Option<&Protocol>, matches: &Matches, ride: &Ride) -> Self {
        let losses = Losses::of(ride);
        let Some(protocol) = protocol else { return Self::lost(&losses) };
        let steady = steady_windows(protocol, matches);
        Self::of(&ProtocolRide::of(protocol, matches, ride, &losses, &steady), ride)
    }
}

fn paired_seconds(ride: &Ride, losses: &Losses, window: Window) -> Vec<PairedSecond> {
    let Some(reference) = ride.references.first() else { return vec![] };
    let lost = |k: usize| [&losses.dropout, &losses.set_aside].into_iter().any(|flags| flags.get(k) == Some(&true));
    let both = |k: usize| {
        let (unit_w, reference_w) = (ride.unit.power_at(k)?, reference.trace.power_at(k)?);
        Some(PairedSecond { mean_w: (unit_w + reference_w) / 2.0, error_w: unit_w - reference_w })
    };
    window.seconds().filter(|&k| !lost(k)).filter_map(both).collect()
}

fn against_first_pct(ride: &Ride, window: Window) -> Vec<Option<f64>> {
    let mean_w = |reference: &ReferenceTrace| reference.trace.mean_power_w(window.start_s, window.end_s);
    let first_w = ride.references.first().and_then(mean_w);
    ride.references.iter().skip(1).map(|other| Some(100.0 * (mean_w(other)? / first_w? - 1.0))).collect()
}

/// Both edges of the reference that lags are taken against; `None` without one that serves.
fn reference_edges(context: &ScoringContext, stop: Stop) -> Option<ReferenceEdges> {
    let release = context.reference_edge(StopEdge::Release, stop)?;
    let onset = context.reference_edge(StopEdge::Onset, stop)?;
    let reference = context.ride.references[release.reference].trace.label.clone();
    Some(ReferenceEdges { reference, release_s: release.at_s, onset_s: onset.at_s })
}

/// Stretches of seconds that are flagged.
fn runs(flags: &[bool]) -> Vec<Window> {
    let seconds: Vec<usize> = (0..flags.len()).filter(|&k| flags[k]).collect();
    let window = |run: &[usize]| Window { start_s: run[0] as f64, end_s: (run[run.len() - 1] + 1) as f64 };
    seconds.chunk_by(|a, b| a + 1 == *b).map(window).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_are_stretches_of_flagged_seconds() {
        let flags = [false, true, true, false, true];
        let found: Vec<(f64, f64)> = runs(&flags).iter().map(|w| (w.start_s, w.end_s)).collect();
        assert_eq!(found, [(1.0, 3.0), (4.0, 5.0)]);
        assert!(runs(&[]).is_empty());
    }
}
