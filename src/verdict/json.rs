//! The verdict as JSON, and its published schema.

use super::model::Verdict;

/// One object, pretty, keys in the published order, with a final line feed. The same verdict gives the same bytes.
pub fn to_string(verdict: &Verdict) -> String {
    // A verdict is structs, strings and finite numbers; none of these can fail to serialise.
    let mut text = serde_json::to_string_pretty(verdict).expect("a verdict serialises");
    text.push('\n');
    text
}

/// The schema of [`to_string`]'s output (JSON Schema 2020-12), with a final line feed.
#[cfg(feature = "schema")]
pub fn schema() -> String {
    let mut text = serde_json::to_string_pretty(&schemars::schema_for!(Verdict)).expect("a schema serialises");
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    fn committed() -> std::path::PathBuf {
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("shared/verdict.schema.json")
    }

    /// `ASSIZE_BLESS=1 cargo test` rewrites the committed schema.
    #[test]
    fn the_committed_schema_is_the_one_that_the_types_give() {
        if std::env::var_os("ASSIZE_BLESS").is_some() {
            std::fs::write(committed(), schema()).expect("the schema can be written");
        }
        let text = std::fs::read_to_string(committed()).expect("shared/verdict.schema.json is there");
        assert_eq!(text, schema(), "set ASSIZE_BLESS=1 to rewrite shared/verdict.schema.json");
    }

    #[test]
    fn a_verdict_validates_against_the_schema_and_reads_back_unchanged() {
        let verdict = example::judgement().verdict;
        let text = to_string(&verdict);
        let schema: serde_json::Value = serde_json::from_str(&schema()).unwrap();
        let validator = jsonschema::draft202012::new(&schema).unwrap();
        let mut value: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert!(validator.is_valid(&value), "{:?}", validator.iter_errors(&value).next());
        assert_eq!(serde_json::from_str::<Verdict>(&text).unwrap(), verdict);
        value["verdict"] = "perhaps".into();
        assert!(!validator.is_valid(&value));
    }
}
