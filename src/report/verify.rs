//! A verdict judged again, on a terminal and as JSON.

use std::io::{self, Write};

use serde_json::{Value, json};

use crate::text::{cut, safe, wrap};
use crate::verify::{Difference, Input, InputState, Severity, Verification, VerificationResult};

const WIDTH: usize = 80;
/// Of an input's state, and of its name.
const STATE_WIDTH: usize = 11;
const HASH_INDENT: &str = "      ";
/// Differences of one weight that are told one by one; those that change an outcome all are.
const TOLD: usize = 20;

/// Writes what became of each input, then the differences by their weight; `bytes` says whether the file is what this
/// program writes, byte for byte.
///
/// # Errors
/// Those of `out`.
pub fn write(verification: &Verification, file: &str, bytes: Bytes, out: &mut impl Write) -> io::Result<()> {
    let word = match verification.verified() {
        VerificationResult::Same => "SAME",
        VerificationResult::Differs => "DIFFERS",
        VerificationResult::CouldNot => "NOT VERIFIED",
    };
    let indent = " ".repeat(word.len() + 2);
    wrapped(
        out,
        &format!("{word}  "),
        &indent,
        &format!("{file}: sheet {} of {}", verification.sheet_number, verification.unit),
    )?;
    if verification.programs.differ() {
        let versions = format!(
            "Judged then by version {}, now by version {}",
            verification.programs.then, verification.programs.now
        );
        wrapped(out, &indent, &indent, &versions)?;
    } else {
        wrapped(out, &indent, &indent, &format!("Judged then and now by version {}", verification.programs.now))?;
    }
    if !verification.inputs.is_empty() {
        writeln!(out, "\nInputs")?;
    }
    verification.inputs.iter().try_for_each(|input| input_lines(input, out))?;
    for unhashed in &verification.unhashed {
        let beneath = " ".repeat(STATE_WIDTH + 2);
        wrapped(out, &format!("  {:<STATE_WIDTH$}", "no hash of"), &beneath, unhashed)?;
    }
    writeln!(out)?;
    let judged = match &verification.judged {
        Ok(judged) => judged,
        Err(error) => {
            let text = error.to_string();
            let (first, rest) = text.split_once('\n').unwrap_or((&text, ""));
            wrapped(out, "", "  ", &format!("Could not be judged again: {first}"))?;
            return rest.lines().try_for_each(|line| writeln!(out, "{}", safe(line)));
        }
    };
    if judged.differences.is_empty() {
        let bytes = match bytes {
            Bytes::Same => ", byte for byte",
            // Its own version is in it.
            Bytes::Other if verification.programs.differ() => "",
            Bytes::Other => {
                "; the file was written otherwise (other spaces, digits or order), not by this program alone"
            }
        };
        return wrapped(out, "", "", &format!("Judged again, every value is the same{bytes}."));
    }
    let of = |weight| judged.differences.iter().filter(move |d| d.weight == weight).collect::<Vec<_>>();
    let groups = [
        (Severity::Outcome, "Outcomes and patterns that differ"),
        (Severity::Shown, "Numbers and texts that differ"),
        (Severity::Unseen, "Numbers that differ by less than the sheet shows"),
        (Severity::Added, "Said only by the version that judged now"),
    ];
    if verification.programs.differ() && of(Severity::Outcome).is_empty() {
        wrapped(out, "", "", "No outcome and no pattern differs.")?;
    }
    for (weight, title) in groups {
        let found = of(weight);
        if found.is_empty() {
            continue;
        }
        writeln!(out, "{title}: {}", found.len())?;
        let told = if weight == Severity::Outcome { found.len() } else { TOLD };
        found.iter().take(told).try_for_each(|difference| difference_lines(difference, out))?;
        if found.len() > told {
            writeln!(out, "  and {} more: --json lists them all", found.len() - told)?;
        }
    }
    Ok(())
}

/// Whether a verdict file is, to the byte, what this program writes of what it judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bytes {
    Same,
    Other,
}

