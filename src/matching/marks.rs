//! What a tester marked while riding, as evidence: when repeats began and ended, which were skipped, added or spoiled.
//!
//! The marks' clock is a computer's, minutes off it may be. So the ride is read without them first, and their clock is
//! set by the repeats that were found: most differences between a mark and the same edge in the ride must be one. Then
//! the ride is read again, with a boundary cheaper where one was marked. Marks never force.

use chrono::{DateTime, Utc};

use super::model::{MatchOutcome, Matches, PhaseMatch};
use super::remarks::STRUCK;
use crate::protocol::{Drill, PhaseId, Protocol, Selector};
use crate::ride::{Edge, EdgeKind, Ride};
use crate::session::{ClockTime, MarkEvent, MarksFile, Remark, Session, SessionEvent};
use crate::stats::median;

/// Marks that are one clock's lie this near to one offset: a rider follows a prompt within a second or two, and edges are
/// found about as well. Common practice, no source.
const NEAR_S: f64 = 3.0;
/// Fewer marks set no clock.
const FEWEST: usize = 4;
/// Offsets nearer than this are one.
const APART_S: f64 = 10.0;
/// Another offset may agree with this share of the marks: prompts come in even steps, so that a clock one sprint off fits
/// most other sprints.
const RIVAL: f64 = 0.8;
/// A standard deviation is so many median absolute deviations, of a normal distribution …
const SD_PER_MAD: f64 = 1.4826;
/// … and a median of n values is less sure than their mean by this factor.
const MEDIAN_PER_MEAN: f64 = 1.2533;

/// What marks say of a ride, in session time.
#[derive(Debug, Default)]
pub(super) struct MarksEvidence {
    edges: Vec<Edge>,
    remarks: Vec<Remark>,
    /// Repeats that the tester put in.
    added: Vec<NotedRepeat>,
    skipped: Vec<NotedRepeat>,
    pub cautions: Vec<String>,
}

/// A repeat that the tester put in or skipped.
#[derive(Debug, Clone)]
struct NotedRepeat {
    phase: usize,
    number: u32,
    /// When, in words.
    at: String,
}

/// One repeat as the marks tell of it; seconds of their own clock since the ride's start.
#[derive(Debug)]
struct MarkedRepeat {
    phase: usize,
    number: u32,
    of: Selector,
    began_s: Option<f64>,
    /// Its later moves, from 1, and when they began.
    moves: Vec<(usize, f64)>,
    ended_s: Option<f64>,
    skipped_s: Option<f64>,
    added_s: Option<f64>,
    /// When, and why.
    spoiled: Option<(f64, Option<String>)>,
}

impl MarkedRepeat {
    fn was_begun(&self) -> bool {
        self.began_s.is_some() && self.skipped_s.is_none()
    }

    /// Its edges: which (0 and up are moves, `None` the end) and when.
    fn edges(&self) -> impl Iterator<Item = (Option<usize>, f64)> {
        let begun = self.was_begun();
        let began = self.began_s.map(|s| (Some(0), s));
        let moves = self.moves.iter().map(|&(of, s)| (Some(of), s));
        began.into_iter().chain(moves).chain(self.ended_s.map(|s| (None, s))).filter(move |_| begun)
    }
}

/// Which of a drill's later moves a word of the marks names; the first begins with its repeat.
fn later_move(drill: &Drill, word: &str) -> Option<usize> {
    drill.moves().iter().skip(1).position(|m| m.name == word).map(|at| at + 1)
}

