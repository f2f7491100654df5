//! The parser's events to a tree.

use std::collections::BTreeMap;

use granit_parser::{Event, Parser, ScalarStyle, ScanError, Span, StrInput};

use super::mend::STAND_IN_ASK;
use super::node::{Body, MapEntry, Node, TextPlace};

/// Nodes of one file, those that aliases repeat included: stops alias bombs.
const MAX_NODES: usize = 50_000;
/// Nested lists or maps; the language needs five.
const MAX_DEPTH: usize = 32;

/// What is said of a `?`.
pub(super) const NOT_FILLED_IN: &str = "nobody has filled this in";

/// A mistake that YAML allows and the language does not.
pub(super) struct TreeMistake {
    pub at: TextPlace,
    pub message: String,
    pub help: Option<String>,
}

pub(super) struct TreeBuilder<'t> {
    parser: Parser<'t, StrInput<'t>>,
    source: usize,
    text: &'t str,
    lines: Vec<usize>,
    anchors: BTreeMap<usize, Node>,
    nodes: usize,
    pub problems: Vec<TreeMistake>,
}

impl<'t> TreeBuilder<'t> {
    pub(super) fn new(source: usize, text: &'t str) -> Self {
        let mut options = granit_parser::Options::default();
        options.flow_nesting_limit = MAX_DEPTH;
        options.block_nesting_limit = MAX_DEPTH;
        options.set_emit_comments(false);
        let lines = text.lines().map(|l| l.trim_end().chars().count()).collect();
        let parser = Parser::new_from_str_with_options(text, options);
        Self { parser, source, text, lines, anchors: BTreeMap::new(), nodes: 0, problems: vec![] }
    }

    /// The one document of a file; `None` if it is empty.
    pub(super) fn document(&mut self) -> Result<Option<Node>, ScanError> {
        let mut root: Option<Node> = None;
        while let Some(next) = self.parser.next() {
            let (event, span) = next?;
            match event {
                Event::StreamStart | Event::StreamEnd | Event::DocumentStart(..) | Event::DocumentEnd => {}
                event => {
                    let node = self.node(event, span)?;
                    if root.is_some() {
                        let message = "a second document begins here; one file holds one protocol or session";
                        self.report(node.at, message, None);
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

    fn report(&mut self, at: TextPlace, message: impl Into<String>, help: Option<String>) {
        self.problems.push(TreeMistake { at, message: message.into(), help });
    }

    fn within_budget(&self, span: Span) -> Result<(), ScanError> {
        if self.nodes > MAX_NODES {
            return Err(ScanError::new(span.start, format!("more than {MAX_NODES} values, counting repeated ones")));
        }
        Ok(())
    }

    fn refuse_tag(&mut self, at: TextPlace, tagged: bool) {
        if tagged {
            self.report(at, "tags (`!…`) have no meaning here", Some("quote a text with `!`".into()));
        }
    }

    fn scalar(&mut self, text: &str, style: ScalarStyle, span: Span, at: TextPlace) -> Body {
        // The parser stands `~` for a value that is not there.
        if style == ScalarStyle::Plain && matches!(text, "" | "~" | "null") {
            return Body::Empty;
        }
        if text == "?" || text.chars().eq([STAND_IN_ASK]) {
            self.report(at, NOT_FILLED_IN, Some("replace the `?`".into()));
            return Body::ToFillIn;
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
                self.report(key_at, format!("a key must be text, found {}", key_node.kind()), None);
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
                    self.report(key_at, message, Some("keep one of them".into()));
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
