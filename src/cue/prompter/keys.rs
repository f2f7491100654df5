//! Keys and the time to marks.

use chrono::{DateTime, TimeDelta, Utc};

use crate::protocol::Selector;
use crate::session::{MarkEvent, SessionEvent, TimedMark};

use super::super::key::Key;
use super::state::{Prompter, RepeatRidden, Stage, leads_to, repeat_of};

/// Left before half of what was asked, a step was not ridden.
const HALF: f64 = 0.5;

pub(super) fn seconds(s: f64) -> TimeDelta {
    TimeDelta::milliseconds((s * 1000.0).round() as i64)
}

impl Prompter {
    /// What happens by itself until `now`: countdowns run out.
    pub fn tick(&mut self, now: DateTime<Utc>) -> Vec<TimedMark> {
        let mut marks = vec![];
        while self.stage == Stage::Running {
            let Some(step) = self.steps.get(self.at) else { break };
            let Some(planned_s) = step.lasts.planned_s.filter(|_| !Self::waits(step)) else { break };
            let over = self.step_began + seconds(planned_s + self.paused_s);
            if over > now {
                break;
            }
            self.leave(over, &mut marks);
        }
        marks
    }

    /// What a key does at `now`.
    pub fn press(&mut self, key: Key, now: DateTime<Utc>) -> Vec<TimedMark> {
        let mut marks = self.tick(now);
        if self.is_over() {
            return marks;
        }
        self.says.clear();
        if std::mem::take(&mut self.asks_to_stop) {
            match key {
                Key::Yes => {
                    self.stage = Stage::Stopped;
                    if self.started.is_some() {
                        marks.push(happened(now, SessionEvent::Stopped));
                    }
                }
                _ => self.says = "goes on".into(),
            }
            return marks;
        }
        match (key, self.stage) {
            (Key::Quit, _) => self.asks_to_stop = true,
            (Key::Next, Stage::Ready) if !self.unread.is_empty() => self.says = "first what to mind".into(),
            (Key::Next, Stage::Ready) => {
                let how = if self.resumes { SessionEvent::Resumed } else { SessionEvent::Started };
                marks.push(happened(now, how));
                self.started = Some(now);
                self.stage = Stage::Running;
                self.enter(now, &mut marks);
            }
            (Key::Next | Key::Pause, Stage::Paused) => {
                let paused_at = self.paused_at.take().unwrap_or(now);
                self.paused_s += (now - paused_at).as_seconds_f64();
                self.stage = Stage::Running;
                marks.push(happened(now, SessionEvent::Resumed));
            }
            (Key::Pause, Stage::Running) => {
                self.paused_at = Some(now);
                self.stage = Stage::Paused;
                marks.push(happened(now, SessionEvent::Paused));
            }
            (Key::Next, Stage::Running) => self.skip(now, &mut marks),
            (Key::Back, Stage::Running | Stage::Paused) => {
                marks.push(happened(now, SessionEvent::Back));
                (self.stage, self.paused_at) = (Stage::Running, None);
                self.at = self.at.saturating_sub(1);
                self.says = "back by one step".into();
                self.enter(now, &mut marks);
            }
            (Key::Spoiled, Stage::Running | Stage::Paused) => match self.last {
                Some(repeat) => {
                    let of = self.selector(repeat);
                    self.says = format!("{of} is spoiled; S takes it back");
                    let what = if self.spoiled.remove(&repeat) {
                        self.says = format!("{of} is not spoiled");
                        MarkEvent::TakenBack(of)
                    } else {
                        self.spoiled.insert(repeat);
                        MarkEvent::Spoiled(of)
                    };
                    marks.push(mark(now, what));
                }
                None => self.says = "nothing was ridden yet that could be spoiled".into(),
            },
            (Key::Add, Stage::Running | Stage::Paused) => self.add(now, &mut marks),
            _ => {}
        }
        marks
    }

    fn skip(&mut self, now: DateTime<Utc>, marks: &mut Vec<TimedMark>) {
        let here = self.now(now);
        let step = &self.steps[self.at];
        let least_s = step.lasts.asked_s.and_then(|asked| asked.low.or(asked.high)).or(step.lasts.planned_s);
        let cut_short = step.act.is_scored() && least_s.is_some_and(|least_s| here.elapsed_s < HALF * least_s);
        if let Some(repeat) = repeat_of(step).filter(|_| cut_short)
            && self.skipped.insert(repeat)
        {
            let of = self.selector(repeat);
            self.says = format!("{of} is skipped");
            marks.push(mark(now, MarkEvent::Skipped(of)));
        }
        self.leave(now, marks);
    }

    /// One more repeat of the phase that is ridden now, or was last.
    fn add(&mut self, now: DateTime<Utc>, marks: &mut Vec<TimedMark>) {
        let here = self.steps.get(self.at).filter(|s| s.act.is_scored() || leads_to(s)).and_then(repeat_of);
        let Some(RepeatRidden { phase, .. }) = here.or(self.last) else {
            self.says = "nothing was ridden yet that could be ridden again".into();
            return;
        };
        let id = self.protocol.phases[phase].id.clone();
        match self.insert(phase) {
            Some(number) => {
                let of = Selector { name: id.name, keys: id.keys, repeat: Some(number) };
                self.says = format!("{of} is added");
                marks.push(mark(now, MarkEvent::Added(of)));
            }
            None => self.says = format!("{id} has as many repeats as can be marked"),
        }
    }

    /// On to the next step.
    fn leave(&mut self, now: DateTime<Utc>, marks: &mut Vec<TimedMark>) {
        let left = self.steps[self.at].clone();
        let next = self.steps.get(self.at + 1);
        let goes_on = next.is_some_and(|next| next.act.is_scored() && repeat_of(next) == repeat_of(&left));
        if let Some(repeat) =
            repeat_of(&left).filter(|repeat| left.act.is_scored() && !goes_on && !self.skipped.contains(repeat))
        {
            marks.push(mark(now, MarkEvent::Ended(self.selector(repeat))));
        }
        self.at += 1;
        if self.at >= self.steps.len() {
            self.stage = Stage::Done;
            marks.push(happened(now, SessionEvent::Done));
            return;
        }
        self.enter(now, marks);
    }

    /// Begins the present step.
    fn enter(&mut self, now: DateTime<Utc>, marks: &mut Vec<TimedMark>) {
        (self.step_began, self.paused_s, self.paused_at) = (now, 0.0, None);
        let Some(step) = self.steps.get(self.at).filter(|step| !leads_to(step)) else { return };
        let Some(repeat) = repeat_of(step) else { return };
        let before = self.at.checked_sub(1).map(|before| &self.steps[before]);
        let first = before.is_none_or(|before| leads_to(before) || repeat_of(before) != Some(repeat));
        let act = (!first).then(|| step.act.word().to_owned());
        if step.act.is_scored() {
            self.last = Some(repeat);
            if first {
                self.skipped.remove(&repeat);
            }
        }
        marks.push(mark(now, MarkEvent::Began { of: self.selector(repeat), act }));
    }
}

fn mark(at: DateTime<Utc>, what: MarkEvent) -> TimedMark {
    TimedMark { at, what, text: None }
}

fn happened(at: DateTime<Utc>, happened: SessionEvent) -> TimedMark {
    mark(at, MarkEvent::Session(happened))
}
