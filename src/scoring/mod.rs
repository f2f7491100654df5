//! Each phase's measures, each with an uncertainty budget.

pub mod budget;
mod edges;
mod losses;
mod phase;
mod references;
mod repeats;
mod ride_wide;
mod shown;
mod typed;
pub mod value;
mod windows;

use crate::matching::{MatchOutcome, Matches, PhaseMatch, Ridden};
use crate::protocol::{Check, Contrast, Drill, Measure, Part, Phase, Protocol, Ring};
use crate::quantity::{Bound, Limit, Unit};
use crate::ride::{Ride, Window};
use crate::session::{Session, Sides};

use budget::{Budget, Line, Source};
use losses::Losses;
use phase::PhaseScorer;
pub use references::{Agreement, OutlyingReference, Pair};
use references::{ReferenceNeed, serving};
pub use shown::{PictureMarks, ReferenceEdges, SteadyLevel};
use value::{NoValue, Scored, Value, ValueKind};
use windows::{PairedSeconds, PooledScatter, ScoringContext};

/// How much later than a move readings may still be of it: a turn of the cranks, a second of the head unit, the legs.
const READINGS_FOLLOW_S: f64 = 2.0;
/// Work of a sprint is taken from this long before it …
const SPRINT_LEAD_S: f64 = 3.0;
/// … to this long after it, so that a late or smoothed reading still falls inside.
const SPRINT_TAIL_S: f64 = 5.0;
/// Soft pedalling counts from here after the surge ended.
const SOFT_SETTLE_S: f64 = 4.0;

/// Everything that was computed of a ride.
#[derive(Debug, Clone, PartialEq)]
pub struct Scores {
    /// One per `matches.found`, in its order.
    pub phases: Vec<PhaseScore>,
    pub contrasts: Vec<(Contrast, Scored)>,
    pub whole_ride: Vec<Scored>,
    /// Phases without a ride: typed readings. (index of the phase, its checks).
    pub typed: Vec<(usize, Vec<Scored>)>,
    pub rings: Vec<RingScore>,
    pub agreement: Agreement,
    /// Where the unit's level shows, stretch by stretch; diagnosis looks at it.
    pub stretches: Vec<SteadyStretch>,
    /// Seconds of the ride that the control channel set aside.
    pub set_aside_s: usize,
    /// For pictures.
    pub shown: PictureMarks,
}

/// What was computed of a whole ride where there is no protocol.
#[derive(Debug, Clone, PartialEq)]
pub struct Compared {
    pub whole_ride: Vec<Scored>,
    pub agreement: Agreement,
    /// For pictures.
    pub shown: PictureMarks,
}

#[derive(Debug, Clone, Default, PartialEq)]
pub struct PhaseScore {
    /// What was scored; `None` where the phase was not ridden.
    pub window: Option<Window>,
    /// The phase's own checks in their order, then what a doubled side senses.
    pub checks: Vec<Scored>,
    /// References that agree over the session and not here.
    pub apart: Option<Pair>,
}

/// The unit's error pooled over a ring's steady blocks, W (with per cent beside it).
#[derive(Debug, Clone, PartialEq)]
pub struct RingScore {
    pub ring: Ring,
    pub blocks: usize,
    pub error: Value,
}

/// Part of a steady block, or of soft pedalling: the unit's mean error there and what blurs it.
#[derive(Debug, Clone, PartialEq)]
pub struct SteadyStretch {
    /// Index into `matches.found`.
    pub found: usize,
    pub window: Window,
    pub power_w: f64,
    pub error_w: f64,
    /// Standard uncertainty of the error from scatter, clock and rounding: another draw in each stretch.
    pub own_u_w: f64,
    /// Lines that the references share over the session, W at this power.
    pub shared: Vec<Line>,
}

