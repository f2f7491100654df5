//! What a file is given for, and what it is instead: one sentence for a file of another kind, not a mistake for each line.

use super::node::{Body, Node};

/// What a file is given for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum FileKind {
    Protocol,
    Session,
    /// What stays the same from ride to ride: a bike, an instrument.
    Card,
}

/// What a file is, and what to do with it.
pub(super) struct OtherFile {
    /// `a FIT recording`; empty for what nobody knows.
    pub is: &'static str,
    pub help: String,
}

impl FileKind {
    pub(super) fn word(self) -> &'static str {
        match self {
            FileKind::Protocol => "protocol",
            FileKind::Session => "session",
            FileKind::Card => "card",
        }
    }

    /// Keys of which a file of this kind has one, however many mistakes are in it.
    fn keys(self) -> &'static [&'static str] {
        match self {
            FileKind::Protocol => &["assize", "extends", "phases"],
            FileKind::Session => &["assize_session", "protocol", "unit", "units", "references", "tester"],
            FileKind::Card => &[
                "drivetrain",
                "conditions",
                "label",
                "located",
                "sides",
                "uncertainty",
                "certificate",
                "model",
                "serial",
                "firmware",
                "claimed",
                "head_unit",
                "mode",
                "battery",
                "history",
                "condition",
            ],
        }
    }

    /// What a file of this kind looks like.
    fn looks(self) -> &'static str {
        match self {
            FileKind::Protocol => "a protocol begins with `assize: 1`",
            FileKind::Session => "a session begins with `assize_session: 1`; `assize draft` writes one from recordings",
            FileKind::Card => "a card holds keys of an instrument, or `drivetrain` and `conditions` of a bike",
        }
    }
}

/// What the file is, where it is not what it is given for; `None` where it is, or is empty.
pub(super) fn other(kind: FileKind, bytes: &[u8], root: Option<&Node>) -> Option<OtherFile> {
    let looks = |is| Some(OtherFile { is, help: kind.looks().to_owned() });
    if let Some(is) = no_text(bytes) {
        return looks(is);
    }
    let text = String::from_utf8_lossy(bytes);
    if text.trim().is_empty() {
        return None;
    }
    if text.trim_start_matches('\u{feff}').trim_start().starts_with('<') {
        return looks("a file of mark-up");
    }
    match root.map(|root| &root.body) {
        Some(Body::ToFillIn) => None,
        Some(Body::Map(_)) => root.and_then(|root| other_tree(kind, root)),
        Some(Body::List(items)) if items.first().is_some_and(|item| item.get("assize_marks").is_some()) => {
            looks("a marks file")
        }
        // What YAML can't read may be the right file with a slip in it.
        None if has_a_key(kind, &text) => None,
        _ => looks(""),
    }
}

/// What binary data is.
fn no_text(bytes: &[u8]) -> Option<&'static str> {
    // Public FIT protocol: bytes 8 to 11 of a file's header.
    if bytes.get(8..12) == Some(b".FIT") {
        return Some("a FIT recording");
    }
    match bytes {
        [0x1F, 0x8B, ..] => Some("a packed file"),
        [0xFF, 0xFE, ..] | [0xFE, 0xFF, ..] => Some("text in UTF-16 (save it as UTF-8)"),
        _ if bytes[..bytes.len().min(4096)].contains(&0) => Some("binary data"),
        _ => None,
    }
}

fn other_tree(kind: FileKind, root: &Node) -> Option<OtherFile> {
    let has = |key: &str| root.get(key).is_some();
    let other = |is, help: &str| Some(OtherFile { is, help: help.to_owned() });
    if has("verdict_format") {
        return other("a verdict", "`assize verify`, `compare` and `register add` take verdicts");
    }
    if has("truth_format") {
        return other("the truth of a rehearsal", "`assize judge SESSION --truth FILE` takes it");
    }
    let is_protocol = has("assize") && !has("assize_session");
    let is_session = has("assize_session") && !has("assize");
    match kind {
        FileKind::Protocol if is_session => {
            other("a session", "`assize judge` takes it; the protocol is the file that its `protocol:` names")
        }
        FileKind::Session if is_protocol => other(
            "a protocol",
            "`assize check` reads it, `assize brief` says how to ride it; a session names it as `protocol:`, and \
             `assize draft` writes one from recordings",
        ),
        FileKind::Card if is_protocol => other("a protocol", kind.looks()),
        FileKind::Card if is_session => other("a session", kind.looks()),
        _ if kind.keys().iter().any(|key| has(key)) => None,
        _ => other("", kind.looks()),
    }
}

/// Whether a line begins with one of the kind's keys.
fn has_a_key(kind: FileKind, text: &str) -> bool {
    let marks = [' ', '{', '"', '\'', '-', '\u{feff}'];
    let begins = |line: &str, key: &str| {
        let rest = line.trim_start_matches(marks).strip_prefix(key);
        rest.is_some_and(|rest| rest.trim_start_matches(['"', '\'', ' ']).starts_with(':'))
    };
    text.lines().any(|line| kind.keys().iter().any(|key| begins(line, key)))
}
