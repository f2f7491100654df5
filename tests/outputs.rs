//! What labs that automate read: the same verdict as lines, as cases for a build server and on standard output; the
//! terminal's text, completions and the manual; the letters that pages and pictures ask for.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use quick_xml::events::Event;
use serde_json::Value;

const SOUND: &str = "demo-data/bench-sound/session.yaml";
const FAULTY: &str = "demo-data/bench-faulty/session.yaml";

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn assize() -> Command {
    Command::cargo_bin("assize").expect("the binary is built")
}

/// Judges a demo; the folder holds v.json, s.html, c.csv and c.xml.
fn judged(session: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut command = assize();
    command.arg("judge").arg(project(session)).arg("--exit-zero");
    for (option, file) in [("--json", "v.json"), ("--sheet", "s.html"), ("--csv", "c.csv"), ("--junit", "c.xml")] {
        command.arg(option).arg(folder.path().join(file));
    }
    command.assert().success();
    folder
}

fn json(folder: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(folder.join("v.json")).unwrap()).unwrap()
}

/// The checks of the JSON in its order, and the phase, contrast or ride that each stands under.
fn checks(verdict: &Value) -> Vec<(String, Value)> {
    let list = |key: &str| verdict[key].as_array().unwrap().clone();
    let of_phases = ["phases", "repeats"].into_iter().flat_map(list).flat_map(|item| {
        let phase = item["phase"].as_str().unwrap().to_owned();
        item["checks"].as_array().unwrap().iter().map(move |c| (phase.clone(), c.clone())).collect::<Vec<_>>()
    });
    let across = ["contrasts", "whole_ride"].into_iter().flat_map(list);
    let across = across.map(|c| (c.get("contrast").map_or("whole ride", |n| n.as_str().unwrap()).to_owned(), c));
    of_phases.chain(across).collect()
}

#[test]
fn the_lines_hold_every_number_of_the_json_digit_by_digit() {
    for demo in [SOUND, FAULTY] {
        let folder = judged(demo);
        let verdict = json(folder.path());
        let mut reader = csv::Reader::from_path(folder.path().join("c.csv")).unwrap();
        let lines: Vec<BTreeMap<String, String>> = reader.deserialize().map(Result::unwrap).collect();
        let of_checks: Vec<_> = lines.iter().filter(|line| !line["measure"].is_empty()).collect();
        let checks = checks(&verdict);
        assert_eq!(of_checks.len(), checks.len());
        for (line, (place, check)) in of_checks.iter().zip(&checks) {
            assert_eq!(
                (line["phase"].as_str(), line["sheet_number"].as_str()),
                (place.as_str(), verdict["sheet_number"].as_str().unwrap())
            );
            for key in ["measure", "unit", "limit", "verdict", "reason"] {
                assert_eq!(line[key], check[key].as_str().unwrap_or_default(), "{key} of {place}");
            }
            let numbers = [
                "value",
                "expanded_uncertainty",
                "coverage_factor",
                "limit_low",
                "limit_high",
                "conformance_probability",
            ];
            for key in numbers {
                assert_eq!(line[key].parse::<f64>().ok(), check[key].as_f64(), "{key} of {place}");
            }
        }
    }
}

/// Elements with their attributes, in order.
fn elements(xml: &str) -> Vec<(String, BTreeMap<String, String>)> {
    let mut reader = quick_xml::Reader::from_str(xml);
    let mut found = vec![];
    loop {
        match reader.read_event().unwrap() {
            Event::Eof => return found,
            Event::Start(e) | Event::Empty(e) => {
                let attributes = e.attributes().map(Result::unwrap);
                let pair = |a: quick_xml::events::attributes::Attribute| {
                    (a.key.as_ref().to_owned(), quick_xml::escape::unescape(&a.value).unwrap().into_owned())
                };
                found.push((e.name().as_ref().to_owned(), attributes.map(pair).collect()));
            }
            _ => {}
        }
    }
}