/// Scores every phase that was found, the contrasts and the whole ride.
pub fn score_all(session: &Session, protocol: &Protocol, matches: &Matches, ride: &Ride) -> Scores {
    let windows = scored_windows(protocol, matches);
    let is_steady = |phase: usize| matches!(protocol.phases[phase].drill, Drill::Steady { .. });
    let steady = steady_windows(protocol, matches);
    let agreement = references::agreement(ride, &steady, protocol.decision.coverage);
    let judging = agreement.left_out().map(|reference| references::without(ride, reference));
    let ride = judging.as_ref().unwrap_or(ride);
    let losses = Losses::of(ride);
    let mut scene = ScoringContext { ride, losses: &losses, pooled: None };
    scene.pooled = pooled_scatter(&scene, &steady);

    let mut phases: Vec<PhaseScore> = matches
        .found
        .iter()
        .zip(&windows)
        .map(|(found, window)| {
            let (MatchOutcome::Ridden(ridden), Some(window)) = (&found.outcome, *window) else {
                return PhaseScore::default();
            };
            let phase = &protocol.phases[found.phase];
            let scorer = PhaseScorer { scene, phase, ridden, window, steady: &steady };
            let checks = phase.checks.iter().map(|check| scorer.score(check)).chain(scorer.sensed()).collect();
            PhaseScore { window: Some(window), checks, apart: None }
        })
        .collect();
    if !agreement.quarrel() {
        let blocks: Vec<usize> =
            (0..phases.len()).filter(|&i| phases[i].window.is_some() && is_steady(matches.found[i].phase)).collect();
        for (i, pair) in blocks.into_iter().zip(references::apart(ride, &steady, protocol.decision.coverage)) {
            phases[i].apart = pair;
        }
    }
    scatter_of_repeats(protocol, matches, &mut phases);
    let mut scores = Scores {
        phases,
        contrasts: vec![],
        whole_ride: ride_wide::whole_ride(&scene, protocol, matches, &windows),
        typed: typed::score(session, protocol),
        rings: vec![],
        agreement,
        stretches: ride_wide::stretches(&scene, protocol, matches, &windows),
        set_aside_s: losses.set_aside.iter().filter(|aside| **aside).count(),
        shown: PictureMarks::of(protocol, matches, scene, &steady),
    };
    let contrasting = ContrastScorer { protocol, matches, scene, windows: &windows, steady: &steady };
    scores.contrasts = protocol.contrasts.iter().map(|c| (c.clone(), contrasting.score(c))).collect();
    scores.rings = rings(protocol, matches, &scene, &windows);
    widen(&mut scores);
    scores
}

/// By `matches.found`; `None` for what was not ridden.
fn scored_windows(protocol: &Protocol, matches: &Matches) -> Vec<Option<Window>> {
    let window = |found: &PhaseMatch| match &found.outcome {
        MatchOutcome::Ridden(ridden) => Some(scored_window(&protocol.phases[found.phase], ridden)),
        MatchOutcome::NotRidden { .. } => None,
    };
    matches.found.iter().map(window).collect()
}

fn steady_windows(protocol: &Protocol, matches: &Matches) -> Vec<Window> {
    let is_steady = |phase: usize| matches!(protocol.phases[phase].drill, Drill::Steady { .. });
    let windows = matches.found.iter().zip(scored_windows(protocol, matches));
    windows.filter(|(found, _)| is_steady(found.phase)).filter_map(|(_, window)| window).collect()
}

/// Compares the whole ride where there is no protocol.
pub fn score_whole_ride(ride: &Ride, checks: &[Check], coverage: f64) -> Compared {
    let losses = Losses::of(ride);
    let scene = ScoringContext { ride, losses: &losses, pooled: None };
    let window = ride_wide::overlap(ride);
    let whole_ride = checks.iter().map(|check| Scored::of(check, ride_wide::measure(&scene, check, window))).collect();
    let agreement = references::agreement(ride, &[window], coverage);
    Compared { whole_ride, agreement, shown: PictureMarks::lost(&losses) }
}

/// What of a phase as ridden is scored. A sprint's and a stop's parts are cut again by the measures themselves.
fn scored_window(phase: &Phase, ridden: &Ridden) -> Window {
    let span = ridden.span;
    match &phase.drill {
        Drill::Steady { settle_s, .. } => Window { start_s: span.start_s + settle_s, ..span },
        Drill::Sprint { .. } => Window { start_s: span.start_s - SPRINT_LEAD_S, end_s: span.end_s + SPRINT_TAIL_S },
        Drill::SoftPedal { .. } => {
            let surge_end_s = ridden.moves.first().map_or(span.start_s, |surge| surge.end_s);
            Window { start_s: surge_end_s + SOFT_SETTLE_S, ..span }
        }
        Drill::CoastRestart { .. } => Window { end_s: span.end_s + SPRINT_TAIL_S, ..span },
        _ => span,
    }
}