/// The marks by repeat, in the order in which each is first named.
fn repeats(protocol: &Protocol, marks: &MarksFile, ride: &Ride) -> Vec<MarkedRepeat> {
    let mut repeats: Vec<MarkedRepeat> = vec![];
    let mut last: Option<usize> = None;
    for mark in &marks.marks {
        let at_s = (mark.at - ride.start).as_seconds_f64();
        let (MarkEvent::Began { of, .. }
        | MarkEvent::Ended(of)
        | MarkEvent::Skipped(of)
        | MarkEvent::Spoiled(of)
        | MarkEvent::TakenBack(of)
        | MarkEvent::Added(of)) = &mark.what
        else {
            // Back by one step: what began last, of what is scored or not, had not.
            if mark.what == MarkEvent::Session(SessionEvent::Back)
                && let Some(begun) = last
            {
                let repeat = &mut repeats[begun];
                (repeat.ended_s, repeat.skipped_s) = (None, None);
                if repeat.moves.pop().is_none() {
                    (repeat.began_s, last) = (None, None);
                }
            }
            continue;
        };
        let Some(phase) = protocol.phases.iter().position(|p| of.selects(&p.id)) else { continue };
        let number = of.repeat.unwrap_or(1);
        let at = repeats.iter().position(|r| (r.phase, r.number) == (phase, number)).unwrap_or_else(|| {
            let PhaseId { name, keys } = protocol.phases[phase].id.clone();
            repeats.push(MarkedRepeat {
                phase,
                number,
                of: Selector { name, keys, repeat: Some(number) },
                began_s: None,
                moves: vec![],
                ended_s: None,
                skipped_s: None,
                added_s: None,
                spoiled: None,
            });
            repeats.len() - 1
        });
        let repeat = &mut repeats[at];
        match &mark.what {
            MarkEvent::Began { act: None, .. } => {
                (repeat.began_s, repeat.ended_s, repeat.skipped_s) = (Some(at_s), None, None);
                repeat.moves.clear();
                last = Some(at);
            }
            MarkEvent::Began { act: Some(act), .. } => {
                if let Some(of) = later_move(&protocol.phases[phase].drill, act) {
                    repeat.moves.retain(|m| m.0 != of);
                    repeat.moves.push((of, at_s));
                }
            }
            MarkEvent::Ended(_) => repeat.ended_s = Some(at_s),
            MarkEvent::Skipped(_) => repeat.skipped_s = Some(at_s),
            MarkEvent::Spoiled(_) => repeat.spoiled = Some((at_s, mark.text.clone())),
            MarkEvent::TakenBack(_) => repeat.spoiled = None,
            MarkEvent::Added(_) => repeat.added_s = Some(at_s),
            MarkEvent::Session(_) | MarkEvent::Note => {}
        }
    }
    repeats
}

/// The marks' clock less session time, the rider's reaction with it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct MarksOffset {
    offset_s: f64,
    /// Standard deviation of one edge about it.
    spread_s: f64,
    edges: usize,
}

impl MarksOffset {
    fn standard_uncertainty_s(&self) -> f64 {
        // No better than the tenths that marks are written in and the seconds that edges are found in allow.
        (MEDIAN_PER_MEAN * self.spread_s / (self.edges as f64).sqrt()).hypot(0.1)
    }

