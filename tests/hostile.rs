//! What nobody would name on purpose: folders, devices, pipes, files that are missing, names and texts that steer a terminal,
//! files of another kind. Each ends in a sentence, soon and in little memory.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use assert_cmd::Command;
use assize::problem::Problem;
use assize::{protocol, session};

/// Long enough for a slow machine; what waits for a pipe or reads a device waits longer.
const PATIENCE: Duration = Duration::from_secs(60);

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn assize() -> Command {
    let mut command = Command::cargo_bin("assize").expect("the binary is built");
    command.timeout(PATIENCE);
    command
}

/// A ride with its verdict, in a folder of its own, and a place for what can't be read.
struct Bench {
    folder: tempfile::TempDir,
}

const RIDE: &str = "demo-data/five-specimens/031-2026-06-06";

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let bench = Self { folder };
        for entry in fs::read_dir(project(RIDE)).unwrap() {
            let entry = entry.unwrap();
            let name = entry.file_name().into_string().unwrap();
            if !name.starts_with("sheet") && !name.starts_with("verdict") {
                fs::copy(entry.path(), bench.path(&name)).unwrap();
            }
        }
        let protocol = project("protocols/short-check.yaml");
        fs::copy(&protocol, bench.path("protocol.yaml")).unwrap();
        let text = fs::read_to_string(bench.path("session.yaml")).unwrap();
        let lines =
            text.lines().map(|line| if line.starts_with("protocol:") { "protocol: protocol.yaml" } else { line });
        fs::write(bench.path("session.yaml"), lines.collect::<Vec<_>>().join("\n") + "\n").unwrap();
        bench
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn judged(self) -> Self {
        self.run(&["judge", "session.yaml", "--exit-zero"]);
        assert!(self.path("verdict.json").is_file());
        self
    }

    /// Exit code and all that was said.
    fn run(&self, args: &[&str]) -> (i32, String) {
        let out = assize().current_dir(self.folder.path()).args(args).output().unwrap();
        let said = [out.stdout, out.stderr].map(|bytes| String::from_utf8(bytes).unwrap()).concat();
        (out.status.code().unwrap_or(-1), said)
    }

    /// [`Bench::run`] with no more than a gigabyte of addresses: whoever reads a device into memory is stopped there.
    fn run_bounded(&self, args: &[&str]) -> (i32, String) {
        let mut command = Command::new("sh");
        command.timeout(PATIENCE).current_dir(self.folder.path());
        command.args(["-c", "ulimit -v 1000000; exec \"$0\" \"$@\""]).arg(assert_cmd::cargo::cargo_bin("assize"));
        let out = command.args(args).output().unwrap();
        let said = [out.stdout, out.stderr].map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).concat();
        (out.status.code().unwrap_or(-1), said)
    }

    /// The session with these lines in place of those of the same keys, as a file of its own.
    fn session(&self, name: &str, lines: &[&str]) {
        let key = |line: &str| line.split(':').next().unwrap_or("").to_owned();
        let text = fs::read_to_string(self.path("session.yaml")).unwrap();
        let other = |line: &&str| !lines.iter().any(|own| key(own) == key(line));
        let kept: Vec<&str> = text.lines().filter(other).chain(lines.iter().copied()).collect();
        fs::write(self.path(name), kept.join("\n") + "\n").unwrap();
    }
}

/// Every option and argument that takes a file to read; `X` stands for what can't be.
#[cfg(unix)]
const READERS: &[&[&str]] = &[
    &["judge", "X"],
    &["judge", "X", "session.yaml"],
    &["judge", "session.yaml", "--protocol", "X"],
    &["judge", "session.yaml", "--marks", "X"],
    &["judge", "session.yaml", "--truth", "X"],
    &["judge", "--unit", "X", "--reference", "pedals-p.fit"],
    &["judge", "--unit", "pedals-p.fit", "--reference", "X"],
    &["draft", "X"],
    &["draft", "pedals-p.fit", "--protocol", "X"],
    &["check", "X"],
    &["inspect", "X"],
    &["inspect", "X", "--csv"],
    &["brief", "X"],
    &["brief", "--session", "X"],
    &["cue", "X", "--script", "keys"],
    &["cue", "protocol.yaml", "--session", "X", "--script", "keys"],
    &["cue", "protocol.yaml", "--script", "X"],
    &["verify", "X"],
    &["verify", "verdict.json", "--session", "X"],
    &["verify", "verdict.json", "--protocol", "X"],
    &["verify", "verdict.json", "--marks", "X"],
    &["compare", "verdict.json", "X"],
    &["register", "add", "X"],
    &["register", "list", "--register", "X"],
    &["register", "export", "--csv", "views", "--register", "X"],
    &["rehearse", "X", "--sound", "--out", "rehearsed"],
    &["judge", "names-protocol.yaml"],
    &["judge", "names-recording.yaml"],
    &["judge", "names-marks.yaml"],
    &["judge", "names-photo.yaml"],
    &["judge", "names-bike.yaml"],
    &["judge", "names-instrument.yaml"],
    &["check", "names-base.yaml"],
];

