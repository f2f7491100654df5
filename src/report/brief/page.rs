//! The run sheet as a page to print.

use serde::Serialize;

use super::sheet::RunSheet;
use crate::report::pages::{self, ReportError, css_string};

const TEMPLATE: pages::Template =
    pages::Template { name: "brief.html", source: include_str!("../../../shared/brief.html") };
/// Lines to write spoiled repeats on.
const SPOILED: usize = 4;
/// The same where readings of hung masses take the room.
const SPOILED_BESIDE_LOADS: usize = 3;

#[derive(Serialize)]
struct Page<'a> {
    s: &'a RunSheet,
    spoiled: Vec<()>,
    running_title: String,
}

/// The page as HTML; the same sheet gives the same bytes.
///
/// # Errors
/// [`ReportError::Template`] if template and page do not fit each other, which is a mistake in the program.
pub fn page(sheet: &RunSheet) -> Result<String, ReportError> {
    let running_title = css_string(&sheet.title.chars().take(60).collect::<String>());
    let lines = if sheet.loads.is_empty() { SPOILED } else { SPOILED_BESIDE_LOADS };
    pages::fill(TEMPLATE, &Page { s: sheet, spoiled: vec![(); lines], running_title })
}
