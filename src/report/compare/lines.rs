//! A comparison as a table for spreadsheets and scripts: one line for each row and group.

use serde::{Deserialize, Serialize};

use crate::compare::Comparison;
use crate::text::cell as text;

/// One check, one group; numbers are those of the JSON, digit by digit, and empty where the JSON has null.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    pub row: String,
    /// `steady`, `ride`, `mean`, `contrast` or `whole ride`.
    pub of: String,
    pub place: String,
    pub measure: String,
    pub unit: String,
    pub limit: Option<String>,
    pub required: bool,
    pub group: String,
    pub value: Option<f64>,
    pub expanded_uncertainty: Option<f64>,
    pub degrees_of_freedom: Option<f64>,
    pub shared_standard_uncertainty: Option<f64>,
    /// In the mean.
    pub sessions: usize,
    pub censored: usize,
    pub without_value: usize,
    pub pass: usize,
    pub fail: usize,
    pub undecided: usize,
    pub not_ridden: usize,
    pub not_applicable: usize,
    /// Groups that it is told apart from, the allowance for many pairs made.
    pub lower_than: String,
    pub higher_than: String,
}

/// A line of names, then one for each row and group. What is no number stands in quotes; text that a spreadsheet would
/// run begins with an apostrophe.
///
/// # Errors
/// Of what it is written to.
pub fn csv(comparison: &Comparison, out: impl std::io::Write) -> Result<(), csv::Error> {
    let mut writer = csv::WriterBuilder::new().quote_style(csv::QuoteStyle::NonNumeric).from_writer(out);
    for row in &comparison.rows {
        for (g, (cell, group)) in row.cells.iter().zip(&comparison.groups).enumerate() {
            // Of the groups that it differs from, those that it reads lower (or higher) than.
            let told = |lower: bool| {
                let others =
                    row.differences.iter().filter(|d| d.differ).filter_map(|d| match (d.first == g, d.second == g) {
                        (true, _) => (lower == (d.value > 0.0)).then_some(d.second),
                        (_, true) => (lower == (d.value < 0.0)).then_some(d.first),
                        _ => None,
                    });
                others.map(|other| comparison.groups[other].name.as_str()).collect::<Vec<_>>().join("; ")
            };
            writer.serialize(Line {
                row: text(&row.name),
                of: text(&row.of),
                place: text(&row.place),
                measure: text(&row.measure),
                unit: text(&row.unit),
                limit: row.limit.as_deref().map(text),
                required: row.required,
                group: text(&group.name),
                value: cell.value,
                expanded_uncertainty: cell.expanded_uncertainty,
                degrees_of_freedom: cell.degrees_of_freedom,
                shared_standard_uncertainty: cell.shared_standard_uncertainty,
                sessions: cell.sessions,
                censored: cell.censored,
                without_value: cell.without_value,
                pass: cell.verdicts.pass,
                fail: cell.verdicts.fail,
                undecided: cell.verdicts.undecided,
                not_ridden: cell.verdicts.not_ridden,
                not_applicable: cell.verdicts.not_applicable,
                lower_than: text(&told(true)),
                higher_than: text(&told(false)),
            })?;
        }
    }
    Ok(writer.flush()?)
}
