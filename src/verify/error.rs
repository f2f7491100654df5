//! Why a verdict could not be judged again, and what to do about it.

use super::inputs::{Input, InputKind, InputState};
use crate::judge::JudgeError;
use crate::problem::Problems;
use crate::protocol::TextMistake;
use crate::verdict::VERDICT_FORMAT;

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
            (InputKind::Card, _) => "put the card where the session names it",
            (InputKind::Recording, _) => "say with --recordings DIR where to look for recordings by their hash",
        })
        .collect();
    ways.dedup();
    ways.join("; ")
}

fn listed(labels: &[String]) -> String {
    labels.iter().map(|label| format!("`{label}`")).collect::<Vec<_>>().join(", ")
}
