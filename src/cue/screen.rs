//! A picture of the session: plain lines, the time left in large digits.

use chrono::{DateTime, Utc};

use super::glyphs::{Size, large};
use super::prompter::{Now, Prompter, Stage};
use crate::brief::{Act, Aim, Step};
use crate::protocol::{Drill, trim};
use crate::report::table::{safe, wrap};

/// The last seconds of a countdown, in which what comes next is called out.
const LAST_S: f64 = 3.0;
/// A screen of less shows a few lines of text.
const LEAST: (usize, usize) = (80, 24);
/// On a screen of so much, letters are larger.
const LARGE: (usize, usize) = (110, 38);

/// What the terminal can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Letters {
    Unicode,
    /// Nothing but ASCII.
    Plain,
}

/// What there is to see besides the session itself.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    pub now: DateTime<Utc>,
    pub letters: Letters,
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

/// One line for a terminal that can't go back: what is ridden now and what comes next.
pub fn plain_line(prompter: &Prompter, view: &View) -> String {
    let text =
        small(prompter, view).into_iter().take(4).filter(|line| !line.is_empty()).collect::<Vec<_>>().join(" | ");
    shown(&text, 300, view.letters)
}

/// What a terminal that can't go back is told first: what to mind, and the keys.
pub fn opening_lines(prompter: &Prompter, letters: Letters) -> Vec<String> {
    let lines = cautions(prompter).into_iter().chain([KEYS.to_owned()]);
    lines.map(|line| shown(&line, 300, letters)).collect()
}

/// Cut to the width, without what could steer the terminal; in ASCII alone where it can show no more.
fn shown(line: &str, width: usize, letters: Letters) -> String {
    let line = safe(line);
    let plain = |c: char| match c {
        c if c.is_ascii() => c,
        '–' | '—' | '−' => '-',
        '°' => 'o',
        '·' => '.',
        _ => '?',
    };
    let cut = line.chars().take(width);
    let line: String = if letters == Letters::Plain { cut.map(plain).collect() } else { cut.collect() };
    line.trim_end().to_owned()
}

