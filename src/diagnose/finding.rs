//! What diagnosis gives.

use crate::decide::Decided;
use crate::pattern::Pattern;
use crate::quantity::Unit;

/// A pattern that explains something, with its size and what shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    pub pattern: Pattern,
    pub size: f64,
    pub unit: Unit,
    pub expanded_uncertainty: Option<f64>,
    /// One sentence that names what, where and how much.
    pub says: String,
    pub evidence: Vec<String>,
    /// Other explanations of the same findings that are hardly less likely, each in a few words.
    pub could_also_be: Vec<String>,
}

/// A finding without another explanation.
pub(super) fn finding(
    pattern: Pattern,
    size: f64,
    unit: Unit,
    expanded: Option<f64>,
    says: String,
    evidence: Vec<String>,
) -> Finding {
    Finding { pattern, size, unit, expanded_uncertainty: expanded, says, evidence, could_also_be: vec![] }
}

/// A word for a size above or below nothing.
pub(super) fn high_low<'a>(size: f64, high: &'a str, low: &'a str) -> &'a str {
    if size < 0.0 { low } else { high }
}

/// One check in a line of evidence.
pub(super) fn describe(place: &str, check: &Decided) -> String {
    let unit = check.unit.symbol();
    let value = check.value().map_or(String::new(), |v| format!(" {v:+.1} {unit}"));
    let expanded = check.expanded_uncertainty().map_or(String::new(), |u| format!(" ± {u:.1} {unit}"));
    let limit = check.limit.as_ref().map_or(String::new(), |l| format!(", limit {l}"));
    format!("{place}: {}{value}{expanded}{limit}", check.measure.word())
}
