//! Puts the steps of a session together: what leads to a repeat, the repeat, where the ring changes, where the lap is
//! pressed.

use crate::protocol::{Drill, Phase, PhaseOrder, Protocol, Ring};

use super::action::StepAction;
use super::drills::{StepsSoFar, steps_of};
use super::step::{ProtocolPart, Step, StepLength};

/// To clip in and roll off, from standing still to riding. Common practice, no source.
const ROLL_OFF_S: f64 = 20.0;

impl Phase {
    /// Whether it is ridden and scored.
    pub fn is_scored_riding(&self) -> bool {
        self.drill.kind().is_scored_riding()
    }
}

/// The steps of a session as they are put together.
pub(super) struct StepList<'a> {
    protocol: &'a Protocol,
    pub steps: Vec<Step>,
    /// Asked for last.
    ring: Option<Ring>,
}

impl<'a> StepList<'a> {
    pub fn new(protocol: &'a Protocol) -> Self {
        Self { protocol, steps: vec![], ring: None }
    }

    pub fn push(&mut self, step: Step) {
        self.steps.push(step);
    }

    /// What lies before a repeat.
    pub fn lead_to(&mut self, index: usize, repeat: u32) {
        let phases = &self.protocol.phases;
        let phase = &phases[index];
        if !phase.is_scored_riding() {
            return;
        }
        let before = index.checked_sub(1).map(|before| &phases[before]);
        if self.protocol.order == PhaseOrder::Any {
            let part = ProtocolPart { phase: index, repeat, of: phase.repeats };
            let recover_s = phase.drill.recover_s().filter(|_| repeat > 1);
            let mut look = Step::new(StepAction::Look, Some(part), StepLength::open(recover_s));
            look.grade_pct = phase.grade_pct;
            return self.push(look);
        }
        if repeat > 1 {
            let part = ProtocolPart { phase: index, repeat, of: phase.repeats };
            let lasts = match phase.drill.recover_s() {
                Some(asked_s) => StepLength::asked(asked_s),
                None => StepLength::planned(rest_s(&phase.drill)),
            };
            return self.push(Step::new(StepAction::Recover, Some(part), lasts));
        }
        match before {
            None => {}
            Some(before) if before.drill.kind().is_free_riding() => {}
            Some(before) if !before.drill.kind().is_ridden() => {
                self.push(Step::new(StepAction::RollOff, None, StepLength::planned(ROLL_OFF_S)));
            }
            // After sprints the legs need what lies between sprints, whatever comes next.
            Some(before) => {
                let lasts_s = rest_s(&before.drill).max(rest_s(&phase.drill));
                self.push(Step::new(StepAction::Recover, None, StepLength::planned(lasts_s)));
            }
        }
    }

    /// The steps of one repeat.
    pub fn add(&mut self, index: usize, part: ProtocolPart) {
        let phase = &self.protocol.phases[index];
        let opens = self.steps.len();
        self.steps.extend(steps_of(&phase.drill, &StepsSoFar { protocol: self.protocol, steps: &self.steps, part }));
        let scored = phase.is_scored_riding();
        for (at, step) in self.steps[opens..].iter_mut().enumerate() {
            step.ring = phase.ring.filter(|_| step.act.is_ridden());
            step.posture = phase.posture.filter(|_| step.act.is_ridden());
            step.grade_pct = phase.grade_pct.filter(|_| step.act.is_ridden());
            // What a phase asks of the cadence is not asked of the surge before soft pedalling, nor while coasting.
            step.cadence_rpm = phase
                .cadence_rpm
                .filter(|_| step.act.is_ridden() && !matches!(step.act, StepAction::Coast | StepAction::Surge));
            step.lap = scored && at == 0;
        }
        if let Some(ring) = phase.ring {
            self.shift_to(ring, opens);
        }
    }

    /// The change of ring falls into the step before, if that is easy riding.
    fn shift_to(&mut self, ring: Ring, opens: usize) {
        if self.ring.replace(ring) == Some(ring) {
            return;
        }
        if let Some(before) = opens.checked_sub(1).and_then(|at| self.steps.get_mut(at)) {
            before.shift_to = (before.act.is_ridden() && !before.act.is_scored()).then_some(ring);
        }
    }

    /// With the lap button at the end of each scored part.
    pub fn finish(mut self) -> Vec<Step> {
        for at in 1..self.steps.len() {
            let ended = self.steps[at - 1].act.is_scored() && !self.steps[at].act.is_scored();
            self.steps[at].lap |= ended;
        }
        self.steps
    }
}

/// Easy riding after or before a repeat, seconds.
fn rest_s(drill: &Drill) -> f64 {
    drill.recover_s().or(drill.usual_recovery_s()).and_then(|range| range.middle()).unwrap_or_default()
}
