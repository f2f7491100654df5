//! README and guide: every file that they show is read, every command that they show is run, every link leads somewhere.
//!
//! A fenced block says what it is, and one that does not fails:
//!
//! | block | what is done with it |
//! | --- | --- |
//! | `yaml protocol FILE`, `yaml session FILE` | written into the page's folder and read by the program's reader |
//! | `yaml part of a protocol` | laid over the page's last protocol (else the bench trial) by `extends`, and read |
//! | `yaml part of a session` | put in place of the same keys of the faulty demo's session, and read |
//! | `yaml card FILE` | written; a later block has to name it |
//! | `yaml part of marks` | read as marks of the bench trial, after the head that `cue` writes |
//! | `sh` | each command is run, in order, in a folder with the demo data and the protocols; `# exit code 1` says which is expected, else 0 |
//! | `text printed` | each line is in what the last command printed; `…` stands for lines left out |

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use assize::cli::Cli;
use assize::premise::PREMISES;
use assize::{protocol, session};
use clap::{CommandFactory, Parser};

const PROGRAM: &str = "assize ";
const BY_CARGO: &str = "cargo run --release -- ";
/// Of rehearsals that would take long only the command line is read, by the program's own definitions.
const MOST_TRIALS: u32 = 4;
/// `cue` needs a terminal; without `--script` it gets this one: warm up, then stop.
const KEYS: &str = "1 space\n3 q\n";
const README_LINES: usize = 150;
/// So that lines stay lines; a table's row is one.
const LONGEST_README_LINE: usize = 140;

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// README and all pages of the guide, by their path in the project.
fn pages() -> Vec<String> {
    let mut pages: Vec<String> = fs::read_dir(project("shared/guide"))
        .unwrap()
        .map(|entry| format!("shared/guide/{}", entry.unwrap().file_name().to_string_lossy()))
        .collect();
    pages.push("README.md".to_owned());
    pages.sort();
    pages
}

fn text_of(page: &str) -> String {
    fs::read_to_string(project(page)).unwrap()
}

/// A fenced block: the line of its fence, what it says it is, its text.
#[derive(Debug, Clone, PartialEq)]
struct Block {
    line: usize,
    marker: String,
    text: String,
}

/// The blocks of a page, and the page without them (same lines, so that places stay right).
///
/// # Errors
/// Code by indentation, which could not say what it is, and a fence that nobody closes.
fn taken_apart(page: &str) -> Result<(Vec<Block>, String), String> {
    let (mut blocks, mut prose, mut open) = (vec![], String::new(), None::<(usize, Block)>);
    for (line, number) in page.lines().zip(1..) {
        let trimmed = line.trim_start();
        let indent = line.len() - trimmed.len();
        if let Some((by, mut block)) = open.take() {
            if trimmed == "```" {
                blocks.push(block);
            } else {
                block.text += line.get(by..).unwrap_or("");
                block.text += "\n";
                open = Some((by, block));
            }
            prose += "\n";
        } else if let Some(marker) = trimmed.strip_prefix("```") {
            open = Some((indent, Block { line: number, marker: marker.trim().to_owned(), text: String::new() }));
            prose += "\n";
        } else if indent >= 4 {
            return Err(format!("line {number}: code by indentation; a fence says what it is"));
        } else {
            prose += line;
            prose += "\n";
        }
    }
    match open {
        Some((_, block)) => Err(format!("line {}: a block that does not end", block.line)),
        None => Ok((blocks, prose)),
    }
}

/// `part` in place of the same keys of `base`, both block mappings indented by `indent`; lists are replaced whole.
fn laid_over(base: &str, part: &str, indent: usize) -> String {
    let entries = |text: &str| {
        let mut entries: Vec<(String, String)> = vec![];
        for line in text.lines() {
            let trimmed = line.trim_start();
            let key = trimmed.split_once(':').map(|(key, _)| key.to_owned());
            let begins = line.len() - trimmed.len() == indent && !trimmed.starts_with(['#', '-']);
            match (begins, key, entries.last_mut()) {
                (true, Some(key), _) => entries.push((key, format!("{line}\n"))),
                (_, _, Some((_, text))) => *text += &format!("{line}\n"),
                // What precedes the first key is a comment.
                _ => {}
            }
        }
        entries
    };
    let mut merged = entries(base);
    for (key, text) in entries(part) {
        let Some((_, under)) = merged.iter_mut().find(|(name, _)| *name == key) else {
            merged.push((key, text));
            continue;
        };
        let body = |text: &str| text.split_once('\n').map(|(_, below)| below.to_owned()).unwrap_or_default();
        let is_mapping = |text: &str| {
            let first = text.lines().next().unwrap_or("").split('#').next().unwrap_or("").trim_end();
            first.ends_with(':') && !body(text).trim_start().starts_with('-')
        };
        *under = if is_mapping(under) && is_mapping(&text) {
            format!("{:indent$}{key}:\n{}", "", laid_over(&body(under), &body(&text), indent + 2))
        } else {
            text
        };
    }
    merged.into_iter().map(|(_, text)| text).collect()
}

