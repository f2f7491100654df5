//! Files that a session names: its protocol, its marks, and cards with what stays the same from ride to ride.

use std::path::PathBuf;

use crate::protocol::{FileKind, MovedFiles, Node, OpenedCard, SourceFiles, overlay};

/// One of the files of [`MovedFiles`].
pub(super) struct MovedFile<'a> {
    /// Taken where the file that the session names is not there.
    pub given: &'a Option<PathBuf>,
    /// Set where nothing is given in its place either.
    pub missing: &'a mut Option<PathBuf>,
}

/// The file that a session names; where it is read again and that is not there, what was given in its place, else
/// `None`, noted.
pub(super) fn named_file(
    reading: &mut SourceFiles,
    node: &Node,
    of: impl FnOnce(&mut MovedFiles) -> MovedFile<'_>,
) -> Option<PathBuf> {
    let path = reading.file_of_session(node)?;
    match reading.reopened() {
        Some(again) if !path.is_file() => {
            let MovedFile { given, missing } = of(again);
            if given.is_none() {
                *missing = Some(path);
            }
            given.clone()
        }
        _ => Some(path),
    }
}

/// A card's keys under those of the node that names it.
pub(super) fn overlay_card(reading: &mut SourceFiles, card: &Node, own: &Node) -> Node {
    let path = reading.existing_file(card);
    let first = reading.opened();
    let read = path.as_ref().and_then(|path| reading.open(FileKind::Card, path, Some(card.at)));
    if let Some(file) = path {
        let sha256 = reading.sha256(first..reading.opened());
        reading.cards.push(OpenedCard { file, sha256 });
    }
    match read {
        Some(base) => overlay(base, own.clone()),
        None => own.clone(),
    }
}
