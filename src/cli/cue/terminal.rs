//! Keys from a terminal, and the screen on it.

use std::io::Write;
use std::time::{Duration, Instant};

use anyhow::Context;
use chrono::{DateTime, TimeDelta, Utc};
use crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};
use crossterm::{cursor, execute, queue, terminal};

use super::setup::CueSetup;
use crate::cue::{Key, Prompter, Stage, opening_lines, plain_line};
use crate::session::{MarkEvent, TimedMark};

/// How often the screen is looked at: a countdown shows its seconds on time.
const TICK: Duration = Duration::from_millis(100);
/// Before the end of a countdown there are so many beeps, a second apart.
const BEEPS: i64 = 3;

/// By more than this a clock that moved is told in the marks.
const MOVED_S: f64 = 5.0;

/// What a terminal can do.
#[derive(Clone, Copy, PartialEq)]
enum Terminal {
    /// Any place of its screen can be written to.
    Screen,
    /// Lines only (TERM=dumb).
    Lines,
}

/// Keys without Enter and the other screen, until dropped, whatever ends it.
struct RawTerminal(Terminal);

impl RawTerminal {
    fn enter(terminal: Terminal) -> anyhow::Result<Self> {
        // A panic's message belongs on the screen that stays.
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            restore(terminal);
            before(info);
        }));
        terminal::enable_raw_mode().context("reading keys from the terminal")?;
        let raw = Self(terminal);
        if terminal == Terminal::Screen {
            execute!(std::io::stdout(), terminal::EnterAlternateScreen, cursor::Hide)?;
        }
        Ok(raw)
    }
}

impl Drop for RawTerminal {
    fn drop(&mut self) {
        restore(self.0);
    }
}

fn restore(terminal: Terminal) {
    if terminal == Terminal::Screen {
        let _ = execute!(std::io::stdout(), cursor::Show, terminal::LeaveAlternateScreen);
    }
    let _ = terminal::disable_raw_mode();
}

/// Wall-clock time that no correction of the computer's clock moves while riding.
struct SteadyClock {
    began: DateTime<Utc>,
    since: Instant,
}

impl SteadyClock {
    fn now(&self) -> DateTime<Utc> {
        self.began + TimeDelta::from_std(self.since.elapsed()).unwrap_or_default()
    }

    /// By how much the computer's clock has moved against its counting of seconds: it was set, or the computer slept.
    fn moved_s(&self) -> f64 {
        (Utc::now() - self.now()).as_seconds_f64()
    }
}

pub(super) fn by_keys(setup: &mut CueSetup, silent: bool) -> anyhow::Result<()> {
    let dumb = std::env::var_os("TERM").is_none_or(|term| term.is_empty() || term == "dumb");
    let terminal = if dumb && cfg!(unix) { Terminal::Lines } else { Terminal::Screen };
    let watch = SteadyClock { began: Utc::now(), since: Instant::now() };
    let _raw = RawTerminal::enter(terminal)?;
    let (mut shown, mut beeped) = (vec![], None);
    if terminal == Terminal::Lines {
        let mut out = std::io::stdout().lock();
        for line in opening_lines(setup.prompter, setup.letters) {
            write!(out, "{line}\r\n")?;
        }
        setup.prompter.read(usize::MAX);
    }
    let mut told_s = 0.0;
    loop {
        let now = watch.now();
        let moved_s = watch.moved_s();
        if (moved_s - told_s).abs() > MOVED_S {
            told_s = moved_s;
            let text = format!("this computer's clock moved by {moved_s:+.0} s since the start: it was set, or slept");
            setup.keeper.keep(&[TimedMark { at: now, what: MarkEvent::Note, text: Some(text) }]);
        }
        setup.tick(now);
        if setup.prompter.stage() == Stage::Stopped {
            return Ok(());
        }
        draw(setup, now, terminal, &mut shown)?;
        if !silent {
            beep(setup.prompter, now, &mut beeped)?;
        }
        if !event::poll(TICK).context("waiting for a key")? {
            continue;
        }
        match event::read().context("reading a key")? {
            Event::Key(key) if key.kind != KeyEventKind::Release => {
                if setup.prompter.is_over() {
                    return Ok(());
                }
                let control = key.modifiers.contains(KeyModifiers::CONTROL);
                // Ctrl-C asks like Q, and does not ask twice.
                let key = match key.code {
                    KeyCode::Char('c' | 'd') if control => {
                        Some(if setup.prompter.asks_to_stop() { Key::Yes } else { Key::Quit })
                    }
                    KeyCode::Char(' ') => Some(Key::Next),
                    KeyCode::Char(c) if !control => Key::from_word(&c.to_lowercase().to_string()),
                    _ => None,
                };
                // Any other key takes back the question.
                let key = key.or(setup.prompter.asks_to_stop().then_some(Key::No));
                if let Some(key) = key {
                    setup.press(key, watch.now(), size());
                }
            }
            Event::Resize(..) => shown.clear(),
            _ => {}
        }
    }
}

