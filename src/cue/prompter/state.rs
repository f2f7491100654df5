//! What is ridden now: steps, keys and the time to marks.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};

use crate::brief::{ProtocolPart, Step, StepAction, StepLength, steps};
use crate::cautions::{self, Caution};
use crate::protocol::{Protocol, Selector, Setting};
use crate::session::{MarkEvent, MarksFile, SessionEvent, TimedMark};

/// A marks file names repeats up to so many beyond those asked for.
const MOST_ADDED: u32 = 20;
/// Rest before a repeat that was put in, where nothing says how long. Common practice, no source.
const REST_S: f64 = 60.0;
/// Left before half of what was asked, a step was not ridden.
const HALF: f64 = 0.5;

/// What the tester's keys mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Key {
    /// On to the next step; begins the session, and goes on after a pause.
    Next,
    /// The present or last repeat is spoiled, or is not after all.
    Spoiled,
    /// One more repeat of the present phase.
    Add,
    Pause,
    /// Back by one step.
    Back,
    /// Asks whether to stop.
    Quit,
    Yes,
    No,
}

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

type RiddenRepeat = (usize, u32);

/// A session on its way.
#[derive(Debug, Clone)]
pub struct Prompter {
    protocol: Protocol,
    steps: Vec<Step>,
    at: usize,
    stage: Stage,
    /// What nobody has been shown yet of what to mind; nothing begins before it is empty.
    unread: Vec<&'static str>,
    /// A session that was broken off goes on.
    resumes: bool,
    asks_to_stop: bool,
    started: Option<DateTime<Utc>>,
    step_began: DateTime<Utc>,
    /// Of this step.
    paused_s: f64,
    paused_at: Option<DateTime<Utc>>,
    /// Begun last.
    last: Option<RiddenRepeat>,
    spoiled: BTreeSet<RiddenRepeat>,
    skipped: BTreeSet<RiddenRepeat>,
    added: Vec<u32>,
    says: String,
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

fn seconds(s: f64) -> TimeDelta {
    TimeDelta::milliseconds((s * 1000.0).round() as i64)
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
            Some((phase, of.repeat.unwrap_or(1)))
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
                if let Some((phase, _)) = repeat(of) {
                    self.insert(phase);
                }
            }
            MarkEvent::Session(_) | MarkEvent::Note => {}
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

