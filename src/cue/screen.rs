//! A picture of the session: plain lines, the time left in large digits.

use chrono::{DateTime, Utc};

use super::glyphs::{Size, large};
use super::key::Key;
use super::prompter::{PresentStep, Prompter, SessionTotals, Stage};
use crate::brief::{PowerAim, Step};
use crate::protocol::trim;
use crate::session::TimedMark;
use crate::text::{safe, wrap};

/// The last seconds of a countdown, in which what comes next is called out.
const LAST_S: f64 = 3.0;
/// A screen of less shows a few lines of text.
const LEAST: (usize, usize) = (80, 24);
/// On a screen of so much, letters are larger.
const LARGE: (usize, usize) = (110, 38);

/// What the terminal can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CharacterSet {
    Unicode,
    /// Nothing but ASCII.
    Plain,
}

/// What there is to see besides the session itself.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    pub now: DateTime<Utc>,
    pub letters: CharacterSet,
    /// Name of the marks file.
    pub marks: &'a str,
    pub written: usize,
    /// Why marks are not written, if they are not.
    pub trouble: Option<&'a str>,
}

/// The present moment as at most `height` lines of at most `width` characters. Never more, whatever a file's names hold.
pub fn screen(prompter: &Prompter, view: &View, width: usize, height: usize) -> Vec<String> {
    let mut lines = if (width, height) == (0, 0) {
        vec![]
    } else if let Opening::ReadOn(shown) = opening(prompter, width, height) {
        unread(prompter, view, shown, width, height)
    } else if width < LEAST.0 || height < LEAST.1 {
        small(prompter, view)
    } else if prompter.stage() == Stage::Ready {
        ready(prompter, view, width, height)
    } else {
        full(prompter, view, width, height)
    };
    lines.truncate(height);
    lines.iter().map(|line| shown(line, width, view.letters)).collect()
}

/// What SPACE does before the session on a screen of some size.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Opening {
    /// Goes on from so many lines of what to mind; none, where the screen is too small for the first of them.
    ReadOn(usize),
    /// Begins: what is still unread stands on the same screen.
    Begin,
}

/// Narrower than this, no line of what to mind can be read.
const NARROWEST: usize = 20;

/// What this size of screen shows before the session. Later it is [`Opening::Begin`].
fn opening(prompter: &Prompter, width: usize, height: usize) -> Opening {
    let unread = prompter.unread();
    let rows = |caution: &&str| wrap(caution, width.max(1)).len();
    if prompter.stage() != Stage::Ready || unread.is_empty() {
        return Opening::Begin;
    }
    let all: usize = unread.iter().map(rows).sum();
    if width >= LEAST.0 && height >= LEAST.1 && all + READY_ROWS <= height {
        return Opening::Begin;
    }
    let mut room = height.saturating_sub(2);
    let fits = |caution: &&&str| {
        let left = room.checked_sub(rows(caution));
        room = left.unwrap_or(0);
        left.is_some()
    };
    Opening::ReadOn(if width < NARROWEST { 0 } else { unread.iter().take_while(fits).count() })
}

/// A key at `now`, by somebody who sees a screen of this size: before the session SPACE goes on in what to mind.
pub fn press(prompter: &mut Prompter, key: Key, now: DateTime<Utc>, (width, height): (usize, usize)) -> Vec<TimedMark> {
    if key == Key::Next && !prompter.asks_to_stop() {
        match opening(prompter, width, height) {
            Opening::ReadOn(shown) => {
                prompter.read(shown);
                return vec![];
            }
            Opening::Begin => prompter.read(usize::MAX),
        }
    }
    prompter.press(key, now)
}

/// The first `shown` lines of what is unread.
fn unread(prompter: &Prompter, view: &View, shown: usize, width: usize, height: usize) -> Vec<String> {
    let left = prompter.unread().len();
    if shown == 0 {
        return wrap("Make this window larger: it can't show what to mind. Q stops", width.max(1));
    }
    let head =
        if shown < left { format!("MIND THIS FIRST ({shown} of {left} lines)") } else { "MIND THIS FIRST".into() };
    let mut lines = vec![head];
    lines.extend(prompter.unread()[..shown].iter().flat_map(|caution| wrap(caution, width)));
    lines.resize(height.saturating_sub(1), String::new());
    let status = status(prompter, view);
    lines.push(if status.is_empty() { "SPACE reads on   Q stop".into() } else { status });
    lines
}