fn input_lines(input: &Input, out: &mut impl Write) -> io::Result<()> {
    let beneath = " ".repeat(STATE_WIDTH + 2);
    let word = match &input.state {
        InputState::Same { .. } => "same",
        InputState::Another { .. } => "another",
        InputState::NotFound { .. } => "not found",
        InputState::Unstated { .. } => "unknown",
    };
    let instrument = input.instrument.as_ref().map(|label| format!(", {label}")).unwrap_or_default();
    wrapped(out, &format!("  {word:<STATE_WIDTH$}"), &beneath, &format!("{}{instrument}", input.title()))?;
    // A hash's sixty-four digits stay on one line.
    let mut line = |indent: &str, text: &str| wrapped(out, indent, indent, text);
    let stated = input.sha256.as_deref().unwrap_or("none");
    match &input.state {
        InputState::Same { file } => {
            let name = file.file_name().map(|name| name.to_string_lossy().into_owned());
            let renamed =
                input.kind != crate::verify::InputKind::Protocol && name.as_deref() != Some(input.name.as_str());
            if renamed { line(&beneath, &format!("is now {}", file.display())) } else { Ok(()) }
        }
        InputState::Another { file, sha256 } => {
            line(&beneath, &format!("found {}", file.display()))?;
            line(HASH_INDENT, &format!("then {stated}"))?;
            line(HASH_INDENT, &format!("now {sha256}"))
        }
        InputState::NotFound { looked_for } => {
            match looked_for {
                Some(path) => line(&beneath, &format!("looked for {}", path.display()))?,
                None => line(&beneath, "the session names no such file")?,
            }
            line(HASH_INDENT, &format!("then {stated}"))
        }
        InputState::Unstated { sha256, .. } => {
            line(&beneath, "the verdict holds no hash of it")?;
            line(HASH_INDENT, &format!("now {}", sha256.as_deref().unwrap_or("unreadable")))
        }
    }
}

fn difference_lines(difference: &Difference, out: &mut impl Write) -> io::Result<()> {
    wrapped(out, "  ", "    ", &difference.place)?;
    let show = |value: &Option<Value>| value.as_ref().map_or_else(|| "not there".to_owned(), shown);
    let (then, now) = (show(&difference.then), show(&difference.now));
    let short = then.chars().count() + now.chars().count() + 16 <= WIDTH;
    if short {
        return wrapped(out, "    ", "    ", &format!("then {then}, now {now}"));
    }
    wrapped(out, "    then ", "         ", &then)?;
    wrapped(out, "    now  ", "         ", &now)
}

/// A long text by its beginning, an object by what it comes to.
fn shown(value: &Value) -> String {
    const MOST: usize = 280;
    match value {
        Value::Null => "none".to_owned(),
        Value::Array(items) if items.iter().any(Value::is_object) => match items.len() {
            1 => "1 entry".to_owned(),
            n => format!("{n} entries"),
        },
        Value::Object(object) => {
            let told = ["says", "verdict", "value", "size", "unit", "sha256"].iter().filter_map(|key| object.get(*key));
            let told: Vec<String> = told.filter(|value| !value.is_null() && !value.is_object()).map(shown).collect();
            if told.is_empty() { cut(&safe(&value.to_string()), MOST) } else { told.join(" ") }
        }
        Value::String(text) => cut(&safe(text), MOST),
        other => cut(&safe(&other.to_string()), MOST),
    }
}

fn wrapped(out: &mut impl Write, first: &str, then: &str, text: &str) -> io::Result<()> {
    let room = WIDTH - first.chars().count().max(then.chars().count());
    for (i, line) in wrap(text, room).iter().enumerate() {
        writeln!(out, "{}{line}", if i == 0 { first } else { then })?;
    }
    Ok(())
}

/// One verification as an object: `file`, `verified`, `unit`, `sheet_number`, `programs`, `inputs`, `unhashed`,
/// `same_bytes`, `error`, `differences`.
pub fn object(verification: &Verification, file: &str, bytes: Bytes) -> Value {
    let (differences, error) = match &verification.judged {
        Ok(judged) => (json!(judged.differences), Value::Null),
        Err(error) => (Value::Null, json!(error.to_string())),
    };
    json!({
        "file": file,
        "verified": verification.verified(),
        "unit": verification.unit,
        "sheet_number": verification.sheet_number,
        "programs": verification.programs,
        "inputs": verification.inputs,
        "unhashed": verification.unhashed,
        "same_bytes": bytes == Bytes::Same,
        "error": error,
        "differences": differences,
    })
}
