//! YAML to a tree whose nodes keep their place and their text as written.
//!
//! The tree is built from the parser's events, not through serde: serde's data model turns `1.10` into a
//! number and drops places. [`SourceFiles`] collects every mistake on the way, in all the files it opened.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use granit_parser::{ErrorKind, Event, Parser, ScalarStyle, ScanError, Span, StrInput};
use sha2::{Digest, Sha256};

use super::words::{TextMistake, TextReader};
use crate::problem::{Problem, Problems};

/// Far above any protocol or session that a person writes (a long one has some 20 kB).
const MAX_FILE_BYTES: u64 = 1 << 20;
/// Nodes of one file, those that aliases repeat included: stops alias bombs.
const MAX_NODES: usize = 50_000;
/// Nested lists or maps; the language needs five.
const MAX_DEPTH: usize = 32;
/// Slips mended per file before giving up on it.
const MAX_MENDED: usize = 200;

/// `>` and `?` begin other things in YAML; they are swapped for these so that the rest can still be read.
pub(super) const STAND_IN_GREATER: char = '›';
const STAND_IN_ASK: char = '？';
const STAND_IN_COLON: char = '∶';

/// Where something stands: a stretch of one line in one of the reading's files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct TextPlace {
    source: usize,
    line: usize,
    column: usize,
    length: usize,
}

#[derive(Debug, Clone)]
pub(crate) struct Node {
    pub at: TextPlace,
    pub body: Body,
}

#[derive(Debug, Clone)]
pub(crate) enum Body {
    /// A scalar as written, and how far into its place the text starts; `None` where escapes or several
    /// lines keep characters from lining up.
    Text(String, Option<usize>),
    List(Vec<Node>),
    Map(Vec<MapEntry>),
    /// Nothing after the colon.
    Empty,
    /// A `?` that nobody has filled in yet (reported when the tree was built).
    Unsaid,
}

#[derive(Debug, Clone)]
pub(crate) struct MapEntry {
    pub key: String,
    pub key_at: TextPlace,
    pub value: Node,
}

impl Node {
    fn size(&self) -> usize {
        1 + match &self.body {
            Body::List(items) => items.iter().map(Node::size).sum(),
            Body::Map(entries) => entries.iter().map(|e| e.value.size()).sum(),
            _ => 0,
        }
    }

    /// The value under a key of a map.
    pub fn get(&self, key: &str) -> Option<&Node> {
        match &self.body {
            Body::Map(entries) => entries.iter().find(|e| e.key == key).map(|e| &e.value),
            _ => None,
        }
    }

    /// The text of a scalar, without asking whether it should be one.
    pub fn as_text(&self) -> Option<&str> {
        match &self.body {
            Body::Text(text, _) => Some(text),
            _ => None,
        }
    }

    fn kind(&self) -> &'static str {
        match self.body {
            Body::Text(..) => "text",
            Body::List(_) => "a list",
            Body::Map(_) => "a map of keys",
            Body::Empty => "nothing",
            Body::Unsaid => "`?`",
        }
    }
}

struct Source {
    file: PathBuf,
    lines: Vec<String>,
    bytes: Vec<u8>,
}

/// Files being read, and the mistakes found in them so far.
#[derive(Default)]
pub(crate) struct SourceFiles {
    sources: Vec<Source>,
    problems: Vec<Problem>,
    /// A file whose bytes are at hand.
    held: Option<(PathBuf, Vec<u8>)>,
    /// Whether a `?` is left blank and recordings may be missing still.
    before_ride: bool,
    /// Of a session that was judged before.
    reopened: Option<MovedFiles>,
}

/// A session that is read again after it was judged: what it names may lie elsewhere by now.
#[derive(Debug, Clone, Default)]
pub(crate) struct MovedFiles {
    /// Taken where the file that the session names is not there.
    pub protocol: Option<PathBuf>,
    pub marks: Option<PathBuf>,
    /// As the session names them, not there, and nothing given in their place.
    pub missing_protocol: Option<PathBuf>,
    pub missing_marks: Option<PathBuf>,
    /// Files whose keys were laid under the session's.
    pub cards: Vec<PathBuf>,
}

const UNSAID: &str = "nobody has filled this in";

