//! The run sheet as a page to print.

use serde::Serialize;

use super::sheet::RunSheet;
use crate::report::pages::{self, ReportError, css_string};

const TEMPLATE: pages::Template = ("brief.html", include_str!("../../../shared/brief.html"));
/// Lines for spoiled repeats, and where masses take the room.
const SPOILED: (usize, usize) = (4, 3);

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
    let lines = if sheet.loads.is_empty() { SPOILED.0 } else { SPOILED.1 };
    pages::fill(TEMPLATE, &Page { s: sheet, spoiled: vec![(); lines], running_title })
}
