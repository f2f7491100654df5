//! What a match rests on, how sure it is, what is missing and why, and where the ride left the plan.

use super::chain::{self, Segment};
use super::model::{Deviation, Ground, MatchOutcome, PhaseMatch, Ridden};
use super::observe::Observer;
use super::plan::Plan;
use super::posterior::Posterior;
use super::remarks::{remarked, written_of};
use super::ring;
use super::verify::{clock, range_words, verify};
use crate::protocol::{Effort, Part, Phase, PhaseOrder, Protocol};
use crate::ride::{EdgeKind, Ride, Window};
use crate::session::{Remark, Session};

/// A ring believed less than this is a guess.
const RING_TOLD: f64 = 0.6;
/// From here on a ring decides that something else was ridden than asked.
const RING_SURE: f64 = 0.95;
const NEAR_S: f64 = 3.0;
/// Later than this a lap button was not pressed when the rider began to change.
const LAPS_LATE_S: f64 = 3.0;

pub(super) struct Explainer<'a> {
    pub protocol: &'a Protocol,
    pub plan: &'a Plan,
    pub posterior: &'a Posterior,
    pub observer: &'a Observer<'a>,
    pub laps_late_s: Option<f64>,
    pub session: &'a Session,
    pub ride: &'a Ride,
}