/// One line for a terminal that can't go back: what is ridden now and what comes next.
pub fn plain_line(prompter: &Prompter, view: &View) -> String {
    let text =
        small(prompter, view).into_iter().take(4).filter(|line| !line.is_empty()).collect::<Vec<_>>().join(" | ");
    shown(&text, 300, view.letters)
}

/// What a terminal that can't go back is told first: what to mind, and the keys. Whoever prints them calls
/// [`Prompter::read`].
pub fn opening_lines(prompter: &Prompter, letters: CharacterSet) -> Vec<String> {
    let lines = prompter.unread().iter().copied().chain([KEYS]);
    lines.map(|line| shown(line, 300, letters)).collect()
}

/// Cut to the width, without what could steer the terminal; in ASCII alone where it can show no more.
fn shown(line: &str, width: usize, letters: CharacterSet) -> String {
    let line = safe(line);
    let plain = |c: char| match c {
        c if c.is_ascii() => c,
        '–' | '—' | '−' => '-',
        '°' => 'o',
        '·' => '.',
        _ => '?',
    };
    let cut = line.chars().take(width);
    let line: String = if letters == CharacterSet::Plain { cut.map(plain).collect() } else { cut.collect() };
    line.trim_end().to_owned()
}

fn ink(letters: CharacterSet) -> char {
    match letters {
        CharacterSet::Unicode => '█',
        CharacterSet::Plain => '#',
    }
}