impl SourceFiles {
    /// A reading that takes one file's bytes from memory.
    pub fn of(file: &Path, bytes: &[u8]) -> Self {
        Self { held: Some((file.to_owned(), bytes.to_owned())), ..Self::default() }
    }

    /// A reading of what is known before anything was ridden: a `?` is no mistake, nor a recording that is not there.
    pub fn before_ride() -> Self {
        Self { before_ride: true, ..Self::default() }
    }

    /// A reading of the bytes of a session that was judged before: recordings and pictures are not looked for, and
    /// protocol and marks may be given.
    pub fn reopening(file: &Path, bytes: &[u8], given: MovedFiles) -> Self {
        Self { reopened: Some(given), ..Self::of(file, bytes) }
    }

    pub fn reopened(&mut self) -> Option<&mut MovedFiles> {
        self.reopened.as_mut()
    }

    pub fn is_before_ride(&self) -> bool {
        self.before_ride
    }

    /// The value, or the mistakes; a value together with mistakes counts as mistakes.
    pub fn close<T>(self, value: Option<T>) -> Result<T, Problems> {
        match (Problems::of(self.problems), value) {
            (None, Some(value)) => Ok(value),
            (Some(problems), _) => Err(problems),
            (None, None) => unreachable!("a reader that returns nothing has reported why"),
        }
    }

    pub fn report(&mut self, at: TextPlace, message: impl Into<String>, help: Option<String>) {
        let source = &self.sources[at.source];
        self.problems.push(Problem {
            file: source.file.clone(),
            line: at.line,
            column: at.column,
            length: at.length.max(1),
            message: message.into(),
            help,
            source_line: source.lines.get(at.line - 1).cloned().unwrap_or_default(),
        });
    }

    pub fn problem_count(&self) -> usize {
        self.problems.len()
    }

    /// Takes back what was reported since there were `before` mistakes.
    pub fn forget(&mut self, before: usize) {
        self.problems.truncate(before);
    }

    /// The folder that relative paths written at `at` start from.
    pub fn folder(&self, at: TextPlace) -> &Path {
        self.sources[at.source].file.parent().unwrap_or(Path::new(""))
    }

    /// SHA-256 of the bytes of a file and of those that were opened after it, lower-case hex.
    pub fn sha256(&self, sources: std::ops::Range<usize>) -> String {
        let mut hash = Sha256::new();
        for source in &self.sources[sources] {
            hash.update(&source.bytes);
        }
        hex(&hash.finalize())
    }

    pub fn opened(&self) -> usize {
        self.sources.len()
    }

    /// Reads one file to a tree. `named_at` is where another file names it; a file that can't be
    /// opened is a mistake there.
    pub fn open(&mut self, file: &Path, named_at: Option<TextPlace>) -> Option<Node> {
        let held = self.held.take_if(|(held, _)| held == file);
        let bytes = match held.map_or_else(|| read_bounded(file), |(_, bytes)| Ok(bytes)) {
            Ok(bytes) => bytes,
            Err(error) => {
                match named_at {
                    Some(at) => self.report(at, format!("`{}` can't be read: {error}", file.display()), None),
                    None => self.problems.push(Problem::unreadable(file.to_owned(), &error)),
                }
                return None;
            }
        };
        self.open_bytes(file, bytes)
    }

    /// [`SourceFiles::open`] of bytes at hand.
    pub fn open_bytes(&mut self, file: &Path, bytes: Vec<u8>) -> Option<Node> {
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let bad = std::str::from_utf8(&bytes).err().map(|e| e.valid_up_to());
        let lines = text.lines().map(|l| l.trim_start_matches('\u{feff}').to_owned()).collect();
        let source = self.sources.len();
        self.sources.push(Source { file: file.to_owned(), lines, bytes });
        if let Some(at) = bad {
            let (line, column) =
                place_of_char(&text, String::from_utf8_lossy(&self.sources[source].bytes[..at]).chars().count());
            let at = TextPlace { source, line, column, length: 1 };
            self.report(at, "this is no UTF-8 text", Some("save the file as UTF-8".into()));
            return None;
        }
        self.tree(source, text)
    }

