//! The marks file: what a tester said while riding, written line by line by `assize cue`, read as evidence by `judge`.
//!
//! ```yaml
//! # Marks of a ride, times by the computer's clock. A line can be mended or taken out by hand.
//! - { assize_marks: 1, title: "Bench trial", revision: "2026-11", sha256: "0f…" }
//! - { at: "2026-11-28T14:32:10.4Z", began: "standing-sprints/2" }
//! - { at: "2026-11-28T14:32:20.1Z", ended: "standing-sprints/2" }
//! ```
//!
//! Its keys are told of at the top of [`crate::session`].

use std::fmt;
use std::path::{Path, PathBuf};

use chrono::{DateTime, SubsecRound, TimeDelta, Utc};
use sha2::{Digest, Sha256};

use super::clock::clock_time;
use crate::files;
use crate::problem::Problems;
use crate::protocol::{Node, Phases, Protocol, Selector, SourceFiles, hex, placed_selector};

/// The version of the file's layout.
const VERSION: &str = "1";

/// A marks file as read, its marks in the order written.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct MarksFile {
    pub file: PathBuf,
    /// Of the file's bytes, lower-case hex.
    pub sha256: String,
    /// `None` where its heading is missing.
    pub heading: Option<MarksHeader>,
    pub marks: Vec<TimedMark>,
    /// One sentence each.
    pub cautions: Vec<String>,
}

/// What the marks were made for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MarksHeader {
    pub title: String,
    pub revision: String,
    pub sha256: String,
}

/// One line: when, by the clock of whatever wrote it, and what.
#[derive(Debug, Clone, PartialEq)]
pub struct TimedMark {
    pub at: DateTime<Utc>,
    pub what: MarkEvent,
    pub text: Option<String>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum MarkEvent {
    /// Of a repeat's later moves each is named (`coast`, `restart`).
    Began {
        of: Selector,
        act: Option<String>,
    },
    Ended(Selector),
    Skipped(Selector),
    Spoiled(Selector),
    TakenBack(Selector),
    Added(Selector),
    Session(SessionEvent),
    /// Only a text.
    Note,
}

/// What happened to the session as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SessionEvent {
    Started,
    Paused,
    Resumed,
    /// Back by one step: what began last had not.
    Back,
    Stopped,
    Done,
}

impl SessionEvent {
    const ALL: [Self; 6] = [Self::Started, Self::Paused, Self::Resumed, Self::Back, Self::Stopped, Self::Done];

    pub fn word(self) -> &'static str {
        match self {
            SessionEvent::Started => "started",
            SessionEvent::Paused => "paused",
            SessionEvent::Resumed => "resumed",
            SessionEvent::Back => "back",
            SessionEvent::Stopped => "stopped",
            SessionEvent::Done => "done",
        }
    }
}

impl MarksHeader {
    pub fn of(protocol: &Protocol) -> Self {
        let Protocol { title, revision, sha256, .. } = protocol;
        Self { title: title.clone(), revision: revision.clone(), sha256: sha256.clone() }
    }

    /// What to say where marks were made for something else than `protocol`.
    fn differs(&self, protocol: &Protocol, name: &str) -> Option<String> {
        if (&self.title, &self.revision) != (&protocol.title, &protocol.revision) {
            return Some(format!(
                "{name}: its marks were made for \"{}\", revision {}, not for this protocol; those that name no phase of \
                 it were left out",
                self.title, self.revision
            ));
        }
        (self.sha256 != protocol.sha256).then(|| {
            format!(
                "{name}: the protocol file was changed since its marks were made (or before it was judged); marks that name \
                 no phase of it were left out"
            )
        })
    }
}

/// One line of a marks file, without its line break.
impl fmt::Display for MarksHeader {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { title, revision, sha256 } = self;
        let (title, revision, sha256) = (quoted(title), quoted(revision), quoted(sha256));
        write!(f, "- {{ assize_marks: {VERSION}, title: {title}, revision: {revision}, sha256: {sha256} }}")
    }
}

