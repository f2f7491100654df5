//! What a match rests on, how sure it is, what is missing and why, and where the ride left the plan.

use crate::protocol::{Effort, Part, Phase, Protocol};
use crate::ride::{EdgeKind, Ride, Window};
use crate::session::{Remark, Session};

use super::model::{Deviation, Ground, MatchOutcome, PhaseMatch, Ridden};
use super::moves::{self, AskedRings, ScoredPhases};
use super::refine::{self, clock, range_words};
use super::remarks::{remarked, written_of};
use super::ring;
use super::segment::{self, Segment};
use super::shape::SteadyBlock;
use super::signals::Signals;

/// A gap of this many seconds of misfit to the next best explanation makes a match e times likelier than it:
/// neighbouring seconds tell much the same, so about eight of them make one piece of evidence.
const SECONDS_PER_E: f64 = 8.0;
/// A ring believed less than this is a guess.
const RING_TOLD: f64 = 0.6;
/// From here on a ring decides that something else was ridden than asked.
const RING_SURE: f64 = 0.95;
const NEAR_S: f64 = 3.0;
/// Later than this a lap button was not pressed when the rider began to change.
const LAPS_LATE_S: f64 = 3.0;

pub(super) struct Explainer<'a> {
    pub protocol: &'a Protocol,
    pub plan: &'a ScoredPhases,
    pub signals: &'a Signals,
    pub session: &'a Session,
    pub ride: &'a Ride,
}

