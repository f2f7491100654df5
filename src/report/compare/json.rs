//! A comparison as JSON, and the schema of it.

use crate::compare::Comparison;

/// One object, pretty, with a final line feed. The same verdicts give the same bytes.
pub fn json(comparison: &Comparison) -> String {
    // Structs, strings and finite numbers; none of these can fail to serialise.
    let mut text = serde_json::to_string_pretty(comparison).expect("a comparison serialises");
    text.push('\n');
    text
}

/// The schema of [`json`]'s output (JSON Schema 2020-12), with a final line feed.
#[cfg(feature = "schema")]
pub fn schema() -> String {
    let mut text = serde_json::to_string_pretty(&schemars::schema_for!(Comparison)).expect("a schema serialises");
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `ASSIZE_BLESS=1 cargo test` rewrites the committed schema.
    #[test]
    fn the_committed_comparison_schema_is_the_one_that_the_types_give() {
        let committed = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("shared/comparison.schema.json");
        if std::env::var_os("ASSIZE_BLESS").is_some() {
            std::fs::write(&committed, schema()).expect("the schema can be written");
        }
        let text = std::fs::read_to_string(committed).expect("shared/comparison.schema.json is there");
        assert_eq!(text, schema(), "set ASSIZE_BLESS=1 to rewrite shared/comparison.schema.json");
    }
}