/// `4:00`, `47`, `1:15:00`; whole seconds, the last one shown as 1.
fn clock(s: f64) -> String {
    let (sign, s) = if s < 0.0 { ("+", (-s).floor() as u64) } else { ("", (s - 1e-6).max(0.0).ceil() as u64) };
    match s {
        0..60 => format!("{sign}{s}"),
        60..6000 => format!("{sign}{}:{:02}", s / 60, s % 60),
        _ => format!("{sign}{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60),
    }
}

/// `1:02:10`
fn hours(s: f64) -> String {
    let s = s.max(0.0) as u64;
    format!("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
}

/// What a step asks for, in one line.
fn says(prompter: &Prompter, step: &Step) -> String {
    let mut says = step.says();
    if let Some(part) = prompter.repeat(step).filter(|_| step.act.is_scored()) {
        says.push_str(&format!(" ({} of {})", part.repeat, part.of));
    }
    if let Some(planned_s) = step.lasts.planned_s {
        let unit = if planned_s < 60.0 { " s" } else { "" };
        says.push_str(&format!(", {}{unit}", clock(planned_s)));
    }
    says
}

/// The name of the phase that a step belongs to, or leads to.
fn phase(prompter: &Prompter, step: &Step) -> String {
    step.part.map_or(String::new(), |part| prompter.protocol().phases[part.phase].id.to_string())
}

fn left(here: &PresentStep) -> String {
    here.left_s.map_or_else(|| clock(here.elapsed_s), clock)
}

/// The next steps in words, and whether it is time to get ready.
fn ahead(prompter: &Prompter, here: &PresentStep) -> (String, String) {
    if prompter.is_over() {
        return (String::new(), String::new());
    }
    let mut steps = prompter.ahead().iter().map(|step| says(prompter, step));
    let soon = here.left_s.is_some_and(|s| (0.0..=LAST_S).contains(&s)) && prompter.stage() == Stage::Running;
    let next = steps.next().unwrap_or_else(|| "the session is over".into());
    let next = if soon { format!("GET READY: {}", next.to_uppercase()) } else { format!("NEXT  {next}") };
    (next, steps.next().map_or(String::new(), |then| format!("then  {then}")))
}

fn status(prompter: &Prompter, view: &View) -> String {
    if let Some(trouble) = view.trouble {
        return format!("MARKS ARE NOT WRITTEN: {trouble}");
    }
    if prompter.asks_to_stop() {
        return "STOP THE SESSION? Y stops, any other key goes on. What is marked stays.".into();
    }
    match prompter.stage() {
        Stage::Paused => "PAUSED. SPACE or P goes on.".into(),
        Stage::Done => "DONE. Any key leaves.".into(),
        _ => prompter.says().to_owned(),
    }
}

const KEYS: &str = "SPACE next   S spoiled   A one more   P pause   B back   Q stop";

/// A few lines, the most important first.
fn small(prompter: &Prompter, view: &View) -> Vec<String> {
    let here = prompter.now(view.now);
    let Some(step) = here.step else { return vec!["DONE".into(), view.marks.to_owned()] };
    let (next, then) = ahead(prompter, &here);
    let name = if prompter.stage() == Stage::Ready { "READY? SPACE begins" } else { step.act.large() };
    vec![
        format!("{}  {name}", left(&here)),
        says(prompter, step).to_uppercase(),
        next,
        then,
        status(prompter, view),
        KEYS.into(),
        phase(prompter, step),
        format!("marks: {} in {}", view.written, view.marks),
    ]
}

fn head(prompter: &Prompter, view: &View, width: usize) -> String {
    let SessionTotals { elapsed_s, left_s } = prompter.totals(view.now);
    let times = format!("ridden {}   left {}", hours(elapsed_s), hours(left_s));
    let room = width.saturating_sub(times.len() + 2);
    let title = safe(&prompter.protocol().title);
    let title: String = title.chars().take(room).collect();
    format!("{title}{:1$}{times}", "", width.saturating_sub(title.chars().count() + times.len()))
}

/// Rows of the screen before the first key, without what to mind and large letters.
const READY_ROWS: usize = 11;

/// Before the first key: what to mind, and what comes first.
fn ready(prompter: &Prompter, view: &View, width: usize, height: usize) -> Vec<String> {
    let size =
        if width >= LARGE.0 && height >= LARGE.1 { Size { across: 3, down: 2 } } else { Size { across: 2, down: 1 } };
    let mind: Vec<String> = prompter.unread().iter().flat_map(|caution| wrap(caution, width)).collect();
    let name = if prompter.resumes() { "GO ON" } else { "READY" };
    let mut lines = vec![head(prompter, view, width), String::new()];
    if mind.len() + READY_ROWS + size.height() < height {
        lines.extend(large(name, size, ink(view.letters)));
        lines.push(String::new());
    }
    lines.extend(mind);
    lines.push(String::new());
    let here = prompter.now(view.now);
    lines.extend(here.step.map(|step| format!("FIRST  {}", says(prompter, step))));
    let (next, then) = ahead(prompter, &here);
    lines.extend([next, then]);
    lines.resize(height.saturating_sub(4), String::new());
    lines.push(status(prompter, view));
    lines.push(format!("{name}: SPACE {}   Q stop", if prompter.resumes() { "goes on" } else { "begins" }));
    lines.push(KEYS.into());
    lines.push(format!("marks: {} in {}", view.written, view.marks));
    lines
}

fn full(prompter: &Prompter, view: &View, width: usize, height: usize) -> Vec<String> {
    let is_large = width >= LARGE.0 && height >= LARGE.1;
    let (name_size, time_size) = if is_large {
        (Size { across: 3, down: 2 }, Size { across: 5, down: 3 })
    } else {
        (Size { across: 2, down: 1 }, Size { across: 3, down: 2 })
    };
    let ink = ink(view.letters);
    let here = prompter.now(view.now);
    let mut lines = vec![head(prompter, view, width)];
    let name = match prompter.stage() {
        Stage::Done => "DONE",
        Stage::Stopped => "STOPPED",
        Stage::Paused => "PAUSED",
        _ => here.step.map_or("", |step| step.act.large()),
    };
    let part = here.step.and_then(|step| prompter.repeat(step));
    let number = part.map_or(String::new(), |part| format!("{}/{}", part.repeat, part.of));
    lines.extend(beside(&large(name, name_size, ink), &large(&number, name_size, ink), width));
    let mut now = here.step.map_or(String::new(), |step| step.says().to_uppercase());
    if here.step.is_some_and(|step| prompter.is_spoiled(step)) {
        now.push_str("   (SPOILED)");
    }
    lines.push(now);
    lines.push(String::new());
    let over = if prompter.is_over() { String::new() } else { left(&here) };
    let time = large(&over, time_size, ink);
    let target = here.step.map_or(vec![], |step| target(step, &here, name_size, ink, time_size.height()));
    lines.extend(beside(&time, &target, width));
    lines.push(bar(&here, width, ink));
    let (next, then) = ahead(prompter, &here);
    lines.extend([next, then]);
    let name = here.step.map_or(String::new(), |step| phase(prompter, step));
    // The tail stands at the bottom, however high the screen.
    lines.resize(lines.len().max(height.saturating_sub(2)), String::new());
    if lines.len() + 2 > height {
        lines.truncate(height.saturating_sub(2));
    }
    let status = status(prompter, view);
    lines.push(if status.is_empty() { name } else { status });
    let written = format!("{} marks", view.written);
    lines.push(format!("{KEYS}{:>1$}", written, width.saturating_sub(KEYS.len())));
    lines
}

/// Two blocks side by side, the second at the right edge; left out where both have no room.
fn beside(first: &[String], second: &[String], width: usize) -> Vec<String> {
    let wide = |rows: &[String]| rows.iter().map(|r| r.chars().count()).max().unwrap_or(0);
    let (a, b) = (wide(first), wide(second));
    let fits = a + b + 2 <= width;
    let row = |n: usize| {
        let left = first.get(n).map_or("", String::as_str);
        let right = second.get(n).filter(|_| fits).map_or("", String::as_str);
        let between = (width.saturating_sub(b)).saturating_sub(left.chars().count());
        if right.is_empty() { left.to_owned() } else { format!("{left}{:between$}{right}", "") }
    };
    (0..first.len()).map(row).collect()
}

/// What is asked for, to stand beside the time: how it is meant, the watts in large digits, ring, cadence, posture.
fn target(step: &Step, here: &PresentStep, size: Size, ink: char, height: usize) -> Vec<String> {
    let (above, number) = match step.power {
        Some(PowerAim::At(w)) => ("HOLD, W".to_owned(), trim(w.round())),
        Some(PowerAim::Between(low, high)) => {
            ("BETWEEN, W".to_owned(), format!("{}-{}", trim(low.round()), trim(high.round())))
        }
        Some(PowerAim::AtLeast(w)) => ("AT LEAST, W".to_owned(), trim(w.round())),
        Some(PowerAim::AtMost(w)) => ("AT MOST, W".to_owned(), trim(w.round())),
        None if here.left_s.is_none() => ("SO LONG SO FAR; SPACE GOES ON".to_owned(), String::new()),
        None if here.left_s.is_some_and(|s| s < 0.0) => ("OVER; SPACE GOES ON".to_owned(), String::new()),
        None => (String::new(), String::new()),
    };
    let mut rows = vec![above];
    if !number.is_empty() {
        rows.extend(large(&number, size, ink));
    }
    let spare = height.saturating_sub(rows.len());
    let mut words = vec![];
    words.extend(step.shift_to.map(|ring| format!("THEN ONTO THE {} RING", ring.word().to_uppercase())));
    words.extend(step.ring.map(|ring| format!("{} RING", ring.word().to_uppercase())));
    words.extend(step.cadence_rpm.map(|range| crate::protocol::range_in_words(&range, crate::quantity::Unit::Rpm)));
    words.extend(step.posture.map(|posture| posture.word().to_uppercase()));
    words.truncate(spare.saturating_sub(1));
    if !words.is_empty() {
        rows.push(String::new());
    }
    rows.extend(words.into_iter().map(|word| word.replace("..", " to ")));
    let wide = rows.iter().map(|r| r.chars().count()).max().unwrap_or(0);
    rows.iter().map(|row| format!("{row:wide$}")).collect()
}

/// How far the step is.
fn bar(here: &PresentStep, width: usize, ink: char) -> String {
    let Some(planned_s) = here.step.and_then(|step| step.lasts.planned_s).filter(|s| *s > 0.0) else {
        return String::new();
    };
    let room = width.saturating_sub(2);
    let done = ((here.elapsed_s / planned_s).clamp(0.0, 1.0) * room as f64).round() as usize;
    format!("[{}{}]", ink.to_string().repeat(done), ".".repeat(room - done))
}

#[cfg(test)]
mod tests {
    use super::super::tests::{at, read, shipped};
    use super::*;
    use crate::brief::StepAction;
    use crate::cautions::{self, Caution};
    use crate::protocol::Protocol;

    fn view(s: f64, letters: CharacterSet) -> View<'static> {
        View { now: at(s), letters, marks: "marks.yaml", written: 12, trouble: None }
    }

    fn until(protocol: &Protocol, wanted: impl Fn(&Step) -> bool) -> (Prompter, f64) {
        let mut prompter = read(protocol);
        prompter.press(Key::Next, at(0.0));
        let mut s = 0.0;
        while !prompter.now(at(s)).step.is_some_and(&wanted) {
            s += 0.5;
            prompter.tick(at(s));
            if prompter.now(at(s)).step.is_some_and(Prompter::waits) && !prompter.now(at(s)).step.is_some_and(&wanted) {
                prompter.press(Key::Next, at(s));
            }
        }
        (prompter, s)
    }

    fn picture(prompter: &Prompter, s: f64, letters: CharacterSet, width: usize, height: usize) -> String {
        let lines = screen(prompter, &view(s, letters), width, height);
        assert!(lines.len() <= height && lines.iter().all(|l| l.chars().count() <= width));
        lines.join("\n")
    }

    fn act(wanted: StepAction) -> impl Fn(&Step) -> bool {
        move |step| step.act == wanted
    }

    #[test]
    fn screens_of_a_session() {
        let bench = shipped("bench-both-rings.yaml");
        let show = |name: &str, wanted: StepAction, later_s: f64, letters: CharacterSet, size: (usize, usize)| {
            let (mut prompter, s) = until(&bench, act(wanted));
            prompter.tick(at(s + later_s));
            insta::assert_snapshot!(name, picture(&prompter, s + later_s, letters, size.0, size.1));
        };
        use CharacterSet::{Plain, Unicode};
        show("block-80x24", StepAction::Block, 30.0, Plain, (80, 24));
        show("block-120x40", StepAction::Block, 30.0, Unicode, (120, 40));
        show("sprint-80x24", StepAction::Sprint, 2.0, Unicode, (80, 24));
        show("coast-80x24", StepAction::Coast, 1.0, Plain, (80, 24));
        show("soft-80x24", StepAction::Soft, 1.0, Plain, (80, 24));
        show("waiting-80x24", StepAction::Zero, 42.0, Plain, (80, 24));
        let (prompter, s) = until(&bench, act(StepAction::Sprint));
        let lasts_s = prompter.now(at(s)).left_s.unwrap();
        insta::assert_snapshot!("last-three-seconds-80x24", picture(&prompter, s + lasts_s - 2.5, Plain, 80, 24));
        let (mut prompter, s) = until(&bench, act(StepAction::Soft));
        prompter.press(Key::Spoiled, at(s));
        prompter.press(Key::Pause, at(s + 3.0));
        insta::assert_snapshot!("paused-80x24", picture(&prompter, s + 60.0, Plain, 80, 24));
        prompter.press(Key::Quit, at(s + 61.0));
        insta::assert_snapshot!("asks-80x24", picture(&prompter, s + 61.0, Plain, 80, 24));
        insta::assert_snapshot!("small-40x6", picture(&read(&bench), 0.0, Plain, 40, 6));
    }

    /// Screens from the first to the one that is seen as the session begins; SPACE after each.
    fn opening_screens(protocol: &Protocol, letters: CharacterSet, size: (usize, usize)) -> Vec<String> {
        let mut prompter = Prompter::new(protocol);
        let mut seen = vec![];
        while prompter.stage() == Stage::Ready {
            seen.push(picture(&prompter, 0.0, letters, size.0, size.1));
            assert!(seen.len() < 100, "it never begins");
            let marks = press(&mut prompter, Key::Next, at(0.0), size);
            assert_eq!(marks.is_empty(), prompter.stage() == Stage::Ready);
        }
        seen
    }

    #[test]
    fn cautions_before_anything_can_be_started() {
        use CharacterSet::{Plain, Unicode};
        let bench = shipped("bench-both-rings.yaml");
        let show = |name: &str, protocol: &Protocol, letters: CharacterSet, size: (usize, usize)| {
            insta::assert_snapshot!(name, opening_screens(protocol, letters, size).join("\n====\n"));
        };
        show("cautions-40x8", &bench, Unicode, (40, 8));
        show("cautions-40x8-ascii", &bench, Plain, (40, 8));
        show("cautions-80x24", &bench, Unicode, (80, 24));
        show("cautions-80x24-ascii", &bench, Plain, (80, 24));
        show("cautions-120x40", &bench, Unicode, (120, 40));
        show("cautions-rig-80x24", &shipped("rig-ramp-and-loads.yaml"), Unicode, (80, 24));
        show("cautions-road-80x24", &shipped("road-climbs.yaml"), Unicode, (80, 24));
        insta::assert_snapshot!("cautions-dumb", opening_lines(&Prompter::new(&bench), Plain).join("\n"));
    }

    #[test]
    fn every_caution_is_seen_on_every_screen_that_can_show_one_and_on_no_other_does_it_begin() {
        for name in ["bench-both-rings", "cold-soak-drift", "rig-ramp-and-loads", "road-climbs"] {
            let protocol = shipped(&format!("{name}.yaml"));
            let wanted: Vec<&str> = Caution::ALL
                .iter()
                .copied()
                .filter(|c| cautions::of(Some(&protocol)).contains(c))
                .map(Caution::short)
                .collect();
            for size in
                [(20, 9), (24, 8), (30, 6), (40, 8), (79, 24), (80, 16), (80, 24), (100, 30), (110, 38), (300, 90)]
            {
                let seen = opening_screens(&protocol, CharacterSet::Plain, size).join(" ");
                let seen = seen.split_whitespace().collect::<Vec<&str>>().join(" ");
                for caution in &wanted {
                    assert!(seen.contains(caution), "{name} {size:?}: {caution}\n{seen}");
                }
            }
            let mut prompter = Prompter::new(&protocol);
            for size in [(0, 0), (1, 1), (19, 40), (80, 2), (30, 3)] {
                for _ in 0..40 {
                    press(&mut prompter, Key::Next, at(0.0), size);
                    if prompter.unread().is_empty() {
                        panic!("{size:?} shows all")
                    }
                }
                assert_eq!(prompter.stage(), Stage::Ready);
            }
        }
    }

    /// Whatever the size, and whatever a step asks for.
    #[test]
    fn no_size_panics_and_nothing_is_larger_than_the_screen() {
        for name in ["bench-both-rings.yaml", "rig-ramp-and-loads.yaml", "cold-soak-drift.yaml", "road-climbs.yaml"] {
            let protocol = shipped(name);
            let mut prompter = read(&protocol);
            prompter.press(Key::Next, at(0.0));
            let mut s = 0.0;
            while !prompter.is_over() {
                for (width, height) in
                    [(0, 0), (0, 9), (9, 0), (1, 1), (79, 24), (80, 23), (80, 24), (110, 38), (300, 90)]
                {
                    for letters in [CharacterSet::Plain, CharacterSet::Unicode] {
                        let text = picture(&prompter, s, letters, width, height);
                        assert!(letters == CharacterSet::Unicode || text.is_ascii(), "{text}");
                    }
                }
                s += 7.0;
                prompter.press(Key::Next, at(s));
            }
            picture(&prompter, s, CharacterSet::Unicode, 80, 24);
        }
    }

    #[test]
    fn at_80x24_time_name_target_and_keys_all_show() {
        let (prompter, s) = until(&shipped("bench-both-rings.yaml"), act(StepAction::Soft));
        let lines = screen(&prompter, &view(s, CharacterSet::Plain), 80, 24);
        assert_eq!(lines.len(), 24);
        assert!(lines[23].starts_with(KEYS));
        assert!(lines.iter().any(|l| l.contains("NEXT")) && lines.iter().any(|l| l.contains("then")));
    }

    #[test]
    fn names_cannot_steer_the_terminal() {
        let mut protocol = shipped("bench-both-rings.yaml");
        protocol.title = "a\u{1b}[2J\u{202e}\u{7}b\r\n\u{9b}31m".repeat(20);
        protocol.phases.iter_mut().for_each(|p| p.id.name = format!("x\u{1b}]0;y\u{7}{}", p.id.name));
        let (prompter, s) = until(&protocol, act(StepAction::Sprint));
        for letters in [CharacterSet::Plain, CharacterSet::Unicode] {
            for size in [(80, 24), (40, 10)] {
                let text = picture(&prompter, s, letters, size.0, size.1);
                assert!(!text.chars().any(|c| (c.is_control() && c != '\n') || c == '\u{202e}'), "{text:?}");
            }
            assert!(!plain_line(&prompter, &view(s, letters)).chars().any(char::is_control));
        }
    }

    #[test]
    fn times_are_told_as_people_read_them() {
        let told = |s: f64| clock(s);
        assert_eq!(
            (told(240.0), told(59.4), told(0.4), told(0.0)),
            ("4:00".into(), "1:00".into(), "1".into(), "0".into())
        );
        assert_eq!((told(-12.3), told(2550.0), told(7200.0)), ("+12".into(), "42:30".into(), "2:00:00".into()));
    }
}
