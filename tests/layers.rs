//! The shape of `src/`: imports run one way between modules, no two files import each other, and files and functions are short.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Each module with all that it uses, from the ground up: it may use only what stands above it, and only what its line
/// names. Nothing that judges knows the simulator or the run sheet, and the simulator knows nothing that judges.
const ALLOWED: &[(&str, &str)] = &[
    ("stats", ""),
    ("quantity", ""),
    ("files", ""),
    ("text", ""),
    ("problem", "text"),
    ("pattern", ""),
    ("premise", ""),
    ("protocol", "files premise problem quantity"),
    ("recording", "files text"),
    ("session", "files problem protocol quantity recording"),
    // Before and on the bike.
    ("cautions", "protocol"),
    ("brief", "protocol quantity session"),
    ("cue", "brief cautions protocol quantity session text"),
    ("rehearse", "files pattern protocol quantity recording session"),
    // The way to a verdict.
    ("ride", "protocol quantity session"),
    ("align", "recording ride session stats"),
    ("drivetrain", "align ride session"),
    ("matching", "protocol quantity ride session stats"),
    ("scoring", "matching protocol quantity ride session stats"),
    ("premises", "align matching premise protocol quantity recording ride scoring session stats"),
    ("decide", "matching premise premises protocol quantity scoring stats"),
    ("diagnose", "decide matching pattern protocol quantity ride scoring session stats"),
    (
        "verdict",
        "align decide diagnose matching pattern premise premises protocol quantity recording ride scoring session",
    ),
    ("judge", "align decide diagnose matching premises protocol recording drivetrain ride scoring session verdict"),
    // What is made of verdicts.
    ("words", "pattern protocol verdict"),
    ("against_truth", "pattern premise protocol rehearse ride stats verdict"),
    ("trials", "judge pattern protocol quantity recording rehearse session stats verdict"),
    ("compare", "files premise protocol quantity scoring stats verdict words"),
    ("verify", "files judge problem protocol session verdict words"),
    ("register", "files matching verdict verify"),
    (
        "report",
        "against_truth brief cautions compare judge pattern premise protocol quantity register rehearse ride scoring session stats text \
         trials verdict verify words",
    ),
    (
        "cli",
        "against_truth brief compare cue files judge premise premises problem protocol quantity recording register rehearse report \
         session text trials verdict verify words",
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
        let of_tests = inside.ends_with("tests.rs")
            || inside.starts_with("report/example/")
            || inside == "report/trials/example.rs";
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

/// A file's place among the modules: `["report", "charts", "phase"]`; a folder's own file stands for the folder.
fn module_of(inside: &str) -> Vec<String> {
    let mut names: Vec<String> = inside.trim_end_matches(".rs").split('/').map(str::to_owned).collect();
    if names.last().is_some_and(|name| name == "mod") {
        names.pop();
    }
    names
}

/// `a::{b, c::{d, e}}` as `a::b`, `a::c::d` and `a::c::e`.
fn branches(tree: &str) -> Vec<String> {
    let Some((stem, rest)) = tree.split_once('{') else { return vec![tree.trim().to_owned()] };
    let inside = rest.rsplit_once('}').map_or(rest, |(inside, _)| inside);
    let (mut depth, mut from, mut found) = (0, 0, vec![]);
    for (at, c) in inside.char_indices().chain([(inside.len(), ',')]) {
        match c {
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 0 => {
                let branch = inside[from..at].trim();
                found.extend(branches(branch).iter().filter(|b| !b.is_empty()).map(|b| format!("{}{b}", stem.trim())));
                from = at + 1;
            }
            _ => {}
        }
    }
    found
}

/// Every path that a file names, from the crate's root: `use` lines with their branches, and paths within the code.
fn paths(text: &str, module: &[String], is_folder: bool) -> Vec<Vec<String>> {
    let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or(text);
    let code: String = code.lines().filter(|line| !line.trim_start().starts_with("//")).collect::<Vec<_>>().join(" ");
    let statements = code.split("use ").skip(1).filter_map(|after| after.split(';').next());
    let mut written: Vec<String> = statements.filter(|s| !s.contains('(')).flat_map(branches).collect();
    for (at, start) in ["crate::", "super::", "self::"].into_iter().flat_map(|start| code.match_indices(start)) {
        // The second half of `super::super::`, or how far `pub(in …)` lets a name be seen.
        if code[..at].ends_with("::") || code[..at].ends_with("(in ") {
            continue;
        }
        let path = code[at + start.len()..].split(|c: char| !(c.is_alphanumeric() || c == '_' || c == ':')).next();
        // With braces after it, it is a `use` line, which was read above.
        written.extend(path.filter(|path| !path.is_empty()).map(|path| format!("{start}{path}")));
    }
    let folder = if is_folder { module } else { &module[..module.len() - 1] };
    written
        .iter()
        .filter_map(|path| {
            let mut names: Vec<String> = path.split("::").map(|name| name.trim().to_owned()).collect();
            let mut base = match names.first()?.as_str() {
                "crate" => vec![],
                "self" => module.to_vec(),
                "super" => module[..module.len() - 1].to_vec(),
                // A child of a folder's own file, as `use` lines there begin; anything else is another crate.
                _ if is_folder => folder.to_vec(),
                _ => return None,
            };
            if ["crate", "self", "super"].contains(&names[0].as_str()) {
                names.remove(0);
            }
            while names.first().is_some_and(|name| name == "super") {
                base.pop();
                names.remove(0);
            }
            base.extend(names);
            Some(base)
        })
        .collect()
}

/// Which file names which: paths end at the deepest module that is a file.
fn file_edges() -> BTreeMap<String, BTreeSet<String>> {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = vec![];
    sources(&src, &mut files);
    let inside = |file: &PathBuf| file.strip_prefix(&src).unwrap().to_string_lossy().replace('\\', "/");
    let modules: BTreeMap<Vec<String>, String> = files
        .iter()
        .map(inside)
        .filter(|file| !file.ends_with("tests.rs") && file != "lib.rs" && file != "main.rs")
        .map(|file| (module_of(&file), file))
        .collect();
    let mut edges: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (module, file) in &modules {
        let text = std::fs::read_to_string(src.join(file)).unwrap();
        for path in paths(&text, module, file.ends_with("mod.rs")) {
            let used = (1..=path.len()).rev().find_map(|n| modules.get(&path[..n]));
            if let Some(used) = used.filter(|used| *used != file) {
                edges.entry(file.clone()).or_default().insert(used.clone());
            }
        }
    }
    edges
}

#[test]
fn no_folder_reaches_back_up() {
    let edges = file_edges();
    assert!(edges.len() > 200, "{}", edges.len());
    for (file, used) in &edges {
        for used in used.iter().filter_map(|used| used.strip_suffix("mod.rs")) {
            assert!(
                !file.starts_with(used) || file == &format!("{used}mod.rs"),
                "src/{file} uses src/{used}mod.rs above it: import from the file where the name is at home, or move it to one"
            );
        }
    }
}

#[test]
fn no_files_import_each_other() {
    let edges = file_edges();
    let reached = |from: &String| {
        let mut seen: BTreeSet<&String> = BTreeSet::new();
        let mut open: Vec<&String> = edges.get(from).into_iter().flatten().collect();
        while let Some(file) = open.pop() {
            if seen.insert(file) {
                open.extend(edges.get(file).into_iter().flatten());
            }
        }
        seen
    };
    let in_rings: Vec<&String> = edges.keys().filter(|file| reached(file).contains(file)).collect();
    assert!(in_rings.is_empty(), "these files of src/ use each other, directly or in a ring: {in_rings:?}");
}

#[test]
fn paths_are_read_as_the_compiler_does() {
    let module = ["report".to_owned(), "charts".to_owned(), "phase".to_owned()];
    let text = "use super::{axis, scale::{self, Scale}};\nuse crate::{judge, stats::{mean, line::{Line}}};\nuse std::fmt;\n\
                pub(in crate::align) fn f() { super::super::svg::draw() }\n";
    let seen: BTreeSet<String> = paths(text, &module, false).iter().map(|path| path.join("::")).collect();
    for path in ["report::charts::scale::Scale", "judge", "stats::mean", "stats::line::Line", "report::svg::draw"] {
        assert!(seen.contains(path), "{path} in {seen:?}");
    }
    assert!(!seen.contains("align"), "{seen:?}");
    assert_eq!(branches("a::{b, c::{d, e}}"), ["a::b", "a::c::d", "a::c::e"]);
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

/// Longest file and longest function of `src/`, in lines; what is longer says why in a line that begins `// Long: `.
const LONGEST_FILE: usize = 600;
const LONGEST_FUNCTION: usize = 80;

#[test]
fn files_and_functions_are_short_enough_to_be_read() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = vec![];
    sources(&src, &mut files);
    let (mut functions, mut long) = (0, vec![]);
    for file in files.iter().filter(|file| !file.ends_with("tests.rs")) {
        let text = std::fs::read_to_string(file).unwrap();
        let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap();
        let lines: Vec<&str> = code.lines().collect();
        let name = file.strip_prefix(&src).unwrap().display();
        if text.lines().count() > LONGEST_FILE && !text.contains("// Long: ") {
            long.push(format!("{name}: {} lines", text.lines().count()));
        }
        for (first, line) in lines.iter().enumerate() {
            let indent = line.len() - line.trim_start().len();
            let words: Vec<&str> = line.split_whitespace().take_while(|word| !word.contains('"')).collect();
            if !words.contains(&"fn") || line.trim_start().starts_with("//") || line.ends_with([';', '}']) {
                continue;
            }
            let end = format!("{}}}", " ".repeat(indent));
            let Some(length) = lines[first..].iter().position(|line| **line == end) else { continue };
            functions += 1;
            let reason = lines[first..=first + length].iter().any(|line| line.trim_start().starts_with("// Long: "));
            if length + 1 > LONGEST_FUNCTION && !reason {
                long.push(format!("{name}:{}: {} lines", first + 1, length + 1));
            }
        }
    }
    assert!(functions > 1000, "{functions}");
    assert!(
        long.is_empty(),
        "more than {LONGEST_FILE} lines in a file or {LONGEST_FUNCTION} in a function:\n{}",
        long.join("\n")
    );
}