/// A page's examples at work, in a folder of their own.
struct Workshop {
    folder: tempfile::TempDir,
    /// What a part of a protocol is laid over.
    protocol: PathBuf,
    printed: Option<String>,
    /// Cards that no block has named yet.
    unused: Vec<String>,
    parts: usize,
}

impl Workshop {
    fn new() -> Self {
        fn copy(from: &Path, to: &Path) {
            fs::create_dir_all(to).unwrap();
            for entry in fs::read_dir(from).unwrap() {
                let entry = entry.unwrap();
                let name = entry.file_name();
                // What somebody judged in the project's folder is not there in a fresh clone.
                let report =
                    name.to_string_lossy().starts_with("verdict") || name.to_string_lossy().starts_with("sheet");
                let to = to.join(&name);
                if entry.file_type().unwrap().is_dir() {
                    copy(&entry.path(), &to);
                } else if !report {
                    fs::copy(entry.path(), to).unwrap();
                }
            }
        }
        let folder = tempfile::tempdir().unwrap();
        for name in ["demo-data", "protocols"] {
            copy(&project(name), &folder.path().join(name));
        }
        fs::write(folder.path().join("keys-of-the-test"), KEYS).unwrap();
        let protocol = PathBuf::from("protocols/bench-both-rings.yaml");
        Self { folder, protocol, printed: None, unused: vec![], parts: 0 }
    }

    fn path(&self, file: &str) -> PathBuf {
        self.folder.path().join(file)
    }

    fn written(&self, file: &str, text: &str) -> PathBuf {
        let path = self.path(file);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(&path, text).unwrap();
        path
    }