fn pooled_scatter(scene: &ScoringContext, steady: &[Window]) -> Option<PooledScatter> {
    let pairs: Vec<PairedSeconds> = steady
        .iter()
        .filter_map(|&window| {
            Some(scene.power_pairs(&scene.consensus(ReferenceNeed::SteadyPower, window).ok()?, window))
        })
        .collect();
    PooledScatter::of(&pairs)
}

/// The unit that a limit speaks in first.
fn first_unit(limit: &Limit) -> Unit {
    match limit {
        Limit::Within(bound) | Limit::AtMost(bound) | Limit::AtLeast(bound) => bound.parts[0].unit,
        Limit::Between(low, _) => low.unit,
        Limit::Zero | Limit::WithinClaim => Unit::Percent,
    }
}

/// What a measure of this drill asks of a reference; `None` where it asks nothing.
fn needed(measure: Measure, drill: &Drill) -> Option<ReferenceNeed> {
    use Measure::*;
    match measure {
        MeanError => Some(match drill {
            Drill::Steady { .. } | Drill::Ramp { .. } | Drill::Free { .. } => ReferenceNeed::SteadyPower,
            // A flywheel still gives back what it took in the surge just before.
            Drill::SoftPedal { .. } => ReferenceNeed::Edges,
            _ => ReferenceNeed::ShortWork,
        }),
        WorkError | HeldTime | Spike => Some(ReferenceNeed::ShortWork),
        Spread | CadenceError | Linearity => Some(ReferenceNeed::SteadyPower),
        LeftError | RightError => Some(ReferenceNeed::Sides),
        PeakError | ResidualPower | PhantomWork | ReleaseLag | OnsetLag | CadenceReleaseLag | CadenceOnsetLag
        | MissingWork => Some(ReferenceNeed::Edges),
        DropoutTime | DriftTime | DriftTemperature | TorqueError | Hysteresis | ZeroShift => None,
    }
}

/// Required checks that none of a session's references serves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnmeasurableChecks {
    /// Name of the phase or of the contrast.
    pub place: String,
    pub measures: Vec<Measure>,
    /// Nothing else is required there.
    pub all: bool,
}

/// Phases without their keys, then contrasts, in the protocol's order.
pub fn unserved(protocol: &Protocol, ride: &Ride) -> Vec<UnmeasurableChecks> {
    // Of a side that the unit does not tell nothing is asked.
    let tells = |measure| match (measure, ride.unit.sides) {
        (Measure::LeftError, sides) => matches!(sides, Sides::Both | Sides::LeftDoubled),
        (Measure::RightError, sides) => matches!(sides, Sides::Both | Sides::RightDoubled),
        _ => true,
    };
    let lacks = |measure: Measure, drill: &Drill| {
        tells(measure) && needed(measure, drill).is_some_and(|need| serving(ride, need).is_empty())
    };
    let mut found: Vec<UnmeasurableChecks> = vec![];
    for phase in protocol.phases.iter().filter(|phase| phase.part == Part::Required) {
        let required: Vec<Measure> = phase.checks.iter().filter(|c| !c.advisory).map(|c| c.measure).collect();
        let measures: Vec<Measure> = required.iter().copied().filter(|m| lacks(*m, &phase.drill)).collect();
        if !measures.is_empty() && found.iter().all(|known| known.place != phase.id.name) {
            let all = required.iter().all(|m| measures.contains(m) || !tells(*m));
            found.push(UnmeasurableChecks { place: phase.id.name.clone(), measures, all });
        }
    }
    for contrast in protocol.contrasts.iter().filter(|contrast| !contrast.advisory) {
        let of = protocol.phases.iter().find(|phase| contrast.of.selects(&phase.id));
        if of.is_some_and(|phase| lacks(contrast.measure, &phase.drill)) {
            found.push(UnmeasurableChecks {
                place: contrast.name.clone(),
                measures: vec![contrast.measure],
                all: true,
            });
        }
    }
    found
}