#[test]
fn a_build_server_sees_green_for_the_sound_demo_and_red_for_the_faulty_one() {
    for (demo, green) in [(SOUND, true), (FAULTY, false)] {
        let folder = judged(demo);
        let elements = elements(&std::fs::read_to_string(folder.path().join("c.xml")).unwrap());
        let count = |name: &str| elements.iter().filter(|(element, _)| element == name).count();
        assert_eq!(count("failure") + count("error") == 0, green);
        let root = &elements[0].1;
        for (attribute, name) in
            [("tests", "testcase"), ("failures", "failure"), ("errors", "error"), ("skipped", "skipped")]
        {
            assert_eq!(root[attribute], count(name).to_string(), "{attribute}");
        }
        assert!(count("testcase") >= checks(&json(folder.path())).len());
        let mut names: Vec<_> =
            elements.iter().filter(|(e, _)| e == "testcase").map(|(_, a)| (&a["classname"], &a["name"])).collect();
        names.sort();
        let all = names.len();
        names.dedup();
        assert_eq!(names.len(), all, "two cases of one name are one for a build server");
    }
}

#[test]
fn a_required_check_that_stays_undecided_is_an_error_and_no_green() {
    // Without the second reference nothing decides a level to 1.5 %.
    let folder = tempfile::tempdir().unwrap();
    let protocol = folder.path().join("p.yaml");
    std::fs::write(
        &protocol,
        "assize: 1\ntitle: Too strict\nrevision: one\nphases:\n  - {phase: ride, drill: free, lasts: at least 1 min}\n\
         whole_ride: {work_error: within 0.3 %}\n",
    )
    .unwrap();
    let mut command = assize();
    command.arg("judge").arg(project(SOUND)).arg("--protocol").arg(&protocol).args(["--junit", "-"]);
    command.arg("--json").arg(folder.path().join("v.json")).arg("--sheet").arg(folder.path().join("s.html"));
    let out = command.output().unwrap();
    assert_eq!(out.status.code(), Some(3), "{}", String::from_utf8_lossy(&out.stderr));
    let elements = elements(&String::from_utf8(out.stdout).unwrap());
    let errors: Vec<_> = elements.iter().filter(|(name, _)| name == "error").collect();
    assert_eq!(errors.len(), 1);
    assert!(errors[0].1["message"].contains("undecided"), "{errors:?}");
}

#[test]
fn standard_output_carries_one_document_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let printed = |option: &str| {
        let mut command = assize();
        command.arg("judge").arg(project(FAULTY)).args([option, "-"]);
        for (other, file) in [("--json", "v.json"), ("--sheet", "s.html")] {
            if other != option {
                command.arg(other).arg(folder.path().join(file));
            }
        }
        let out = command.output().unwrap();
        assert_eq!(out.status.code(), Some(1));
        out.stdout
    };
    let whole = judged(FAULTY);
    for (option, file) in [("--json", "v.json"), ("--sheet", "s.html"), ("--csv", "c.csv"), ("--junit", "c.xml")] {
        assert_eq!(printed(option), std::fs::read(whole.path().join(file)).unwrap(), "{option}");
    }
}

#[test]
fn two_documents_on_standard_output_or_one_file_for_several_sessions_are_refused_in_one_message() {
    let refused = |args: &[&str]| {
        let out = assize().arg("judge").args(args).output().unwrap();
        assert_eq!((out.status.code(), out.stdout.len()), (Some(2), 0));
        String::from_utf8(out.stderr).unwrap()
    };
    let sound = project(SOUND).display().to_string();
    let faulty = project(FAULTY).display().to_string();
    assert_eq!(
        refused(&[&sound, "--csv", "-", "--json", "-"]),
        "error: --json - and --csv - would all write to standard output; give all but one of them a file\n"
    );
    let message = refused(&[&sound, "--junit", "-", "--truth", "truth.json"]);
    assert!(message.contains("--truth") && message.contains("--junit -"), "{message}");
    for option in ["--json", "--sheet", "--csv", "--junit"] {
        let message = refused(&[&sound, &faulty, option, "one-file"]);
        assert!(message.contains(option) && message.contains("one file each"), "{message}");
        assert!(!Path::new("one-file").exists());
    }
}