    fn tree(&mut self, source: usize, mut text: String) -> Option<Node> {
        let tabs: Vec<usize> = (1..=self.sources[source].lines.len())
            .filter(|n| {
                let line = &self.sources[source].lines[n - 1];
                line.trim_start_matches(' ').starts_with('\t') && !line.trim().is_empty()
            })
            .collect();
        if !tabs.is_empty() {
            for line in tabs {
                let column = 1 + self.sources[source].lines[line - 1].find('\t').unwrap_or(0);
                let at = TextPlace { source, line, column, length: 1 };
                self.report(at, "a tab indents this line, YAML wants spaces", Some("use two spaces a level".into()));
            }
            return None;
        }
        for _ in 0..MAX_MENDED {
            let mut builder = Builder::new(source, &text);
            match builder.document() {
                Ok(root) => {
                    let problems = std::mem::take(&mut builder.problems);
                    let blank = self.before_ride;
                    for (at, message, help) in problems.into_iter().filter(|(_, m, _)| !blank || m != UNSAID) {
                        self.report(at, message, help);
                    }
                    return match root {
                        Some(root) => Some(root),
                        None => {
                            let at = TextPlace { source, line: 1, column: 1, length: 1 };
                            let help = "begin with `assize: 1` (a protocol) or `assize_session: 1` (a session)";
                            self.report(at, "the file is empty", Some(help.into()));
                            None
                        }
                    };
                }
                Err(error) => match mend(&text, &error) {
                    Some(mended) => {
                        text = mended.text;
                        if let Some((column, help)) = mended.second_colon {
                            let message = "a second `: ` on this line: YAML takes what stands before it for a key";
                            self.report(
                                TextPlace { source, line: mended.line, column, length: 1 },
                                message,
                                Some(help),
                            );
                        }
                    }
                    None => {
                        let lines = self.sources[source].lines.len().max(1);
                        let mark = *error.marker();
                        let line = mark.line().clamp(1, lines);
                        let at = TextPlace { source, line, column: mark.col() + 1, length: 1 };
                        let (message, help) = explain(&error);
                        self.report(at, message, Some(help));
                        return None;
                    }
                },
            }
        }
        let at = TextPlace { source, line: 1, column: 1, length: 1 };
        self.report(at, format!("more than {MAX_MENDED} lines of this file are no valid YAML"), None);
        None
    }

    // ---- reading values ----

    /// A short text as written.
    pub fn text(&mut self, node: &Node) -> Option<String> {
        match &node.body {
            Body::Text(text, _) => {
                if let Some((at, written)) = self.swallowed(node) {
                    let help = format!("write `\"{text} {written}\"` to keep it, or two spaces before a comment");
                    self.report(at, format!("`{written}` is read as a comment, not as part of `{text}`"), Some(help));
                    return None;
                }
                Some(text.trim_end().to_owned())
            }
            _ => self.expected(node, "text"),
        }
    }

    /// ` #` right after a text, one space apart, is more likely a lost half than a comment.
    fn swallowed(&self, node: &Node) -> Option<(TextPlace, String)> {
        let Body::Text(_, Some(0)) = node.body else { return None };
        let line = &self.sources[node.at.source].lines[node.at.line - 1];
        let rest: String = line.chars().skip(node.at.column - 1 + node.at.length).collect();
        let comment = rest.strip_prefix(" #")?;
        let written = format!("#{}", comment.trim_end());
        let length = written.chars().count();
        Some((TextPlace { column: node.at.column + node.at.length + 1, length, ..node.at }, written))
    }

    /// Reports that something else stands here; always `None`.
    pub fn expected<T>(&mut self, node: &Node, what: &str) -> Option<T> {
        match node.body {
            Body::Unsaid => {}
            Body::Empty => {
                let line = &self.sources[node.at.source].lines[node.at.line - 1];
                let after: String = line.chars().skip(node.at.column - 1 + node.at.length).collect();
                let help = after.trim_start_matches([':', ' ']).starts_with('#').then(|| {
                    format!("`#` begins a comment; write `\"{}\"`", after.trim_start_matches([':', ' ']).trim_end())
                });
                self.report(node.at, format!("nothing is written here, expected {what}"), help);
            }
            _ => self.report(node.at, format!("expected {what}, found {}", node.kind()), None),
        }
        None
    }

