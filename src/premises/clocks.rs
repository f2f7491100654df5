//! Whether each clock is known to what is stated.

use super::evidence::Evidence;
use super::tested::TestedPremise;
use crate::matching::{MatchOutcome, Matches};
use crate::premise::{Premise, Takes};
use crate::protocol::{Measure, Protocol};
use crate::ride::{AlignedOn, Ride, Trace};
use crate::scoring::Scores;
use crate::scoring::value::ValueKind;
use crate::stats;

/// Of two sound instruments one shows an edge a second before the other, by where in the turn of a crank and of the second each
/// reports: from here on it is none of that. Common practice, no source.
const LEADS_S: f64 = 2.0;
/// Both lags beyond one expanded uncertainty happen by chance in a session of a hundred, beyond this much of it in none of
/// thousands (`benches/premises.rs`).
const FAR: f64 = 1.5;
/// One stop proves nothing.
const FEWEST_STOPS: usize = 2;
/// How far around an edge powers are laid over each other, and by how much they are moved.
const AROUND_S: i64 = 6;
const FARTHEST_S: i64 = 8;

/// A protocol as it was ridden.
pub struct RiddenProtocol<'a> {
    pub protocol: &'a Protocol,
    pub matches: &'a Matches,
    pub scores: &'a Scores,
}

/// Each recording's clock by the channels that both recorded; then the unit's edges at all stops, as no unit can know of an
/// effort before it happens. `coverage` is that of expanded uncertainties.
pub fn clocks(ride: &Ride, ridden: Option<RiddenProtocol>, coverage: f64) -> Vec<TestedPremise> {
    let references = ride.references.iter().map(|reference| &reference.trace);
    let traces = std::iter::once(&ride.unit).chain(references).filter(|trace| !trace.time_s.is_empty());
    let mut tested: Vec<TestedPremise> = traces.filter_map(|trace| clock(trace, coverage)).collect();
    tested.extend(ridden.and_then(|ridden| unit_leads(ride, &ridden, coverage)));
    tested
}

fn clock(trace: &Trace, coverage: f64) -> Option<TestedPremise> {
    let clock = &trace.clock;
    let about = vec![trace.label.clone()];
    match clock.aligned_on {
        AlignedOn::SessionClock | AlignedOn::SameRecording => None,
        AlignedOn::Power | AlignedOn::Nothing => {
            Some(TestedPremise::untested(Premise::Clocks, about, Evidence::ClockByPower))
        }
        on => Some(match clock.apart.first() {
            Some(other) => {
                let evidence = Evidence::ChannelsApart { on, other: other.on, apart_s: other.apart_s };
                TestedPremise::contradicted(Premise::Clocks, about, evidence, Takes::Nothing)
            }
            None => {
                let k = stats::coverage_factor(coverage, f64::INFINITY);
                let expanded_s = k * clock.standard_uncertainty_s;
                TestedPremise::held(Premise::Clocks, about, Evidence::ClockAgrees { on, expanded_s })
            }
        }),
    }
}

/// The unit's edges against the first reference's off the hub, at all stops: whole seconds by which power fits best, as lags
/// are timed from a few seconds before the reference's own edge on and see no further lead.
fn unit_leads(ride: &Ride, ridden: &RiddenProtocol, coverage: f64) -> Option<TestedPremise> {
    let RiddenProtocol { protocol, matches, scores } = *ridden;
    let reference = ride.references.iter().find(|reference| !reference.trace.located.behind_chain())?;
    let edges = matches.found.iter().filter_map(|found| match &found.outcome {
        MatchOutcome::Ridden(ridden) if protocol.phases[found.phase].drill.kind().has_stop() => {
            let coast = ridden.moves.get(1)?;
            Some([coast.start_s, coast.end_s])
        }
        _ => None,
    });
    let lags: Vec<[f64; 2]> = edges
        .filter_map(|[release_s, onset_s]| {
            let of = |at_s: f64| lag_s(&ride.unit, &reference.trace, at_s);
            Some([of(release_s)?, of(onset_s)?])
        })
        .collect();
    let of = |i: usize| stats::median(&lags.iter().map(|lag| lag[i]).collect::<Vec<f64>>());
    let (release_s, onset_s) = (of(0)?, of(1)?);
    let k = stats::coverage_factor(coverage, f64::INFINITY);
    let clock_s = ride.unit.clock.standard_uncertainty_s.hypot(reference.trace.clock.standard_uncertainty_s);
    let most_s = -(LEADS_S.max(k * clock_s));
    let by_seconds = lags.len() >= FEWEST_STOPS && release_s <= most_s && onset_s <= most_s;
    let by_lags = [Measure::ReleaseLag, Measure::OnsetLag].into_iter().all(|lag| timed_lead(scores, lag, coverage));
    let leads = by_seconds || by_lags;
    let (about, evidence) = (vec![ride.unit.label.clone()], Evidence::UnitLeads { release_s, onset_s });
    leads.then(|| TestedPremise::contradicted(Premise::Clocks, about, evidence, Takes::Timing))
}

/// By how many whole seconds the unit's power follows the reference's around an edge; negative where it leads.
fn lag_s(unit: &Trace, reference: &Trace, at_s: f64) -> Option<f64> {
    let at = at_s.round() as i64;
    let power_w = |trace: &Trace, second: i64| usize::try_from(second).ok().and_then(|second| trace.power_at(second));
    let misfit = |lag: i64| {
        let apart = (at - AROUND_S..=at + AROUND_S)
            .filter_map(|second| Some(power_w(unit, second + lag)? - power_w(reference, second)?));
        let (squares, n) = apart.fold((0.0, 0), |(sum, n), apart_w| (sum + apart_w * apart_w, n + 1));
        // Nearly all seconds, so that a hole picks no lag.
        (n as i64 >= 2 * AROUND_S - 1).then(|| squares / f64::from(n))
    };
    let lags = (-FARTHEST_S..=FARTHEST_S).filter_map(|lag| Some((lag, misfit(lag)?)));
    lags.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(lag, _)| lag as f64)
}

/// Whether a lag, as it is timed, lies below zero by far more than its expanded uncertainty: in the mean over all stops.
fn timed_lead(scores: &Scores, lag: Measure, coverage: f64) -> bool {
    let timed = scores.phases.iter().filter_map(|phase| {
        let scored = phase.checks.iter().find(|scored| scored.check.measure == lag)?;
        let value = scored.measured.as_ref().ok().filter(|value| value.kind == ValueKind::Measured)?;
        Some((value.value, value.budget.combine(coverage).expanded()))
    });
    let timed: Vec<(f64, f64)> = timed.collect();
    let n = timed.len() as f64;
    let (lag_s, expanded_s) = timed.iter().fold((0.0, 0.0), |sum, (lag_s, u)| (sum.0 + lag_s / n, sum.1 + u / n));
    timed.len() >= FEWEST_STOPS && lag_s + FAR * expanded_s < 0.0
}
