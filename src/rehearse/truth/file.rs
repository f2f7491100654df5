//! The truth of a rehearsal as a file: `truth.json`.

use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::files::{self, FileError};
use crate::pattern::Pattern;

use super::super::span::TrueSpan;

/// The version of the file's layout, raised when a key changes its meaning.
pub const TRUTH_FORMAT: u32 = 1;

/// What truly happened in a rehearsal. Every `…_s` is seconds since `date` on a perfect clock, unless it says otherwise.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TruthFile {
    /// Version of the program that rehearsed.
    pub assize: String,
    pub truth_format: u32,
    pub seed: u64,
    /// True time of the ride's start.
    pub date: DateTime<Utc>,
    /// SHA-256 of the protocol that was ridden, as in a verdict.
    pub protocol_sha256: String,
    /// The unit's first, then each reference's; then those after a restart.
    pub recordings: Vec<TrueRecording>,
    /// In ride order, each until the next.
    pub gears: Vec<TrueGear>,
    pub faults: Vec<TrueFault>,
    /// As `--mishap` writes them, with the phase where one was drawn.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub mishaps: Vec<String>,
    /// In ride order: every repeat that was ridden of what the protocol asked for, numbered as ridden.
    pub phases: Vec<TruePhase>,
    /// Means over the repeats.
    pub repeats: Vec<TrueRepeats>,
    /// The unit's error over the steady phases on each ring.
    pub rings: Vec<TrueRing>,
    pub contrasts: Vec<TrueContrast>,
    pub whole_ride: Vec<TrueValue>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrueRecording {
    pub file: String,
    /// Of the file's bytes, lower-case hex.
    pub sha256: String,
    pub instrument: String,
    /// Gain and offset drawn for the session, without the injected faults.
    pub gain_pct: f64,
    pub offset_w: f64,
    pub clock: TrueClock,
    /// From the strap's message until it is what this head unit writes.
    pub strap_delay_s: f64,
    /// When this instrument's head unit wrote nothing: between two recordings, and while its timer had stopped by itself.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unwritten: Vec<TrueSpan>,
}

/// A head unit's clock: what was at true time t stands under `date` + t + offset_s + drift_ppm·10⁻⁶·t, and `jump_s` more from `jump_at_s` on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrueClock {
    pub offset_s: f64,
    pub drift_ppm: f64,
    /// Never negative.
    pub jump_s: f64,
    pub jump_at_s: f64,
}

impl TrueClock {
    /// What it shows at a true time, seconds since `date`.
    pub fn shows_s(&self, true_s: f64) -> f64 {
        let jump_s = if true_s < self.jump_at_s { 0.0 } else { self.jump_s };
        true_s + self.offset_s + self.drift_ppm * 1e-6 * true_s + jump_s
    }

