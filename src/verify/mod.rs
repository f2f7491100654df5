//! A verdict judged again: are its inputs still what they were, and do they still give what it says?
//!
//! A verdict holds name and hash of session, protocol, marks and recordings, but no folder. The session is looked for
//! beside the verdict, the rest where the session names it, and recordings by their hash wherever they are asked to be
//! looked for. Then everything is judged anew and compared value by value, with no tolerance.

mod differences;
mod inputs;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::Serialize;
use serde_json::Value;

pub use differences::{Difference, Severity, differences};
pub use inputs::{FilesByHash, Input, InputKind, InputState};

use crate::judge::{self, JudgeError};
use crate::problem::Problems;
use crate::protocol::{self, MovedFiles, TextMistake};
use crate::session::{self, Session};
use crate::verdict::json;
use crate::verdict::{VERDICT_FORMAT, Verdict};

/// Where the inputs of a verdict may be.
#[derive(Debug, Clone, Default)]
pub struct InputPlaces {
    /// The folder that the session's name starts from, as a rule the verdict's own.
    pub folder: PathBuf,
    /// The session file, in place of the one of that name in the folder.
    pub session: Option<PathBuf>,
    /// Files that recordings are found among by their hash, whatever they are called.
    pub shelf: FilesByHash,
    /// As `judge` was given them, in place of the session's own.
    pub protocol: Option<PathBuf>,
    pub marks: Option<PathBuf>,
    pub pins: Vec<String>,
}

impl InputPlaces {
    /// Everything beside the verdict file.
    pub fn beside(verdict: &Path) -> Self {
        Self { folder: verdict.parent().unwrap_or(Path::new("")).to_owned(), ..Self::default() }
    }
}

/// Why a verdict could not be judged again.
#[derive(Debug, thiserror::Error)]
pub enum VerifyError {
    #[error(
        "verdict_format is {0}, and this program reads up to {VERDICT_FORMAT}; verify it with the version that made it, or a later one"
    )]
    NewerFormat(u32),
    #[error(
        "the verdict was made without a session file (`--unit`, `--reference`), so nothing says what was assumed of the instruments; judge again with these options and compare, or give a session with --session FILE"
    )]
    NoSession,
    #[error("{} not there; {}", are(.0), ways_out(.0))]
    Missing(Vec<Input>),
    #[error("the session can't be used\n\n{0}")]
    Session(Problems),
    #[error("the protocol can't be used\n\n{0}")]
    Protocol(Problems),
    #[error("the marks file can't be used\n\n{0}")]
    Marks(Problems),
    #[error("{given} needs a protocol, and the session names none")]
    NoProtocol { given: &'static str },
    #[error("--pin {pin}: {slip}")]
    Pin { pin: String, slip: TextMistake },
    #[error("the session has no unit `{label}`, only {}", listed(.has))]
    NoSuchUnit { label: String, has: Vec<String> },
    #[error(transparent)]
    Judge(#[from] JudgeError),
}

/// `recording a.fit is`, `recording a.fit, marks b.yaml are`
fn are(missing: &[Input]) -> String {
    let titles: Vec<String> = missing.iter().map(Input::title).collect();
    format!("{} {}", titles.join(", "), if missing.len() == 1 { "is" } else { "are" })
}

fn ways_out(missing: &[Input]) -> String {
    let mut ways: Vec<&str> = missing
        .iter()
        .map(|input| match (input.kind, &input.state) {
            (_, InputState::NotFound { looked_for: None }) => "give the session that names it with --session FILE",
            (InputKind::Session, _) => "say where it is with --session FILE",
            (InputKind::Protocol, _) => "say where the protocol is with --protocol FILE",
            (InputKind::Marks, _) => "say where the marks are with --marks FILE",
            (InputKind::Recording, _) => "say with --recordings DIR where to look for recordings by their hash",
        })
        .collect();
    ways.dedup();
    ways.join("; ")
}

fn listed(labels: &[String]) -> String {
    labels.iter().map(|label| format!("`{label}`")).collect::<Vec<_>>().join(", ")
}

/// What became of a verdict's inputs, and of the verdict.
#[derive(Debug)]
pub struct Verification {
    /// Label of the unit that the verdict is about.
    pub unit: String,
    pub sheet_number: String,
    pub programs: Programs,
    pub inputs: Vec<Input>,
    /// What the judgement rests on besides, of which a verdict holds no hash: one sentence each.
    pub unhashed: Vec<String>,
    pub judged: Result<NewJudgement, VerifyError>,
}

/// Versions of the program that judged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Programs {
    pub then: String,
    pub now: String,
}

impl Programs {
    pub fn differ(&self) -> bool {
        self.then != self.now
    }
}

/// The judgement made anew.
#[derive(Debug, Clone, PartialEq)]
pub struct NewJudgement {
    pub verdict: Verdict,
    /// In the verdict's order; without the program's version, which [`Programs`] tells.
    pub differences: Vec<Difference>,
}

/// What a verification comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum VerificationResult {
    Same,
    Differs,
    CouldNot,
}

