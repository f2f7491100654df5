//! A ride scored: by its protocol, or as a whole where there is none.

use crate::matching::Matches;
use crate::protocol::{Check, Phase, Protocol};
use crate::ride::{Ride, Window};
use crate::session::Session;

use super::agreement;
use super::context::ScoringContext;
use super::contrasts;
use super::drills;
use super::losses::Losses;
use super::marks::PictureMarks;
use super::measures::{self, TypedReadings, WholeRide};
use super::phases;
use super::protocol_ride::{ProtocolRide, SteadyBlock, steady_windows};
use super::repeats::with_scatter_of_repeats;
use super::rings;
use super::scores::{Compared, ContrastScore, RingScore, Scores, TypedScore};
use super::stretches::stretches;
use super::value::Scored;
use super::widening::Widening;

/// Scores every phase that was found, the contrasts and the whole ride.
pub fn score_all(session: &Session, protocol: &Protocol, matches: &Matches, recorded: &Ride) -> Scores {
    let steady = steady_windows(protocol, matches);
    let agreement = agreement::agreement(recorded, &steady, protocol.decision.coverage);
    let judging = agreement.left_out().map(|reference| agreement::without(recorded, reference));
    let ride = judging.as_ref().unwrap_or(recorded);
    let losses = Losses::of(ride);
    let ride = ProtocolRide::of(protocol, matches, ride, &losses, &steady);
    let widening = Widening::of(&agreement);

    let mut phases = with_scatter_of_repeats(protocol, matches, phases::score_each(&ride, &agreement));
    for phase in &mut phases {
        phase.checks = std::mem::take(&mut phase.checks).into_iter().map(|s| widening.of_scored(s)).collect();
    }
    let contrasts = protocol.contrasts.iter().map(|contrast| contrasts::score(&ride, contrast));
    let rings = rings::score(&ride).into_iter();
    Scores {
        phases,
        contrasts: contrasts.map(|c| ContrastScore { scored: widening.of_scored(c.scored), ..c }).collect(),
        whole_ride: whole_ride(&ride).into_iter().map(|scored| widening.of_scored(scored)).collect(),
        typed: typed(session, protocol),
        rings: rings.map(|ring| RingScore { error: widening.of_value(ring.error), ..ring }).collect(),
        stretches: stretches(&ride),
        set_aside_s: losses.set_aside.iter().filter(|aside| **aside).count(),
        shown: PictureMarks::of(&ride, recorded),
        agreement,
        references: recorded.references.iter().map(|reference| reference.trace.label.clone()).collect(),
    }
}

/// Compares the whole ride where there is no protocol.
pub fn score_whole_ride(ride: &Ride, checks: &[Check], coverage: f64) -> Compared {
    let losses = Losses::of(ride);
    let context = ScoringContext { ride, losses: &losses, pooled: None };
    let window = overlap(ride);
    let whole = WholeRide { context, window, steady: &[] };
    let agreement = agreement::agreement(ride, &[window], coverage);
    Compared { whole_ride: score_over(&whole, checks), agreement, shown: PictureMarks::lost(&losses) }
}

fn whole_ride(ride: &ProtocolRide) -> Vec<Scored> {
    let steady: Vec<SteadyBlock> = ride.steady_blocks().collect();
    let whole = WholeRide { context: ride.context, window: overlap(ride.context.ride), steady: &steady };
    score_over(&whole, &ride.protocol.whole_ride)
}

fn score_over(whole: &WholeRide, checks: &[Check]) -> Vec<Scored> {
    checks.iter().map(|check| Scored::of(check, (measures::scoring(check.measure).over_ride)(whole, check))).collect()
}

/// All phases that are not ridden: their readings were typed.
fn typed(session: &Session, protocol: &Protocol) -> Vec<TypedScore> {
    let score = |(index, phase): (usize, &Phase)| {
        let drill = drills::scored(&phase.drill);
        let sides = drill.typed_sides()?;
        let measured = |check: &Check| {
            let typed = TypedReadings { measure: check.measure, session, sides };
            Scored::of(check, (measures::scoring(check.measure).of_readings)(&typed))
        };
        Some(TypedScore { phase: index, checks: phase.checks.iter().map(measured).collect() })
    };
    protocol.phases.iter().enumerate().filter_map(score).collect()
}

/// From the first to the last second that the unit and some reference both have.
fn overlap(ride: &Ride) -> Window {
    let both = |k: &usize| ride.unit.recorded_at(*k) && ride.references.iter().any(|r| r.trace.recorded_at(*k));
    let start = (0..ride.length_s).find(both).unwrap_or(0);
    let end = (0..ride.length_s).rev().find(both).map_or(0, |k| k + 1);
    Window { start_s: start as f64, end_s: end as f64 }
}