    /// `None` for what it never showed, because it jumped over it.
    pub fn true_s(&self, shown_s: f64) -> Option<f64> {
        let before_jump_s = |shown_s: f64| (shown_s - self.offset_s) / (1.0 + self.drift_ppm * 1e-6);
        let (before_s, after_s) = (before_jump_s(shown_s), before_jump_s(shown_s - self.jump_s));
        if before_s < self.jump_at_s { Some(before_s) } else { (after_s >= self.jump_at_s).then_some(after_s) }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrueGear {
    pub from_s: f64,
    /// `big` or `small`.
    pub ring: String,
    /// Teeth.
    pub cog: u32,
    /// Of the chain drive in this gear, %.
    pub loss_pct: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrueFault {
    /// As `--fault` writes it; its size is exact.
    pub fault: String,
    /// Label of what it strikes.
    pub instrument: String,
    /// The pattern that a verdict should name; null where none is meant for it.
    pub pattern: Option<String>,
    /// Where it struck, of a fault that strikes here and there.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub struck: Vec<TrueSpan>,
}

impl TrueFault {
    /// The pattern that its word names.
    pub fn named(&self) -> Option<Pattern> {
        self.pattern.as_deref().and_then(Pattern::from_word)
    }
}

/// One repeat of one phase.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TruePhase {
    /// The selector, as `steady[ring=small, power=120 W]`.
    pub phase: String,
    /// From 1.
    pub repeat: u32,
    pub drill: String,
    /// As ridden.
    pub start_s: f64,
    pub end_s: f64,
    /// What is scored, margins included.
    pub window: TrueSpan,
    /// `big` or `small`, at its end.
    pub ring: String,
    pub moves: Vec<TruePart>,
    /// Of what the protocol checks here, in its order.
    pub checks: Vec<TrueValue>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TruePart {
    #[serde(rename = "move")]
    pub act: String,
    pub start_s: f64,
    pub end_s: f64,
    /// What the rider truly put in, W.
    pub mean_power_w: f64,
}

/// The true value of one measure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrueValue {
    pub measure: String,
    /// Null where there is nothing to measure: no step to cross, no such reading.
    pub value: Option<f64>,
    pub unit: String,
    /// The value in the other unit (W and %), where it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub also: Option<TrueAlso>,
    /// The value is only a bound, as of a unit that never let go.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub at_least: bool,
}

impl TrueValue {
    pub fn in_unit(&self, unit: &str) -> Option<f64> {
        if self.unit == unit {
            return self.value;
        }
        self.also.as_ref().filter(|also| also.unit == unit).map(|also| also.value)
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrueAlso {
    pub value: f64,
    pub unit: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrueRepeats {
    pub phase: String,
    /// Repeats that the protocol asked for and that were ridden.
    pub ridden: usize,
    pub checks: Vec<TrueValue>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrueRing {
    pub ring: String,
    pub blocks: usize,
    pub error_w: f64,
    pub error_pct: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrueContrast {
    pub contrast: String,
    #[serde(flatten)]
    pub check: TrueValue,
}

/// A truth file that could not be used.
#[derive(Debug, thiserror::Error)]
pub enum TruthFileError {
    #[error("{}: {source}; give the truth.json that `assize rehearse` wrote beside the recordings", .file.display())]
    Unreadable { file: PathBuf, source: FileError },
    #[error(
        "{}:{}:{}: {source}; a truth file is what `assize rehearse` writes as truth.json: rehearse again, or give that one",
        .file.display(), .source.line(), .source.column()
    )]
    Form { file: PathBuf, source: serde_json::Error },
    #[error(
        "{}: its truth_format is {found} and this program reads {TRUTH_FORMAT}; rehearse again with this program",
        .file.display()
    )]
    Format { file: PathBuf, found: u64 },
}

impl TruthFile {
    /// Reads `truth.json`.
    ///
    /// # Errors
    /// [`TruthFileError`] where there is no such file, or it is of another form or format.
    pub fn load(file: &Path) -> Result<Self, TruthFileError> {
        let of = || file.to_owned();
        let bytes =
            files::read(file, files::TEXT).map_err(|source| TruthFileError::Unreadable { file: of(), source })?;
        // The format first: a later one need not have today's keys.
        let form = |source| TruthFileError::Form { file: of(), source };
        let any: serde_json::Value = serde_json::from_slice(&bytes).map_err(form)?;
        match any.get("truth_format").and_then(serde_json::Value::as_u64) {
            Some(found) if found != u64::from(TRUTH_FORMAT) => Err(TruthFileError::Format { file: of(), found }),
            _ => serde_json::from_slice(&bytes).map_err(form),
        }
    }

    /// One object, pretty, with a final line feed. The same truth gives the same bytes.
    pub fn to_json(&self) -> String {
        serde_json::to_string_pretty(self).expect("strings and finite numbers serialise") + "\n"
    }
}

/// The schema of [`TruthFile::to_json`]'s output (JSON Schema 2020-12), with a final line feed.
#[cfg(feature = "schema")]
pub fn schema() -> String {
    serde_json::to_string_pretty(&schemars::schema_for!(TruthFile)).expect("a schema serialises") + "\n"
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::bench_trial;
    use super::super::super::{RehearsalPlan, simulate};
    use super::*;

    /// `ASSIZE_BLESS=1 cargo test --lib schema` rewrites the committed schema.
    #[test]
    fn the_committed_truth_schema_is_the_one_that_the_types_give() {
        let committed = Path::new(env!("CARGO_MANIFEST_DIR")).join("shared/truth.schema.json");
        if std::env::var_os("ASSIZE_BLESS").is_some() {
            std::fs::write(&committed, schema()).expect("the schema can be written");
        }
        let text = std::fs::read_to_string(committed).expect("shared/truth.schema.json is there");
        assert_eq!(text, schema(), "set ASSIZE_BLESS=1 to rewrite shared/truth.schema.json");
    }

    #[test]
    fn a_truth_validates_against_its_schema_and_reads_back_unchanged() {
        let faults = ["side-short=110@left,2/6", "held-reading=30", "clock-jump=3"].map(|f| f.parse().unwrap());
        let protocol =
            crate::protocol::load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/bench-both-rings.yaml"), None);
        let truth = simulate(&protocol.unwrap(), &RehearsalPlan { faults: faults.to_vec(), ..RehearsalPlan::new(7) })
            .truth_file();
        let validator = jsonschema::draft202012::new(&serde_json::from_str(&schema()).unwrap()).unwrap();
        let mut value: serde_json::Value = serde_json::from_str(&truth.to_json()).unwrap();
        assert!(validator.is_valid(&value), "{:?}", validator.iter_errors(&value).next());
        value["phases"][0]["window"] = "somewhere".into();
        assert!(!validator.is_valid(&value));
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), truth.to_json()).unwrap();
        assert_eq!(TruthFile::load(file.path()).unwrap(), truth);
    }

    #[test]
    fn a_file_of_another_form_or_format_is_refused_with_what_to_do() {
        let said = |text: &str| {
            let file = tempfile::NamedTempFile::new().unwrap();
            std::fs::write(file.path(), text).unwrap();
            TruthFile::load(file.path()).unwrap_err().to_string()
        };
        assert!(said(r#"{ "truth_format": 2 }"#).contains("its truth_format is 2 and this program reads 1"));
        let older = said(r#"{ "seed": 1 }"#);
        assert!(
            older.contains(":1:") && older.contains("missing field") && older.contains("rehearse again"),
            "{older}"
        );
        let missing = TruthFile::load(Path::new("no-truth.json")).unwrap_err().to_string();
        assert!(missing.contains("no-truth.json") && missing.contains("beside the recordings"), "{missing}");
    }

    #[test]
    fn the_truth_covers_every_repeat_in_ride_order() {
        let truth = simulate(&bench_trial(), &RehearsalPlan::new(1)).truth_file();
        assert_eq!(truth.phases.len(), 6 + 6 + 6 + 4);
        assert!(truth.phases.windows(2).all(|p| p[0].end_s <= p[1].start_s));
        let coast = truth.phases.iter().find(|p| p.drill == "coast_restart").unwrap();
        assert_eq!(coast.moves.iter().map(|m| m.act.as_str()).collect::<Vec<_>>(), ["lead-in", "coast", "restart"]);
        assert_eq!(coast.window.end_s, coast.end_s + 5.0);
    }
}