impl Verification {
    /// `Same` only if every input and every value is.
    pub fn verified(&self) -> VerificationResult {
        let Ok(judged) = &self.judged else { return VerificationResult::CouldNot };
        let other_input = self.inputs.iter().any(|input| matches!(input.state, InputState::Another { .. }));
        let other_value = judged.differences.iter().any(|difference| difference.weight != Severity::Added);
        if other_input || other_value { VerificationResult::Differs } else { VerificationResult::Same }
    }
}

/// Looks for a verdict's inputs, judges them again and compares. Of a verdict that another version wrote, what that did not
/// write yet counts as empty here; [`again_as_written`] knows it from its JSON.
pub fn again(verdict: &Verdict, places: &InputPlaces) -> Verification {
    let written = serde_json::to_value(verdict).unwrap_or_default();
    again_as_written(verdict, &written, places)
}

/// [`again`] for whoever has the verdict as it was written: keys that this program does not know are differences too.
pub fn again_as_written(verdict: &Verdict, written: &Value, places: &InputPlaces) -> Verification {
    let mut again = Verification {
        unit: verdict.unit.label.clone(),
        sheet_number: verdict.sheet_number.clone(),
        programs: Programs { then: verdict.assize.clone(), now: env!("CARGO_PKG_VERSION").to_owned() },
        inputs: vec![],
        unhashed: vec![],
        judged: Err(VerifyError::NewerFormat(verdict.verdict_format)),
    };
    if verdict.verdict_format > VERDICT_FORMAT {
        return again;
    }
    again.judged = look_and_judge(verdict, places, &mut again.inputs, &mut again.unhashed).map(|now| {
        let programs_differ = again.programs.differ();
        let judged = serde_json::to_value(&now).unwrap_or_default();
        NewJudgement { differences: differences(written, &judged, programs_differ), verdict: now }
    });
    again
}

/// Whether `text` is what this program writes of the verdict, byte for byte.
pub fn written_as_now(text: &[u8], judged: &NewJudgement) -> bool {
    json::to_string(&judged.verdict).as_bytes() == text
}

fn look_and_judge(
    verdict: &Verdict,
    places: &InputPlaces,
    inputs: &mut Vec<Input>,
    unhashed: &mut Vec<String>,
) -> Result<Verdict, VerifyError> {
    let reopened = reopen(verdict, places, inputs);
    let (mut session, reopened) = match reopened {
        Ok(Some(found)) => found,
        // Recordings can be told all the same.
        Ok(None) => return Err(without_session(verdict, places, inputs)),
        Err(error) => {
            without_session(verdict, places, inputs);
            return Err(error);
        }
    };
    for card in &reopened.cards {
        unhashed.push(format!("{}, whose facts the session takes over", card.display()));
    }
    set_protocol(verdict, places, &reopened, &mut session, inputs)?;
    set_marks(verdict, places, &reopened, &mut session, inputs)?;
    for pin in &places.pins {
        let Some(protocol) = &session.protocol else { return Err(VerifyError::NoProtocol { given: "--pin" }) };
        let read = session::pin(pin, &protocol.phases);
        session.pins.push(read.map_err(|slip| VerifyError::Pin { pin: pin.clone(), slip })?);
    }
    let found = find_recordings(verdict, places, &session, inputs);
    let missing: Vec<Input> =
        inputs.iter().filter(|input| matches!(input.state, InputState::NotFound { .. })).cloned().collect();
    if !missing.is_empty() {
        return Err(VerifyError::Missing(missing));
    }
    let label = &verdict.unit.label;
    let Some(unit) = session.units.iter().position(|unit| unit.instrument.label == *label) else {
        let has = session.units.iter().map(|unit| unit.instrument.label.clone()).collect();
        return Err(VerifyError::NoSuchUnit { label: label.clone(), has });
    };
    let mut judged = judge::judge_found(&session, &found)?;
    Ok(judged.swap_remove(unit).verdict)
}

/// The session as it was judged; `None` where there is none or it is not there.
fn reopen(
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
fn without_session(verdict: &Verdict, places: &InputPlaces, inputs: &mut Vec<Input>) -> VerifyError {
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

fn set_protocol(
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

fn set_marks(
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

/// Each recording of the session beside the verdict's entry for it, then entries that the session names no more. Gives
/// where those lie that are not where the session says.
fn find_recordings(
    verdict: &Verdict,
    places: &InputPlaces,
    session: &Session,
    inputs: &mut Vec<Input>,
) -> BTreeMap<PathBuf, PathBuf> {
    let mut found = BTreeMap::new();
    let mut left: Vec<&crate::verdict::RecordingFacts> = verdict.recordings.iter().collect();
    let instruments = session.units.iter().map(|unit| &unit.instrument);
    let instruments: Vec<_> = instruments.chain(session.references.iter().map(|r| &r.instrument)).collect();
    for instrument in instruments {
        for path in &instrument.recordings {
            let name = inputs::name(path);
            let hash_there = inputs::sha256_of_file(path);
            let of_this = |facts: &&crate::verdict::RecordingFacts| facts.instrument == instrument.label;
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