    /// A sentence of the language. `what` names it where something else stands.
    pub fn words<T>(
        &mut self,
        node: &Node,
        what: &str,
        read: impl FnOnce(&mut TextReader) -> Result<T, TextMistake>,
    ) -> Option<T> {
        let Body::Text(text, _) = &node.body else { return self.expected(node, what) };
        let result = TextReader::new(text).and_then(|mut words| {
            let value = read(&mut words)?;
            words.end()?;
            Ok(value)
        });
        result.map_err(|slip| self.slip(node, slip)).ok()
    }

    /// Reports a slip inside a scalar at its own characters.
    pub fn slip(&mut self, node: &Node, slip: TextMistake) {
        let at = match node.body {
            Body::Text(_, Some(offset)) => {
                TextPlace { column: node.at.column + offset + slip.from, length: slip.to - slip.from, ..node.at }
            }
            _ => node.at,
        };
        self.report(at, slip.message, slip.help);
    }

    /// One of a few words.
    pub fn one_of<T: Copy>(&mut self, node: &Node, choices: &[(&str, T)]) -> Option<T> {
        let words: Vec<&str> = choices.iter().map(|(word, _)| *word).collect();
        let what = format!("one of {}", list(&words));
        let Body::Text(text, _) = &node.body else { return self.expected(node, &what) };
        let found = choices.iter().find(|(word, _)| word == text).map(|(_, value)| *value);
        if found.is_none() {
            self.report(node.at, format!("`{text}` is not {what}"), nearest(text, &words));
        }
        found
    }

    pub fn flag(&mut self, node: &Node) -> Option<bool> {
        self.one_of(node, &[("true", true), ("false", false)])
    }

    /// A whole number of at least `least`.
    pub fn count(&mut self, node: &Node, least: u32) -> Option<u32> {
        let what = format!("a whole number of at least {least}");
        let Body::Text(text, _) = &node.body else { return self.expected(node, &what) };
        let count = text.parse::<u32>().ok().filter(|n| (least..=10_000).contains(n));
        if count.is_none() {
            self.report(node.at, format!("expected {what}, found `{text}`"), None);
        }
        count
    }

    pub fn list<'n>(&mut self, node: &'n Node, what: &str) -> Option<&'n [Node]> {
        match &node.body {
            Body::List(items) if items.is_empty() => {
                self.report(node.at, format!("this list is empty, expected {what}"), None);
                None
            }
            Body::List(items) => Some(items),
            _ => self.expected(node, &format!("a list of {what}")),
        }
    }

    /// A list, or one item that stands for a list of one.
    pub fn one_or_list<'n>(&mut self, node: &'n Node, what: &str) -> Option<&'n [Node]> {
        match node.body {
            Body::Text(..) => Some(std::slice::from_ref(node)),
            _ => self.list(node, what),
        }
    }

    pub fn map<'n>(&mut self, node: &'n Node, what: &str) -> Option<MapKeys<'n>> {
        match &node.body {
            Body::Map(entries) => Some(MapKeys { entries, at: node.at, what: what.to_owned(), known: vec![] }),
            _ => self.expected(node, what),
        }
    }

    /// A path, resolved against the folder of the file that names it, that must be there.
    pub fn existing_file(&mut self, node: &Node) -> Option<PathBuf> {
        let text = self.text(node)?;
        let path = self.folder(node.at).join(&text);
        if path.is_file() {
            return Some(path);
        }
        let help = format!("looked for `{}`; paths start from this file's folder", path.display());
        self.report(node.at, format!("no file `{text}`"), Some(help));
        None
    }

    /// [`SourceFiles::existing_file`]; of a session that is read again the file need not be there.
    pub fn file_of_session(&mut self, node: &Node) -> Option<PathBuf> {
        if self.reopened.is_none() {
            return self.existing_file(node);
        }
        let text = self.text(node)?;
        Some(self.folder(node.at).join(text))
    }
}

/// The keys of one map: what was asked for is known, the rest is a mistake.
pub(crate) struct MapKeys<'n> {
    pub entries: &'n [MapEntry],
    pub at: TextPlace,
    what: String,
    known: Vec<&'static str>,
}

