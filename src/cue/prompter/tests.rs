use std::collections::BTreeSet;
use std::path::Path;

use super::super::key::Key;
use super::super::tests::{at, read, shipped};
use super::added::MOST_ADDED;
use super::state::{Prompter, Stage};
use crate::brief::{ProtocolPart, StepAction, steps};
use crate::protocol::Ring;
use crate::session::{MarkEvent, MarksFile, TimedMark};

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
    assert_eq!(easy.now(at(s)).step.unwrap().shift_to, Some(Ring::Small));
    easy.press(Key::Add, at(s));
    assert_eq!(easy.now(at(s)).step.unwrap().shift_to, None);
    let ahead: Vec<_> = easy.ahead()[..4].iter().map(|s| (s.act, s.shift_to)).collect();
    let small = Some(Ring::Small);
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
    let of_masses = |act: StepAction| matches!(act, StepAction::BlockWheel | StepAction::Load | StepAction::MassOff);
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