#[cfg(unix)]
#[test]
fn whatever_is_no_file_is_told_soon_and_in_little_memory() {
    let bench = Bench::new().judged();
    fs::create_dir(bench.path("folder")).unwrap();
    fs::write(bench.path("keys"), "1 q\n").unwrap();
    assert!(std::process::Command::new("mkfifo").arg(bench.path("pipe")).status().unwrap().success());
    std::os::unix::fs::symlink("pipe", bench.path("link")).unwrap();
    let kinds = [("folder", "folder"), ("/dev/zero", "device"), ("pipe", "pipe"), ("link", "pipe"), ("missing", "no ")];
    for (name, kind) in kinds {
        bench.session("names-protocol.yaml", &[&format!("protocol: {name}")]);
        bench.session("names-marks.yaml", &[&format!("marks: {name}")]);
        bench.session("names-photo.yaml", &[&format!("photos: [{name}]")]);
        bench.session("names-bike.yaml", &[&format!("bike: {name}")]);
        let unit = format!("unit: {{label: u, located: spindle, recording: {name}}}");
        let text =
            "assize_session: 1\nreferences: [{label: r, located: pedals, uncertainty: 1 %, recording: pedals-p.fit}]";
        fs::write(bench.path("names-recording.yaml"), format!("{text}\n{unit}\n")).unwrap();
        let unit = format!("unit: {{instrument: {name}, label: u, located: spindle, recording: unit-031.fit}}");
        fs::write(bench.path("names-instrument.yaml"), format!("{text}\n{unit}\n")).unwrap();
        fs::write(bench.path("names-base.yaml"), format!("assize: 1\nextends: {name}\n")).unwrap();
        for reader in READERS {
            let args: Vec<&str> = reader.iter().map(|arg| if *arg == "X" { name } else { arg }).collect();
            let (code, said) = bench.run_bounded(&args);
            let expected: &[i32] = if args[0] == "check" { &[1, 2] } else { &[2] };
            assert!(expected.contains(&code), "{args:?} exits with {code}\n{said}");
            assert!(said.contains(name) && !said.contains("panicked"), "{args:?}\n{said}");
            let by_hash = args.contains(&"verify") && args.contains(&"--session");
            assert!(by_hash || said.contains(kind), "{args:?} does not say `{kind}`\n{said}");
        }
        assert!(!bench.path("views").exists() && !bench.path("rehearsed").exists());
    }
    // Nobody reads a named pipe that is to be written.
    for args in [&["judge", "session.yaml", "--json", "pipe"][..], &["brief", "protocol.yaml", "--html", "pipe"]] {
        let (code, said) = bench.run_bounded(args);
        assert!(code == 2 && said.contains("pipe is a pipe; name a file"), "{args:?}: {code}\n{said}");
    }
    // Marks are begun where there are none, and nowhere else.
    for name in ["folder", "/dev/zero", "pipe"] {
        let (code, said) = bench.run_bounded(&["cue", "protocol.yaml", "--script", "keys", "--marks", name]);
        assert!(code == 2 && said.contains(name), "{name}: {code}\n{said}");
    }
}

#[test]
fn a_file_larger_than_any_of_its_kind_is_not_read() {
    let bench = Bench::new();
    for (name, bytes, args) in [
        ("large.yaml", 2 << 20, &["judge", "large.yaml"][..]),
        ("large.json", 65 << 20, &["register", "add", "large.json"]),
        ("large.fit", 300 << 20, &["inspect", "large.fit"]),
    ] {
        // Nothing is on the disk but its length.
        fs::File::create(bench.path(name)).unwrap().set_len(bytes).unwrap();
        let (code, said) = bench.run(args);
        assert!(code == 2 && said.contains("it has more than"), "{args:?}: {code}\n{said}");
    }
}