impl<'n> MapKeys<'n> {
    pub fn take(&mut self, key: &'static str) -> Option<&'n Node> {
        self.known.push(key);
        self.entries.iter().find(|e| e.key == key).map(|e| &e.value)
    }

    /// A key that must be there; `example` shows it.
    pub fn need(&mut self, reading: &mut SourceFiles, key: &'static str, example: &str) -> Option<&'n Node> {
        let node = self.take(key);
        if node.is_none() {
            let at = self.entries.first().map_or(self.at, |e| e.key_at);
            reading.report(at, format!("{} lacks `{key}`", self.what), Some(format!("add `{key}: {example}`")));
        }
        node
    }

    /// Entries that nobody asked for.
    pub fn rest(&self) -> impl Iterator<Item = &'n MapEntry> + use<'n, '_> {
        self.entries.iter().filter(|e| !self.known.contains(&e.key.as_str()))
    }

    /// Reports every key that was not asked for.
    pub fn finish(self, reading: &mut SourceFiles) {
        for entry in self.rest() {
            let help = nearest(&entry.key, &self.known)
                .or_else(|| Some(format!("known here: {}", list(&self.known))).filter(|_| !self.known.is_empty()));
            reading.report(entry.key_at, format!("{} has no key `{}`", self.what, entry.key), help);
        }
    }
}

/// `did you mean …`, where a known word is close enough.
pub(crate) fn nearest(word: &str, known: &[&str]) -> Option<String> {
    // 0.8 takes in one wrong, missing or swapped letter in words of five letters and more.
    let (best, likeness) =
        known.iter().map(|k| (k, strsim::jaro_winkler(&word.to_lowercase(), k))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    (likeness >= 0.8).then(|| format!("did you mean `{best}`?"))
}

/// `a`, `b` or `c`, each in backticks.
pub(crate) fn list(words: &[&str]) -> String {
    let quoted: Vec<String> = words.iter().map(|w| format!("`{w}`")).collect();
    match quoted.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => quoted.join(""),
    }
}

pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn read_bounded(file: &Path) -> std::io::Result<Vec<u8>> {
    let length = std::fs::metadata(file)?.len();
    if length > MAX_FILE_BYTES {
        let message = format!("it has {length} bytes, a protocol or session at most {MAX_FILE_BYTES}");
        return Err(std::io::Error::other(message));
    }
    std::fs::read(file)
}

/// Line and column, both from 1, of a character.
fn place_of_char(text: &str, index: usize) -> (usize, usize) {
    let before: String = text.chars().take(index).collect();
    let line = before.matches('\n').count() + 1;
    (line, before.chars().rev().take_while(|c| *c != '\n').count() + 1)
}

/// A file's text with one slip mended, as many characters as before.
struct Repaired {
    text: String,
    line: usize,
    /// Its column and the right form; the other slips are reported where their text is read.
    second_colon: Option<(usize, String)>,
}

/// Mends a known slip on the line of a YAML error, so that reading can go on.
fn mend(text: &str, error: &ScanError) -> Option<Repaired> {
    // An error about a folded text may be raised on the line after the slip.
    let at = error.marker().line();
    for number in [at, at.saturating_sub(1)] {
        let Some(line) = number.checked_sub(1).and_then(|n| text.lines().nth(n)) else { continue };
        let line: Vec<char> = line.chars().collect();
        let mended = |column: usize, stand_in: char, second_colon: Option<(usize, String)>| {
            let mut lines: Vec<String> = text.split('\n').map(str::to_owned).collect();
            let mut chars: Vec<char> = lines[number - 1].chars().collect();
            chars[column] = stand_in;
            lines[number - 1] = chars.into_iter().collect();
            Some(Repaired { text: lines.join("\n"), line: number, second_colon })
        };
        let next_visible = |from: usize| line[from..].iter().find(|c| !c.is_whitespace()).copied();
        for column in value_starts(&line) {
            let next = next_visible(column + 1);
            match line[column] {
                '>' if next.is_some_and(|c| c.is_ascii_digit() || c == '=') => {
                    return mended(column, STAND_IN_GREATER, None);
                }
                '?' if next.is_none_or(|c| matches!(c, ',' | '}' | ']' | '#')) => {
                    return mended(column, STAND_IN_ASK, None);
                }
                _ => {}
            }
        }
        if *error.kind() == ErrorKind::MappingValueNotAllowed && number == at {
            let ends_key = |i: &usize| line[*i] == ':' && line.get(i + 1).is_none_or(|c| c.is_whitespace());
            let colons: Vec<usize> = (0..line.len()).filter(ends_key).collect();
            if let [first, second, ..] = colons[..] {
                let value: String = line[first + 1..].iter().collect();
                let key: String = line[..first].iter().collect();
                let help = format!("quote the text: `{}: \"{}\"`", key.trim().trim_start_matches("- "), value.trim());
                return mended(second, STAND_IN_COLON, Some((second + 1, help)));
            }
        }
    }
    None
}

/// Columns (from 0) at which a value may begin: after `: `, `- `, `[`, `{` or `, `.
fn value_starts(line: &[char]) -> Vec<usize> {
    let mut starts = vec![];
    let mut ready = true;
    let mut before = ' ';
    for (column, &c) in line.iter().enumerate() {
        if c.is_whitespace() {
            ready |= matches!(before, ':' | '-' | ',');
        } else {
            if ready || matches!(before, '[' | '{') {
                starts.push(column);
            }
            ready = false;
        }
        before = c;
    }
    starts
}

/// A YAML error in plain words.
fn explain(error: &ScanError) -> (String, String) {
    let more = "; other mistakes can only be listed once this one is mended";
    let help = match error.kind() {
        ErrorKind::UnexpectedCharacter { .. } => "quote a text that begins with a special character",
        ErrorKind::UnclosedFlowCollection { .. }
        | ErrorKind::MismatchedFlowCollectionEnd { .. }
        | ErrorKind::ExpectedFlowMappingSeparator
        | ErrorKind::ExpectedFlowSequenceSeparator => "look for a missing comma or closing bracket",
        ErrorKind::UnclosedQuotedScalar => "look for a missing closing quote",
        ErrorKind::RecursionLimitExceeded => "no protocol or session nests this deep",
        ErrorKind::UnknownAnchor => "a text that begins with `*` needs quotes",
        ErrorKind::Custom(_) => "write it out without `&` and `*`",
        _ => "look at the indentation, and quote texts that hold special characters",
    };
    (format!("this is no valid YAML: {}", error.info()), format!("{help}{more}"))
}

type Mistake = (TextPlace, String, Option<String>);

struct Builder<'t> {
    parser: Parser<'t, StrInput<'t>>,
    source: usize,
    text: &'t str,
    lines: Vec<usize>,
    anchors: BTreeMap<usize, Node>,
    nodes: usize,
    problems: Vec<Mistake>,
}