/// Scatter of one repeat between two sound crank meters, known from simulation, in the value's unit. Where a session's own
/// repeats say little it stands in; of edges it is the root mean square over the four pairings of head units that store a
/// second's last message or its mean, of work the scale of how it differs from session to session.
pub fn scatter_from_simulation(measure: Measure, value: &Value) -> f64 {
    let pct = |pct| in_pct(value, pct);
    match measure {
        Measure::ReleaseLag | Measure::CadenceReleaseLag => windows::RELEASE_SCATTER_S,
        Measure::OnsetLag => windows::ONSET_SCATTER_S,
        Measure::CadenceOnsetLag => 0.28,
        // Known for sprints between level riding; elsewhere readings leap more.
        Measure::PeakError => pct(1.25).hypot(value.leaps),
        Measure::WorkError => pct(1.5).max(value.leaps),
        Measure::LeftError | Measure::RightError => pct(1.9).max(value.leaps),
        Measure::MissingWork => pct(2.1).max(value.leaps),
        Measure::ResidualPower => 0.3,
        _ => value.budget.part(|source| source == Source::Scatter),
    }
}

/// Per cents of the value's reference in the value's unit.
fn in_pct(value: &Value, pct: f64) -> f64 {
    if value.unit == Unit::Percent { pct } else { pct / 100.0 * value.reference.abs() }
}

/// The same of a repeat of this drill. A window of many seconds knows its own.
fn known_scatter(measure: Measure, drill: &Drill, value: &Value) -> f64 {
    match (drill, measure) {
        (Drill::Sprint { .. } | Drill::CoastRestart { .. }, _) => scatter_from_simulation(measure, value),
        // Two meters that count the same turns: what they differ by at the ends averages out faster than seconds do.
        (Drill::SoftPedal { .. }, Measure::MeanError) => in_pct(value, 0.8),
        _ => value.budget.part(|source| source == Source::Scatter),
    }
}

/// Whether one ride of the measure has no scatter of its own to look at: edges and short efforts.
fn needs_repeats(measure: Measure, drill: &Drill) -> bool {
    let short = matches!(drill, Drill::Sprint { .. } | Drill::CoastRestart { .. });
    short && !matches!(measure, Measure::CadenceError | Measure::Spread | Measure::Spike)
}

/// Whether it is timed at an edge. Edges fall into clusters of their own; work and means have kinds of repeats where a side
/// falls short in some.
fn is_edge(measure: Measure) -> bool {
    use Measure::{CadenceOnsetLag, CadenceReleaseLag, OnsetLag, PhantomWork, ReleaseLag, ResidualPower};
    matches!(measure, ReleaseLag | OnsetLag | CadenceReleaseLag | CadenceOnsetLag | ResidualPower | PhantomWork)
}

/// Gives each repeat the scatter of its session's repeats, of work and means that of the others.
fn scatter_of_repeats(protocol: &Protocol, matches: &Matches, phases: &mut [PhaseScore]) {
    for (index, phase) in protocol.phases.iter().enumerate() {
        let ridden: Vec<usize> =
            (0..phases.len()).filter(|&i| matches.found[i].phase == index && phases[i].window.is_some()).collect();
        for (c, check) in phase.checks.iter().enumerate() {
            give_scatter(phases, &ridden, c, check.measure, phase);
        }
    }
}

/// The mean of each of a phase's checks over some of its repeats (indices into `phases`).
pub fn means(phases: &[PhaseScore], repeats: &[usize], phase: &Phase) -> Vec<Scored> {
    phase.checks.iter().enumerate().map(|(c, check)| mean_over(phases, repeats, c, check)).collect()
}

fn give_scatter(phases: &mut [PhaseScore], ridden: &[usize], check: usize, measure: Measure, phase: &Phase) {
    let measured: Vec<usize> = ridden
        .iter()
        .copied()
        .filter(|&i| matches!(&phases[i].checks[check].measured, Ok(value) if value.kind == ValueKind::Measured))
        .collect();
    let repeated = phase.repeats > 1 && measured.len() >= 3;
    if !needs_repeats(measure, &phase.drill) && !repeated {
        return;
    }
    let values: Vec<f64> =
        measured.iter().filter_map(|&i| phases[i].checks[check].measured.as_ref().ok().map(|v| v.value)).collect();
    for (own, i) in measured.into_iter().enumerate() {
        if let Ok(value) = &mut phases[i].checks[check].measured {
            let known = known_scatter(measure, &phase.drill, value);
            let scatter = if is_edge(measure) {
                repeats::of_edges(&values, known)
            } else {
                // What a repeat is held against comes from the others: by its own distance it would excuse itself.
                repeats::of_work(&[&values[..own], &values[own + 1..]].concat(), known)
            };
            value.budget.0.retain(|line| line.source != Source::Scatter);
            value.budget.push(Line::scatter(scatter.sd, scatter.degrees_of_freedom));
        }
    }
}