impl Explainer<'_> {
    fn phase(&self, entry: usize) -> &Phase {
        &self.protocol.phases[self.plan.entries[entry].phase]
    }

    /// Writes a match's confidence, ring, grounds and runner-up.
    ///
    /// Confidence is the weight of this assignment against the cheapest other use of the same seconds, as filler
    /// or as another phase, order included: 1 / (1 + exp(−gap / 8 s)).
    pub fn weigh(&self, ridden: &mut Ridden, instances: &[Segment], at: usize) {
        let instance = &instances[at];
        let phase = self.phase(instance.entry);
        let before = at.checked_sub(1).map(|b| instances[b].entry);
        let after = instances.get(at + 1).map(|i| i.entry);
        let jump = |from: Option<usize>, to: Option<usize>| match to {
            Some(to) if !self.plan.entries[to].free_after.contains(&from) => self.plan.jump,
            _ => 0.0,
        };
        let as_entry =
            |e: usize| self.plan.entries[e].cost(&instance.bounds) + jump(before, Some(e)) + jump(Some(e), after);
        let own = as_entry(instance.entry);
        let filler = jump(before, after);
        let (other, runner_up) = (0..self.plan.entries.len())
            .filter(|&e| e != instance.entry && self.plan.entries[e].moves.len() == instance.bounds.len() - 1)
            .map(|e| (as_entry(e), Some(e)))
            .fold((filler, None), |best, next| if next.0 < best.0 { next } else { best });
        ridden.confidence = 1.0 / (1.0 + (-(other - own) / SECONDS_PER_E).exp());
        ridden.runner_up = Some(match runner_up {
            Some(e) => format!("{} at the same place", self.phase(e).id),
            None => "no part of the protocol".into(),
        });

        ridden.rests_on.push(Ground::Power);
        if phase.cadence_rpm.is_some() || phase.drill.moves().iter().any(|m| m.effort == Effort::Coast) {
            ridden.rests_on.push(Ground::Cadence);
        }
        let seen = self.signals.ring_over(ridden.span);
        match seen.filter(|b| b.confidence >= RING_TOLD) {
            Some(belief) => {
                ridden.ring = Some(belief.ring);
                let source = ring::rests_on(self.session, self.ride, ridden.span.seconds().start);
                ridden.ring_rests_on = Some(source.into());
                if phase.ring.is_some() {
                    ridden.rests_on.push(Ground::Ring);
                }
                if phase.ring.is_some_and(|asked| asked != belief.ring) {
                    let says = format!("ridden on the {} ring, by {source}", belief.ring.word());
                    ridden.deviations.push(Deviation { breaks: belief.confidence >= RING_SURE, says });
                }
            }
            None => {
                ridden.ring = phase.ring;
                let why = match seen {
                    Some(_) => "speed over cadence fits a gear of either ring",
                    None => "nothing recorded tells the ring",
                };
                ridden.ring_rests_on = phase.ring.map(|_| format!("the protocol's order; {why}"));
            }
        }
        if self.plan.jump > 0.0 && jump(before, Some(instance.entry)) == 0.0 {
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

    /// Whether a mark made while riding names the phase at either end.
    fn prompted(&self, phase: &Phase, span: Window) -> bool {
        let near = |t: f64| (t - span.start_s).abs() <= NEAR_S || (t - span.end_s).abs() <= NEAR_S;
        let named = |kind: &EdgeKind| matches!(kind, EdgeKind::Cue(of) if of.selects(&phase.id));
        self.ride.edges.iter().any(|e| named(&e.kind) && near(e.at_s))
    }

    fn edge_near(&self, kind: &EdgeKind, span: Window) -> bool {
        let same = |e: &EdgeKind| std::mem::discriminant(e) == std::mem::discriminant(kind);
        let near = |t: f64| (t - span.start_s).abs() <= NEAR_S || (t - span.end_s).abs() <= NEAR_S;
        self.ride.edges.iter().any(|e| same(&e.kind) && near(e.at_s))
    }

    /// Why a phase is missing: the stretch closest to it that no other phase took, and what was wrong with it.
    pub fn closest(&self, entry: usize, instances: &[Segment]) -> String {
        let mut taken = vec![false; self.plan.seconds];
        for instance in instances {
            taken[instance.from()..instance.to()].fill(true);
        }
        let (_, moves) = moves::moves_of(self.phase(entry), self.signals, self.plan.paced, AskedRings::Ignore);
        let Some((bounds, cost)) = segment::closest(&moves, &taken) else {
            return "nothing like it was found: the whole ride is taken by other phases".into();
        };
        let (from, to) = (bounds[0], bounds[bounds.len() - 1]);
        let phase = self.phase(entry);
        let room = self.room(instances, from, to);
        let tried = refine::verify(phase, &Segment { entry, bounds, forced: None }, room, self.signals, self.ride);
        let wrong = match tried {
            Err(reason) => reason,
            Ok(ridden) => {
                let ring = self.signals.ring_over(ridden.span);
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
        let how = if cost < 0.0 { "closest stretch" } else { "nothing like it was found; closest stretch" };
        format!("{how} {}: {wrong}", self.stretch(from, to))
    }

    /// From where the last phase before `from` must have been ridden to where the first one after `to` must have begun;
    /// a block may have been segmented with its recovery, so no more of it than was asked.
    pub fn room(&self, instances: &[Segment], from: usize, to: usize) -> (usize, usize) {
        let asked = |i: &Segment| match SteadyBlock::of(&self.phase(i.entry).drill) {
            Some(block) => block.lasts_s.low.map_or(0, |s| s as usize).min(i.to() - i.from()),
            None => i.to() - i.from(),
        };
        let before = instances.iter().filter(|i| i.to() <= from).map(|i| i.from() + asked(i)).max();
        let after = instances.iter().filter(|i| i.from() >= to).map(|i| i.to() - asked(i)).min();
        (before.unwrap_or(0), after.unwrap_or(self.plan.seconds))
    }

    /// A stretch in words: from when to when, at what mean power.
    pub fn stretch(&self, from: usize, to: usize) -> String {
        let power =
            self.signals.mean_w(from, to).map_or("no power recorded".into(), |p| format!("{p:.0} W on average"));
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

    /// Warm-ups, recoveries and waits, which nothing scores: what lies between the scored phases that were ridden.
    pub fn between(&self, found: &[PhaseMatch]) -> Vec<PhaseMatch> {
        let mut spans: Vec<(usize, Window)> = found.iter().filter_map(|m| Some((m.phase, span(m)?))).collect();
        spans.sort_by(|a, b| a.1.start_s.total_cmp(&b.1.start_s));
        let unscored = |phase: &usize| {
            let kind = self.protocol.phases[*phase].drill.kind();
            kind.is_free_riding() || kind.is_off_the_bike()
        };
        let mut matches = Vec::new();
        let mut phase = 0;
        while phase < self.protocol.phases.len() {
            // Phases up to the next scored one share what lies between; typed readings among them take no time here.
            let next = self.plan.entries.iter().map(|e| e.phase).find(|&p| p >= phase);
            let until = next.unwrap_or(self.protocol.phases.len());
            let group: Vec<usize> = (phase..until).filter(unscored).collect();
            if !group.is_empty() {
                matches.extend(self.fill(&group, &spans));
            }
            phase = until + 1;
        }
        matches
    }

    /// Divides the time from the last scored phase before `group` to whatever was ridden next among its phases.
    fn fill(&self, group: &[usize], spans: &[(usize, Window)]) -> Vec<PhaseMatch> {
        let before = spans
            .iter()
            .filter(|s| s.0 < group[0])
            .max_by(|a, b| (a.0).cmp(&b.0).then(a.1.end_s.total_cmp(&b.1.end_s)));
        let from_s = before.map_or(0.0, |s| s.1.end_s);
        let to_s = spans.iter().map(|s| s.1.start_s).find(|&t| t >= from_s).unwrap_or(self.plan.seconds as f64);
        let (from, to) = (from_s.ceil() as usize, to_s.floor() as usize);
        let outcome = |bounds: Option<&[usize]>| match bounds {
            Some(bounds) => {
                let mut ridden = refine::from_bounds(bounds);
                ridden.confidence = 1.0;
                ridden.rests_on.push(Ground::Between);
                MatchOutcome::Ridden(ridden)
            }
            None => MatchOutcome::NotRidden { reason: "no time was left between the phases around it".into() },
        };
        let bounds = (to > from + group.len()).then(|| {
            let of =
                |&phase: &usize| moves::moves_of(&self.protocol.phases[phase], self.signals, 1.0, AskedRings::Count).1;
            let moves: Vec<_> = group.iter().flat_map(of).collect();
            segment::within(&moves, from, to)
        });
        let of = |(at, &phase): (usize, &usize)| {
            let outcome = outcome(bounds.as_ref().map(|b| &b[at..at + 2]));
            PhaseMatch { phase, repeat: 1, surplus: false, outcome }
        };
        group.iter().enumerate().map(of).collect()
    }

    /// Where the ride as a whole left the plan.
    pub fn deviations(&self, found: &[PhaseMatch]) -> Vec<String> {
        let mut sentences = Vec::new();
        let mut ridden: Vec<(f64, usize)> = found.iter().filter_map(|m| Some((span(m)?.start_s, m.phase))).collect();
        ridden.sort_by(|a, b| a.0.total_cmp(&b.0));
        if self.plan.jump > 0.0 {
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
        for entry in &self.plan.entries {
            let phase = &self.protocol.phases[entry.phase];
            let ridden = found.iter().filter(|m| m.phase == entry.phase && span(m).is_some()).count();
            if ridden < phase.repeats as usize && phase.part != Part::Optional {
                sentences.push(match ridden {
                    0 => format!("{} was not ridden", phase.id),
                    1 => format!("{} was ridden once, {} asked", phase.id, phase.repeats),
                    _ => format!("{} was ridden {ridden} times, {} asked", phase.id, phase.repeats),
                });
            }
        }
        if let Some(late_s) = self.signals.laps_late_s.filter(|late_s| *late_s > LAPS_LATE_S) {
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