    /// Does with a block what its marker asks for.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    fn take(&mut self, block: &Block) -> Result<(), String> {
        self.unused.retain(|card| !block.text.contains(card.as_str()));
        let read = |result: Result<(), assize::problem::Problems>| result.map_err(|problems| problems.to_string());
        match block.marker.split_whitespace().collect::<Vec<_>>()[..] {
            ["yaml", "protocol", file] => {
                self.protocol = PathBuf::from(file);
                read(protocol::load(&self.written(file, &block.text), None).map(drop))
            }
            ["yaml", "session", file] => read(session::load(&self.written(file, &block.text)).map(drop)),
            ["yaml", "part", "of", "a", "protocol"] => {
                self.parts += 1;
                let base = self.protocol.file_name().unwrap().to_string_lossy();
                let file = self.protocol.with_file_name(format!("part-{}.yaml", self.parts));
                let text = format!("assize: 1\nextends: {base}\n{}", block.text);
                read(protocol::load(&self.written(file.to_str().unwrap(), &text), None).map(drop))
            }
            ["yaml", "part", "of", "a", "session"] => {
                self.parts += 1;
                let base = fs::read_to_string(self.path("demo-data/bench-faulty/session.yaml")).unwrap();
                // A card is read where the session does not overrule it.
                let by_card = block.text.lines().any(|line| line.starts_with("bike:"));
                let left: &[&str] = if by_card { &["drivetrain:", "conditions:"] } else { &[] };
                let mut dropped = false;
                let kept = base.lines().filter(|line| {
                    if !line.starts_with(' ') {
                        dropped = left.iter().any(|key| line.starts_with(key));
                    }
                    !dropped
                });
                let base: String = kept.flat_map(|line| [line, "\n"]).collect();
                let text = laid_over(&base, &block.text, 0);
                read(session::load(&self.written("demo-data/bench-faulty/part.yaml", &text)).map(drop))
            }
            ["yaml", "card", file] => {
                self.written(file, &block.text);
                self.unused.push(file.rsplit('/').next().unwrap().to_owned());
                Ok(())
            }
            ["yaml", "part", "of", "marks"] => {
                // Marks follow a head that says what they were made for, as `cue` writes it.
                let bench = self.path("protocols/bench-both-rings.yaml");
                let file = self.path("marks-shown.yaml");
                self.run("assize cue protocols/bench-both-rings.yaml --marks marks-shown.yaml")?;
                let made = fs::read_to_string(&file).unwrap();
                let head: Vec<&str> = made.lines().take_while(|line| !line.contains("session: started")).collect();
                fs::write(&file, format!("{}\n{}", head.join("\n"), block.text)).unwrap();
                let bench = protocol::load(&bench, None).unwrap();
                let marks = session::load_marks(&file, Some(&bench)).map_err(|problems| problems.to_string())?;
                fs::remove_file(&file).unwrap();
                if marks.cautions.is_empty() { Ok(()) } else { Err(marks.cautions.join("; ")) }
            }
            ["sh"] => block.text.replace("\\\n", " ").lines().try_for_each(|line| self.run(line)),
            ["text", "printed"] => self.printed_all(&block.text),
            _ => Err(format!("nobody knows how to check a block `{}`", block.marker)),
        }
    }

    /// Lines in this order; `…` stands for any number of others.
    fn printed_all(&self, shown: &str) -> Result<(), String> {
        let printed = self.printed.as_deref().ok_or("nothing was run before it")?;
        let mut rest = printed;
        for line in shown.lines().map(str::trim_end).filter(|line| !line.is_empty() && *line != "…") {
            let at = rest.find(line).ok_or_else(|| format!("the command does not print `{line}`, but\n{printed}"))?;
            rest = &rest[at + line.len()..];
        }
        Ok(())
    }

    /// Runs a line of a block of commands.
    fn run(&mut self, line: &str) -> Result<(), String> {
        let (command, said) = line.split_once(" #").unwrap_or((line, ""));
        let command = command.trim();
        if command.is_empty() {
            return Ok(());
        }
        let Some(arguments) = command.strip_prefix(PROGRAM).or_else(|| command.strip_prefix(BY_CARGO)) else {
            return of_cargo(command);
        };
        let expected = match said.trim().strip_prefix("exit code ") {
            None => 0,
            Some(code) => code.chars().next().and_then(|c| c.to_digit(10)).ok_or("no exit code")? as i32,
        };
        let words = self.words(arguments)?;
        let parsed = Cli::try_parse_from(std::iter::once("assize").chain(words.iter().map(String::as_str)));
        parsed.map_err(|why| format!("{command}\n{why}"))?;
        let trials = words.iter().position(|word| word == "--trials").map(|at| words[at + 1].parse::<u32>().unwrap());
        if trials.is_some_and(|n| n > MOST_TRIALS) {
            return Ok(());
        }
        let mut assize = Command::cargo_bin("assize").unwrap();
        assize.args(&words).current_dir(self.folder.path()).env("NO_COLOR", "1").env("LC_ALL", "C.UTF-8");
        if words[0] == "cue" && !words.iter().any(|word| word == "--script") {
            assize.args(["--script", "keys-of-the-test"]);
        }
        let done = assize.output().unwrap();
        let printed = String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr);
        let code = done.status.code();
        // Tables hold a number and its unit together by spaces that don't break.
        self.printed = Some(printed.replace(['\u{a0}', '\u{202f}', '\u{2009}'], " "));
        if code == Some(expected) {
            Ok(())
        } else {
            let printed = self.printed.as_deref().unwrap_or("");
            Err(format!("{command}\nexits with {code:?}, not {expected}\n{printed}"))
        }
    }

    /// Words as a shell takes them: double quotes, and `*` for whole or part of a name.
    fn words(&self, command: &str) -> Result<Vec<String>, String> {
        let mut words = vec![];
        for (i, piece) in command.split('"').enumerate() {
            if i % 2 == 1 {
                words.push(piece.to_owned());
                continue;
            }
            for word in piece.split_whitespace() {
                if !word.contains('*') {
                    words.push(word.to_owned());
                    continue;
                }
                let mut files = vec![String::new()];
                for part in word.split('/') {
                    files = files.iter().flat_map(|folder| self.named(folder, part)).collect();
                }
                if files.is_empty() {
                    return Err(format!("no file is called `{word}`"));
                }
                words.extend(files);
            }
        }
        Ok(words)
    }

    /// What is called `part` in `folder`, in the order of names.
    fn named(&self, folder: &str, part: &str) -> Vec<String> {
        let inside = |name: &str| if folder.is_empty() { name.to_owned() } else { format!("{folder}/{name}") };
        let Some((front, back)) = part.split_once('*') else {
            return Some(inside(part)).filter(|file| self.path(file).exists()).into_iter().collect();
        };
        let Ok(entries) = fs::read_dir(self.path(folder)) else { return vec![] };
        let mut names: Vec<String> = entries
            .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
            .filter(|name| name.len() >= part.len() - 1 && name.starts_with(front) && name.ends_with(back))
            .collect();
        names.sort();
        names.iter().map(|name| inside(name)).collect()
    }
}