    /// The one on which most edges agree.
    ///
    /// # Errors
    /// Why there is none, in words.
    fn of(repeats: &[MarkedRepeat], alone: &Matches) -> Result<Self, String> {
        let found: Vec<(usize, Option<usize>, f64)> = alone
            .found
            .iter()
            .filter_map(|m| match &m.outcome {
                MatchOutcome::Ridden(ridden) => Some((m.phase, ridden)),
                MatchOutcome::NotRidden { .. } => None,
            })
            .flat_map(|(phase, ridden)| {
                let moves = ridden.moves.iter().enumerate().map(|(of, window)| (Some(of), window.start_s));
                moves.chain([(None, ridden.span.end_s)]).map(move |(of, s)| (phase, of, s)).collect::<Vec<_>>()
            })
            .collect();
        // For each marked edge its distances from all like it in the ride.
        let off: Vec<(usize, Vec<f64>)> = repeats
            .iter()
            .enumerate()
            .flat_map(|(at, r)| r.edges().map(move |(of, s)| (at, (r.phase, of), s)))
            .map(|(at, which, s)| {
                (at, found.iter().filter(|f| (f.0, f.1) == which).map(|f| s - f.2).collect::<Vec<f64>>())
            })
            .filter(|(_, off)| !off.is_empty())
            .collect();
        let nearest = |off: &[f64], offset_s: f64| {
            off.iter().map(|o| o - offset_s).min_by(|a, b| a.abs().total_cmp(&b.abs())).filter(|o| o.abs() <= NEAR_S)
        };
        let agree = |offset_s: f64| off.iter().filter(|(_, off)| nearest(off, offset_s).is_some()).count();
        let mut candidates: Vec<(usize, f64)> = off.iter().flat_map(|(_, o)| o).map(|&o| (agree(o), o)).collect();
        candidates.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.abs().total_cmp(&b.1.abs())));
        let Some(&(_, best_s)) = candidates.first() else {
            return Err("none of the repeats that they name was found without them".into());
        };
        // The candidate is one edge's own; the middle of those that agree is better placed.
        let mut offset_s = best_s;
        for _ in 0..2 {
            let agreeing: Vec<f64> = off.iter().filter_map(|(_, o)| nearest(o, offset_s)).collect();
            offset_s += median(&agreeing).unwrap_or(0.0);
        }
        let agreeing: Vec<(usize, f64)> = off.iter().filter_map(|(at, o)| Some((*at, nearest(o, offset_s)?))).collect();
        let votes = agreeing.len();
        let mut of_repeats: Vec<usize> = agreeing.iter().map(|a| a.0).collect();
        of_repeats.dedup();
        if votes < FEWEST || of_repeats.len() < 2 {
            return Err(format!("only {votes} of them agree with repeats found without them"));
        }
        if 2 * votes <= off.len() {
            return Err(format!("no more than {votes} of {} agree on one clock", off.len()));
        }
        let rival = candidates.iter().find(|c| (c.1 - offset_s).abs() > APART_S);
        if let Some(&(rival, rival_s)) = rival
            && rival as f64 > RIVAL * votes as f64
            && offset_s.abs() > APART_S
        {
            return Err(format!(
                "{votes} of them agree with a clock {offset_s:+.0} s off and {rival} with one {rival_s:+.0} s off"
            ));
        }
        let sizes: Vec<f64> = agreeing.iter().map(|a| a.1.abs()).collect();
        let spread_s = SD_PER_MAD * median(&sizes).unwrap_or(0.0);
        Ok(Self { offset_s, spread_s, edges: votes })
    }
}

