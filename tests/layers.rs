//! Imports run one way: which module of the program may use which, held against its `use` lines and paths.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Each module with all that it uses, from the ground up: it may use only what stands above it, and only what its line
/// names. Nothing that judges knows the simulator or the run sheet, and the simulator knows nothing that judges.
const ALLOWED: &[(&str, &str)] = &[
    ("stats", ""),
    ("quantity", ""),
    ("problem", ""),
    ("text", ""),
    ("pattern", ""),
    ("protocol", "problem quantity"),
    ("recording", ""),
    ("session", "problem protocol quantity recording"),
    // Before and on the bike.
    ("cautions", "protocol"),
    ("brief", "protocol quantity session"),
    ("cue", "brief cautions protocol quantity session text"),
    ("rehearse", "pattern protocol quantity recording session"),
    // The way to a verdict.
    ("ride", "protocol quantity session"),
    ("align", "recording ride session stats"),
    ("drivetrain", "align ride session"),
    ("matching", "protocol quantity ride session stats"),
    ("scoring", "matching protocol quantity ride session stats"),
    ("decide", "matching protocol quantity scoring stats"),
    ("diagnose", "decide matching pattern protocol quantity ride scoring session stats"),
    ("verdict", "align decide diagnose matching pattern protocol quantity recording ride scoring session"),
    ("judge", "align decide diagnose matching protocol recording drivetrain ride scoring session verdict"),
    // What is made of verdicts.
    ("words", "pattern protocol verdict"),
    ("against_truth", "pattern protocol rehearse ride stats verdict"),
    ("trials", "judge pattern protocol quantity recording rehearse session stats verdict"),
    ("compare", "protocol quantity scoring stats verdict words"),
    ("verify", "judge problem protocol session verdict words"),
    ("register", "matching verdict verify"),
    (
        "report",
        "against_truth brief cautions compare judge pattern protocol quantity register rehearse ride scoring session stats text \
         trials verdict verify words",
    ),
    (
        "cli",
        "against_truth brief compare cue judge problem protocol quantity recording register rehearse report session text trials \
         verdict verify words",
    ),
];

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

/// What a file uses of the crate, by the first name after `crate::`; comments and tests left out.
fn used(text: &str) -> BTreeSet<String> {
    let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or(text);
    let code: Vec<&str> = code.lines().filter(|line| !line.trim_start().starts_with("//")).collect();
    let code = code.join("\n");
    let mut names = BTreeSet::new();
    for after in code.split("crate::").skip(1) {
        let braces = after.strip_prefix('{').and_then(|list| list.split('}').next());
        let list: Vec<&str> = braces.map_or(vec![after], |list| list.split(',').collect());
        for name in list {
            let name: String = name.trim_start().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
            names.insert(match name.as_str() {
                // Named by the crate itself.
                "Judgement" => "judge".to_owned(),
                _ => name,
            });
        }
    }
    names.remove("");
    names
}

/// All edges between modules, with a file that makes each.
fn edges() -> BTreeMap<(String, String), String> {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = vec![];
    sources(&src, &mut files);
    let mut edges = BTreeMap::new();
    for file in files {
        let inside = file.strip_prefix(&src).unwrap().to_string_lossy().replace('\\', "/");
        let of_tests =
            inside.ends_with("tests.rs") || inside.ends_with("report/example.rs") || inside == "report/example.rs";
        let module = inside.split('/').next().unwrap().trim_end_matches(".rs").to_owned();
        if of_tests || module == "lib" || module == "main" {
            continue;
        }
        for name in used(&std::fs::read_to_string(&file).unwrap()) {
            if name != module {
                edges.entry((module.clone(), name)).or_insert_with(|| inside.clone());
            }
        }
    }
    edges
}

#[test]
fn the_table_runs_one_way() {
    let mut above: Vec<&str> = vec![];
    for (module, uses) in ALLOWED {
        for used in uses.split_whitespace() {
            assert!(above.contains(&used), "{module} uses {used}, which does not stand above it");
        }
        above.push(module);
    }
}

#[test]
fn modules_use_what_the_table_names_and_nothing_else() {
    let edges = edges();
    assert!(edges.len() > 100, "{}", edges.len());
    let allowed: BTreeSet<(String, String)> = ALLOWED
        .iter()
        .flat_map(|(module, uses)| uses.split_whitespace().map(|used| ((*module).to_owned(), used.to_owned())))
        .collect();
    for ((module, used), file) in &edges {
        assert!(
            allowed.contains(&(module.clone(), used.clone())),
            "src/{file} makes `{module}` use `{used}`: what both need belongs lower, or the table in tests/layers.rs must say why"
        );
    }
    for (module, used) in &allowed {
        assert!(
            edges.contains_key(&(module.clone(), used.clone())),
            "`{module}` uses `{used}` no longer: take it out of the table"
        );
    }
}

#[test]
fn every_way_to_write_an_import_is_seen() {
    let text = "use crate::align::{self, A};\nuse crate::{judge, ride::Ride};\n// crate::nothing\nfn f() { crate::stats::mean() }\n\
                #[cfg(test)]\nmod tests {\n use crate::rehearse;\n}\n";
    let seen: Vec<String> = used(text).into_iter().collect();
    assert_eq!(seen, ["align", "judge", "ride", "stats"]);
}
