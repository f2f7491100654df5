//! A verdict's inputs found and judged again, and the two verdicts compared.

use serde_json::Value;

use super::differences::differences;
use super::error::VerifyError;
use super::inputs::{Input, InputState};
use super::places::InputPlaces;
use super::reopen::{find_recordings, reopen, set_cards, set_marks, set_protocol, without_session};
use super::verification::{NewJudgement, Programs, Verification};
use crate::judge;
use crate::session;
use crate::verdict::json;
use crate::verdict::{VERDICT_FORMAT, Verdict};

/// Looks for a verdict's inputs, judges them again and compares. Of a verdict that another version wrote, what that did not
/// write yet counts as empty here; [`again_as_written`] knows it from its JSON.
pub fn again(verdict: &Verdict, places: &InputPlaces) -> Verification {
    let written = serde_json::to_value(verdict).unwrap_or_default();
    again_as_written(verdict, &written, places)
}

/// [`again`] for whoever has the verdict as it was written: keys that this program does not know are differences too.
pub fn again_as_written(verdict: &Verdict, written: &Value, places: &InputPlaces) -> Verification {
    let mut verification = Verification {
        unit: verdict.unit.label.clone(),
        sheet_number: verdict.sheet_number.clone(),
        programs: Programs { then: verdict.assize.clone(), now: env!("CARGO_PKG_VERSION").to_owned() },
        inputs: vec![],
        unhashed: vec![],
        read: vec![],
        judged: Err(VerifyError::NewerFormat(verdict.verdict_format)),
    };
    if verdict.verdict_format > VERDICT_FORMAT {
        return verification;
    }
    verification.judged = look_and_judge(verdict, places, &mut verification).map(|now| {
        let programs_differ = verification.programs.differ();
        let judged = serde_json::to_value(&now).unwrap_or_default();
        NewJudgement { differences: differences(written, &judged, programs_differ), verdict: now }
    });
    verification
}

/// Whether `text` is what this program writes of the verdict, byte for byte.
pub fn written_as_now(text: &[u8], judged: &NewJudgement) -> bool {
    json::to_string(&judged.verdict).as_bytes() == text
}

fn look_and_judge(
    verdict: &Verdict,
    places: &InputPlaces,
    verification: &mut Verification,
) -> Result<Verdict, VerifyError> {
    let Verification { inputs, unhashed, read, .. } = verification;
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
    set_cards(verdict, &session, inputs, unhashed);
    read.clone_from(&session.files);
    set_protocol(verdict, places, &reopened, &mut session, inputs)?;
    set_marks(verdict, places, &reopened, &mut session, inputs)?;
    // Those of the command line are in the verdict alone.
    let own: Vec<String> = session.pins.iter().map(ToString::to_string).collect();
    let of_verdict = verdict.session.pins.iter().filter(|pin| !own.contains(pin));
    let given: Vec<&String> = if places.pins.is_empty() { of_verdict.collect() } else { places.pins.iter().collect() };
    for pin in given {
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
