//! `extends`: one protocol laid over another, and cards under a session's own keys.

use std::path::{Path, PathBuf};

use super::yaml::{Body, FileKind, MapEntry, Node, SourceFiles, TextPlace};

/// Opens a file and lays it over what it extends.
pub(super) fn with_base(
    reading: &mut SourceFiles,
    file: &Path,
    named_at: Option<TextPlace>,
    chain: &mut Vec<PathBuf>,
) -> Option<Node> {
    let canonical = file.canonicalize().unwrap_or_else(|_| file.to_owned());
    if let (true, Some(at)) = (chain.contains(&canonical), named_at) {
        reading.report(at, "this protocol ends up extending itself", None);
        return None;
    }
    chain.push(canonical);
    let own = reading.open(FileKind::Protocol, file, named_at)?;
    let Some(extends) = own.get("extends") else { return Some(own) };
    let base_file = reading.existing_file(extends)?;
    let base = with_base(reading, &base_file, Some(extends.at), chain)?;
    Some(overlay(base, own))
}

/// What `own` says wins, key by key; phases and contrasts are laid over their namesakes, in the base's
/// order, and new ones follow. Other lists and maps are replaced whole.
pub(crate) fn overlay(base: Node, own: Node) -> Node {
    let (Body::Map(mut merged), Body::Map(entries)) = (base.body, own.body.clone()) else { return own };
    for MapEntry { key, key_at, value } in entries {
        let Some(under) = merged.iter_mut().find(|e| e.key == key) else {
            merged.push(MapEntry { key, key_at, value });
            continue;
        };
        under.key_at = key_at;
        let below = std::mem::replace(&mut under.value, value.clone());
        under.value = match (key.as_str(), below.body, &value.body) {
            ("phases", Body::List(below), Body::List(above)) => {
                Node { at: value.at, body: Body::List(overlay_named(below, above, "phase")) }
            }
            ("contrasts", Body::List(below), Body::List(above)) => {
                Node { at: value.at, body: Body::List(overlay_named(below, above, "contrast")) }
            }
            (
                "needs" | "decision" | "basis" | "whole_ride" | "drivetrain" | "conditions",
                Body::Map(below),
                Body::Map(_),
            ) => overlay(Node { at: value.at, body: Body::Map(below) }, value),
            _ => value,
        };
    }
    Node { at: own.at, body: Body::Map(merged) }
}

fn overlay_named(mut below: Vec<Node>, above: &[Node], name_key: &str) -> Vec<Node> {
    let name = |node: &Node| node.get(name_key).and_then(Node::as_text).map(str::to_owned);
    let inherited = below.len();
    for node in above {
        let same_name = below[..inherited].iter_mut().find(|b| name(b).is_some() && name(b) == name(node));
        match same_name {
            // Another drill has other keys: nothing of the old phase is kept.
            Some(b) if node.get("drill").is_none_or(|d| d.as_text() == b.get("drill").and_then(Node::as_text)) => {
                *b = overlay(b.clone(), node.clone());
            }
            Some(b) => *b = node.clone(),
            None => below.push(node.clone()),
        }
    }
    below
}
