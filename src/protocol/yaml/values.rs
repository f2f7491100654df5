//! The values of a tree: texts, numbers, words of a choice, lists, maps; what is something else is reported at its place.

use std::path::PathBuf;

use super::files::SourceFiles;
use super::node::{Body, MapEntry, Node, TextPlace};
use crate::files::{self, FileError};
use crate::protocol::sentences::reader::{TextMistake, TextReader};
use crate::protocol::suggest::{list, nearest};

/// Characters of a label or a name. Common practice, no source: a line of a terminal.
const MOST_LABEL: usize = 80;

impl SourceFiles {
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

    /// A ` #` right after a text, which YAML takes for a comment: one space apart it is more likely a part of the text.
    fn swallowed(&self, node: &Node) -> Option<(TextPlace, String)> {
        let Body::Text(_, Some(0)) = node.body else { return None };
        let line = self.line(node.at);
        let rest: String = line.chars().skip(node.at.column - 1 + node.at.length).collect();
        let comment = rest.strip_prefix(" #")?;
        let written = format!("#{}", comment.trim_end());
        let length = written.chars().count();
        Some((TextPlace { column: node.at.column + node.at.length + 1, length, ..node.at }, written))
    }

    /// Reports that something else stands here; always `None`.
    pub fn expected<T>(&mut self, node: &Node, what: &str) -> Option<T> {
        match node.body {
            Body::ToFillIn => {}
            Body::Empty => {
                let line = self.line(node.at);
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

    /// A text that stands in tables and headings: a label, a name.
    pub fn label(&mut self, node: &Node) -> Option<String> {
        let text = self.text(node)?;
        let length = text.chars().count();
        if length > MOST_LABEL {
            let message = format!("this has {length} characters; a label or a name has {MOST_LABEL} at most");
            self.report(node.at, message, Some("shorten it; `notes` takes what is longer".into()));
            return None;
        }
        Some(text)
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
        result.map_err(|mistake| self.report_in_text(node, mistake)).ok()
    }

    /// Reports a mistake inside a scalar at its own characters.
    pub fn report_in_text(&mut self, node: &Node, mistake: TextMistake) {
        let at = match node.body {
            Body::Text(_, Some(offset)) => TextPlace {
                column: node.at.column + offset + mistake.from,
                length: mistake.to - mistake.from,
                ..node.at
            },
            _ => node.at,
        };
        self.report(at, mistake.message, mistake.help);
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

    /// What `read` makes of each item of a list; nothing where there is no list.
    pub fn each<T>(
        &mut self,
        node: Option<&Node>,
        what: &str,
        mut read: impl FnMut(&mut Self, &Node) -> Option<T>,
    ) -> Vec<T> {
        let Some(node) = node else { return vec![] };
        let items = self.list(node, what).unwrap_or_default();
        items.iter().filter_map(|item| read(self, item)).collect()
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
        match files::check(&path) {
            Ok(()) => return Some(path),
            Err(FileError::Missing { nearest }) => {
                // As it would be written here.
                let meant = nearest.map(|found| found.strip_prefix(self.folder(node.at)).unwrap_or(&found).to_owned());
                let meant = meant.map(|name| format!("did you mean `{}`? ", name.display())).unwrap_or_default();
                let help = format!("{meant}looked for `{}`; paths start from this file's folder", path.display());
                self.report(node.at, format!("no file `{text}`"), Some(help));
            }
            Err(error) => self.report(node.at, format!("`{text}`: {error}"), None),
        }
        None
    }

    /// Notes the files of a list, or the one, which need not be there: nothing is to be written over them.
    pub fn names(&mut self, node: &Node) {
        let items = match &node.body {
            Body::List(items) => items.as_slice(),
            _ => std::slice::from_ref(node),
        };
        for text in items.iter().filter_map(Node::as_text) {
            let path = self.folder(node.at).join(text);
            self.has_read(&path);
        }
    }

    /// [`SourceFiles::existing_file`]; of a session that is read again the file need not be there.
    pub fn file_of_session(&mut self, node: &Node) -> Option<PathBuf> {
        if self.reopened().is_none() {
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
