//! A protocol's tree to a [`Protocol`], every mistake at its place.

use std::path::{Path, PathBuf};

use super::amounts::{duration, threshold_power};
use super::checks::checks;
use super::contrasts::contrasts;
use super::inherit::with_base;
use super::measure::Measure;
use super::model::{Decision, Needs, PhaseOrder, Protocol, Rule, Setting};
use super::phases::{ForAllPhases, OFF_TARGET, phases};
use super::ranges;
use super::yaml::{Node, SourceFiles, TextPlace};
use crate::premise::{PREMISES, Premise};
use crate::problem::Problems;
use crate::quantity::Unit;

/// The version of the language.
const VERSION: &str = "1";

/// Reads a protocol file and what it extends.
///
/// `threshold_power_w` is the rider's own, where a session states it; it overrules the file's `basis`.
///
/// # Errors
/// Every mistake of the file and of those it extends, each at its place.
pub fn load(path: &Path, threshold_power_w: Option<f64>) -> Result<Protocol, Problems> {
    let mut reading = SourceFiles::default();
    let protocol = read(&mut reading, path, None, threshold_power_w);
    reading.close(protocol)
}

/// What is known of a reading beside what was read.
#[derive(Debug, Clone, Default)]
pub(crate) struct ReadingNotes {
    /// The file and those that it extends.
    pub files: Vec<PathBuf>,
    /// What is possible but unusual: a sentence each.
    pub cautions: Vec<String>,
}

/// [`load`], with what is known of it beside.
///
/// # Errors
/// As [`load`].
pub(crate) fn load_noting(path: &Path, threshold_power_w: Option<f64>) -> Result<(Protocol, ReadingNotes), Problems> {
    let mut reading = SourceFiles::default();
    let protocol = read(&mut reading, path, None, threshold_power_w);
    let notes = ReadingNotes { files: reading.files(), cautions: reading.cautions() };
    reading.close(protocol).map(|protocol| (protocol, notes))
}

/// [`load`] of a file's bytes, for whoever has them already; what it extends is looked for beside `path`.
///
/// # Errors
/// As [`load`].
pub fn load_bytes(path: &Path, bytes: &[u8]) -> Result<Protocol, Problems> {
    let mut reading = SourceFiles::of(path, bytes);
    let protocol = read(&mut reading, path, None, None);
    reading.close(protocol)
}

/// Reads a protocol and what it extends. `rider_w`, the rider's own threshold power, overrules the file's `basis`.
pub(crate) fn read(
    reading: &mut SourceFiles,
    file: &Path,
    named_at: Option<TextPlace>,
    rider_w: Option<f64>,
) -> Option<Protocol> {
    let first = reading.opened();
    let root = with_base(reading, file, named_at, &mut vec![])?;
    let sha256 = reading.sha256(first..reading.opened());
    let mut keys = reading.map(&root, "a protocol")?;
    if let Some(version) = keys.need(reading, "assize", VERSION)
        && version.as_text() != Some(VERSION)
    {
        reading.report(version.at, format!("this program reads version {VERSION} of the language"), None);
    }
    keys.take("extends");
    let title = keys.need(reading, "title", "Bench trial").and_then(|n| reading.text(n));
    let revision = keys.need(reading, "revision", "\"1\"").and_then(|n| reading.text(n));
    let purpose = keys.take("purpose").and_then(|n| reading.text(n));
    let settings = [("indoor", Setting::Indoor), ("road", Setting::Road), ("rig", Setting::Rig)];
    let setting = keys.take("setting").and_then(|n| reading.one_of(n, &settings)).unwrap_or(Setting::Indoor);
    let orders = [("as_written", PhaseOrder::AsWritten), ("any", PhaseOrder::Any)];
    let order = keys.take("order").and_then(|n| reading.one_of(n, &orders)).unwrap_or(PhaseOrder::AsWritten);
    let needs = keys.take("needs").map_or_else(Needs::default, |n| needs(reading, n));
    let decision =
        keys.take("decision").map_or(Decision { rule: Rule::Guarded, coverage: 0.95 }, |n| decision(reading, n));
    let basis_w = keys.take("basis").and_then(|n| basis(reading, n));
    let threshold_power_w = rider_w.or(basis_w);
    let accepts_off_target = keys.take("off_target").and_then(|n| reading.one_of(n, &OFF_TARGET)).unwrap_or(false);
    let phases_node = keys.need(reading, "phases", "[…]");
    let for_all = ForAllPhases { threshold_w: threshold_power_w, accepts_off_target };
    let phases = phases_node.map(|n| phases(reading, n, for_all));
    let contrasts = keys.take("contrasts").map_or(vec![], |n| contrasts(reading, n, phases.as_ref()));
    let whole_ride =
        keys.take("whole_ride").map_or(vec![], |n| checks(reading, n, "the whole ride", &Measure::of_whole_ride()));
    keys.finish(reading);
    Some(Protocol {
        file: file.to_owned(),
        sha256,
        title: title?,
        revision: revision?,
        purpose,
        setting,
        order,
        needs,
        decision,
        threshold_power_w,
        phases: phases?.all,
        contrasts,
        whole_ride,
    })
}

fn needs(reading: &mut SourceFiles, node: &Node) -> Needs {
    let mut needs = Needs::default();
    let Some(mut keys) = reading.map(node, "`needs`") else { return needs };
    if let Some(count) = keys.take("references").and_then(|n| reading.count(n, 1)) {
        needs.references = count as usize;
    }
    needs.warm_up_s = keys.take("warm_up").and_then(|n| duration(reading, n, &ranges::WARM_UP));
    let valid = keys.take("certificates").and_then(|n| reading.one_of(n, &[("valid", true)]));
    needs.valid_certificates = valid.unwrap_or(false);
    if let Some(n) = keys.take("held") {
        let words: Vec<(&str, Premise)> = PREMISES.iter().map(|row| (row.word, row.premise)).collect();
        let items = reading.one_or_list(n, "premises").unwrap_or_default();
        needs.held = items.iter().filter_map(|item| reading.one_of(item, &words)).collect();
    }
    keys.finish(reading);
    needs
}

fn decision(reading: &mut SourceFiles, node: &Node) -> Decision {
    let mut decision = Decision { rule: Rule::Guarded, coverage: 0.95 };
    let Some(mut keys) = reading.map(node, "`decision`") else { return decision };
    let rules = [("simple", Rule::Simple), ("guarded", Rule::Guarded)];
    if let Some(rule) = keys.take("rule").and_then(|n| reading.one_of(n, &rules)) {
        decision.rule = rule;
    }
    if let Some(n) = keys.take("coverage")
        && let Some(coverage) = reading.words(n, "a probability, as in `95 %`", |w| w.amount(Unit::Percent))
    {
        if coverage > 50.0 && coverage < 100.0 {
            decision.coverage = coverage / 100.0;
        } else {
            reading.report(n.at, "expected a coverage between 50 % and 100 %, usually `95 %`", None);
        }
    }
    keys.finish(reading);
    decision
}

fn basis(reading: &mut SourceFiles, node: &Node) -> Option<f64> {
    let mut keys = reading.map(node, "`basis`")?;
    let power_w = keys.need(reading, "threshold_power", "250 W").and_then(|n| threshold_power(reading, n));
    keys.finish(reading);
    power_w
}