    /// Seconds since the session was begun (or gone on with), and of all countdowns that are left.
    pub fn totals_s(&self, now: DateTime<Utc>) -> (f64, f64) {
        let elapsed_s = self.started.map_or(0.0, |started| (now - started).as_seconds_f64());
        let left_s = self.now(now).left_s.unwrap_or(0.0).max(0.0);
        (elapsed_s, left_s + crate::brief::planned_s(self.ahead()))
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
    fn selector(&self, (phase, number): RiddenRepeat) -> Selector {
        let id = self.protocol.phases[phase].id.clone();
        let several = self.protocol.phases[phase].repeats > 1 || number > 1;
        Selector { name: id.name, keys: id.keys, repeat: several.then_some(number) }
    }

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
        let Some((phase, _)) = here.or(self.last) else {
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

    /// Puts one more repeat behind the last of its phase, or behind the present step if that is over; its number.
    fn insert(&mut self, phase: usize) -> Option<u32> {
        if self.added[phase] >= MOST_ADDED {
            return None;
        }
        let of_phase = |step: &&Step| step.part.is_some_and(|p| p.phase == phase) && step.act.is_scored();
        let number = self.steps.iter().filter(of_phase).filter_map(|s| s.part).map(|p| p.repeat).max()?;
        let repeat: Vec<Step> =
            self.steps.iter().filter(of_phase).filter(|s| repeat_of(s) == Some((phase, number))).cloned().collect();
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

/// What to mind before riding by a screen, in short lines.
fn to_mind(protocol: &Protocol) -> Vec<&'static str> {
    let on_road = (protocol.setting == Setting::Road)
        .then_some("A ride on the road: whoever rides or drives does not look here.");
    let cautions = cautions::of(Some(protocol)).into_iter().map(Caution::short);
    let head_units = "Head units: recording every second, automatic pause off, one strap on all?";
    on_road.into_iter().chain(cautions).chain([head_units]).collect()
}

fn repeat_of(step: &Step) -> Option<RiddenRepeat> {
    step.part.map(|part| (part.phase, part.repeat))
}

/// Easy riding that belongs to the repeat after it.
fn leads_to(step: &Step) -> bool {
    matches!(step.act, StepAction::Recover | StepAction::Look | StepAction::RollOff)
}

fn mark(at: DateTime<Utc>, what: MarkEvent) -> TimedMark {
    TimedMark { at, what, text: None }
}

fn happened(at: DateTime<Utc>, happened: SessionEvent) -> TimedMark {
    mark(at, MarkEvent::Session(happened))
}

#[cfg(test)]
pub(super) mod tests {
    use std::path::Path;

    use super::*;

    pub fn at(s: f64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_795_267_800, 0).unwrap() + seconds(s)
    }

    /// A session whose cautions were read.
    pub fn read(protocol: &Protocol) -> Prompter {
        let mut prompter = Prompter::new(protocol);
        prompter.read(usize::MAX);
        prompter
    }

    pub fn shipped(name: &str) -> Protocol {
        crate::protocol::load(&Path::new("protocols").join(name), None).unwrap()
    }

    /// Marks as seconds since the start and what follows the time in their lines.
    fn lines(marks: &[TimedMark]) -> Vec<String> {
        let words = |m: &TimedMark| {
            let line = m.to_string();
            let (_, rest) = line.split_once("Z\", ").unwrap();
            format!("{} {}", (m.at - at(0.0)).as_seconds_f64(), rest.trim_end_matches(" }").replace('"', ""))
        };
        marks.iter().map(words).collect()
    }

    /// A rider who does as told: what waits is gone on from at once.
    fn ridden(prompter: &mut Prompter, until_s: f64) -> Vec<TimedMark> {
        let mut marks = vec![];
        for tenth in 0..(until_s * 10.0) as usize {
            let now = at(tenth as f64 / 10.0);
            marks.extend(prompter.tick(now));
            if prompter.stage() == Stage::Ready || prompter.now(now).step.is_some_and(Prompter::waits) {
                marks.extend(prompter.press(Key::Next, now));
            }
        }
        marks
    }

    fn until(prompter: &mut Prompter, stop: impl Fn(&Prompter) -> bool) -> f64 {
        let mut s = 0.0;
        while !stop(prompter) && s < 20_000.0 {
            prompter.tick(at(s));
            let waits = prompter.stage() == Stage::Ready || prompter.now(at(s)).step.is_some_and(Prompter::waits);
            if waits && !stop(prompter) {
                prompter.press(Key::Next, at(s));
            }
            s += 0.5;
        }
        s
    }

    fn in_sprint(number: u32) -> impl Fn(&Prompter) -> bool {
        move |p| {
            let step = p.now(at(0.0)).step;
            step.is_some_and(|s| s.act == StepAction::Sprint && s.part.is_some_and(|part| part.repeat == number))
        }
    }

    #[test]
    fn every_repeat_of_every_shipped_protocol_begins_and_ends_once() {
        for name in ["bench-both-rings", "short-check", "sprint-and-stop", "single-sided", "rig-ramp-and-loads"] {
            let protocol = shipped(&format!("{name}.yaml"));
            let mut prompter = read(&protocol);
            let marks = ridden(&mut prompter, 9000.0);
            assert_eq!(prompter.stage(), Stage::Done, "{name}");
            let began = |m: &&TimedMark| matches!(&m.what, MarkEvent::Began { act: None, .. });
            let asked: u32 = protocol.phases.iter().map(|p| p.repeats).sum();
            assert_eq!(marks.iter().filter(began).count() as u32, asked, "{name}");
            let scored = |p: &&crate::protocol::Phase| p.drill.usual_recovery_s().is_some();
            let asked: u32 = protocol.phases.iter().filter(scored).map(|p| p.repeats).sum();
            let ended = marks.iter().filter(|m| matches!(m.what, MarkEvent::Ended(_))).count();
            assert_eq!(ended as u32, asked, "{name}");
        }
    }

    #[test]
    fn a_countdown_ends_at_its_own_second_however_late_anybody_looks() {
        let protocol = shipped("sprint-and-stop.yaml");
        let mut prompter = read(&protocol);
        prompter.press(Key::Next, at(0.0));
        let marks = prompter.tick(at(300.7));
        assert_eq!(
            lines(&marks)[..4],
            [
                "255 began: stops/1",
                "270 began: stops/1, move: coast",
                "278 began: stops/1, move: restart",
                "284 ended: stops/1"
            ]
        );
    }

    #[test]
    fn a_pause_stops_the_countdown() {
        let mut prompter = read(&shipped("sprint-and-stop.yaml"));
        prompter.press(Key::Next, at(0.0));
        assert_eq!(lines(&prompter.press(Key::Pause, at(100.0))), ["100 session: paused"]);
        assert_eq!(prompter.tick(at(1000.0)), []);
        assert_eq!(prompter.now(at(1000.0)).left_s, Some(155.0));
        assert_eq!(lines(&prompter.press(Key::Next, at(1000.0))), ["1000 session: resumed"]);
        assert_eq!(lines(&prompter.tick(at(1155.0))), ["1155 began: stops/1"]);
    }

    #[test]
    fn left_before_half_of_it_a_repeat_is_skipped_and_later_it_has_ended() {
        let mut prompter = read(&shipped("bench-both-rings.yaml"));
        let s = until(&mut prompter, in_sprint(2));
        let marks = prompter.press(Key::Next, at(s + 1.0));
        assert!(lines(&marks)[0].ends_with("skipped: standing-sprints/2"), "{marks:?}");
        assert!(!marks.iter().any(|m| matches!(m.what, MarkEvent::Ended(_))));
        let s = until(&mut prompter, in_sprint(3));
        let marks = prompter.press(Key::Next, at(s + 5.0));
        assert!(lines(&marks)[0].ends_with("ended: standing-sprints/3"), "{marks:?}");
    }

    #[test]
    fn spoiled_is_taken_back_by_the_same_key_and_is_of_the_repeat_before_in_its_recovery() {
        let mut prompter = read(&shipped("bench-both-rings.yaml"));
        assert_eq!(prompter.press(Key::Spoiled, at(0.0)), []);
        let s = until(&mut prompter, in_sprint(2));
        prompter.tick(at(s + 60.0));
        assert!(lines(&prompter.press(Key::Spoiled, at(s + 60.0)))[0].ends_with("spoiled: standing-sprints/2"));
        assert!(prompter.says().contains("is spoiled"));
        assert!(lines(&prompter.press(Key::Spoiled, at(s + 61.0)))[0].ends_with("taken_back: standing-sprints/2"));
    }

    #[test]
    fn one_more_comes_after_the_last_with_a_recovery_of_its_own() {
        let protocol = shipped("bench-both-rings.yaml");
        let mut prompter = read(&protocol);
        let s = until(&mut prompter, in_sprint(6));
        assert!(lines(&prompter.press(Key::Add, at(s)))[0].ends_with("added: standing-sprints/7"));
        let acts: Vec<(StepAction, Option<u32>)> =
            prompter.ahead()[..3].iter().map(|s| (s.act, s.part.map(|p| p.repeat))).collect();
        assert_eq!(acts, [(StepAction::Recover, Some(7)), (StepAction::Sprint, Some(7)), (StepAction::Ride, Some(1))]);
        assert_eq!(prompter.now(at(s)).step.unwrap().part.unwrap().of, 7);
        // A block is asked for once, and its second ride has rest before and after it.
        let mut prompter = read(&protocol);
        let s = until(&mut prompter, |p| p.now(at(0.0)).step.is_some_and(|s| s.act == StepAction::Block));
        assert!(lines(&prompter.press(Key::Add, at(s)))[0].ends_with("added: steady[ring=big, power=120 W]/2"));
        let acts: Vec<StepAction> = prompter.ahead()[..3].iter().map(|s| s.act).collect();
        assert_eq!(acts[..2], [StepAction::Recover, StepAction::Block]);
        // Put in while easy riding leads to the other ring: that change comes after it.
        let recovery = |p: &Prompter| {
            let name = |part: ProtocolPart| protocol.phases[part.phase].id.to_string();
            let step = p.now(at(0.0)).step.and_then(|s| s.part);
            step.is_some_and(|part| name(part) == "steady-recovery[ring=big, power=120 W]")
        };
        let mut easy = read(&protocol);
        let s = until(&mut easy, recovery);
        assert_eq!(easy.now(at(s)).step.unwrap().shift_to, Some(crate::protocol::Ring::Small));
        easy.press(Key::Add, at(s));
        assert_eq!(easy.now(at(s)).step.unwrap().shift_to, None);
        let ahead: Vec<_> = easy.ahead()[..4].iter().map(|s| (s.act, s.shift_to)).collect();
        let small = Some(crate::protocol::Ring::Small);
        assert_eq!(
            ahead,
            [
                (StepAction::Recover, None),
                (StepAction::Block, None),
                (StepAction::Recover, small),
                (StepAction::Block, None)
            ]
        );
        let mut prompter = read(&protocol);
        let s = until(&mut prompter, |p| p.now(at(0.0)).step.is_some_and(|s| s.act == StepAction::Block));
        prompter.press(Key::Add, at(s));
        for _ in 1..MOST_ADDED {
            assert_eq!(prompter.press(Key::Add, at(s)).len(), 1);
        }
        assert_eq!(prompter.press(Key::Add, at(s)), []);
    }

    #[test]
    fn back_begins_the_step_before_anew() {
        let mut prompter = read(&shipped("sprint-and-stop.yaml"));
        prompter.press(Key::Next, at(0.0));
        prompter.tick(at(280.0));
        let marks = prompter.press(Key::Back, at(280.0));
        assert_eq!(lines(&marks), ["280 session: back", "280 began: stops/1, move: coast"]);
        assert_eq!(prompter.now(at(281.0)).left_s, Some(7.0));
    }

    #[test]
    fn stopping_asks_first() {
        let mut prompter = read(&shipped("sprint-and-stop.yaml"));
        prompter.press(Key::Next, at(0.0));
        assert_eq!(prompter.press(Key::Quit, at(1.0)), []);
        assert!(prompter.asks_to_stop());
        assert_eq!(prompter.press(Key::Next, at(2.0)), [], "any other key goes on");
        prompter.press(Key::Quit, at(3.0));
        assert_eq!(lines(&prompter.press(Key::Yes, at(4.0))), ["4 session: stopped"]);
        assert!(prompter.is_over() && prompter.press(Key::Next, at(5.0)).is_empty());
    }

    #[test]
    fn what_waits_goes_on_by_a_key_only() {
        let mut prompter = read(&shipped("cold-soak-drift.yaml"));
        let s = until(&mut prompter, |p| p.now(at(0.0)).step.is_some_and(|s| s.act == StepAction::OffBike));
        prompter.tick(at(s + 9000.0));
        let here = prompter.now(at(s + 9000.0));
        assert_eq!(here.step.unwrap().act, StepAction::OffBike);
        assert!(here.left_s.unwrap() < 0.0);
    }

    /// One more sprint asked for while a mass hangs comes after the mass is off, wherever in its steps that is asked.
    #[test]
    fn nothing_that_is_ridden_is_put_between_a_mass_and_its_taking_off() {
        let text = "assize: 1\ntitle: t\nrevision: \"1\"\nphases:\n  \
            - {phase: s, drill: sprint, effort: at least 500 W, lasts: 8 s}\n  \
            - {phase: m, drill: static_load, loads: [5 kg, 10 kg], sides: [left, right], angles: [90 °]}\n";
        let protocol = crate::protocol::load_bytes(Path::new("made-up.yaml"), text.as_bytes()).unwrap();
        let of_masses =
            |act: StepAction| matches!(act, StepAction::BlockWheel | StepAction::Load | StepAction::MassOff);
        let all = steps(&protocol);
        let first = all.iter().position(|step| of_masses(step.act)).unwrap();
        for wanted in first..all.len() {
            let mut prompter = read(&protocol);
            let mut s = 0.0;
            while prompter.at < wanted || prompter.stage() == Stage::Ready {
                s += 60.0;
                prompter.press(Key::Next, at(s));
            }
            prompter.press(Key::Add, at(s + 1.0));
            assert!(prompter.says().contains("is added"), "{}", prompter.says());
            let mut blocked = false;
            for step in &prompter.steps {
                blocked = match step.act {
                    StepAction::BlockWheel | StepAction::Load => true,
                    StepAction::MassOff => false,
                    _ => {
                        assert!(!blocked, "{} while the wheel is blocked, asked at {wanted}", step.act.word());
                        false
                    }
                };
            }
        }
    }

    /// Broken off while masses were hung, it begins again where the wheel is blocked, or where the mass comes off.
    #[test]
    fn who_goes_on_among_masses_blocks_the_wheel_first() {
        let protocol = shipped("rig-ramp-and-loads.yaml");
        let mut prompter = read(&protocol);
        let (mut marks, mut s, mut seen) = (vec![], 0.0, 0);
        while !prompter.is_over() {
            s += 30.0;
            marks.extend(prompter.tick(at(s)));
            marks.extend(prompter.press(Key::Next, at(s)));
            let file = MarksFile { marks: marks.clone(), ..MarksFile::default() };
            let resumed = Prompter::resumed(&protocol, &file);
            let act = resumed.now(at(s)).step.map(|step| step.act);
            assert_ne!(act, Some(StepAction::Load), "at {s} s");
            seen += usize::from(act == Some(StepAction::BlockWheel));
        }
        assert!(seen >= 12, "{seen}");
    }

    #[test]
    fn marks_cut_anywhere_go_on_before_what_was_broken_off() {
        let protocol = shipped("bench-both-rings.yaml");
        let mut prompter = read(&protocol);
        let mut all = vec![];
        for s in 0..9000 {
            all.extend(prompter.tick(at(f64::from(s))));
            if prompter.stage() == Stage::Ready || prompter.now(at(f64::from(s))).step.is_some_and(Prompter::waits) {
                all.extend(prompter.press(Key::Next, at(f64::from(s))));
            }
            if in_sprint(6)(&prompter) && prompter.added.iter().all(|n| *n == 0) {
                all.extend(prompter.press(Key::Add, at(f64::from(s))));
            }
        }
        let added_at = all.iter().position(|m| matches!(m.what, MarkEvent::Added(_))).unwrap();
        for n in 0..all.len() - 1 {
            let file = MarksFile { marks: all[..n].to_vec(), ..MarksFile::default() };
            let mut resumed = Prompter::resumed(&protocol, &file);
            resumed.read(usize::MAX);
            assert!(resumed.resumes() && resumed.stage() == Stage::Ready);
            let step = resumed.now(at(0.0)).step.unwrap().clone();
            assert!(!step.act.is_scored(), "{n}: {step:?}");
            // Nothing that had ended comes again, and what was broken off does.
            let again = lines(&resumed.press(Key::Next, at(0.0)));
            assert_eq!(again[0], "0 session: resumed");
            let began = ridden(&mut resumed, 9000.0);
            let ended = |m: &TimedMark| match &m.what {
                MarkEvent::Ended(of) => Some(of.to_string()),
                _ => None,
            };
            let before: BTreeSet<String> = all[..n].iter().filter_map(ended).collect();
            let after: BTreeSet<String> = began.iter().filter_map(ended).collect();
            assert!(before.is_disjoint(&after), "{n}: {:?}", before.intersection(&after));
            let added = usize::from(n > added_at);
            assert_eq!(before.len() + after.len(), 22 + added, "{n}");
        }
    }
}
