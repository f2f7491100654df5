//! Where a session is: its steps, the present one, what was ridden, and what there is to see of that.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};

use crate::brief::{ProtocolPart, Step, StepAction, planned_s, steps};
use crate::cautions::{self, Caution};
use crate::protocol::{Protocol, Selector, Setting};

/// Where the session is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// Waits for the first key; goes on with a session that was broken off if it holds the time of that.
    Ready,
    Running,
    Paused,
    Done,
    Stopped,
}

/// One repeat of one phase.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct RepeatRidden {
    /// Index into the protocol's phases.
    pub phase: usize,
    /// From 1.
    pub number: u32,
}

/// A session on its way.
#[derive(Debug, Clone)]
pub struct Prompter {
    pub(super) protocol: Protocol,
    pub(super) steps: Vec<Step>,
    pub(super) at: usize,
    pub(super) stage: Stage,
    /// What nobody has been shown yet of what to mind; nothing begins before it is empty.
    pub(super) unread: Vec<&'static str>,
    /// A session that was broken off goes on.
    pub(super) resumes: bool,
    pub(super) asks_to_stop: bool,
    pub(super) started: Option<DateTime<Utc>>,
    pub(super) step_began: DateTime<Utc>,
    /// Of this step.
    pub(super) paused_s: f64,
    pub(super) paused_at: Option<DateTime<Utc>>,
    /// Begun last.
    pub(super) last: Option<RepeatRidden>,
    pub(super) spoiled: BTreeSet<RepeatRidden>,
    pub(super) skipped: BTreeSet<RepeatRidden>,
    pub(super) added: Vec<u32>,
    pub(super) says: String,
}

/// The present step at a moment.
#[derive(Debug, Clone, Copy)]
pub struct PresentStep<'a> {
    /// `None` when the session is over.
    pub step: Option<&'a Step>,
    /// Seconds since it began, pauses left out.
    pub elapsed_s: f64,
    /// Seconds of its countdown; negative once over. `None` without one.
    pub left_s: Option<f64>,
}

/// Seconds of a session.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SessionTotals {
    /// Since it was begun, or gone on with.
    pub elapsed_s: f64,
    /// Of all countdowns that are left.
    pub left_s: f64,
}

impl Prompter {
    pub fn new(protocol: &Protocol) -> Self {
        Self {
            protocol: protocol.clone(),
            steps: steps(protocol),
            at: 0,
            stage: Stage::Ready,
            unread: to_mind(protocol),
            resumes: false,
            asks_to_stop: false,
            started: None,
            step_began: DateTime::UNIX_EPOCH,
            paused_s: 0.0,
            paused_at: None,
            last: None,
            spoiled: BTreeSet::new(),
            skipped: BTreeSet::new(),
            added: vec![0; protocol.phases.len()],
            says: String::new(),
        }
    }

    pub fn protocol(&self) -> &Protocol {
        &self.protocol
    }

    /// What is still to be shown of what to mind, a line each, in order. A key begins nothing before all is read.
    pub fn unread(&self) -> &[&'static str] {
        &self.unread
    }

    /// The first `count` of what was unread have been shown, and the tester went on.
    pub fn read(&mut self, count: usize) {
        self.unread.drain(..count.min(self.unread.len()));
    }

    pub fn stage(&self) -> Stage {
        self.stage
    }

    pub fn is_over(&self) -> bool {
        matches!(self.stage, Stage::Done | Stage::Stopped)
    }

    /// Whether it goes on where another run was broken off.
    pub fn resumes(&self) -> bool {
        self.resumes
    }

    pub fn asks_to_stop(&self) -> bool {
        self.asks_to_stop
    }

    /// What the last key did, in words.
    pub fn says(&self) -> &str {
        &self.says
    }

    pub fn now(&self, now: DateTime<Utc>) -> PresentStep<'_> {
        let step = self.steps.get(self.at);
        if self.stage == Stage::Ready {
            return PresentStep { step, elapsed_s: 0.0, left_s: step.and_then(|s| s.lasts.planned_s) };
        }
        let until = self.paused_at.unwrap_or(now);
        let elapsed_s = (until - self.step_began).as_seconds_f64() - self.paused_s;
        PresentStep {
            step,
            elapsed_s,
            left_s: step.and_then(|s| s.lasts.planned_s).map(|planned_s| planned_s - elapsed_s),
        }
    }

    /// Steps that follow, the next one first.
    pub fn ahead(&self) -> &[Step] {
        self.steps.get(self.at + 1..).unwrap_or(&[])
    }

    pub fn totals(&self, now: DateTime<Utc>) -> SessionTotals {
        let elapsed_s = self.started.map_or(0.0, |started| (now - started).as_seconds_f64());
        let left_s = self.now(now).left_s.unwrap_or(0.0).max(0.0);
        SessionTotals { elapsed_s, left_s: left_s + planned_s(self.ahead()) }
    }

    /// The repeat whose number is shown with a step: of how many.
    pub fn repeat(&self, step: &Step) -> Option<ProtocolPart> {
        step.part.filter(|part| part.of > 1 && (step.act.is_scored() || leads_to(step)))
    }

    pub fn is_spoiled(&self, step: &Step) -> bool {
        repeat_of(step).is_some_and(|repeat| self.spoiled.contains(&repeat))
    }

    /// Whether a step waits for a key once its countdown is over, if it has one: what is typed, and time off the bike.
    pub fn waits(step: &Step) -> bool {
        step.is_typed() || step.act == StepAction::OffBike || step.lasts.planned_s.is_none()
    }

    /// The selector of a repeat, with its number where the phase has several.
    pub(super) fn selector(&self, RepeatRidden { phase, number }: RepeatRidden) -> Selector {
        let id = self.protocol.phases[phase].id.clone();
        let several = self.protocol.phases[phase].repeats > 1 || number > 1;
        Selector { name: id.name, keys: id.keys, repeat: several.then_some(number) }
    }
}

/// What to mind before riding by a screen, in short lines.
fn to_mind(protocol: &Protocol) -> Vec<&'static str> {
    let on_road = (protocol.setting == Setting::Road)
        .then_some("A ride on the road: whoever rides or drives does not look here.");
    let cautions = cautions::of(Some(protocol)).into_iter().map(Caution::short);
    let head_units = "Head units: recording every second, automatic pause off, one strap on all?";
    on_road.into_iter().chain(cautions).chain([head_units]).collect()
}

pub(super) fn repeat_of(step: &Step) -> Option<RepeatRidden> {
    step.part.map(|part| RepeatRidden { phase: part.phase, number: part.repeat })
}

/// Easy riding that belongs to the repeat after it.
pub(super) fn leads_to(step: &Step) -> bool {
    matches!(step.act, StepAction::Recover | StepAction::Look | StepAction::RollOff)
}
