use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use anyhow::{Context, bail};
use chrono::{DateTime, TimeDelta, Utc};
use crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};
use crossterm::{cursor, execute, queue, terminal};

use super::exit::Exit;
use super::options::{load_protocol, load_session_before_ride, watts};
use crate::cue::{
    CharacterSet, Key, MarksWriter, Prompter, ScriptLine, ScriptRequest, Stage, View, opening_lines, plain_line, press,
    screen,
};
use crate::protocol::{Protocol, Setting};
use crate::session::{self, MarkEvent, MarksFile, MarksHeader, TimedMark};

/// Run a session live: what to ride now and next, how long still, and marks of what was done
///
/// Full screen in a terminal, to be read from the bike; no colour needed. Each key and each prompt is written to the marks
/// file at once: name it in the session file (`marks: marks.yaml`) and `judge` takes it as evidence. Indoors: on the road
/// nobody steers by a screen.
#[derive(Debug, clap::Args)]
pub struct CueArgs {
    /// Protocol to ride (YAML)
    protocol: PathBuf,
    /// Session file of this ride, for the rider's threshold power; it may still be a draft. Marks go beside it
    #[arg(long, value_name = "FILE")]
    session: Option<PathBuf>,
    /// Marks file to write; if not said, marks.yaml beside the session file, or here
    #[arg(long, value_name = "FILE")]
    marks: Option<PathBuf>,
    /// Go on with the marks file that is there, where it ends, without asking
    #[arg(long)]
    go_on: bool,
    /// The rider's threshold power, for targets in per cent of it
    #[arg(long, value_name = "250W", value_parser = watts)]
    threshold: Option<f64>,
    /// No beep in the last three seconds
    #[arg(long)]
    silent: bool,
    /// Nothing but ASCII on the screen
    #[arg(long)]
    ascii: bool,
    /// On the road: somebody who neither rides nor drives keeps the list
    #[arg(long)]
    not_riding: bool,
    /// Keys from a file (- for standard input) instead of a terminal: lines of seconds and a key, as `12.5 space`; `show`
    /// prints the screen
    #[arg(long, value_name = "FILE")]
    script: Option<PathBuf>,
    /// With --script: the moment that its seconds count from
    #[arg(long, value_name = "TIME", requires = "script", default_value = "2026-01-01T12:00:00Z")]
    from: DateTime<Utc>,
}

pub fn run(args: &CueArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let session = args.session.as_deref().map(load_session_before_ride).transpose()?;
    let from_session = session.and_then(|session| session.threshold_power_w);
    let protocol = load_protocol(&args.protocol, args.threshold.or(from_session))?;
    if protocol.setting == Setting::Road && !args.not_riding {
        bail!(
            "this protocol is ridden on the road, where nobody steers by a screen: learn its drills by heart before you go. \
             If somebody who neither rides nor drives keeps the list, say --not-riding"
        );
    }
    let ascii = args.ascii || (args.script.is_none() && !speaks_unicode(|name| std::env::var(name).ok()));
    let letters = if ascii { CharacterSet::Plain } else { CharacterSet::Unicode };
    if args.script.is_none() && !(std::io::stdin().is_terminal() && std::io::stdout().is_terminal()) {
        bail!(
            "cue draws on a terminal and reads keys from it; run it in one (over ssh: ssh -t), or drive it by --script FILE"
        );
    }
    out.flush()?;
    let Some((mut prompter, mut keeper, path)) = begin(args, &protocol, out)? else { return Ok(Exit::Done) };
    let name = path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let mut setup = CueSetup { prompter: &mut prompter, keeper: &mut keeper, letters, name };
    let ended = match &args.script {
        Some(script) => by_script(&mut setup, script, args.from, out),
        None => by_keys(&mut setup, args.silent),
    };
    goodbye(&prompter, &keeper, &path, out)?;
    ended?;
    Ok(Exit::Done)
}

/// Whether the locale's characters are Unicode: the first of these that is set and not empty says so.
fn speaks_unicode(get: impl Fn(&str) -> Option<String>) -> bool {
    let set = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().filter_map(get).find(|value| !value.is_empty());
    set.is_some_and(|value| value.to_uppercase().replace('-', "").contains("UTF8"))
}

