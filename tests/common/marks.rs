//! Marks as a tester would have made them of a rehearsed ride, whose truth is known.

use assize::internals::rehearse::{Rehearsal, TrueMove};
use assize::protocol::{Protocol, Selector, selector};
use assize::session::{MarkEvent, MarksFile, MarksHeader, SessionEvent, TimedMark};
use chrono::{DateTime, TimeDelta, Utc};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// The rider follows a prompt so long after it: mean and scatter, s. Common practice, no source.
const REACTION_S: (f64, f64) = (1.0, 1.0);

/// What the tester's computer and keys do.
#[derive(Debug, Clone, Default)]
pub struct Marking {
    /// The computer's clock less true time, s.
    pub clock_s: f64,
    /// Repeats that the tester calls spoiled, as ridden.
    pub spoiled: Vec<(usize, u32)>,
    /// What the program was told to skip: a phase, and the number that it then has.
    pub skipped: Option<(usize, u32)>,
    pub seed: u64,
}

fn gauss(rng: &mut impl Rng) -> f64 {
    (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0
}

/// Numbers of the program, which counts a skipped repeat too.
fn numbered(protocol: &Protocol, marking: &Marking, phase: usize, ridden: u32) -> Selector {
    let later = marking.skipped.is_some_and(|(of, number)| of == phase && ridden >= number);
    let id = &protocol.phases[phase].id;
    selector(&format!("{id}/{}", ridden + u32::from(later)), &protocol.phases).unwrap_or_else(|e| panic!("{e}"))
}

/// The marks file of a rehearsal: every scored move's prompt, by the true ride and a rider who reacts to it.
pub fn marks(protocol: &Protocol, rehearsal: &Rehearsal, marking: &Marking) -> MarksFile {
    let mut rng = ChaCha8Rng::seed_from_u64(marking.seed);
    let (date, clock_s) = (rehearsal.truth.date, marking.clock_s);
    let at = |true_s: f64| -> DateTime<Utc> { date + TimeDelta::milliseconds(((true_s + clock_s) * 1000.0) as i64) };
    let mut prompted = |true_s: f64| at(true_s - (REACTION_S.0 + REACTION_S.1 * gauss(&mut rng)).max(0.0));
    let mark = |at, what| TimedMark { at, what, text: None };
    let mut marks = vec![mark(at(0.0), MarkEvent::Session(SessionEvent::Started))];
    let moves: Vec<&TrueMove> =
        rehearsal.truth.moves.iter().filter(|m| !matches!(m.act, "ride" | "still" | "recovery" | "stop")).collect();
    for (n, m) in moves.iter().enumerate() {
        let of = numbered(protocol, marking, m.phase_index, m.repeat);
        let same =
            |other: Option<&&TrueMove>| other.is_some_and(|o| (o.phase_index, o.repeat) == (m.phase_index, m.repeat));
        let first = !same(n.checked_sub(1).and_then(|n| moves.get(n)));
        let began = prompted(m.start_s);
        if first && m.repeat > protocol.phases[m.phase_index].repeats {
            marks.push(mark(began - TimeDelta::seconds(40), MarkEvent::Added(of.clone())));
        }
        let act = match m.act {
            "coast" | "restart" => Some(m.act.to_owned()),
            "soft" => Some("soft pedalling".to_owned()),
            _ => None,
        };
        if first || act.is_some() {
            marks.push(mark(began, MarkEvent::Began { of: of.clone(), act: act.filter(|_| !first) }));
        }
        if !same(moves.get(n + 1)) {
            marks.push(mark(prompted(m.end_s), MarkEvent::Ended(of.clone())));
            if marking.spoiled.contains(&(m.phase_index, m.repeat)) {
                // A hand is free only some time into the recovery.
                marks.push(mark(at(m.end_s + 35.0), MarkEvent::Spoiled(of)));
            }
        }
        if let Some((phase, number)) = marking.skipped
            && phase == m.phase_index
            && m.repeat + 1 == number
            && !same(moves.get(n + 1))
        {
            let of = Selector { repeat: Some(number), ..numbered(protocol, marking, phase, 1) };
            marks.push(mark(at(m.end_s + 20.0), MarkEvent::Began { of: of.clone(), act: None }));
            marks.push(mark(at(m.end_s + 21.5), MarkEvent::Skipped(of)));
        }
    }
    MarksFile { file: "marks.yaml".into(), heading: Some(MarksHeader::of(protocol)), marks, ..MarksFile::default() }
}
