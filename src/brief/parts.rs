//! Steps that are told as one: the repeats of a phase, the blocks of one `for_each`.

use super::action::StepAction;
use super::step::{ProtocolPart, Step};
use crate::protocol::{PhaseOrder, Protocol};

/// A phase with its repeats, or phases of one name that follow each other; or one stretch of easy riding.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Seconds of all countdowns before it.
    pub at_s: f64,
    pub lines: Vec<PartLine>,
    /// Easy riding between its repeats and lines, each kind once.
    pub between: Vec<Step>,
    /// Whether the ring changes between its lines.
    pub shifts: bool,
}

/// What is ridden the same `times` times: the moves of one phase.
#[derive(Debug, Clone, PartialEq)]
pub struct PartLine {
    pub at_s: f64,
    pub times: u32,
    /// Those of its first repeat.
    pub moves: Vec<Step>,
}

impl Part {
    /// The phase of its first line; `None` for what the protocol leaves unwritten.
    pub fn phase(&self) -> Option<usize> {
        Some(self.lines.first()?.phase()?.phase)
    }

    /// Whether nothing in it is scored or typed.
    pub fn is_easy(&self) -> bool {
        self.lines.iter().flat_map(|line| &line.moves).all(is_easy)
    }
}

impl PartLine {
    pub fn phase(&self) -> Option<ProtocolPart> {
        self.moves.first()?.part
    }
}

/// Groups the steps of a protocol.
pub fn parts(protocol: &Protocol, steps: &[Step]) -> Vec<Part> {
    let name = |step: &Step| step.part.map(|part| protocol.phases[part.phase].id.name.as_str());
    let mut parts: Vec<Part> = vec![];
    let mut waiting: Vec<(f64, &Step)> = vec![];
    let mut now_s = 0.0;
    for step in steps {
        let at_s = now_s;
        now_s += step.lasts.planned_s.unwrap_or(0.0);
        if is_easy(step) {
            waiting.push((at_s, step));
            continue;
        }
        let last = parts.last_mut().filter(|last| {
            let before = last.lines.first().and_then(|line| line.moves.first());
            before.is_some_and(|before| name(before).is_some() && name(before) == name(step))
        });
        match last {
            Some(part) => {
                part.shifts |= waiting.iter().any(|(_, easy)| easy.shift_to.is_some());
                for (_, easy) in waiting.drain(..) {
                    if !part.between.iter().any(|known| same_length(known, easy)) {
                        part.between.push(easy.clone());
                    }
                }
                part.add(at_s, step);
            }
            None => {
                parts.extend(waiting.drain(..).filter_map(|(at_s, easy)| alone(protocol, at_s, easy)));
                parts.push(Part { at_s, lines: vec![line(at_s, step)], between: vec![], shifts: false });
            }
        }
    }
    parts.extend(waiting.drain(..).filter_map(|(at_s, easy)| alone(protocol, at_s, easy)));
    parts
}

impl Part {
    fn add(&mut self, at_s: f64, step: &Step) {
        let Some(last) = self.lines.last_mut() else { return };
        match (last.phase(), step.part) {
            (Some(known), Some(part)) if known.phase == part.phase => {
                last.times = last.times.max(part.repeat);
                if part.repeat == 1 {
                    last.moves.push(step.clone());
                }
            }
            _ => self.lines.push(line(at_s, step)),
        }
    }
}

fn line(at_s: f64, step: &Step) -> PartLine {
    PartLine { at_s, times: 1, moves: vec![step.clone()] }
}

/// A part of easy riding; none for riding on to a place on the road, which the part that follows tells.
fn alone(protocol: &Protocol, at_s: f64, easy: &Step) -> Option<Part> {
    let looks = protocol.order == PhaseOrder::Any && easy.act == StepAction::Look;
    (!looks).then(|| Part { at_s, lines: vec![line(at_s, easy)], between: vec![], shifts: false })
}

fn is_easy(step: &Step) -> bool {
    step.act.is_ridden() && !step.act.is_scored()
}

fn same_length(a: &Step, b: &Step) -> bool {
    (a.lasts, a.power, a.act == StepAction::Look) == (b.lasts, b.power, b.act == StepAction::Look)
}

#[cfg(test)]
mod tests {
    use super::super::steps::steps;
    use super::super::tests::{all_shipped, shipped};
    use super::*;

    #[test]
    fn six_sprints_and_six_blocks_are_one_part_each() {
        let protocol = shipped("bench-both-rings");
        let parts = parts(&protocol, &steps(&protocol));
        let of = |name: &str| {
            let part = parts.iter().find(|p| p.phase().is_some_and(|at| protocol.phases[at].id.name == name)).unwrap();
            let lines: Vec<(u32, usize)> = part.lines.iter().map(|l| (l.times, l.moves.len())).collect();
            (lines, part.between.len(), part.shifts)
        };
        assert_eq!(of("steady"), (vec![(1, 1); 6], 1, true));
        assert_eq!(of("standing-sprints"), (vec![(6, 1)], 1, false));
        assert_eq!(of("coast-and-restart"), (vec![(6, 3)], 1, false));
        assert_eq!(of("soft-pedalling"), (vec![(4, 2)], 1, false));
    }

    #[test]
    fn every_repeat_of_every_scored_phase_is_told_in_some_line() {
        for name in all_shipped() {
            let protocol = shipped(&name);
            let steps = steps(&protocol);
            let told: u32 = parts(&protocol, &steps)
                .iter()
                .flat_map(|part| &part.lines)
                .filter(|line| line.moves[0].opens_repeat())
                .map(|line| line.times)
                .sum();
            assert_eq!(told as usize, steps.iter().filter(|step| step.opens_repeat()).count(), "{name}");
        }
    }
}