/// One line of a marks file, without its line break.
impl fmt::Display for TimedMark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Rounded first: a format cuts.
        let at = self.at.round_subsecs(1);
        let tenth = at.timestamp_subsec_millis() / 100;
        write!(f, "- {{ at: \"{}.{tenth}Z\"", at.format("%Y-%m-%dT%H:%M:%S"))?;
        let selector = |s: &Selector| quoted(&s.to_string());
        match &self.what {
            MarkEvent::Began { of, act } => {
                write!(f, ", began: {}", selector(of))?;
                act.as_ref().map_or(Ok(()), |act| write!(f, ", move: {act}"))?;
            }
            MarkEvent::Ended(of) => write!(f, ", ended: {}", selector(of))?,
            MarkEvent::Skipped(of) => write!(f, ", skipped: {}", selector(of))?,
            MarkEvent::Spoiled(of) => write!(f, ", spoiled: {}", selector(of))?,
            MarkEvent::TakenBack(of) => write!(f, ", taken_back: {}", selector(of))?,
            MarkEvent::Added(of) => write!(f, ", added: {}", selector(of))?,
            MarkEvent::Session(happened) => write!(f, ", session: {}", happened.word())?,
            MarkEvent::Note => {}
        }
        if let Some(text) = &self.text {
            write!(f, ", text: {}", quoted(text))?;
        }
        f.write_str(" }")
    }
}

