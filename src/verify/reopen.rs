//! Session, protocol, marks and recordings of a verdict opened again, each with what became of it.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::error::VerifyError;
use super::inputs::{self, Input, InputKind, InputState};
use super::places::InputPlaces;
use crate::protocol::{self, MovedFiles};
use crate::session::{self, Session};
use crate::verdict::{RecordingFacts, Verdict};

/// The session as it was judged; `None` where there is none or it is not there.
pub(super) fn reopen(
    verdict: &Verdict,
    places: &InputPlaces,
    inputs: &mut Vec<Input>,
) -> Result<Option<(Session, MovedFiles)>, VerifyError> {
    let facts = &verdict.session;
    let name = facts.file.as_deref().map(inputs::last_part);
    let file = places.session.clone().or_else(|| name.map(|name| places.folder.join(name)));
    let Some(file) = file else { return Ok(None) };
    let bytes = inputs::read_file(&file);
    let state = InputState::of(facts.sha256.as_deref(), &file, bytes.as_deref().map(inputs::sha256));
    let same = matches!(state, InputState::Same { .. });
    let shown = name.map_or_else(|| inputs::name(&file), str::to_owned);
    inputs.push(Input::new(InputKind::Session, &shown, facts.sha256.as_deref(), state));
    let Some(bytes) = bytes else { return Ok(None) };
    let given = MovedFiles { protocol: places.protocol.clone(), marks: places.marks.clone(), ..MovedFiles::default() };
    let (mut session, reopened) = session::load_again(&file, &bytes, given).map_err(VerifyError::Session)?;
    if let (true, Some(name)) = (same, name) {
        // A new name for the same bytes is no difference.
        session.file = Some(PathBuf::from(name));
    }
    Ok(Some((session, reopened)))
}

/// What can be told where there is no session: recordings, by name beside the verdict and by hash.
pub(super) fn without_session(verdict: &Verdict, places: &InputPlaces, inputs: &mut Vec<Input>) -> VerifyError {
    for facts in &verdict.recordings {
        let beside = places.folder.join(inputs::last_part(&facts.file));
        let state = places.shelf.place(&facts.sha256, &beside);
        inputs.push(Input::recording(&facts.file, &facts.instrument, Some(&facts.sha256), state));
    }
    match &verdict.session.file {
        None if places.session.is_none() => VerifyError::NoSession,
        _ => VerifyError::Missing(inputs.iter().filter(|input| input.kind == InputKind::Session).cloned().collect()),
    }
}

pub(super) fn set_protocol(
    verdict: &Verdict,
    places: &InputPlaces,
    reopened: &MovedFiles,
    session: &mut Session,
    inputs: &mut Vec<Input>,
) -> Result<(), VerifyError> {
    // As `judge` does: the session is read with its own protocol first.
    if let Some(file) = &places.protocol {
        session.protocol = Some(protocol::load(file, session.threshold_power_w).map_err(VerifyError::Protocol)?);
    }
    let stated = verdict.protocol.as_ref();
    let sha256 = stated.map(|stated| stated.sha256.as_str());
    let title = stated.map_or("none", |stated| &stated.title);
    let state = match (&session.protocol, &reopened.missing_protocol) {
        (Some(now), _) => InputState::of(sha256, &now.file, Some(now.sha256.clone())),
        (None, Some(missing)) => InputState::NotFound { looked_for: Some(missing.clone()) },
        (None, None) if stated.is_none() => return Ok(()),
        (None, None) => InputState::NotFound { looked_for: None },
    };
    // None then, one now: another.
    let state = match (state, stated) {
        (InputState::Unstated { file: Some(file), sha256: Some(sha256) }, None) => InputState::Another { file, sha256 },
        (state, _) => state,
    };
    inputs.push(Input::new(InputKind::Protocol, title, sha256, state));
    Ok(())
}