impl<'t> Builder<'t> {
    fn new(source: usize, text: &'t str) -> Self {
        let mut options = granit_parser::Options::default();
        options.flow_nesting_limit = MAX_DEPTH;
        options.block_nesting_limit = MAX_DEPTH;
        options.set_emit_comments(false);
        let lines = text.lines().map(|l| l.trim_end().chars().count()).collect();
        let parser = Parser::new_from_str_with_options(text, options);
        Self { parser, source, text, lines, anchors: BTreeMap::new(), nodes: 0, problems: vec![] }
    }

    fn document(&mut self) -> Result<Option<Node>, ScanError> {
        let mut root: Option<Node> = None;
        while let Some(next) = self.parser.next() {
            let (event, span) = next?;
            match event {
                Event::StreamStart | Event::StreamEnd | Event::DocumentStart(..) | Event::DocumentEnd => {}
                event => {
                    let node = self.node(event, span)?;
                    if root.is_some() {
                        let message = "a second document begins here; one file holds one protocol or session";
                        self.problems.push((node.at, message.into(), None));
                        break;
                    }
                    root = Some(node);
                }
            }
        }
        Ok(root.filter(|r| !matches!(r.body, Body::Empty)))
    }

    fn next(&mut self) -> Result<(Event<'t>, Span), ScanError> {
        self.parser.next().unwrap_or_else(|| Err(ScanError::new(Default::default(), "the file ends too early")))
    }