/// Names that move a cursor, ring a bell, turn text round; and the same as YAML writes them.
const STEERING: [(&str, &str); 2] =
    [("a\u{1b}[31m\u{7}b", r#""a\e[31m\ab""#), ("a\u{202e}b\u{9b}2J", r#""a\u202eb\u009b2J""#)];

fn steers(text: &str) -> Option<char> {
    text.chars().find(|c| {
        (c.is_control() && *c != '\n')
            || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}')
    })
}

#[cfg(unix)]
#[test]
fn no_name_or_text_of_a_file_steers_the_terminal() {
    let bench = Bench::new().judged();
    for (name, yaml) in STEERING {
        fs::copy(bench.path("unit-031.fit"), bench.path(&format!("{name}.fit"))).unwrap();
        fs::write(
            bench.path(&format!("{name}.csv")),
            format!("time,power,{name}\n1600000000,200,1\n1600000001,210,1\n"),
        )
        .unwrap();
        fs::copy(bench.path("verdict.json"), bench.path(&format!("{name}.json"))).unwrap();
        fs::copy(bench.path("session.yaml"), bench.path(&format!("{name}.yaml"))).unwrap();
        bench.session("marked.yaml", &[&format!("marks: {yaml}")]);
        bench.session("photographed.yaml", &[&format!("photos: [{yaml}]")]);
        bench.session("said.yaml", &[&format!("tester: {yaml}"), &format!("date: {yaml}")]);
        fs::write(
            bench.path("recorded.yaml"),
            format!(
                "assize_session: 1\nunit: {{label: {yaml}, located: hub, recording: {yaml}}}\nreferences: [{{label: r, \
             located: hub, uncertainty: 9, recording: {yaml}}}]\n"
            ),
        )
        .unwrap();
        let of = |end: &str| format!("{name}{end}");
        let commands: Vec<Vec<String>> = [
            &["judge", &of("")][..],
            &["judge", &of(".fit")],
            &["judge", &of(".yaml"), "--exit-zero"],
            &["judge", "marked.yaml"],
            &["judge", "photographed.yaml"],
            &["judge", "recorded.yaml"],
            &["judge", "said.yaml"],
            &["judge", "session.yaml", "--exit-zero", "--json", &of(".new.json"), "--charts", &of("-charts")],
            &["judge", "session.yaml", "--protocol", &of(".fit")],
            &["judge", "--unit", &of(".fit"), "--reference", "pedals-p.fit", "--explain"],
            &["judge", &of(".gone"), &of(".gone")],
            &["check", "photographed.yaml", &of(".yaml"), &of(".fit"), &of(".gone")],
            &["inspect", &of(".fit"), &of(".csv"), &of(".gone")],
            &["inspect", &of(".fit"), &of(".csv"), "--json"],
            &["draft", &of(".fit"), &of(".csv"), "--out", &of(".drafted.yaml")],
            &["draft", &of(".gone")],
            &["brief", "--session", &of(".yaml"), "--html", &of(".html")],
            &["brief", &of(".fit")],
            &["verify", &of(".json")],
            &["verify", &of(".gone")],
            &["compare", &of(".json"), "verdict.json"],
            &["compare", &of(".gone"), "verdict.json"],
            &["register", "add", &of(".json"), &of(".gone")],
            &["register", "export", "--csv", &of("-views")],
            &["rehearse", "protocol.yaml", "--sound", "--out", &of("-rehearsed")],
            &["cue", "protocol.yaml", "--script", "keys", "--marks", &of("-marks.yaml")],
            &["manual", &of("-manual")],
            &["judge", "--no-such-option", name],
            &[name],
        ]
        .iter()
        .map(|args| args.iter().map(|arg| (*arg).to_owned()).collect())
        .collect();
        fs::write(bench.path("keys"), "1 q\n").unwrap();
        for command in commands {
            let args: Vec<&str> = command.iter().map(String::as_str).collect();
            let (_, said) = bench.run(&args);
            assert_eq!(steers(&said), None, "{args:?}\n{}", said.escape_debug());
            assert!(!said.contains("panicked"), "{args:?}\n{said}");
        }
    }
}

fn only(problems: impl Iterator<Item = Problem>) -> String {
    let all: Vec<Problem> = problems.collect();
    assert_eq!(all.len(), 1, "{all:?}");
    format!("{} | {}", all[0].message, all[0].help.clone().unwrap_or_default())
}

#[test]
fn a_file_of_another_kind_is_one_sentence_that_says_which_and_what_to_do() {
    let bench = Bench::new().judged();
    let diary = "Dear diary: today it rained.\nWe rode: it was: wet.\n".repeat(400);
    fs::write(bench.path("diary.txt"), diary).unwrap();
    fs::write(bench.path("latin.txt"), b"r\xe9sum\xe9: a\n\xff: b\n").unwrap();
    fs::write(bench.path("page.html"), "<html><body>a: b</body></html>").unwrap();
    let of_session = |name: &str| only(session::load(&bench.path(name)).unwrap_err().iter().cloned());
    let of_protocol = |name: &str| only(protocol::load(&bench.path(name), None).unwrap_err().iter().cloned());
    for (name, is) in [
        ("unit-031.fit", "this is a FIT recording, no session"),
        ("protocol.yaml", "this is a protocol, no session"),
        ("verdict.json", "this is a verdict, no session"),
        ("truth.json", "this is the truth of a rehearsal, no session"),
        ("page.html", "this is a file of mark-up, no session"),
        ("diary.txt", "this is no session"),
        ("latin.txt", "this is no session"),
    ] {
        if bench.path(name).is_file() {
            let said = of_session(name);
            assert!(said.starts_with(is), "{name}: {said}");
        }
    }
    for (name, is) in [
        ("unit-031.fit", "this is a FIT recording, no protocol"),
        ("session.yaml", "this is a session, no protocol | `assize judge` takes it"),
        ("verdict.json", "this is a verdict, no protocol"),
        ("diary.txt", "this is no protocol | a protocol begins with `assize: 1`"),
    ] {
        let said = of_protocol(name);
        assert!(said.starts_with(is), "{name}: {said}");
    }
    // Named by a session, it is told there.
    for name in ["unit-031.fit", "diary.txt", "session.yaml"] {
        bench.session("names.yaml", &[&format!("protocol: {name}")]);
        let problems = session::load(&bench.path("names.yaml")).unwrap_err();
        let all: Vec<&Problem> = problems.iter().collect();
        assert!(all.len() == 1 && all[0].file.ends_with("names.yaml") && all[0].message.contains(name), "{all:?}");
        let (code, said) = bench.run(&["judge", "names.yaml"]);
        assert!(code == 2 && said.lines().count() < 12, "{said}");
    }
    let (code, said) = bench.run(&["judge", "protocol.yaml"]);
    assert!(code == 2 && said.contains("this is a protocol, no session") && said.lines().count() < 8, "{said}");
    let (code, said) = bench.run(&["brief", "session.yaml"]);
    assert!(code == 2 && said.contains("this is a session, no protocol"), "{said}");
}

#[test]
fn a_mistyped_name_brings_the_nearest_one() {
    let bench = Bench::new();
    bench.session("names.yaml", &["protocol: protocoll.yaml", "photos: [unit-31.fit]", "marks: marks.yml"]);
    fs::write(bench.path("marks.yaml"), "# none\n").unwrap();
    let (_, said) = bench.run(&["check", "names.yaml"]);
    for meant in ["did you mean `protocol.yaml`?", "did you mean `unit-031.fit`?", "did you mean `marks.yaml`?"] {
        assert!(said.contains(meant), "{meant}\n{said}");
    }
    for (args, meant) in [
        (&["judge", "sesion.yaml"][..], "session.yaml"),
        (&["judge", "session.yaml", "--protocol", "protocl.yaml"], "protocol.yaml"),
        (&["judge", "--unit", "unit-031.fit", "--reference", "pedal-p.fit"], "pedals-p.fit"),
        (&["inspect", "unit31.fit"], "unit-031.fit"),
        (&["brief", "protokol.yaml"], "protocol.yaml"),
        (&["check", "sesion.yaml"], "session.yaml"),
    ] {
        let (code, said) = bench.run(args);
        assert!(code == 2 && said.contains(&format!("did you mean `{meant}`?")), "{args:?}: {code}\n{said}");
    }
}

#[test]
fn a_label_or_a_name_has_eighty_characters_at_most() {
    let bench = Bench::new();
    let long = "x".repeat(81);
    bench.session("long.yaml", &[&format!("tester: {long}"), &format!("place: {long}")]);
    let problems = session::load(&bench.path("long.yaml")).unwrap_err();
    assert_eq!(problems.iter().filter(|p| p.message.contains("81 characters")).count(), 2, "{problems}");
    bench.session("right.yaml", &[&format!("tester: {}", "é".repeat(80)), "place: north bench"]);
    session::load(&bench.path("right.yaml")).unwrap();
}

#[test]
fn a_folder_above_is_no_mistake() {
    let bench = Bench::new();
    fs::create_dir(bench.path("below")).unwrap();
    let text = fs::read_to_string(bench.path("session.yaml")).unwrap();
    let up = text.replace("recording: ", "recording: ../").replace("protocol: ", "protocol: ../");
    fs::write(bench.path("below/session.yaml"), up).unwrap();
    session::load(&bench.path("below/session.yaml")).unwrap();
}
