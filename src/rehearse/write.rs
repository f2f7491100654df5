//! A rehearsal as files: the recordings, the session, the truth.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use crate::protocol::{Side, trim};
use crate::session::{Instrument, LoadReading, Session, TrainerMode, quoted, relative};

use super::rehearsal::Rehearsal;

/// A file that could not be written.
#[derive(Debug, thiserror::Error)]
#[error("{}: {source}; check the folder and its rights", .file.display())]
pub struct WriteError {
    pub file: PathBuf,
    pub source: std::io::Error,
}

/// What the session and the truth of a rehearsal are called.
const SESSION: &str = "session.yaml";
pub const TRUTH: &str = "truth.json";

/// Every file that [`write()`] makes in its folder.
pub fn names_of_files(rehearsal: &Rehearsal) -> Vec<PathBuf> {
    let recordings = rehearsal.recordings.iter().map(|recording| recording.file.clone());
    recordings.chain([SESSION.into(), TRUTH.into()]).collect()
}

/// Writes each recording, `session.yaml` and `truth.json` into `dir`, which is made where it is missing. The session names the protocol by its path from `dir`.
///
/// # Errors
/// [`WriteError`] at the first file that could not be written.
pub fn write(rehearsal: &Rehearsal, dir: &Path) -> Result<(), WriteError> {
    let failed = |file: &Path| {
        let file = file.to_owned();
        move |source| WriteError { file, source }
    };
    fs::create_dir_all(dir).map_err(failed(dir))?;
    let put = |name: &Path, bytes: &[u8]| {
        let file = dir.join(name);
        fs::write(&file, bytes).map_err(failed(&file))
    };
    for (recording, bytes) in rehearsal.recordings.iter().zip(&rehearsal.files) {
        put(&recording.file, bytes)?;
    }
    let protocol = rehearsal.session.protocol.as_ref().map(|p| relative(&p.file, dir));
    put(Path::new(SESSION), session_yaml(&rehearsal.session, protocol.as_deref()).as_bytes())?;
    put(Path::new(TRUTH), rehearsal.truth_file().to_json().as_bytes())
}