    fn place(&self, span: Span) -> TextPlace {
        let (line, column) = (span.start.line().clamp(1, self.lines.len().max(1)), span.start.col() + 1);
        let rest = (self.lines.get(line - 1).copied().unwrap_or(0) + 1).saturating_sub(column);
        let length = if span.end.line() == span.start.line() { span.len() } else { rest };
        TextPlace { source: self.source, line, column, length: length.min(rest).max(1) }
    }

    fn node(&mut self, event: Event<'t>, span: Span) -> Result<Node, ScanError> {
        self.nodes += 1;
        let at = self.place(span);
        let (anchor, body) = match event {
            Event::Alias(id) => {
                let Some(node) = self.anchors.get(&id).cloned() else {
                    return Err(ScanError::new(span.start, "an alias inside what it stands for"));
                };
                self.nodes += node.size();
                self.within_budget(span)?;
                return Ok(node);
            }
            Event::Scalar(text, style, anchor, tag) => {
                self.refuse_tag(at, tag.is_some());
                (anchor, self.scalar(&text, style, span, at))
            }
            Event::SequenceStart(_, anchor, tag) => {
                self.refuse_tag(at, tag.is_some());
                let mut items = vec![];
                loop {
                    let (event, span) = self.next()?;
                    if event == Event::SequenceEnd {
                        break;
                    }
                    items.push(self.node(event, span)?);
                }
                (anchor, Body::List(items))
            }
            Event::MappingStart(_, anchor, tag) => {
                self.refuse_tag(at, tag.is_some());
                (anchor, Body::Map(self.entries()?))
            }
            other => return Err(ScanError::new(span.start, format!("an unexpected {other:?}"))),
        };
        self.within_budget(span)?;
        let node = Node { at, body };
        if anchor != 0 {
            self.anchors.insert(anchor, node.clone());
        }
        Ok(node)
    }

    fn within_budget(&self, span: Span) -> Result<(), ScanError> {
        if self.nodes > MAX_NODES {
            return Err(ScanError::new(span.start, format!("more than {MAX_NODES} values, counting repeated ones")));
        }
        Ok(())
    }

    fn refuse_tag(&mut self, at: TextPlace, tagged: bool) {
        if tagged {
            self.problems.push((at, "tags (`!…`) have no meaning here".into(), Some("quote a text with `!`".into())));
        }
    }

    fn scalar(&mut self, text: &str, style: ScalarStyle, span: Span, at: TextPlace) -> Body {
        // The parser stands `~` for a value that is not there.
        if style == ScalarStyle::Plain && matches!(text, "" | "~" | "null") {
            return Body::Empty;
        }
        if text == "?" || text.chars().eq([STAND_IN_ASK]) {
            self.problems.push((at, UNSAID.into(), Some("replace the `?`".into())));
            return Body::Unsaid;
        }
        let raw = span.slice(self.text).unwrap_or("");
        let offset = match style {
            ScalarStyle::Plain if raw == text => Some(0),
            ScalarStyle::SingleQuoted | ScalarStyle::DoubleQuoted if raw.get(1..raw.len() - 1) == Some(text) => Some(1),
            _ => None,
        };
        Body::Text(text.to_owned(), offset)
    }

    fn entries(&mut self) -> Result<Vec<MapEntry>, ScanError> {
        let mut entries: Vec<MapEntry> = vec![];
        loop {
            let (event, span) = self.next()?;
            if event == Event::MappingEnd {
                return Ok(entries);
            }
            let key_at = self.place(span);
            let key_node = self.node(event, span)?;
            let (event, span) = self.next()?;
            let mut value = self.node(event, span)?;
            let Body::Text(key, _) = key_node.body else {
                self.problems.push((key_at, format!("a key must be text, found {}", key_node.kind()), None));
                continue;
            };
            if matches!(value.body, Body::Empty) {
                value.at = key_at;
                if rejoin_decimal_comma(&mut entries, &key, key_at) {
                    continue;
                }
            }
            match entries.iter().find(|e| e.key == key) {
                Some(first) => {
                    let message = format!("`{key}` is written twice, first on line {}", first.key_at.line);
                    self.problems.push((key_at, message, Some("keep one of them".into())));
                }
                None => entries.push(MapEntry { key, key_at, value }),
            }
        }
    }
}