/// Commands that build the project or measure for long: they have to be real ones, and are not run here.
fn of_cargo(command: &str) -> Result<(), String> {
    let manifest = text_of("Cargo.toml");
    match command.split_whitespace().collect::<Vec<_>>()[..] {
        ["cargo", "test"] | ["cargo", "install", "--path", "."] => Ok(()),
        ["cargo", "bench", "--bench", name, ..] if manifest.contains(&format!("[[bench]]\nname = \"{name}\"\n")) => {
            Ok(())
        }
        _ => Err(format!("nobody knows how to check `{command}`")),
    }
}

/// All that is wrong with a page's examples; a block that went wrong does not keep the others from being tried.
fn wrong_with(page: &str) -> Vec<String> {
    let (blocks, _) = match taken_apart(page) {
        Ok(apart) => apart,
        Err(why) => return vec![why],
    };
    let mut workshop = Workshop::new();
    let mut wrong = vec![];
    for block in &blocks {
        if let Err(why) = workshop.take(block) {
            wrong.push(format!("line {}: {why}", block.line));
        }
    }
    wrong.extend(workshop.unused.iter().map(|card| format!("the card {card} is used nowhere")));
    wrong
}

#[test]
fn every_example_of_readme_and_guide_works() {
    let wrong: Vec<String> = std::thread::scope(|scope| {
        let each: Vec<_> = pages()
            .into_iter()
            .map(|page| {
                scope.spawn(move || {
                    wrong_with(&text_of(&page)).into_iter().map(|why| format!("{page}, {why}")).collect::<Vec<_>>()
                })
            })
            .collect();
        each.into_iter().flat_map(|page| page.join().unwrap()).collect()
    });
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

/// Each way in which an example can be wrong is told, and the same example without the mistake is not.
#[test]
fn a_broken_example_is_told() {
    let protocol =
        "```yaml protocol a.yaml\nassize: 1\ntitle: t\nrevision: r\nphases:\n  - {phase: a, drill: free}\n```\n";
    let part = "```yaml part of a protocol\nphases:\n  - {phase: b, drill: wait, lasts: 9 min}\n```\n";
    let session = "```yaml part of a session\nunit:\n  received: 2026-11-12\n```\n";
    let marks = "```yaml part of marks\n- { at: \"2026-11-28T14:32:10.4Z\", began: \"standing-sprints/2\" }\n```\n";
    let card = "```yaml card demo-data/bench-faulty/b.yaml\nconditions: {crank_length: 170 mm}\n```\n";
    let uses = "```yaml part of a session\nbike: b.yaml\n```\n";
    let check = "```sh\nassize check demo-data/bench-sound/session.yaml\n```\n";
    let printed = "```text printed\ndemo-data/bench-sound/session.yaml: ok\n…\n33 with repeats\n```\n";
    let fails = "```sh\nassize verify a.json # exit code 2\n```\n";
    let slow = "```sh\nassize rehearse protocols/short-check.yaml --trials 400 \\\n  --html a.html\n```\n";
    let bench = "```sh\ncargo bench --bench shipped -- 400\n```\n";
    let whole = [protocol, part, session, marks, card, uses, check, printed, fails, slow, bench].concat();
    assert_eq!(wrong_with(&whole), Vec::<String>::new());
    for (what, page) in [
        ("no marker", protocol.replace("yaml protocol a.yaml", "yaml")),
        ("no word at all", protocol.replace("yaml protocol a.yaml", "")),
        ("a key that is none", protocol.replace("revision", "revisoin")),
        ("a drill that is none", part.replace("wait", "wiat")),
        ("a key of the unit that is none", session.replace("received", "recieved")),
        ("a day that is none", session.replace("2026-11-12", "soon")),
        ("a phase that is none", marks.replace("standing", "sitting")),
        ("a card that nobody uses", card.to_owned()),
        ("a card with a mistake", [card, uses].concat().replace("170 mm", "170")),
        ("an option that is none", check.replace("check", "check --fast")),
        ("a file that is not there", check.replace("bench-sound", "bench-silent")),
        ("another exit code", fails.replace("code 2", "code 1")),
        ("no exit code", fails.replace(" # exit code 2", "")),
        ("what is not printed", [check, &printed.replace("33", "34")].concat()),
        ("lines in another order", [check, "```text printed\n33 with repeats\n: ok\n```\n"].concat()),
        ("an option of a slow command that is none", slow.replace("--html", "--htlm")),
        ("a bench that is none", bench.replace("shipped", "shopped")),
        ("another program", check.replace("assize check", "cat")),
        ("no file of that pattern", check.replace("bench-sound/", "no-*/")),
        ("code by indentation", "    assize check a.yaml\n".to_owned()),
        ("no end", "```sh\nassize check a.yaml\n".to_owned()),
    ] {
        assert!(!wrong_with(&page).is_empty(), "{what}");
    }
}

/// The cells of each row of the first table after a heading, its two first lines aside.
fn table_after(page: &str, heading: &str) -> Vec<Vec<String>> {
    let lines = page.lines().skip_while(|line| *line != heading).skip_while(|line| !line.starts_with('|')).skip(2);
    let rows = lines.take_while(|line| line.starts_with('|'));
    rows.map(|row| row.trim_matches('|').split('|').map(|cell| cell.trim().to_owned()).collect()).collect()
}

#[test]
fn the_guides_table_of_premises_is_the_programs_word_for_word() {
    let told = table_after(&text_of("shared/guide/verdict.md"), "## What a verdict rests on");
    let premises =
        PREMISES.iter().map(|row| [row.word, row.must, row.tested_by, row.takes].map(str::to_owned).to_vec());
    assert_eq!(told, premises.collect::<Vec<_>>());
    // And the language names each as a protocol may need it.
    let language = text_of("src/protocol/mod.rs");
    let needs = language.lines().find(|line| line.starts_with("//! | `needs` |")).unwrap();
    for row in PREMISES {
        assert!(needs.contains(&format!("`{}`", row.word)), "{}", row.word);
    }
}

#[test]
fn every_limit_of_the_shipped_protocols_stands_in_the_table_of_what_protects_it() {
    let page = text_of("shared/guide/verdict.md");
    let (_, protects) = page.split_once("Which limits they protect").unwrap();
    let first: String =
        protects.lines().filter(|line| line.starts_with('|')).filter_map(|row| row.split('|').nth(1)).collect();
    for file in fs::read_dir(project("protocols")).unwrap() {
        let protocol = protocol::load(&file.unwrap().path(), None).unwrap_or_else(|problems| panic!("{problems}"));
        for phase in &protocol.phases {
            for check in &phase.checks {
                let measure = check.measure.word();
                assert!(first.contains(&format!("`{measure}`")), "{measure} of {} in {}", phase.id, protocol.title);
            }
        }
    }
}

/// A heading as the end of a link to it.
fn anchor(heading: &str) -> String {
    let kept = heading.to_lowercase();
    kept.chars()
        .filter(|c| c.is_alphanumeric() || *c == ' ' || *c == '-')
        .map(|c| if c == ' ' { '-' } else { c })
        .collect()
}

/// Links of a page that lead nowhere. Every link is to a file of the project: these pages have to be readable without a network.
fn dead_links(page: &str, text: &str) -> Vec<String> {
    let (_, prose) = taken_apart(text).unwrap();
    let folder = project(page).parent().unwrap().to_owned();
    let targets = prose.split("](").skip(1).filter_map(|rest| rest.split_once(')')).map(|(target, _)| target);
    let leads = |target: &str| {
        let (file, heading) = target.split_once('#').unwrap_or((target, ""));
        let file = if file.is_empty() { project(page) } else { folder.join(file) };
        let has = |heading: &str| {
            let there = fs::read_to_string(&file).unwrap_or_default();
            there
                .lines()
                .filter_map(|line| line.strip_prefix('#'))
                .any(|l| anchor(l.trim_start_matches('#').trim()) == heading)
        };
        file.exists() && (heading.is_empty() || has(heading))
    };
    targets.filter(|target| !leads(target)).map(|target| format!("{page}: {target}")).collect()
}

#[test]
fn every_link_leads_to_a_file_and_a_heading_that_are_there() {
    for page in pages() {
        assert_eq!(dead_links(&page, &text_of(&page)), Vec::<String>::new());
    }
    let dead = "[a](no.md) [b](#no) [c](protocols/no.yaml) [d](DEVELOPERS.md#no) [e](https://example.org)";
    assert_eq!(dead_links("README.md", dead).len(), 5);
    let readme = text_of("README.md");
    for page in pages().iter().filter(|page| page.starts_with("shared/guide/") && !page.ends_with("README.md")) {
        let name = page.rsplit('/').next().unwrap();
        assert!(readme.contains(&format!("]({page})")), "README does not lead to {page}");
        assert!(text_of("shared/guide/README.md").contains(&format!("]({name})")), "{page}");
    }
    for file in fs::read_dir(project("protocols")).unwrap() {
        let file = format!("](protocols/{})", file.unwrap().file_name().to_string_lossy());
        assert!(readme.contains(&file), "README does not name {file}");
    }
}

/// Words in backquotes, those of a list that goes on over a line's end too.
fn quoted(prose: &str) -> Vec<&str> {
    prose.split('`').skip(1).step_by(2).collect()
}

/// Words in backquotes that call a command or an option that the program does not have.
fn not_of_the_program(prose: &str) -> Vec<String> {
    let program = Cli::command();
    let options = |command: &clap::Command| -> Vec<String> {
        let own = command.get_arguments().filter_map(|a| a.get_long()).map(|long| format!("--{long}"));
        own.chain(["--help".to_owned()]).collect()
    };
    let of = |command: &clap::Command| -> Vec<String> {
        options(command).into_iter().chain(command.get_subcommands().flat_map(options)).collect()
    };
    let any: Vec<String> = program.get_subcommands().flat_map(of).collect();
    let mut wrong = vec![];
    for words in quoted(prose).into_iter().filter(|words| !words.starts_with("cargo ")) {
        let mut rest = words.split_whitespace().peekable();
        let named = rest.next_if_eq(&"assize").is_some();
        let command = rest.peek().and_then(|word| program.find_subcommand(word));
        if named && rest.peek().is_some() && command.is_none() {
            wrong.push(words.to_owned());
        }
        let known = command.map_or_else(|| any.clone(), of);
        let asked = rest.filter(|word| word.starts_with("--"));
        wrong.extend(asked.filter(|word| !known.iter().any(|k| k == word)).map(|word| format!("{words}: {word}")));
    }
    wrong
}

#[test]
fn commands_and_options_that_pages_name_are_the_programs() {
    for page in pages() {
        let (_, prose) = taken_apart(&text_of(&page)).unwrap();
        assert_eq!(not_of_the_program(&prose), Vec::<String>::new(), "{page}");
    }
    assert_eq!(not_of_the_program("`assize jugde` `judge --fast` `--sound` `check --sound` `assize`").len(), 3);
}

#[test]
fn readmes_table_has_every_command_and_no_other() {
    let readme = text_of("README.md");
    let rows = readme.lines().filter_map(|line| line.strip_prefix("| `assize "));
    let told: Vec<&str> = rows.map(|row| row.split([' ', '`']).next().unwrap()).collect();
    let program = Cli::command();
    let commands: BTreeSet<&str> = program.get_subcommands().map(|command| command.get_name()).collect();
    assert_eq!(told.len(), commands.len());
    assert_eq!(told.into_iter().collect::<BTreeSet<_>>(), commands);
}

#[test]
fn readme_is_short_enough_to_be_read() {
    let readme = text_of("README.md");
    assert!(readme.lines().count() <= README_LINES, "{} lines", readme.lines().count());
    let longest = readme.lines().max_by_key(|line| line.chars().count()).unwrap();
    assert!(longest.chars().count() <= LONGEST_README_LINE, "{longest}");
}

/// A part of a session takes the place of what it names and leaves the rest.
#[test]
fn a_part_is_laid_over_key_by_key() {
    let base = "a: 1\nb:\n  c: 2\n  d: [3]\ne:\n  - 4\n  - 5\n";
    let part = "b:   # more\n  d: 6\ne:\n  - 7\nf: 8\n";
    assert_eq!(laid_over(base, part, 0), "a: 1\nb:\n  c: 2\n  d: 6\ne:\n  - 7\nf: 8\n");
}