/// What the terminal shows of a demo, with the folder's name taken out.
fn shown(session: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let mut command = assize();
    command.arg("judge").arg(project(session)).arg("--exit-zero");
    command.arg("--json").arg(folder.path().join("verdict.json"));
    command.arg("--sheet").arg(folder.path().join("sheet.html"));
    let text = String::from_utf8(command.assert().success().get_output().stdout.clone()).unwrap();
    text.replace('\u{a0}', " ").replace(&folder.path().display().to_string(), "FOLDER")
}

#[test]
fn the_terminal_shows_the_sound_demo_as_kept() {
    insta::assert_snapshot!(shown(SOUND));
}

#[test]
fn the_terminal_shows_the_faulty_demo_as_kept() {
    insta::assert_snapshot!(shown(FAULTY));
}

/// The commands that the program's help lists.
fn commands() -> Vec<String> {
    commands_of(&[])
}

/// Those that a command's help lists; none for one without commands of its own.
fn commands_of(command: &[&str]) -> Vec<String> {
    let help = String::from_utf8(assize().args(command).arg("--help").output().unwrap().stdout).unwrap();
    if !help.contains("Commands:") {
        return vec![];
    }
    let listed = help.split_once("Commands:").unwrap().1.split_once("\n\n").unwrap().0;
    let words = listed.lines().filter_map(|line| line.strip_prefix("  ")?.split(' ').next());
    words.filter(|word| !word.is_empty() && *word != "help").map(str::to_owned).collect()
}