/// `{length: 172,5 mm}` reaches YAML as `length: 172` and a key `5 mm`: put together again, so that the
/// decimal comma gets its own message.
fn rejoin_decimal_comma(entries: &mut [MapEntry], key: &str, key_at: TextPlace) -> bool {
    let Some(MapEntry { value: Node { at, body: Body::Text(text, Some(0)) }, .. }) = entries.last_mut() else {
        return false;
    };
    let adjacent = at.line == key_at.line && at.column + at.length + 1 == key_at.column;
    if !adjacent || !text.ends_with(|c: char| c.is_ascii_digit()) || !key.starts_with(|c: char| c.is_ascii_digit()) {
        return false;
    }
    *text = format!("{text},{key}");
    at.length += 1 + key_at.length;
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    /// Where our reading of a node and another reader's differ, in words. That one makes numbers of what looks like
    /// numbers; here a scalar stays as written, so those are compared as numbers.
    fn difference(ours: &Node, theirs: &Value, at: &str) -> Option<String> {
        let same = match (&ours.body, theirs) {
            (Body::Map(entries), Value::Object(map)) => {
                if !entries.iter().map(|e| &e.key).eq(map.keys()) {
                    return Some(format!("{at}: keys {:?}", map.keys()));
                }
                let mut values = entries.iter().zip(map.values());
                return values
                    .find_map(|(entry, value)| difference(&entry.value, value, &format!("{at}.{}", entry.key)));
            }
            (Body::List(items), Value::Array(values)) => {
                if items.len() != values.len() {
                    return Some(format!("{at}: {} items", values.len()));
                }
                let mut pairs = items.iter().zip(values).enumerate();
                return pairs.find_map(|(i, (item, value))| difference(item, value, &format!("{at}[{i}]")));
            }
            (Body::Text(text, _), Value::String(value)) => text == value,
            (Body::Text(text, _), Value::Number(value)) => text.parse() == Ok(value.as_f64().unwrap_or(f64::NAN)),
            (Body::Text(text, _), Value::Bool(value)) => text.parse() == Ok(*value),
            (Body::Empty, Value::Null) => true,
            _ => false,
        };
        (!same).then(|| format!("{at}: here {ours:?}, there {theirs:?}"))
    }

    fn yaml_files(folder: &str) -> Vec<PathBuf> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
        let mut files: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
        files.retain(|file| file.extension().is_some_and(|e| e == "yaml"));
        files.sort();
        files
    }

    #[test]
    fn a_second_reader_finds_the_same_structure_and_text_in_every_shipped_file() {
        let folders = ["protocols", "demo-data/bench-sound", "demo-data/bench-faulty", "tests/language"];
        let mistaken = ["twelve-mistakes.yaml", "mistaken-session.yaml"];
        let files = folders.iter().flat_map(|folder| yaml_files(folder));
        let mut compared = 0;
        for file in files.filter(|file| !mistaken.iter().any(|name| file.ends_with(name))) {
            let theirs: Value = serde_yaml::from_str(&std::fs::read_to_string(&file).unwrap()).unwrap();
            let ours = SourceFiles::default().open(&file, None).unwrap();
            assert_eq!(difference(&ours, &theirs, ""), None, "{}", file.display());
            compared += ours.size();
        }
        // The two demo sessions and the two protocols alone have some 300 values.
        assert!(compared > 300, "{compared}");
    }

    #[test]
    fn the_comparison_can_fail() {
        let file = Path::new("made-up.yaml");
        let ours = SourceFiles::of(file, b"a: [1.10, no, {b: x}]\n").open(file, None).unwrap();
        let differs = |theirs: &str| difference(&ours, &serde_json::from_str(theirs).unwrap(), "").is_some();
        assert!(!differs(r#"{"a": [1.1, "no", {"b": "x"}]}"#));
        for theirs in [
            r#"{"a": [1.2, "no", {"b": "x"}]}"#,
            r#"{"a": [1.1, false, {"b": "x"}]}"#,
            r#"{"a": [1.1, "no", {"c": "x"}]}"#,
            r#"{"a": [1.1, "no"]}"#,
            r#"{"a": null}"#,
        ] {
            assert!(differs(theirs), "{theirs}");
        }
    }
}