impl MarksEvidence {
    /// What the marks of a session say, given what was found without them.
    pub fn of(protocol: &Protocol, marks: &MarksFile, alone: &Matches, ride: &Ride) -> Self {
        let name = marks.file.file_name().map_or_else(|| "marks".into(), |name| name.to_string_lossy().into_owned());
        let mut evidence = Self { cautions: marks.cautions.clone(), ..Self::default() };
        let repeats = repeats(protocol, marks, ride);
        if repeats.iter().all(|r| !r.was_begun() && r.spoiled.is_none()) {
            return evidence;
        }
        let offset = MarksOffset::of(&repeats, alone);
        match &offset {
            Ok(offset) => evidence.cautions.push(format!(
                "{name}: its clock is {:.1} s {} session time (± {:.1} s, k = 2, the rider's reaction in it; {} edges, which \
                 scatter by {:.1} s), and its marks were moved by that",
                offset.offset_s.abs(),
                if offset.offset_s < 0.0 { "behind" } else { "ahead of" },
                2.0 * offset.standard_uncertainty_s(),
                offset.edges,
                offset.spread_s,
            )),
            Err(why) => evidence.cautions.push(format!(
                "{name}: its clock can't be set by the ride ({why}), so its times helped to find nothing; what it calls spoiled \
                 was struck by number"
            )),
        }
        let session_s = |s: f64| offset.as_ref().map_or(s, |o| s - o.offset_s);
        let spoken = |s: f64| ride.utc(session_s(s)).format("%H:%M:%S UTC").to_string();
        for repeat in &repeats {
            if offset.is_ok() {
                let kind = || EdgeKind::Cue(repeat.of.clone());
                evidence.edges.extend(repeat.edges().map(|(_, s)| Edge { at_s: session_s(s), kind: kind() }));
            }
            let noted = |s: f64| NotedRepeat { phase: repeat.phase, number: repeat.number, at: spoken(s) };
            evidence.skipped.extend(repeat.skipped_s.map(noted));
            evidence.added.extend(repeat.added_s.map(noted));
            let Some((pressed_s, text)) = &repeat.spoiled else { continue };
            // A key is often pressed in the recovery after it; just before its end is surely within it.
            let within_s = repeat.ended_s.map_or(*pressed_s, |ended_s| pressed_s.min(ended_s - 1.0).max(ended_s - 5.0));
            let earlier = |r: &&MarkedRepeat| r.phase == repeat.phase && r.was_begun() && r.began_s <= repeat.began_s;
            let ridden = repeats.iter().filter(earlier).count() as u32;
            let number = if offset.is_ok() { repeat.number } else { ridden.max(1) };
            evidence.remarks.push(Remark {
                at: offset.is_ok().then(|| clock_time(ride.utc(session_s(within_s)))),
                text: text.clone().unwrap_or_else(|| format!("marked while riding, at {}", spoken(*pressed_s))),
                spoiled: Some(Selector { repeat: Some(number), ..repeat.of.clone() }),
            });
        }
        evidence
    }

    /// The ride with marked edges, and the session with what was called spoiled.
    pub fn added_to(&self, session: &Session, ride: &Ride) -> (Session, Ride) {
        let (mut session, mut ride) = (session.clone(), ride.clone());
        session.remarks.extend(self.remarks.iter().cloned());
        ride.edges.extend(self.edges.iter().cloned());
        ride.edges.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        (session, ride)
    }

    /// Repeats of a phase that the tester put in.
    pub fn added(&self, phase: usize) -> usize {
        self.added.iter().filter(|a| a.phase == phase).count()
    }

    /// Says of repeats that are missing that they were skipped, and of added ones that they are missing.
    pub fn explain(&self, protocol: &Protocol, matches: &mut Matches) {
        let mut skipped = self.skipped.clone();
        for found in &mut matches.found {
            let MatchOutcome::NotRidden { reason } = &mut found.outcome else { continue };
            if reason.starts_with(STRUCK) {
                continue;
            }
            // Repeats are numbered as ridden: what is missing of them are the last ones.
            let Some(at) = skipped.iter().position(|s| s.phase == found.phase) else { continue };
            let NotedRepeat { phase, number, at } = skipped.remove(at);
            let id = &protocol.phases[phase].id;
            *reason = format!("the tester skipped {id}/{number} at {at}; {reason}");
        }
        for NotedRepeat { phase, number, at } in &self.added {
            let of = |m: &&PhaseMatch| m.phase == *phase;
            let ridden = matches.found.iter().filter(of).filter(|m| match &m.outcome {
                MatchOutcome::Ridden(_) => true,
                MatchOutcome::NotRidden { reason } => reason.starts_with(STRUCK),
            });
            let missed = self.skipped.iter().filter(|s| s.phase == *phase).count();
            if ridden.count() + missed < *number as usize {
                let id = &protocol.phases[*phase].id;
                matches
                    .cautions
                    .push(format!("the tester added {id}/{number} at {at}; nothing more like it was found"));
            }
        }
    }
}

fn clock_time(at: DateTime<Utc>) -> ClockTime {
    ClockTime { date: Some(at.date_naive()), time: at.time(), offset_s: Some(0) }
}