/// In double quotes, as both YAML and JSON read them; what may break a line or turn its text round is escaped.
pub(crate) fn quoted(text: &str) -> String {
    let mut quoted = String::from('"');
    for c in text.chars() {
        match c {
            '"' | '\\' => quoted.extend(['\\', c]),
            c if c.is_control()
                || matches!(c, '\u{2028}'..='\u{202e}' | '\u{200e}' | '\u{200f}' | '\u{2066}'..='\u{2069}' | '\u{feff}') =>
            {
                quoted.push_str(&format!("\\u{:04x}", u32::from(c)));
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}

/// Reads a marks file against the protocol that was ridden.
///
/// # Errors
/// Every mistake at its line. No mistakes, but cautions: half a line, as a crash may leave it, and marks of another
/// protocol.
pub fn load_marks(path: &Path, protocol: Option<&Protocol>) -> Result<MarksFile, Problems> {
    let mut reading = SourceFiles::default();
    let marks = match files::read(path, files::TEXT) {
        Ok(bytes) => read(&mut reading, path, bytes, protocol),
        Err(error) => {
            reading.report_whole(path, None, error.to_string(), None);
            None
        }
    };
    reading.close(marks)
}

/// Bytes of the marks file at `path`, read for `protocol`.
pub(super) fn read(
    reading: &mut SourceFiles,
    path: &Path,
    bytes: Vec<u8>,
    protocol: Option<&Protocol>,
) -> Option<MarksFile> {
    let sha256 = hex(&Sha256::digest(&bytes));
    let name = path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
    let (whole, torn) = without_torn_lines(&bytes);
    let mut cautions: Vec<String> = torn
        .iter()
        .map(|line| format!("{name}: line {line} is half a line, as a crash leaves it, and was left out"))
        .collect();
    let blank = |line: &[u8]| line.trim_ascii().is_empty() || line.trim_ascii().starts_with(b"#");
    if whole.split(|b| *b == b'\n').all(blank) {
        cautions.push(format!("{name}: it holds no marks"));
        return Some(MarksFile { file: path.to_owned(), sha256, heading: None, marks: vec![], cautions });
    }
    let root = reading.open_bytes(path, whole)?;
    let mut items = reading.list(&root, "marks")?;
    let heading = match items.first().filter(|item| item.get("assize_marks").is_some()) {
        Some(first) => {
            items = &items[1..];
            Some(heading(reading, first)?)
        }
        None => {
            cautions.push(format!("{name}: its first line, which says what protocol it was made for, is missing"));
            None
        }
    };
    let differs = protocol.and_then(|protocol| heading.as_ref()?.differs(protocol, &name));
    let lenient = differs.is_some() || heading.is_none() || protocol.is_none();
    cautions.extend(differs);
    let phases = Phases { all: protocol.map_or(vec![], |p| p.phases.clone()), unread: vec![] };
    let marks = items.iter().filter_map(|item| noted(reading, item, &phases, lenient)).collect();
    Some(MarksFile { file: path.to_owned(), sha256, heading, marks, cautions })
}

fn heading(reading: &mut SourceFiles, node: &Node) -> Option<MarksHeader> {
    let mut keys = reading.map(node, "the heading")?;
    if let Some(version) = keys.take("assize_marks").filter(|v| v.as_text() != Some(VERSION)) {
        reading.report(version.at, format!("this program reads version {VERSION} of the marks file"), None);
    }
    let title = keys.need(reading, "title", "Bench trial").and_then(|n| reading.text(n));
    let revision = keys.need(reading, "revision", "\"1\"").and_then(|n| reading.text(n));
    let sha256 = keys.need(reading, "sha256", "\"0f…\"").and_then(|n| reading.text(n));
    keys.finish(reading);
    Some(MarksHeader { title: title?, revision: revision?, sha256: sha256? })
}

/// What is said of a repeat.
type RepeatEvent = fn(Selector) -> MarkEvent;

/// `None` without a report for a mark of a phase that a protocol other than the one it was made for does not have.
fn noted(reading: &mut SourceFiles, node: &Node, phases: &Phases, lenient: bool) -> Option<TimedMark> {
    let mut keys = reading.map(node, "a mark")?;
    let at = keys.need(reading, "at", "\"2026-11-28T14:32:10Z\"").and_then(|n| instant(reading, n));
    let act = keys.take("move").and_then(|n| reading.text(n));
    let text = keys.take("text").and_then(|n| reading.text(n));
    let of = |reading: &mut SourceFiles, node: &Node| {
        let known = |name: &str| phases.all.iter().any(|p| p.id.name == name);
        let name = node.as_text().map(|t| t.split(['[', '/']).next().unwrap_or(t).trim().to_owned());
        if lenient && name.is_some_and(|name| !known(&name)) {
            return None;
        }
        let before = reading.problem_count();
        let selector = placed_selector(reading, node, Some(phases));
        if lenient {
            reading.forget(before);
        }
        selector
    };
    let kinds: [(&'static str, RepeatEvent); 6] = [
        ("began", |of| MarkEvent::Began { of, act: None }),
        ("ended", MarkEvent::Ended),
        ("skipped", MarkEvent::Skipped),
        ("spoiled", MarkEvent::Spoiled),
        ("taken_back", MarkEvent::TakenBack),
        ("added", MarkEvent::Added),
    ];
    let mut said: Vec<(crate::protocol::TextPlace, Option<MarkEvent>)> = vec![];
    for (key, kind) in kinds {
        if let Some(n) = keys.take(key) {
            said.push((n.at, of(reading, n).map(kind)));
        }
    }
    if let Some(n) = keys.take("session") {
        let words = SessionEvent::ALL.map(|h| (h.word(), h));
        said.push((n.at, reading.one_of(n, &words).map(MarkEvent::Session)));
    }
    keys.finish(reading);
    if let [_, (second, _), ..] = said[..] {
        reading.report(second, "a second thing on one line", Some("give it a line of its own".into()));
        return None;
    }
    let what = match said.pop() {
        Some((_, what)) => what?,
        None if text.is_some() => MarkEvent::Note,
        None => {
            let help = "as in `began: standing-sprints/2` or `text: chain noisy`";
            reading.report(node.at, "this mark says nothing", Some(help.into()));
            return None;
        }
    };
    let what = match (what, act) {
        (MarkEvent::Began { of, .. }, act) => MarkEvent::Began { of, act },
        (what, _) => what,
    };
    Some(TimedMark { at: at?, what, text })
}

fn instant(reading: &mut SourceFiles, node: &Node) -> Option<DateTime<Utc>> {
    let text = reading.text(node)?;
    let read = clock_time(&text).and_then(|time| {
        let utc = time.date?.and_time(time.time).and_utc();
        utc.checked_sub_signed(TimeDelta::seconds(i64::from(time.offset_s?)))
    });
    if read.is_none() {
        let help = "with date and time zone, as in `2026-11-28T14:32:10.4Z`";
        reading.report(node.at, format!("`{text}` is no moment"), Some(help.into()));
    }
    read
}

/// The file without lines that were cut short, which stay as empty ones, and their numbers from 1.
///
/// Such a line opens a brace or a quote and is followed by another mark or by nothing: what a crash, a full disk or a
/// pulled plug leaves. A mark that a person wrote over several lines is none.
fn without_torn_lines(bytes: &[u8]) -> (Vec<u8>, Vec<usize>) {
    let mut lines: Vec<Vec<u8>> = bytes.split(|b| *b == b'\n').map(<[u8]>::to_vec).collect();
    let begins = |line: &[u8]| line.starts_with(b"-") || line.starts_with(b"#");
    let mut torn = vec![];
    for at in 0..lines.len() {
        // Some file systems fill what was not yet written with zeros.
        let zeros = lines[at].contains(&0);
        let next = lines[at + 1..].iter().find(|line| !line.trim_ascii().is_empty());
        let alone = next.is_none_or(|next| begins(next));
        let open = lines[at].starts_with(b"-") && (!closed(&lines[at]) || lines[at].trim_ascii() == b"-");
        if zeros || (alone && open) {
            lines[at].clear();
            torn.push(at + 1);
        }
    }
    (lines.join(&b'\n'), torn)
}

/// Whether every brace and quote of a line is closed in it.
fn closed(line: &[u8]) -> bool {
    let (mut depth, mut quote, mut escaped) = (0_i32, None, false);
    for &b in line {
        match quote {
            Some(_) if escaped => escaped = false,
            Some(b'"') if b == b'\\' => escaped = true,
            Some(q) if b == q => quote = None,
            Some(_) => {}
            None => match b {
                b'"' | b'\'' => quote = Some(b),
                b'{' | b'[' => depth += 1,
                b'}' | b']' => depth -= 1,
                _ => {}
            },
        }
    }
    depth <= 0 && quote.is_none()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn protocol() -> Protocol {
        crate::protocol::load(Path::new("protocols/bench-both-rings.yaml"), None).unwrap()
    }

    fn at(second: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_795_267_800 + second, 340_000_000).unwrap()
    }

    fn of(text: &str) -> Selector {
        crate::protocol::selector(text, &protocol().phases).unwrap()
    }

    fn all() -> Vec<TimedMark> {
        let mark = |second, what| TimedMark { at: at(second), what, text: None };
        vec![
            mark(0, MarkEvent::Session(SessionEvent::Started)),
            mark(1, MarkEvent::Began { of: of("steady[ring=small, power=120 W]"), act: None }),
            mark(2, MarkEvent::Ended(of("steady[ring=small, power=120 W]"))),
            mark(3, MarkEvent::Began { of: of("coast-and-restart/2"), act: Some("coast".into()) }),
            mark(4, MarkEvent::Skipped(of("standing-sprints/3"))),
            TimedMark {
                text: Some("chain \"dropped\" } #1\u{2028}\u{7}".into()),
                ..mark(5, MarkEvent::Spoiled(of("standing-sprints/4")))
            },
            mark(6, MarkEvent::TakenBack(of("standing-sprints/4"))),
            mark(7, MarkEvent::Added(of("standing-sprints/7"))),
            TimedMark { text: Some("fan on".into()), ..mark(8, MarkEvent::Note) },
            mark(9, MarkEvent::Session(SessionEvent::Done)),
        ]
    }

    fn written() -> String {
        let lines = all().iter().map(|m| format!("{m}\n")).collect::<String>();
        format!("# Marks.\n{}\n{lines}", MarksHeader::of(&protocol()))
    }

    fn back(text: &[u8]) -> MarksFile {
        let (mut reading, protocol) = (SourceFiles::default(), protocol());
        let marks = read(&mut reading, Path::new("m.yaml"), text.to_vec(), Some(&protocol));
        reading.close(marks).unwrap_or_else(|p| panic!("{p}"))
    }

    #[test]
    fn what_is_written_is_read_back() {
        let read = back(written().as_bytes());
        let tenths: Vec<TimedMark> = all().into_iter().map(|m| TimedMark { at: m.at.round_subsecs(1), ..m }).collect();
        assert_eq!((read.marks, read.cautions), (tenths, vec![]));
        assert_eq!(read.heading, Some(MarksHeader::of(&protocol())));
        assert_eq!(written().lines().count(), all().len() + 2, "one line each");
    }

    /// A second reader agrees that this is YAML.
    #[test]
    fn another_reader_reads_the_same_texts() {
        let theirs: serde_json::Value = serde_yaml::from_str(&written()).unwrap();
        assert_eq!(theirs[6]["text"], "chain \"dropped\" } #1\u{2028}\u{7}");
        assert_eq!(theirs[4]["move"], "coast");
    }

    #[test]
    fn cut_anywhere_it_loses_its_last_line_and_no_more() {
        let text = written();
        let first = text.find("- { at").unwrap();
        for end in first..text.len() {
            let mut line_ends = 0;
            let ends = text.lines().map(|line| {
                line_ends += line.len() + 1;
                line_ends - 1
            });
            // The comment and the heading are no marks.
            let whole = ends.filter(|line_end| *line_end <= end).count() - 2;
            let read = back(&text.as_bytes()[..end]);
            assert_eq!(read.marks.len(), whole, "{end}");
            assert!(read.cautions.len() <= 1);
            // What is appended afterwards, on a line of its own, is read.
            let mended = [&text.as_bytes()[..end], b"\n", all()[0].to_string().as_bytes(), b"\n"].concat();
            assert_eq!(back(&mended).marks.len(), whole + 1, "{end}");
        }
    }

    #[test]
    fn zeros_and_nothing_are_cautions() {
        let zeros = [written().as_bytes(), &[0; 300]].concat();
        let read = back(&zeros);
        assert_eq!((read.marks.len(), read.cautions.len()), (all().len(), 1));
        assert_eq!(back(b"").marks, vec![]);
        assert_eq!(back(b"# Marks.\n- { assize_ma").cautions.len(), 2);
    }

    #[test]
    fn a_persons_mistake_is_told_at_its_line() {
        let says = |line: &str| {
            let text = format!("{}\n{line}\n", MarksHeader::of(&protocol()));
            let (mut reading, protocol) = (SourceFiles::default(), protocol());
            let marks = read(&mut reading, Path::new("m.yaml"), text.into_bytes(), Some(&protocol));
            reading.close(marks).unwrap_err().to_string()
        };
        assert!(says("- { at: \"2026-11-28T14:32:10Z\", spoiled: standing-sprint/3 }").contains("did you mean"));
        assert!(says("- { at: \"14:32:10\", spoiled: standing-sprints/3 }").contains("no moment"));
        assert!(says("- { at: \"2026-11-28T14:32:10Z\" }").contains("says nothing"));
        let twice = "- { at: \"2026-11-28T14:32:10Z\", began: standing-sprints/3, ended: standing-sprints/2 }";
        assert!(says(twice).contains("a second thing"));
        assert!(says("- { at: \"2026-11-28T14:32:10Z\", session: halted }").contains("is not one of"));
    }

    #[test]
    fn marks_of_another_protocol_are_a_caution() {
        let mut other = protocol();
        other.title = "Another".into();
        other.phases.retain(|p| p.id.name != "standing-sprints");
        let mut reading = SourceFiles::default();
        let marks = read(&mut reading, Path::new("m.yaml"), written().into_bytes(), Some(&other));
        let read = reading.close(marks).unwrap_or_else(|p| panic!("{p}"));
        assert_eq!(read.marks.len(), all().len() - 4);
        assert!(read.cautions[0].contains("made for \"Bench trial on both chainrings\""), "{:?}", read.cautions);
        let changed = Protocol { sha256: "0".into(), ..protocol() };
        let mut reading = SourceFiles::default();
        let marks = super::read(&mut reading, Path::new("m.yaml"), written().into_bytes(), Some(&changed));
        assert!(reading.close(marks).unwrap().cautions[0].contains("was changed"));
    }
}
