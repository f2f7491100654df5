//! Repeats that are put in while the session runs.

use crate::brief::{ProtocolPart, Step, StepAction, StepLength};

use super::state::{Prompter, RepeatRidden, repeat_of};

/// A marks file names repeats up to so many beyond those asked for.
pub(super) const MOST_ADDED: u32 = 20;
/// Rest before a repeat that was put in, where nothing says how long. Common practice, no source.
const REST_S: f64 = 60.0;

impl Prompter {
    /// Puts one more repeat behind the last of its phase, or behind the present step if that is over; its number.
    pub(super) fn insert(&mut self, phase: usize) -> Option<u32> {
        if self.added[phase] >= MOST_ADDED {
            return None;
        }
        let of_phase = |step: &&Step| step.part.is_some_and(|p| p.phase == phase) && step.act.is_scored();
        let number = self.steps.iter().filter(of_phase).filter_map(|s| s.part).map(|p| p.repeat).max()?;
        let repeat: Vec<Step> = self
            .steps
            .iter()
            .filter(of_phase)
            .filter(|s| repeat_of(s) == Some(RepeatRidden { phase, number }))
            .cloned()
            .collect();
        let last = self.steps.iter().rposition(|step| of_phase(&step))?;
        let mut behind = last.max(self.at.min(self.steps.len().saturating_sub(1)));
        // Nobody rides it before the mass is off and the wheel free.
        while self.steps[behind].act.leaves_wheel_blocked() && behind + 1 < self.steps.len() {
            behind += 1;
        }
        let part = ProtocolPart { phase, repeat: number + 1, of: number + 1 };
        // Changes of ring go along: onto this repeat's before it, and onto the next one's after it.
        let ridden = self.steps[..=behind].iter().rev().find_map(|step| step.ring);
        let wanted = repeat[0].ring;
        let then = self.steps[behind + 1..].iter().find_map(|step| step.ring);
        let mut rest = self.rest(&repeat[0], Some(part));
        rest.shift_to = wanted.filter(|_| wanted != ridden);
        // Always with a rest of its own: what is left of the present step may be too short before an effort.
        let mut new = vec![rest];
        new.extend(repeat.iter().cloned().map(|mut step| {
            step.part = Some(part);
            step
        }));
        let put_off = self.steps[behind].shift_to.take();
        match self.steps.get_mut(behind + 1) {
            Some(next) if next.act.is_scored() => {
                let mut rest = self.rest(&repeat[0], None);
                rest.shift_to = then.filter(|_| then != wanted.or(ridden));
                new.push(rest);
            }
            Some(next) => next.shift_to = next.shift_to.or(put_off),
            None => {}
        }
        self.steps.splice(behind + 1..behind + 1, new);
        for part in self.steps.iter_mut().filter_map(|step| step.part.as_mut()).filter(|part| part.phase == phase) {
            part.of = number + 1;
        }
        self.added[phase] += 1;
        Some(number + 1)
    }

    /// Easy riding before or after a repeat of this phase: as elsewhere in it, else as usual.
    fn rest(&self, scored: &Step, part: Option<ProtocolPart>) -> Step {
        let phase = scored.part.map(|p| p.phase);
        let like = self.steps.iter().find(|s| s.act == StepAction::Recover && s.part.map(|p| p.phase) == phase);
        let drill = phase.map(|phase| &self.protocol.phases[phase].drill);
        let rest_s = drill.and_then(|d| d.recover_s().or(d.usual_recovery_s())).and_then(|range| range.middle());
        let lasts = like.map_or(StepLength { planned_s: rest_s.or(Some(REST_S)), asked_s: None }, |like| like.lasts);
        let mut step = scored.clone();
        (step.part, step.act, step.lasts) = (part, StepAction::Recover, lasts);
        (step.power, step.cadence_rpm, step.posture, step.ring) = (None, None, None, None);
        (step.grade_pct, step.shift_to) = (None, None);
        step
    }
}