impl Explainer<'_> {
    pub fn phase(&self, entry: usize) -> &Phase {
        &self.protocol.phases[self.plan.phases[entry]]
    }

    /// Writes a match's ring, grounds and runner-up.
    pub fn weigh(&self, ridden: &mut Ridden, segments: &[Segment], at: usize) {
        let segment = &segments[at];
        let phase = self.phase(segment.entry);
        ridden.runner_up = Some(self.runner_up(segment));
        ridden.rests_on.push(Ground::Power);
        if phase.cadence_rpm.is_some() || phase.drill.moves().iter().any(|m| m.effort == Effort::Coast) {
            ridden.rests_on.push(Ground::Cadence);
        }
        self.put_ring(phase, ridden);
        let before = at.checked_sub(1).map(|before| segments[before].entry);
        if self.protocol.order == PhaseOrder::AsWritten && self.plan.follows(segment.entry, before) {
            ridden.rests_on.push(Ground::Order);
        }
        for (kind, ground) in [(EdgeKind::Lap, Ground::Laps), (EdgeKind::Mark(None), Ground::Marks)] {
            if self.edge_near(&kind, ridden.span) || (ground == Ground::Marks && self.prompted(phase, ridden.span)) {
                ridden.rests_on.push(ground);
            }
        }
        let of_phase = |r: &&Remark| r.spoiled.as_ref().is_some_and(|s| s.selects(&phase.id));
        let mut remarks = self.session.remarks.iter().filter(of_phase);
        if remarks.any(|r| remarked(r, self.ride).is_some_and(|at| written_of(ridden.span, at))) {
            ridden.rests_on.push(Ground::Remark);
        }
    }

    /// What else the middle of a match may be, and how likely.
    fn runner_up(&self, segment: &Segment) -> String {
        let within = |e: usize| self.posterior.within(e, segment.middle());
        let others = (0..self.plan.phases.len()).filter(|e| *e != segment.entry);
        let (other, most) =
            others.map(|e| (Some(e), within(e))).fold((None, 0.0), |a, b| if b.1 > a.1 { b } else { a });
        let none = 1.0 - (0..self.plan.phases.len()).map(within).sum::<f64>();
        let odds = |p: f64| if p < 0.001 { "less than 0.1 %".to_owned() } else { format!("{:.1} %", 100.0 * p) };
        match other.filter(|_| most > none) {
            Some(entry) => format!("{} at the same place, {}", self.phase(entry).id, odds(most)),
            None => format!("no part of the protocol, {}", odds(none.max(0.0))),
        }
    }

    /// The ring of a match: what was seen of it, and that riders mostly ride the one that is asked for.
    fn put_ring(&self, phase: &Phase, ridden: &mut Ridden) {
        let seen = self.observer.signals.ring_over(ridden.span);
        let other = self.observer.parameters.other_ring;
        let told = match (phase.ring, seen) {
            (Some(asked), Some(belief)) => {
                let of = if belief.ring == asked { belief.confidence } else { 1.0 - belief.confidence };
                let as_asked = (1.0 - other) * of / ((1.0 - other) * of + other * (1.0 - of));
                Some((if as_asked >= 0.5 { asked } else { belief.ring }, as_asked.max(1.0 - as_asked)))
            }
            (Some(asked), None) => Some((asked, 1.0 - other)),
            (None, seen) => {
                seen.filter(|belief| belief.confidence >= RING_TOLD).map(|belief| (belief.ring, belief.confidence))
            }
        };
        let Some((ring, confidence)) = told else { return };
        (ridden.ring, ridden.ring_confidence) = (Some(ring), confidence);
        match seen.filter(|belief| belief.confidence >= RING_TOLD) {
            Some(_) => {
                let source = ring::rests_on(self.session, self.ride, ridden.span.seconds().start);
                ridden.ring_rests_on = Some(source.into());
                if phase.ring.is_some() {
                    ridden.rests_on.push(Ground::Ring);
                }
                if phase.ring.is_some_and(|asked| asked != ring) {
                    let says = format!("ridden on the {} ring, by {source}", ring.word());
                    ridden.deviations.push(Deviation { breaks: confidence >= RING_SURE, says });
                }
            }
            None => {
                let why = match seen {
                    Some(_) => "speed over cadence fits a gear of either ring",
                    None => "nothing recorded tells the ring",
                };
                ridden.ring_rests_on = Some(format!("the protocol's order; {why}"));
            }
        }
    }

    /// Whether a mark made while riding names the phase at either end.
    fn prompted(&self, phase: &Phase, span: Window) -> bool {
        let near = |t: f64| (t - span.start_s).abs() <= NEAR_S || (t - span.end_s).abs() <= NEAR_S;
        let named = |kind: &EdgeKind| matches!(kind, EdgeKind::Cue(of) if of.selects(&phase.id));
        self.ride.edges.iter().any(|e| named(&e.kind) && near(e.at_s))
    }

    fn edge_near(&self, kind: &EdgeKind, span: Window) -> bool {
        let same = |e: &EdgeKind| std::mem::discriminant(e) == std::mem::discriminant(kind);
        let late_s = if *kind == EdgeKind::Lap { self.laps_late_s.unwrap_or(0.0) } else { 0.0 };
        let near = |t: f64| (t - span.start_s).abs() <= NEAR_S || (t - span.end_s).abs() <= NEAR_S;
        self.ride.edges.iter().any(|e| same(&e.kind) && near(e.at_s - late_s))
    }

    /// Why a phase is missing: the stretch closest to it that no other phase took, and what was wrong with it.
    pub fn closest(&self, entry: usize, segments: &[Segment]) -> String {
        // Far above what any stretch can tell.
        const TAKEN: f64 = 1e6;
        let phase = self.phase(entry);
        let of_any_ring = Phase { ring: None, ..phase.clone() };
        let asked = phase.drill.moves();
        let mut moves: Vec<chain::Move> = asked
            .iter()
            .zip(&self.plan.chain.entries[entry].moves)
            .map(|(asked, of)| chain::Move {
                lasting: of.lasting.clone(),
                told: self.observer.told(&of_any_ring, asked),
            })
            .collect();
        for segment in segments {
            moves.iter_mut().for_each(|one| one.told[segment.from()..segment.to()].fill(-TAKEN));
        }
        let (bounds, weight) = chain::closest(&moves.iter().collect::<Vec<_>>());
        if weight < -TAKEN / 2.0 {
            return "nothing like it was found: the whole ride is taken by other phases".into();
        }
        let (from, to) = (bounds[0], bounds[bounds.len() - 1]);
        let wrong = match verify(phase, &bounds, self.observer.signals, self.ride) {
            Err(reason) => reason,
            Ok(ridden) => {
                let ring = self.observer.signals.ring_over(ridden.span);
                let wrong_ring = ring.filter(|b| phase.ring.is_some_and(|r| r != b.ring));
                let mut wrong: Vec<String> = ridden.deviations.into_iter().map(|deviation| deviation.says).collect();
                wrong.extend(wrong_ring.map(|b| format!("it was on the {} ring", b.ring.word())));
                if wrong.is_empty() {
                    "it fits too badly, or against the protocol's order".into()
                } else {
                    wrong.join("; ")
                }
            }
        };
        let how = if weight > 0.0 { "closest stretch" } else { "nothing like it was found; closest stretch" };
        format!("{how} {}: {wrong}", self.stretch(from, to))
    }

    /// A stretch in words: from when to when, at what mean power.
    pub fn stretch(&self, from: usize, to: usize) -> String {
        let power = self.observer.signals.mean_w(from, to);
        let power = power.map_or("no power recorded".into(), |p| format!("{p:.0} W on average"));
        format!("{} to {} ({power})", clock(self.ride, from), clock(self.ride, to))
    }

    /// Adds a deviation to repeats that followed the one before too soon or too late.
    pub fn recoveries(&self, found: &mut [PhaseMatch]) {
        // A pinned repeat need not lie in the order of its number.
        let spans: Vec<(usize, Window)> = found.iter().filter_map(|m| Some((m.phase, span(m)?))).collect();
        for one in found {
            let MatchOutcome::Ridden(ridden) = &mut one.outcome else { continue };
            let asked = self.protocol.phases[one.phase].drill.recover_s();
            let before = spans.iter().filter(|s| s.0 == one.phase && s.1.start_s < ridden.span.start_s);
            if let (Some(asked), Some(end_s)) = (asked, before.map(|s| s.1.end_s).max_by(f64::total_cmp)) {
                let got_s = ridden.span.start_s - end_s;
                if asked.low.is_some_and(|low| got_s < low - NEAR_S)
                    || asked.high.is_some_and(|high| got_s > high + NEAR_S)
                {
                    let says = format!("after a recovery of {got_s:.0} s, {} asked", range_words(asked, "s"));
                    ridden.deviations.push(Deviation::told(says));
                }
            }
        }
    }

    /// Where the ride as a whole left the plan.
    pub fn deviations(&self, found: &[PhaseMatch]) -> Vec<String> {
        let mut sentences = Vec::new();
        let mut ridden: Vec<(f64, usize)> = found.iter().filter_map(|m| Some((span(m)?.start_s, m.phase))).collect();
        ridden.sort_by(|a, b| a.0.total_cmp(&b.0));
        if self.protocol.order == PhaseOrder::AsWritten {
            let order: Vec<usize> = ridden.iter().map(|r| r.1).collect();
            let out = out_of_order(&order);
            for phase in out {
                sentences.push(format!("{} was ridden out of the protocol's order", self.protocol.phases[phase].id));
            }
        }
        for phase in 0..self.protocol.phases.len() {
            let surplus = found.iter().filter(|m| m.phase == phase && m.surplus).count();
            if surplus > 0 {
                let asked = self.protocol.phases[phase].repeats as usize;
                let id = &self.protocol.phases[phase].id;
                sentences.push(format!("{id} was ridden {} times, {asked} asked", asked + surplus));
            }
        }
        for (at, phase) in
            self.protocol.phases.iter().enumerate().filter(|(_, phase)| phase.drill.kind().is_scored_riding())
        {
            let ridden = found.iter().filter(|m| m.phase == at && span(m).is_some()).count();
            if ridden < phase.repeats as usize && phase.part != Part::Optional {
                sentences.push(match ridden {
                    0 => format!("{} was not ridden", phase.id),
                    1 => format!("{} was ridden once, {} asked", phase.id, phase.repeats),
                    _ => format!("{} was ridden {ridden} times, {} asked", phase.id, phase.repeats),
                });
            }
        }
        if let Some(late_s) = self.laps_late_s.filter(|late_s| *late_s > LAPS_LATE_S) {
            sentences.push(format!("laps came about {late_s:.0} s late; allowed for"));
        }
        if let (Some(asked_s), Some((start_s, _))) = (self.protocol.needs.warm_up_s, ridden.first())
            && *start_s < asked_s - NEAR_S
        {
            sentences.push(format!("warm-up of {:.1} min, {} min asked", start_s / 60.0, asked_s / 60.0));
        }
        sentences
    }
}

fn span(one: &PhaseMatch) -> Option<Window> {
    match &one.outcome {
        MatchOutcome::Ridden(ridden) => Some(ridden.span),
        MatchOutcome::NotRidden { .. } => None,
    }
}

/// The fewest phases whose removal leaves the rest in rising order, in rising order themselves.
fn out_of_order(order: &[usize]) -> Vec<usize> {
    // Longest non-falling subsequence, by the length of the best one ending at each place.
    let mut best: Vec<(usize, Option<usize>)> = Vec::new();
    for (i, phase) in order.iter().enumerate() {
        let before = (0..i).filter(|&j| order[j] <= *phase).max_by_key(|&j| (best[j].0, std::cmp::Reverse(j)));
        best.push((before.map_or(1, |j| best[j].0 + 1), before));
    }
    let mut kept = vec![false; order.len()];
    let mut at = (0..order.len()).max_by_key(|&i| (best[i].0, std::cmp::Reverse(i)));
    while let Some(i) = at {
        kept[i] = true;
        at = best[i].1;
    }
    let mut out: Vec<usize> = order.iter().zip(&kept).filter(|(_, kept)| !**kept).map(|(p, _)| *p).collect();
    out.sort_unstable();
    out.dedup();
    out
}