fn session_yaml(session: &Session, protocol: Option<&Path>) -> String {
    let mut text =
        String::from("# Simulated: no one rode this. What truly happened is in truth.json.\nassize_session: 1\n");
    let mut line = |text_line: String| text.push_str(&(text_line + "\n"));
    if let Some(protocol) = protocol {
        // JSON's quoting is YAML's, and a slash works everywhere.
        let path = protocol.to_string_lossy().replace('\\', "/");
        line(format!("protocol: {}", serde_json::Value::from(path)));
    }
    line(format!("tester: {}", session.tester.as_deref().map_or("?".to_owned(), scalar)));
    line(format!("place: {}", session.place.as_deref().map_or("?".to_owned(), scalar)));
    for unit in &session.units {
        line("unit:".to_owned());
        line(instrument(&unit.instrument, "  "));
        if let Some(claimed) = &unit.claimed {
            line(format!("  claimed: {claimed}"));
        }
    }
    line("references:".to_owned());
    for reference in &session.references {
        line(instrument(&reference.instrument, "    ").replacen("    ", "  - ", 1));
        line(format!("    uncertainty: {}", reference.uncertainty));
        if let Some(mode) = reference.mode {
            let mode = match mode {
                TrainerMode::Resistance => "resistance",
                TrainerMode::ConstantPower => "constant power",
            };
            line(format!("    mode: {mode}"));
        }
        if let Some(certificate) = &reference.certificate {
            let number = certificate.number.as_deref().map(|number| format!("number: {}", scalar(number)));
            let date = certificate.date.as_deref().map(|date| format!("date: {date}"));
            let said: Vec<String> = number.into_iter().chain(date).collect();
            line(format!("    certificate: {{ {} }}", said.join(", ")));
        }
    }
    let teeth = |list: &[u32]| list.iter().map(u32::to_string).collect::<Vec<_>>().join(", ");
    let drivetrain = &session.drivetrain;
    line("drivetrain:".to_owned());
    line(format!("  chainrings: [{}]", teeth(&drivetrain.chainrings)));
    line(format!("  cassette: [{}]", teeth(&drivetrain.cassette)));
    if let Some(wheel_m) = drivetrain.wheel_m {
        line(format!("  wheel: {} mm", trim(wheel_m * 1000.0)));
    }
    line(format!("  loss: {} % ± {} %", decimal(drivetrain.loss_pct), decimal(drivetrain.loss_expanded_pct)));
    let mut conditions = vec![];
    if let Some(temperature_c) = session.conditions.temperature_c {
        conditions.push(format!("temperature: {} °C", trim(temperature_c)));
    }
    if let Some(length_m) = session.conditions.crank_length_m {
        conditions.push(format!("crank_length: {} mm", trim(length_m * 1000.0)));
    }
    if let Some(latitude_deg) = session.conditions.latitude_deg {
        conditions.push(format!("latitude: {} °", trim(latitude_deg)));
    }
    if let Some(height_m) = session.conditions.height_m {
        conditions.push(format!("height: {} m", trim(height_m)));
    }
    line(format!("conditions: {{ {} }}", conditions.join(", ")));
    let zeros = [("zero_before", session.readings.zero_before), ("zero_after", session.readings.zero_after)];
    let zeros: Vec<String> = zeros.iter().filter_map(|(k, v)| Some(format!("{k}: {}", trim((*v)?)))).collect();
    if session.readings.loads.is_empty() {
        line(format!("readings: {{ {} }}", zeros.join(", ")));
        return text;
    }
    line("readings:".to_owned());
    zeros.iter().for_each(|zero| line(format!("  {zero}")));
    line("  loads:".to_owned());
    session.readings.loads.iter().for_each(|load| line(format!("    - {{ {} }}", hung(load))));
    text
}

fn hung(load: &LoadReading) -> String {
    let side = load.side.map(|side| format!("side: {}", if side == Side::Left { "left" } else { "right" }));
    let angle = load.angle_deg.map(|angle_deg| format!("angle: {} °", trim(angle_deg)));
    let (mass, torque) = (format!("mass: {} kg", trim(load.mass_kg)), format!("torque: {} N·m", trim(load.torque_nm)));
    [Some(mass), side, angle, Some(torque)].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// As any reader of YAML takes it for this text: in quotes, unless it is words that none takes for anything else.
fn scalar(text: &str) -> String {
    let begins = text.starts_with(|c: char| c.is_ascii_alphabetic());
    let plain = text.chars().all(|c| c.is_ascii_alphanumeric() || " -_".contains(c));
    let meant = ["true", "false", "yes", "no", "on", "off", "null", "y", "n"];
    let is_word = begins && plain && !meant.contains(&text.to_ascii_lowercase().as_str());
    if is_word { text.to_owned() } else { quoted(text) }
}

fn decimal(value: f64) -> String {
    if value.fract() == 0.0 { format!("{value:.1}") } else { trim(value) }
}

fn instrument(instrument: &Instrument, indent: &str) -> String {
    let mut text = format!("{indent}label: {}", scalar(&instrument.label));
    let mut line = |key: &str, value: &str| {
        let _ = write!(text, "\n{indent}{key}: {value}");
    };
    if let Some(model) = &instrument.model {
        line("model", &scalar(model));
    }
    if let Some(serial) = &instrument.serial {
        line("serial", &quoted(serial));
    }
    line("located", instrument.located.word());
    line("sides", instrument.sides.word());
    if let Some(firmware) = &instrument.firmware {
        line("firmware", &quoted(firmware));
    }
    let files: Vec<_> = instrument.recordings.iter().map(|file| file.to_string_lossy()).collect();
    match &files[..] {
        [] => {}
        [file] => line("recording", file),
        files => line("recording", &format!("[{}]", files.join(", "))),
    }
    text
}