/// The mean over the asked-for repeats that have a value.
fn mean_over(phases: &[PhaseScore], asked: &[usize], check: usize, written: &Check) -> Scored {
    let scored: Vec<&Scored> = asked.iter().map(|&i| &phases[i].checks[check]).collect();
    let values: Vec<&Value> = scored.iter().filter_map(|s| s.measured.as_ref().ok()).collect();
    let advisory = written.advisory || scored.iter().any(|s| s.advisory);
    let measured = match (values.first(), scored.iter().find_map(|s| s.measured.as_ref().err())) {
        (Some(_), _) => Ok(mean_value(&values)),
        (None, Some(why)) => Err(why.clone()),
        (None, None) => Err(NoValue::Undecided("no repeat was ridden".to_owned())),
    };
    Scored { check: written.clone(), measured, advisory }
}

/// Mean of values of one measure. Where one is only a lower bound, so is the mean.
fn mean_value(values: &[&Value]) -> Value {
    let n = values.len() as f64;
    let mean = |f: fn(&Value) -> f64| values.iter().map(|v| f(v)).sum::<f64>() / n;
    let budgets: Vec<&Budget> = values.iter().map(|v| &v.budget).collect();
    let mut budget = Budget::of_mean(&budgets);
    // Every repeat carries the same estimate of their scatter, so its degrees of freedom are not multiplied.
    for line in &mut budget.0 {
        if let Some(own) = values[0].budget.0.iter().find(|l| l.source == line.source && line.source == Source::Scatter)
        {
            line.degrees_of_freedom = own.degrees_of_freedom;
        }
    }
    let kind = if values.iter().any(|v| v.kind == ValueKind::AtLeast) { ValueKind::AtLeast } else { values[0].kind };
    let also = values[0].also.map(|also| value::SecondUnit {
        factor: values.iter().filter_map(|v| v.also).map(|a| a.factor).sum::<f64>() / n,
        ..also
    });
    Value {
        value: mean(|v| v.value),
        reference: mean(|v| v.reference),
        kind,
        budget,
        also,
        rides: values.iter().map(|v| v.rides).sum(),
        agreement: None,
        notes: vec![],
        ..values[0].clone()
    }
}

/// What it takes to score a contrast.
struct ContrastScorer<'a> {
    protocol: &'a Protocol,
    matches: &'a Matches,
    scene: ScoringContext<'a>,
    windows: &'a [Option<Window>],
    steady: &'a [Window],
}

impl ContrastScorer<'_> {
    /// Mean over pairs alike in all but the contrasted keys of the difference, errors of power in per cent; what both
    /// share cancels.
    fn score(&self, contrast: &Contrast) -> Scored {
        let Contrast { of, against, measure, limit, advisory, .. } = contrast.clone();
        let check = Check { measure, limit, advisory, clause: None, over_s: None };
        let mut informs_only = advisory;
        let phases = &self.protocol.phases;
        let (mut differences, mut pairs, mut lacking) = (Vec::new(), 0, None);
        for (i, phase) in phases.iter().enumerate().filter(|(_, p)| of.selects(&p.id)) {
            let partner = phases.iter().position(|p| {
                against.selects(&p.id)
                    && p.id.keys.iter().all(|key| against.keys.contains(key) || phase.id.keys.contains(key))
            });
            let Some(partner) = partner else { continue };
            pairs += 1;
            let sides = [i, partner].map(|phase| self.mean(phase, &check));
            informs_only |= sides.iter().any(|side| side.advisory);
            match sides.map(|side| side.measured) {
                [Ok(of), Ok(against)] if against.kind == ValueKind::Measured => {
                    differences.push(difference(of, &against))
                }
                [Ok(_), Ok(_)] => {
                    lacking =
                        Some(NoValue::Undecided("only a lower bound is known of what it is held against".to_owned()));
                }
                [Err(why), _] | [_, Err(why)] => lacking = Some(why),
            }
        }
        let measured = if differences.is_empty() {
            Err(lacking.unwrap_or_else(|| NoValue::Undecided(format!("none of {pairs} pairs was ridden"))))
        } else {
            Ok(over_pairs(&differences, pairs))
        };
        Scored { check, measured, advisory: informs_only }
    }

    /// The measure's mean over a phase's repeats.
    fn mean(&self, index: usize, check: &Check) -> Scored {
        let phase = &self.protocol.phases[index];
        let in_pct = Check { limit: Limit::Within(Bound::single(0.0, Unit::Percent)), ..check.clone() };
        let ridden = self.matches.found.iter().zip(self.windows).filter(|(f, _)| f.phase == index && !f.surplus);
        let mut scores: Vec<PhaseScore> = ridden
            .filter_map(|(found, window)| {
                let (MatchOutcome::Ridden(ridden), Some(window)) = (&found.outcome, *window) else { return None };
                let scorer = PhaseScorer { scene: self.scene, phase, ridden, window, steady: self.steady };
                Some(PhaseScore { checks: vec![scorer.score(&in_pct)], ..PhaseScore::default() })
            })
            .collect();
        let all: Vec<usize> = (0..scores.len()).collect();
        give_scatter(&mut scores, &all, 0, check.measure, phase);
        mean_over(&scores, &all, 0, check)
    }
}

