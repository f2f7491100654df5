//! Files while they are read, and every mistake found in them, in whichever file it stands.

use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::build::{NOT_FILLED_IN, TreeBuilder};
use super::kinds::{self, FileKind, OtherFile};
use super::mend::{Explanation, SecondColon, explain, mend};
use super::node::{Node, TextPlace};
use crate::files::{self, Bound};
use crate::problem::{Problem, Problems};

/// Far above any protocol or session that a person writes (a long one has some 20 kB).
const WRITTEN: Bound = Bound { what: "any protocol or session", most_bytes: 1 << 20 };
/// Slips mended per file before giving up on it.
const MAX_MENDED: usize = 200;

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
    /// What is possible but unusual: a sentence each.
    cautions: Vec<String>,
    /// Every file that was read or named.
    read: Vec<PathBuf>,
    /// A file whose bytes are at hand.
    held: Option<(PathBuf, Vec<u8>)>,
    /// Whether a `?` is left blank and recordings may be missing still.
    before_ride: bool,
    /// Of a session that was judged before.
    reopened: Option<MovedFiles>,
    /// Files whose keys were laid under the session's.
    pub cards: Vec<OpenedCard>,
}

/// A card, and the hash of its bytes.
pub(crate) struct OpenedCard {
    pub file: PathBuf,
    pub sha256: String,
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
}

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

    /// Notes what is no mistake, but may not have been meant.
    pub fn caution(&mut self, sentence: String) {
        if !self.cautions.contains(&sentence) {
            self.cautions.push(sentence);
        }
    }

    pub fn cautions(&self) -> Vec<String> {
        self.cautions.clone()
    }

    /// Notes a file that is read beside those that are opened here.
    pub fn has_read(&mut self, file: &Path) {
        self.read.push(file.to_owned());
    }

    /// Every file that was read or named so far.
    pub fn files(&self) -> Vec<PathBuf> {
        self.read.clone()
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

    /// Reads one file to a tree. `named_at` is where another file names it; a file that can't be opened, or is of another
    /// kind altogether, is one mistake there.
    pub fn open(&mut self, kind: FileKind, file: &Path, named_at: Option<TextPlace>) -> Option<Node> {
        let held = self.held.take_if(|(held, _)| held == file);
        let bytes = match held.map_or_else(|| files::read(file, WRITTEN), |(_, bytes)| Ok(bytes)) {
            Ok(bytes) => bytes,
            Err(error) => {
                self.report_whole(file, named_at, error.to_string(), None);
                return None;
            }
        };
        self.has_read(file);
        let (before, source) = (self.problems.len(), self.sources.len());
        let root = self.open_bytes(file, bytes);
        let Some(OtherFile { is, help }) = kinds::other(kind, &self.sources[source].bytes, root.as_ref()) else {
            return root;
        };
        self.forget(before);
        let message = match is {
            "" => format!("this is no {}", kind.word()),
            is => format!("this is {is}, no {}", kind.word()),
        };
        self.report_whole(file, named_at, message, Some(help));
        None
    }

    /// Reports what is wrong with a file as a whole, where another one names it or by its name alone.
    pub fn report_whole(&mut self, file: &Path, named_at: Option<TextPlace>, message: String, help: Option<String>) {
        match named_at {
            Some(at) => self.report(at, format!("`{}`: {message}", file.display()), help),
            None => self.problems.push(Problem::of_whole(file.to_owned(), message, help)),
        }
    }

    /// Bytes at hand to a tree.
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
            let mut builder = TreeBuilder::new(source, &text);
            match builder.document() {
                Ok(root) => {
                    let problems = std::mem::take(&mut builder.problems);
                    let blank = self.before_ride;
                    for problem in problems.into_iter().filter(|p| !blank || p.message != NOT_FILLED_IN) {
                        self.report(problem.at, problem.message, problem.help);
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
                        if let Some(SecondColon { column, help }) = mended.second_colon {
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
                        let Explanation { message, help } = explain(&error);
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

    /// The line in which something stands, as written.
    pub(super) fn line(&self, at: TextPlace) -> &str {
        &self.sources[at.source].lines[at.line - 1]
    }
}

pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Line and column, both from 1, of a character.
fn place_of_char(text: &str, index: usize) -> (usize, usize) {
    let before: String = text.chars().take(index).collect();
    let line = before.matches('\n').count() + 1;
    (line, before.chars().rev().take_while(|c| *c != '\n').count() + 1)
}