/// What a session is run with.
struct CueSetup<'a> {
    prompter: &'a mut Prompter,
    keeper: &'a mut MarksWriter,
    letters: CharacterSet,
    name: String,
}

impl CueSetup<'_> {
    fn tick(&mut self, now: DateTime<Utc>) {
        let marks = self.prompter.tick(now);
        self.keeper.keep(&marks);
    }

    fn press(&mut self, key: Key, now: DateTime<Utc>, size: (usize, usize)) {
        let marks = press(self.prompter, key, now, size);
        self.keeper.keep(&marks);
    }

    fn view(&self, now: DateTime<Utc>) -> View<'_> {
        let (marks, written, trouble) = (self.name.as_str(), self.keeper.written(), self.keeper.trouble());
        View { now, letters: self.letters, marks, written, trouble }
    }

    fn picture(&self, now: DateTime<Utc>, (width, height): (usize, usize)) -> Vec<String> {
        screen(self.prompter, &self.view(now), width, height)
    }
}

// ---- the marks file ----

/// A new session with a new marks file, or the one whose marks are there; `None` if the tester wants neither.
fn begin(
    args: &CueArgs,
    protocol: &Protocol,
    out: &mut impl Write,
) -> anyhow::Result<Option<(Prompter, MarksWriter, PathBuf)>> {
    let beside = args.session.as_deref().and_then(Path::parent).unwrap_or(Path::new(""));
    let path = args.marks.clone().unwrap_or_else(|| beside.join("marks.yaml"));
    let heading = MarksHeader::of(protocol);
    let anew = |path: PathBuf| -> anyhow::Result<Option<(Prompter, MarksWriter, PathBuf)>> {
        Ok(Some((Prompter::new(protocol), MarksWriter::begin(&path, &heading)?, path)))
    };
    if !path.exists() {
        return anew(path);
    }
    let there = session::load_marks(&path, Some(protocol)).map_err(|problems| {
        anyhow::anyhow!(
            "a marks file is there already and can't be read; mend it, or name another with --marks\n\n{problems}"
        )
    })?;
    let go_on = |there: &MarksFile| -> anyhow::Result<Option<(Prompter, MarksWriter, PathBuf)>> {
        let keeper = MarksWriter::go_on(&path, &heading, there.marks.len())?;
        Ok(Some((Prompter::resumed(protocol, there), keeper, path.clone())))
    };
    let may_go_on = can_go_on(&there, &heading);
    if args.go_on {
        if let Err(why) = may_go_on {
            bail!("{} {why}; name another file with --marks", path.display());
        }
        return go_on(&there);
    }
    if args.script.is_some() {
        bail!("{} is there already; say --go-on, or name another file with --marks", path.display());
    }
    let other = free_name(&path);
    match may_go_on {
        Ok(said) => write!(
            out,
            "{} is there: {said}.\ny: go on from there   n: begin anew in {}   q: leave  > ",
            path.display(),
            other.display()
        )?,
        Err(why) => {
            write!(out, "{} is there and {why}.\nn: begin anew in {}   q: leave  > ", path.display(), other.display())?
        }
    }
    out.flush()?;
    let mut answer = String::new();
    std::io::stdin().lock().read_line(&mut answer).context("reading the answer")?;
    match answer.trim().to_lowercase().as_str() {
        "y" | "yes" if can_go_on(&there, &heading).is_ok() => go_on(&there),
        "n" | "no" => anew(other),
        _ => Ok(None),
    }
}

