//! The tree of a YAML file, whose nodes keep their place and their text as written.

/// Where something stands: a stretch of one line in one of the reading's files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct TextPlace {
    pub(super) source: usize,
    pub(super) line: usize,
    pub(super) column: usize,
    pub(super) length: usize,
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
    ToFillIn,
}

#[derive(Debug, Clone)]
pub(crate) struct MapEntry {
    pub key: String,
    pub key_at: TextPlace,
    pub value: Node,
}

impl Node {
    /// How many nodes it is made of, itself included.
    pub(super) fn size(&self) -> usize {
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

    pub(super) fn kind(&self) -> &'static str {
        match self.body {
            Body::Text(..) => "text",
            Body::List(_) => "a list",
            Body::Map(_) => "a map of keys",
            Body::Empty => "nothing",
            Body::ToFillIn => "`?`",
        }
    }
}