fn ink(letters: Letters) -> char {
    match letters {
        Letters::Unicode => '█',
        Letters::Plain => '#',
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

/// What is done, in one or two words for large letters.
fn word(act: Act) -> &'static str {
    match act {
        Act::WarmUp => "WARM UP",
        Act::Ride | Act::Recover => "EASY",
        Act::Look => "RIDE ON",
        Act::RollOff => "ROLL OFF",
        Act::Block => "STEADY",
        Act::Sprint => "SPRINT",
        Act::LeadIn => "LEAD IN",
        Act::Coast => "COAST",
        Act::Restart => "RESTART",
        Act::Surge => "SURGE",
        Act::Soft => "SOFT",
        Act::Level => "RAMP",
        Act::CoolDown => "COOL DOWN",
        Act::OffBike => "OFF BIKE",
        Act::Zero => "ZERO",
        Act::Load => "MASS",
    }
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

fn left(here: &Now) -> String {
    here.left_s.map_or_else(|| clock(here.elapsed_s), clock)
}

/// The next steps in words, and whether it is time to get ready.
fn ahead(prompter: &Prompter, here: &Now) -> (String, String) {
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
    let name = if prompter.stage() == Stage::Ready { "READY? SPACE begins" } else { word(step.act) };
    vec![
        format!("{}  {name}", left(&here)),
        says(prompter, step).to_uppercase(),
        next,
        then,
        status(prompter, view),
        Act::BlockWheel => "BLOCK",
        KEYS.into(),
        Act::MassOff => "MASS OFF",
        phase(prompter, step),
        format!("marks: {} in {}", view.written, view.marks),
    ]
}

fn head(prompter: &Prompter, view: &View, width: usize) -> String {
    let (elapsed_s, left_s) = prompter.totals_s(view.now);
    let times = format!("ridden {}   left {}", hours(elapsed_s), hours(left_s));
    let room = width.saturating_sub(times.len() + 2);
    let title = safe(&prompter.protocol().title);
    let title: String = title.chars().take(room).collect();
    format!("{title}{:1$}{times}", "", width.saturating_sub(title.chars().count() + times.len()))
}

/// Before the first key: what to mind, and what comes first.
fn ready(prompter: &Prompter, view: &View, width: usize, height: usize) -> Vec<String> {
    let size =
        if width >= LARGE.0 && height >= LARGE.1 { Size { across: 3, down: 2 } } else { Size { across: 2, down: 1 } };
    let mut lines = vec![head(prompter, view, width), String::new()];
    lines.extend(large(if prompter.resumes() { "GO ON" } else { "READY" }, size, ink(view.letters)));
    lines.push(String::new());
    for caution in cautions(prompter) {
        lines.extend(wrap(&caution, width));
    }
    lines.push(String::new());
    let here = prompter.now(view.now);
    lines.extend(here.step.map(|step| format!("FIRST  {}", says(prompter, step))));
    let (next, then) = ahead(prompter, &here);
    lines.extend([next, then]);
    lines.resize(height.saturating_sub(4), String::new());
    lines.push(status(prompter, view));
    lines.push(format!("SPACE {}   Q stop", if prompter.resumes() { "goes on" } else { "begins" }));
    lines.push(KEYS.into());
    lines.push(format!("marks: {} in {}", view.written, view.marks));
    lines
}

/// What to mind before riding by a screen.
fn cautions(prompter: &Prompter) -> Vec<String> {
    let has = |wanted: fn(&Drill) -> bool| prompter.protocol().phases.iter().any(|p| wanted(&p.drill));
    let mut cautions = vec![];
    if prompter.protocol().setting == crate::protocol::Setting::Road {
        cautions.push(
            "This is a ride on the road: whoever rides or drives does not look here. Somebody else keeps this list."
                .to_owned(),
        );
    }
    if has(|d| matches!(d, Drill::Sprint { .. })) {
        cautions.push(
            "Hard sprints and standing efforts can injure: be fit for them, secure the bike, have a spotter or a clear \
             floor, and stop when unwell."
                .to_owned(),
        );
    } else {
        cautions.push("Secure the bike, keep the floor clear, and stop when unwell.".to_owned());
    }
    if has(|d| matches!(d, Drill::StaticLoad { .. })) {
        cautions.push("Secure each mass before you let go of it, and keep feet and hands clear of it.".to_owned());
    }
    cautions.push("All head units recording every second? Automatic pause off, one strap on all?".to_owned());
    cautions
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
        _ => here.step.map_or("", |step| word(step.act)),
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
fn target(step: &Step, here: &Now, size: Size, ink: char, height: usize) -> Vec<String> {
    let (above, number) = match step.power {
        Some(Aim::At(w)) => ("HOLD, W".to_owned(), trim(w.round())),
        Some(Aim::Between(low, high)) => {
            ("BETWEEN, W".to_owned(), format!("{}-{}", trim(low.round()), trim(high.round())))
        }
        Some(Aim::AtLeast(w)) => ("AT LEAST, W".to_owned(), trim(w.round())),
        Some(Aim::AtMost(w)) => ("AT MOST, W".to_owned(), trim(w.round())),
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
fn bar(here: &Now, width: usize, ink: char) -> String {
    let Some(planned_s) = here.step.and_then(|step| step.lasts.planned_s).filter(|s| *s > 0.0) else {
        return String::new();
    };
    let room = width.saturating_sub(2);
    let done = ((here.elapsed_s / planned_s).clamp(0.0, 1.0) * room as f64).round() as usize;
    format!("[{}{}]", ink.to_string().repeat(done), ".".repeat(room - done))
}

#[cfg(test)]
mod tests {
    use super::super::prompter::Key;
    use super::super::prompter::tests::{at, shipped};
    use super::*;
    use crate::protocol::Protocol;

    fn view(s: f64, letters: Letters) -> View<'static> {
        View { now: at(s), letters, marks: "marks.yaml", written: 12, trouble: None }
    }

    fn until(protocol: &Protocol, wanted: impl Fn(&Step) -> bool) -> (Prompter, f64) {
        let mut prompter = Prompter::new(protocol);
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

    fn picture(prompter: &Prompter, s: f64, letters: Letters, width: usize, height: usize) -> String {
        let lines = screen(prompter, &view(s, letters), width, height);
        assert!(lines.len() <= height && lines.iter().all(|l| l.chars().count() <= width));
        lines.join("\n")
    }

    fn act(wanted: Act) -> impl Fn(&Step) -> bool {
        move |step| step.act == wanted
    }

    #[test]
    fn screens_of_a_session() {
        let bench = shipped("bench-both-rings.yaml");
        let show = |name: &str, wanted: Act, later_s: f64, letters: Letters, size: (usize, usize)| {
            let (mut prompter, s) = until(&bench, act(wanted));
            prompter.tick(at(s + later_s));
            insta::assert_snapshot!(name, picture(&prompter, s + later_s, letters, size.0, size.1));
        };
        use Letters::{Plain, Unicode};
        show("block-80x24", Act::Block, 30.0, Plain, (80, 24));
        show("block-120x40", Act::Block, 30.0, Unicode, (120, 40));
        show("sprint-80x24", Act::Sprint, 2.0, Unicode, (80, 24));
        show("coast-80x24", Act::Coast, 1.0, Plain, (80, 24));
        show("soft-80x24", Act::Soft, 1.0, Plain, (80, 24));
        show("waiting-80x24", Act::Zero, 42.0, Plain, (80, 24));
        let (prompter, s) = until(&bench, act(Act::Sprint));
        let lasts_s = prompter.now(at(s)).left_s.unwrap();
        insta::assert_snapshot!("last-three-seconds-80x24", picture(&prompter, s + lasts_s - 2.5, Plain, 80, 24));
        let (mut prompter, s) = until(&bench, act(Act::Soft));
        prompter.press(Key::Spoiled, at(s));
        prompter.press(Key::Pause, at(s + 3.0));
        insta::assert_snapshot!("paused-80x24", picture(&prompter, s + 60.0, Plain, 80, 24));
        prompter.press(Key::Quit, at(s + 61.0));
        insta::assert_snapshot!("asks-80x24", picture(&prompter, s + 61.0, Plain, 80, 24));
        let ready = Prompter::new(&bench);
        insta::assert_snapshot!("ready-80x24", picture(&ready, 0.0, Plain, 80, 24));
        insta::assert_snapshot!("small-40x6", picture(&ready, 0.0, Plain, 40, 6));
    }

    /// Whatever the size, and whatever a step asks for.
    #[test]
    fn no_size_panics_and_nothing_is_larger_than_the_screen() {
        for name in ["bench-both-rings.yaml", "rig-ramp-and-loads.yaml", "cold-soak-drift.yaml", "road-climbs.yaml"] {
            let protocol = shipped(name);
            let mut prompter = Prompter::new(&protocol);
            prompter.press(Key::Next, at(0.0));
            let mut s = 0.0;
            while !prompter.is_over() {
                for (width, height) in
                    [(0, 0), (0, 9), (9, 0), (1, 1), (79, 24), (80, 23), (80, 24), (110, 38), (300, 90)]
                {
                    for letters in [Letters::Plain, Letters::Unicode] {
                        let text = picture(&prompter, s, letters, width, height);
                        assert!(letters == Letters::Unicode || text.is_ascii(), "{text}");
                    }
                }
                s += 7.0;
                prompter.press(Key::Next, at(s));
            }
            picture(&prompter, s, Letters::Unicode, 80, 24);
        }
    }

    #[test]
    fn at_80x24_time_name_target_and_keys_all_show() {
        let (prompter, s) = until(&shipped("bench-both-rings.yaml"), act(Act::Soft));
        let lines = screen(&prompter, &view(s, Letters::Plain), 80, 24);
        assert_eq!(lines.len(), 24);
        assert!(lines[23].starts_with(KEYS));
        assert!(lines.iter().any(|l| l.contains("NEXT")) && lines.iter().any(|l| l.contains("then")));
    }

    #[test]
    fn names_cannot_steer_the_terminal() {
        let mut protocol = shipped("bench-both-rings.yaml");
        protocol.title = "a\u{1b}[2J\u{202e}\u{7}b\r\n\u{9b}31m".repeat(20);
        protocol.phases.iter_mut().for_each(|p| p.id.name = format!("x\u{1b}]0;y\u{7}{}", p.id.name));
        let (prompter, s) = until(&protocol, act(Act::Sprint));
        for letters in [Letters::Plain, Letters::Unicode] {
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