/// Columns and rows of the terminal.
fn size() -> (usize, usize) {
    let (width, height) = terminal::size().unwrap_or((80, 24));
    (width.into(), height.into())
}

/// Writes what changed; in a terminal of lines, a line for each step and for the last seconds.
fn draw(setup: &CueSetup, now: DateTime<Utc>, terminal: Terminal, shown: &mut Vec<String>) -> anyhow::Result<()> {
    let mut out = std::io::stdout().lock();
    if terminal == Terminal::Lines {
        let here = setup.prompter.now(now);
        // A line anew when something else is to be done, each half minute, and in the last seconds.
        let left = here.left_s.map(|s| s.ceil() as i64);
        let at = left.map(|s| if (0..=BEEPS).contains(&s) { s } else { 1000 + s.div_euclid(30) });
        let state = (setup.prompter.stage(), setup.prompter.asks_to_stop(), setup.keeper.trouble());
        let key = format!("{:?} {state:?} {at:?} {}", setup.prompter.ahead().len(), setup.prompter.says());
        if shown.first() != Some(&key) {
            let line = plain_line(setup.prompter, &setup.view(now));
            write!(out, "{line}\r\n")?;
            let says = match setup.prompter.asks_to_stop() {
                true => "stop the session? Y stops, any other key goes on",
                false => setup.prompter.says(),
            };
            if !says.is_empty() {
                write!(out, "  {}\r\n", crate::text::safe(says))?;
            }
            out.flush()?;
            *shown = vec![key];
        }
        return Ok(());
    }
    let (width, height) = size();
    let lines = setup.picture(now, (width, height));
    if shown.is_empty() {
        queue!(out, terminal::Clear(terminal::ClearType::All))?;
    }
    for row in 0..lines.len().max(shown.len()) {
        let line = lines.get(row).map_or("", String::as_str);
        if shown.get(row).map(String::as_str) != Some(line) {
            queue!(out, cursor::MoveTo(0, row.try_into().unwrap_or(u16::MAX)))?;
            write!(out, "{line}")?;
            // A full row has the cursor behind its end, where clearing would take its last letter.
            if line.chars().count() < width {
                queue!(out, terminal::Clear(terminal::ClearType::UntilNewLine))?;
            }
        }
    }
    out.flush()?;
    *shown = lines;
    Ok(())
}

/// Once in each of the last seconds of a countdown.
fn beep(prompter: &Prompter, now: DateTime<Utc>, beeped: &mut Option<(usize, i64)>) -> anyhow::Result<()> {
    if prompter.stage() != Stage::Running {
        return Ok(());
    }
    let left = prompter.now(now).left_s.map(|s| s.ceil() as i64).filter(|s| (1..=BEEPS).contains(s));
    let this = left.map(|s| (prompter.ahead().len(), s));
    if this.is_some() && this != *beeped {
        let mut out = std::io::stdout().lock();
        write!(out, "\x07")?;
        out.flush()?;
        *beeped = this;
    }
    Ok(())
}
