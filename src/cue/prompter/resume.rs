//! A session that was broken off, from its marks.

use crate::brief::{Step, StepAction};
use crate::protocol::{Protocol, Selector};
use crate::session::{MarkEvent, MarksFile};

use super::state::{Prompter, RepeatRidden, leads_to, repeat_of};

impl Prompter {
    /// A session that goes on where its marks end: from the easy riding before the repeat that was broken off.
    pub fn resumed(protocol: &Protocol, marks: &MarksFile) -> Self {
        let mut prompter = Self::new(protocol);
        prompter.resumes = true;
        for mark in &marks.marks {
            prompter.replay(&mark.what);
        }
        while prompter.at > 0 && prompter.steps.get(prompter.at).is_some_and(|step| step.act.is_scored()) {
            prompter.at -= 1;
        }
        // Who comes back to hang a mass blocks the wheel first: it may have been released meanwhile.
        while prompter.at > 0 && prompter.steps.get(prompter.at).is_some_and(|step| step.act == StepAction::Load) {
            prompter.at -= 1;
        }
        prompter
    }

    fn replay(&mut self, said: &MarkEvent) {
        let repeat = |of: &Selector| {
            let phase = self.protocol.phases.iter().position(|p| of.selects(&p.id))?;
            Some(RepeatRidden { phase, number: of.repeat.unwrap_or(1) })
        };
        match said {
            MarkEvent::Began { of, act } => {
                let Some(of) = repeat(of) else { return };
                let of_repeat = |step: &Step| repeat_of(step) == Some(of) && !leads_to(step);
                let found = match act {
                    None => self.steps.iter().position(of_repeat),
                    Some(act) => {
                        let later = |at: &usize| of_repeat(&self.steps[*at]) && self.steps[*at].act.word() == act;
                        (self.at + 1..self.steps.len()).find(later)
                    }
                };
                if let Some(at) = found {
                    self.at = at;
                    self.last = Some(of);
                    self.skipped.remove(&of);
                }
            }
            MarkEvent::Ended(of) => {
                let Some(of) = repeat(of) else { return };
                let last = self.steps.iter().rposition(|step| repeat_of(step) == Some(of) && !leads_to(step));
                self.at = last.map_or(self.at, |at| at + 1);
            }
            MarkEvent::Skipped(of) => self.skipped.extend(repeat(of)),
            MarkEvent::Spoiled(of) => self.spoiled.extend(repeat(of)),
            MarkEvent::TakenBack(of) => {
                if let Some(of) = repeat(of) {
                    self.spoiled.remove(&of);
                }
            }
            MarkEvent::Added(of) => {
                if let Some(RepeatRidden { phase, .. }) = repeat(of) {
                    self.insert(phase);
                }
            }
            MarkEvent::Session(_) | MarkEvent::Note => {}
        }
    }
}
