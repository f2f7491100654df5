//! Selectors at their place in a file.

use super::model::{Phase, Selector};
use super::sentences::reader::TextMistake;
use super::sentences::selectors;
use super::yaml::{Node, SourceFiles};

/// The phases of a protocol, `for_each` expanded.
#[derive(Default)]
pub(crate) struct Phases {
    pub all: Vec<Phase>,
    /// Names of phases that mistakes kept from being read.
    pub unread: Vec<String>,
}

/// A reader of selectors: a text, held against phases and their repeats.
type ReadSelector = fn(&str, &[Phase]) -> Result<Selector, TextMistake>;

/// A selector of any number of phases, at its place.
pub(crate) fn placed_selector(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Option<Selector> {
    placed(reading, node, phases, selectors::selector)
}

/// A selector of one repeat of one phase, at its place.
pub(crate) fn placed_repeat(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Option<Selector> {
    placed(reading, node, phases, selectors::one_repeat)
}

/// `None` without a report where the phases themselves could not be read.
fn placed(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>, read: ReadSelector) -> Option<Selector> {
    let Some(text) = node.as_text() else { return reading.expected(node, "a phase, as in `steady[ring=small]`") };
    let phases = phases?;
    match read(text, &phases.all) {
        Ok(selector) => Some(selector),
        // A phase that could not be read is not missing.
        Err(_) if phases.unread.iter().any(|name| text.starts_with(name.as_str())) => None,
        Err(mistake) => {
            reading.report_in_text(node, mistake);
            None
        }
    }
}