fn difference(of: Value, against: &Value) -> Value {
    // A time shifts both ends of a difference of times alike; on power a clock's effect has the sign of the edge.
    let budget = Budget::of_difference(&of.budget, &against.budget, of.unit == Unit::Second);
    let reference = (of.reference + against.reference) / 2.0;
    let in_watts = value::SecondUnit { unit: Unit::Watt, factor: reference / 100.0 };
    let also = (of.unit == Unit::Percent && reference != 0.0).then_some(in_watts);
    Value { value: of.value - against.value, budget, reference, also, gain_sensitive: false, ..of }
}

fn over_pairs(differences: &[Value], pairs: usize) -> Value {
    let mut value = mean_value(&differences.iter().collect::<Vec<_>>());
    // One draw per ring, shared by all pairs. What is stated is the difference between two rings, and each pair's line
    // holds it once per ring.
    let ring_line = |v: &Value| v.budget.part(|s| s == Source::RingLoss) / 2f64.sqrt();
    let ring = differences.iter().map(ring_line).sum::<f64>() / differences.len() as f64;
    value.budget.0.retain(|line| line.source != Source::RingLoss);
    value.budget.push(Line::b(Source::RingLoss, ring));
    if differences.len() < pairs {
        value.notes.push(format!("{} of {pairs} pairs were ridden", differences.len()));
    }
    value
}

/// The unit's steady error by ring, W.
fn rings(protocol: &Protocol, matches: &Matches, scene: &ScoringContext, windows: &[Option<Window>]) -> Vec<RingScore> {
    let on_ring = |ring: Ring| {
        let errors: Vec<Value> = (0..windows.len())
            .filter(|&i| {
                let phase = &protocol.phases[matches.found[i].phase];
                let ridden = match &matches.found[i].outcome {
                    MatchOutcome::Ridden(ridden) => ridden.ring,
                    MatchOutcome::NotRidden { .. } => None,
                };
                matches!(phase.drill, Drill::Steady { .. }) && phase.ring.or(ridden) == Some(ring)
            })
            .filter_map(|i| scene.mean_error(ReferenceNeed::SteadyPower, windows[i]?, Unit::Watt).ok())
            .collect();
        let blocks: Vec<&Value> = errors.iter().collect();
        (!blocks.is_empty()).then(|| {
            let mut error = mean_value(&blocks);
            error.also = Some(value::SecondUnit { unit: Unit::Percent, factor: 100.0 / error.reference });
            RingScore { ring, blocks: blocks.len(), error }
        })
    };
    [Ring::Big, Ring::Small].into_iter().filter_map(on_ring).collect()
}

/// Where the references quarrel, every line of theirs grows by the Birge ratio.
fn widen(scores: &mut Scores) {
    let factor = scores.agreement.widening();
    if factor == 1.0 {
        return;
    }
    let from_reference =
        |source: Source| matches!(source, Source::ReferenceGain | Source::ChainLoss | Source::RingLoss);
    let all = scores
        .phases
        .iter_mut()
        .flat_map(|p| &mut p.checks)
        .chain(scores.contrasts.iter_mut().map(|c| &mut c.1))
        .chain(&mut scores.whole_ride);
    let values = all.filter_map(|scored| scored.measured.as_mut().ok());
    for value in values.chain(scores.rings.iter_mut().map(|ring| &mut ring.error)).filter(|v| v.gain_sensitive) {
        value.budget = value.budget.widened(factor, from_reference);
    }
}