/// Where a marks file ends, or why there is no going on with it.
fn can_go_on(there: &MarksFile, heading: &MarksHeader) -> Result<String, String> {
    match &there.heading {
        Some(own) if own != heading => {
            return Err(format!(
                "holds marks of \"{}\", revision {}, or of the file as it was",
                own.title, own.revision
            ));
        }
        None if !there.marks.is_empty() => return Err("does not say what protocol it was made for".into()),
        _ => {}
    }
    if there.marks.iter().any(|m| m.what == MarkEvent::Session(session::SessionEvent::Done)) {
        return Err("holds a session that was ridden to its end".into());
    }
    let last = there.marks.iter().rev().find_map(|m| match &m.what {
        MarkEvent::Began { of, .. } => Some(format!("{of} began at {}", m.at.format("%F %H:%M:%S UTC"))),
        MarkEvent::Ended(of) => Some(format!("{of} ended at {}", m.at.format("%F %H:%M:%S UTC"))),
        _ => None,
    });
    Ok(format!("{} marks, the last repeat: {}", there.marks.len(), last.unwrap_or_else(|| "none".into())))
}

/// `marks-2.yaml` and so on.
fn free_name(path: &Path) -> PathBuf {
    let stem = path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    let end = path.extension().map_or_else(String::new, |e| format!(".{}", e.to_string_lossy()));
    let names = (2..).map(|n: u32| path.with_file_name(format!("{stem}-{n}{end}")));
    names.into_iter().find(|name| !name.exists()).unwrap_or_else(|| path.to_owned())
}

/// Where the marks are and what becomes of them.
fn goodbye(prompter: &Prompter, keeper: &MarksWriter, path: &Path, out: &mut impl Write) -> anyhow::Result<()> {
    let how = match prompter.stage() {
        Stage::Done => "The session is done.",
        _ => "The session is not at its end; the same command goes on with it.",
    };
    let name = path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    writeln!(out, "{how} {} marks are in {}.", keeper.written(), path.display())?;
    writeln!(
        out,
        "Into the session file beside it goes the line\n\n    marks: {name}\n\nand `assize judge` takes them as evidence."
    )?;
    if let Some(trouble) = keeper.trouble() {
        bail!("not all marks could be written to {}: {trouble}", path.display());
    }
    Ok(())
}

// ---- by a script ----

/// Lines one by one, as they come. A script that ends before the session leaves it as a pulled plug would.
fn by_script(setup: &mut CueSetup, script: &Path, from: DateTime<Utc>, out: &mut impl Write) -> anyhow::Result<()> {
    let lines: Box<dyn BufRead> = if script == Path::new("-") {
        Box::new(std::io::stdin().lock())
    } else {
        let file = std::fs::File::open(script).with_context(|| format!("opening {}", script.display()))?;
        Box::new(std::io::BufReader::new(file))
    };
    let (mut size, mut last_s) = ((80, 24), 0.0);
    for (number, line) in lines.lines().enumerate() {
        let place = || format!("{}, line {}", script.display(), number + 1);
        let Some(script) = ScriptLine::read(&line.with_context(place)?).with_context(place)? else { continue };
        if script.at_s < last_s {
            bail!("{}: {} s is before the line above; write the lines in order of time", place(), script.at_s);
        }
        last_s = script.at_s;
        let now = from + TimeDelta::milliseconds((script.at_s * 1000.0).round() as i64);
        setup.tick(now);
        match script.asked {
            ScriptRequest::Press(key) => setup.press(key, now, size),
            ScriptRequest::Size(width, height) => size = (width, height),
            ScriptRequest::Show => {
                writeln!(out, "---- {} s", script.at_s)?;
                for line in setup.picture(now, size) {
                    writeln!(out, "{line}")?;
                }
                out.flush()?;
            }
        }
    }
    Ok(())
}

// ---- by a terminal ----

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

fn by_keys(setup: &mut CueSetup, silent: bool) -> anyhow::Result<()> {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_locale_says_whether_it_is_unicode() {
        let of = |set: &[(&str, &str)]| speaks_unicode(|name| set.iter().find(|s| s.0 == name).map(|s| s.1.to_owned()));
        assert!(of(&[("LANG", "en_GB.UTF-8")]) && of(&[("LC_ALL", "C.utf8"), ("LANG", "C")]));
        assert!(!of(&[]) && !of(&[("LANG", "C")]) && !of(&[("LC_ALL", "POSIX"), ("LANG", "en_GB.UTF-8")]));
        assert!(of(&[("LC_ALL", ""), ("LANG", "en_GB.UTF-8")]));
    }
}
