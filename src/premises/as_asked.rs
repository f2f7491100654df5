//! Whether each phase was ridden as it was asked: power, effort, length and ring.

use super::evidence::{Evidence, PhaseRepeat};
use super::premise_names::repeat_name;
use super::tested::TestedPremise;
use crate::matching::{MatchOutcome, Matches};
use crate::premise::{Premise, Takes};
use crate::protocol::Protocol;
use crate::ride::{Ride, Window};

/// A head unit is started a few seconds before or after the rider begins. Common practice, no source.
const WARM_UP_SLACK_S: f64 = 3.0;

/// A block may be ridden so much shorter than it was found.
const SECOND_SLACK_S: f64 = 30.0;
/// As sure as expanded uncertainties are.
const SURE: f64 = 0.95;

/// A line for each repeat that was ridden otherwise than asked, one for the others together, and one for a warm-up that was
/// too short.
pub fn as_asked(protocol: &Protocol, matches: &Matches, ride: &Ride) -> Vec<TestedPremise> {
    let (mut tested, mut as_asked) = (vec![], 0);
    for found in &matches.found {
        let MatchOutcome::Ridden(ridden) = &found.outcome else { continue };
        let phase = &protocol.phases[found.phase];
        let says: Vec<String> = ridden
            .deviations
            .iter()
            .filter(|deviation| deviation.breaks)
            .map(|deviation| deviation.says.clone())
            .collect();
        if says.is_empty() || phase.checks.is_empty() || found.surplus {
            as_asked += usize::from(!phase.checks.is_empty() && !found.surplus);
            continue;
        }
        let accepted = phase.accepts_off_target;
        let repeat = PhaseRepeat { phase: found.phase, repeat: found.repeat };
        let about = vec![repeat_name(protocol, repeat)];
        let takes = if accepted { Takes::Nothing } else { Takes::Repeat };
        let evidence = Evidence::NotAsAsked { repeat, says, accepted };
        tested.push(TestedPremise::contradicted(Premise::AsAsked, about, evidence, takes));
    }
    tested.extend(warm_up(protocol, matches, ride));
    if as_asked > 0 {
        tested.push(TestedPremise::held(Premise::AsAsked, vec![], Evidence::AsAsked { repeats: as_asked }));
    }
    tested
}

/// The warm-up that the protocol needs, against where the first scored phase began.
fn warm_up(protocol: &Protocol, matches: &Matches, ride: &Ride) -> Option<TestedPremise> {
    let asked_s = protocol.needs.warm_up_s?;
    let mut spans: Vec<Window> = matches
        .found
        .iter()
        .filter_map(|found| match &found.outcome {
            // What is hardly sure may be easy riding that looks alike.
            MatchOutcome::Ridden(ridden)
                if protocol.phases[found.phase].drill.kind().is_scored_riding() && ridden.confidence >= SURE =>
            {
                Some(ridden.span)
            }
            _ => None,
        })
        .collect();
    spans.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let [first, second, ..] = spans[..] else { return None };
    // A part of the warm-up that looks like a block is followed by nothing; after a short warm-up the second phase, too, comes
    // too soon.
    let too_soon = second.start_s < asked_s + first.length_s() - SECOND_SLACK_S;
    // What was recorded before session time is warm-up, too.
    let begun_s = ride.unit.time_s.first().map_or(0.0, |s| s.min(0.0));
    let ridden_s = first.start_s - begun_s;
    let short = too_soon && ridden_s < asked_s - WARM_UP_SLACK_S;
    let evidence = Evidence::WarmUpShort { ridden_s, asked_s };
    short.then(|| TestedPremise::contradicted(Premise::AsAsked, vec!["warm-up".to_owned()], evidence, Takes::Nothing))
}