#[test]
fn every_shell_completes_every_command_and_bash_reads_its_own() {
    let commands = commands();
    assert!(commands.len() >= 7, "{commands:?}");
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script =
            String::from_utf8(assize().args(["completions", shell]).assert().success().get_output().stdout.clone());
        let script = script.unwrap();
        for word in commands.iter().map(String::as_str).chain(["junit", "exit-zero"]) {
            assert!(script.contains(word), "{word} in {shell}");
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("assize");
    std::fs::write(&file, assize().args(["completions", "bash"]).output().unwrap().stdout).unwrap();
    match std::process::Command::new("bash").arg("-n").arg(&file).output() {
        Ok(out) => assert!(out.status.success() && out.stderr.is_empty(), "{}", String::from_utf8_lossy(&out.stderr)),
        // A machine without bash has nobody whom its completions could fail.
        Err(none) => assert_eq!(none.kind(), std::io::ErrorKind::NotFound),
    }
    assize().args(["completions", "no-shell"]).assert().code(2);
}

#[test]
fn the_manual_has_a_page_for_every_command_with_all_its_options() {
    let folder = tempfile::tempdir().unwrap();
    let pages = folder.path().join("new/man1");
    assize().arg("manual").arg(&pages).assert().success();
    let mut names: Vec<String> =
        std::fs::read_dir(&pages).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    let of = |command: String| {
        let own =
            commands_of(&[&command]).into_iter().map(|own| format!("assize-{command}-{own}.1")).collect::<Vec<_>>();
        std::iter::once(format!("assize-{command}.1")).chain(own)
    };
    let mut expected: Vec<String> = commands().into_iter().flat_map(of).collect();
    assert!(expected.contains(&"assize-register-add.1".to_owned()), "{expected:?}");
    expected.push("assize.1".to_owned());
    expected.sort();
    assert_eq!(names, expected);
    for command in commands() {
        let page = std::fs::read_to_string(pages.join(format!("assize-{command}.1"))).unwrap().replace("\\-", "-");
        assert!(page.contains(&format!("assize {command}")) && page.contains(env!("CARGO_PKG_VERSION")), "{command}");
        let help = String::from_utf8(assize().args([&command, "--help"]).output().unwrap().stdout).unwrap();
        let options = help.split_whitespace().filter(|word| word.starts_with("--") && word.len() > 2);
        let options = options.map(|word| word.trim_end_matches(|c: char| !c.is_ascii_alphanumeric()));
        for option in options.filter(|option| !option.is_empty()) {
            assert!(page.contains(option), "{option} of {command}");
        }
    }
    let judge = std::fs::read_to_string(pages.join("assize.1")).unwrap();
    assert!(judge.contains("assize\\-judge(1)"), "{judge}");
}

/// Families of letters that are nobody's: what a system draws its own words with.
const GENERIC: [&str; 6] = ["system-ui", "ui-sans-serif", "sans-serif", "ui-monospace", "monospace", "serif"];

/// Every family of letters that markup or a style sheet names, by attribute, property or shorthand.
fn families(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (at, _) in text.match_indices("font") {
        let before = text[..at].chars().next_back();
        if before.is_some_and(|c| c.is_alphanumeric() || c == '-') {
            continue;
        }
        let rest = &text[at..];
        let declared = |property: &str| {
            let value = rest.strip_prefix(property)?.trim_start().strip_prefix(':')?;
            Some(value.split([';', '}', '<']).next().unwrap_or_default().to_owned())
        };
        let attribute = || Some(rest.strip_prefix("font-family=\"")?.split('"').next().unwrap_or_default().to_owned());
        // Of the shorthand, the family is what follows the size.
        let shorthand = || {
            let value = declared("font")?;
            let first_comma = value.find(',').unwrap_or(value.len());
            let family = value[..first_comma].trim_end().rfind(char::is_whitespace).map_or(0, |space| space + 1);
            Some(value[family..].to_owned())
        };
        if let Some(list) = attribute().or_else(|| declared("font-family")).or_else(shorthand) {
            found.extend(list.split(',').map(|family| family.trim().to_owned()).filter(|family| family != "inherit"));
        }
    }
    found
}

#[test]
fn a_family_that_is_somebody_s_is_found() {
    let somebody_s =
        "p{font:16px/1.5 system-ui,\"Some Face\",serif}b{font-size:1em;font-family: Other }i{font:inherit}";
    assert_eq!(families(somebody_s), ["system-ui", "\"Some Face\"", "serif", "Other"]);
    assert_eq!(families("<g font-family=\"Third, serif\" font-weight=\"600\">"), ["Third", "serif"]);
}

#[test]
fn templates_pages_and_pictures_ask_for_no_letters_but_the_system_s_own() {
    let folder = tempfile::tempdir().unwrap();
    let to = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let run = |arguments: &[&str]| {
        assize().current_dir(project("")).args(arguments).assert().success();
    };
    let [one, other] =
        ["031-2026-06-06", "032-2026-06-07"].map(|name| format!("demo-data/five-specimens/{name}/session.yaml"));
    let short = "protocols/short-check.yaml";
    run(&[
        "judge",
        &one,
        "--exit-zero",
        "--sheet",
        &to("one.html"),
        "--json",
        &to("one.json"),
        "--charts",
        &to("charts"),
    ]);
    run(&["judge", &other, "--exit-zero", "--sheet", &to("other.html"), "--json", &to("two.json")]);
    run(&["compare", &to("one.json"), &to("two.json"), "--html", &to("side-by-side.html")]);
    run(&["rehearse", short, "--trials", "2", "--fault", "gain=4", "--html", &to("trials.html")]);
    run(&["brief", short, "--html", &to("run-sheet.html")]);

    let written = |folder: &Path| -> Vec<PathBuf> {
        let files = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
        let shown = |file: &PathBuf| file.extension().is_some_and(|e| e == "html" || e == "css" || e == "svg");
        files.filter(shown).collect()
    };
    let folders = [project("shared"), folder.path().to_owned(), folder.path().join("charts")];
    let [templates, pages, pictures] = folders.map(|folder| written(&folder));
    assert!(templates.len() >= 6 && pages.len() == 5 && pictures.len() > 10, "{pages:?} {pictures:?}");
    for file in templates.iter().chain(&pages).chain(&pictures) {
        let text = std::fs::read_to_string(file).unwrap();
        let named = families(&text);
        assert!(named.iter().all(|family| GENERIC.contains(&family.as_str())), "{}: {named:?}", file.display());
        assert!(!text.contains("@font-face"), "{}", file.display());
        // The page's own letters and those of paper; a head is shared and names none.
        assert_eq!(named.is_empty(), file.ends_with("head.html"), "{}", file.display());
    }
}