pub(super) fn set_marks(
    verdict: &Verdict,
    places: &InputPlaces,
    reopened: &MovedFiles,
    session: &mut Session,
    inputs: &mut Vec<Input>,
) -> Result<(), VerifyError> {
    if let (Some(file), Some(_)) = (&places.marks, &session.protocol) {
        let marks = session::load_marks(file, session.protocol.as_ref()).map_err(VerifyError::Marks)?;
        session.marks_file = Some(marks);
    }
    let stated = verdict.session.marks.as_ref();
    let sha256 = stated.map(|stated| stated.sha256.as_str());
    let name = stated.map_or("none", |stated| inputs::last_part(&stated.file)).to_owned();
    let state = match (&session.marks_file, &reopened.missing_marks) {
        (Some(now), _) if stated.is_none() => {
            InputState::Another { file: now.file.clone(), sha256: now.sha256.clone() }
        }
        (Some(now), _) => InputState::of(sha256, &now.file, Some(now.sha256.clone())),
        (None, Some(missing)) => InputState::NotFound { looked_for: Some(missing.clone()) },
        (None, None) if stated.is_none() => return Ok(()),
        (None, None) => InputState::NotFound { looked_for: None },
    };
    if let (InputState::Same { .. }, Some(marks)) = (&state, &mut session.marks_file) {
        marks.file = PathBuf::from(&name);
    }
    inputs.push(Input::new(InputKind::Marks, &name, sha256, state));
    Ok(())
}

/// Cards are found where the session names them; a verdict of the former format holds no hash of them.
pub(super) fn set_cards(verdict: &Verdict, session: &Session, inputs: &mut Vec<Input>, unhashed: &mut Vec<String>) {
    for (i, card) in session.cards.iter().enumerate() {
        let name = inputs::name(&card.file);
        let Some(stated) = verdict.session.cards.get(i) else {
            unhashed.push(format!("{}, whose facts the session takes over", card.file.display()));
            continue;
        };
        let state = InputState::of(Some(&stated.sha256), &card.file, Some(card.sha256.clone()));
        inputs.push(Input::new(InputKind::Card, &name, Some(&stated.sha256), state));
    }
}

/// Each recording of the session beside the verdict's entry for it, then entries that the session names no more. Gives
/// where those lie that are not where the session says.
pub(super) fn find_recordings(
    verdict: &Verdict,
    places: &InputPlaces,
    session: &Session,
    inputs: &mut Vec<Input>,
) -> BTreeMap<PathBuf, PathBuf> {
    let mut found = BTreeMap::new();
    let mut left: Vec<&RecordingFacts> = verdict.recordings.iter().collect();
    let instruments = session.units.iter().map(|unit| &unit.instrument);
    let instruments: Vec<_> = instruments.chain(session.references.iter().map(|r| &r.instrument)).collect();
    for instrument in instruments {
        for path in &instrument.recordings {
            let name = inputs::name(path);
            let hash_there = inputs::sha256_of_file(path);
            let of_this = |facts: &&RecordingFacts| facts.instrument == instrument.label;
            // Two files of one name, from two folders, are told apart by what they hold.
            let at = left
                .iter()
                .position(|facts| of_this(facts) && Some(&facts.sha256) == hash_there.as_ref())
                .or_else(|| left.iter().position(|facts| of_this(facts) && facts.file == name))
                .or_else(|| left.iter().position(of_this));
            let Some(facts) = at.map(|at| left.remove(at)) else {
                let state = match hash_there {
                    Some(sha256) => InputState::Unstated { file: Some(path.clone()), sha256: Some(sha256) },
                    None => InputState::NotFound { looked_for: Some(path.clone()) },
                };
                inputs.push(Input::recording(&name, &instrument.label, None, state));
                continue;
            };
            let state = places.shelf.place_of(&facts.sha256, path, hash_there);
            if let InputState::Same { file } = &state
                && file != path
            {
                found.insert(path.clone(), file.clone());
            }
            inputs.push(Input::recording(&facts.file, &instrument.label, Some(&facts.sha256), state));
        }
    }
    for facts in left {
        let state = InputState::NotFound { looked_for: None };
        inputs.push(Input::recording(&facts.file, &facts.instrument, Some(&facts.sha256), state));
    }
    found
}
