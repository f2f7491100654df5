//! What is written never takes the place of what is read, nor of another session's sheet and verdict.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// Two sessions of one folder, each with its recordings.
struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        let bench = Self { folder: tempfile::tempdir().unwrap() };
        fs::create_dir(bench.path("protocols")).unwrap();
        for name in ["base", "protocol"] {
            fs::copy(project("protocols/short-check.yaml"), bench.path(&format!("protocols/{name}.yaml"))).unwrap();
        }
        fs::write(bench.path("protocols/protocol.yaml"), "assize: 1\nextends: base.yaml\nrevision: own\n").unwrap();
        for (ride, unit) in [("031-2026-06-06", "unit-031"), ("032-2026-06-07", "unit-032")] {
            let from = project("demo-data/five-specimens").join(ride);
            fs::copy(from.join(format!("{unit}.fit")), bench.path(&format!("{unit}.fit"))).unwrap();
            fs::copy(from.join("pedals-p.fit"), bench.path(&format!("pedals-with-{unit}.fit"))).unwrap();
            let text = fs::read_to_string(from.join("session.yaml")).unwrap();
            let text = text.replace("../../../protocols/short-check.yaml", "protocols/protocol.yaml");
            let text = text.replace("pedals-p.fit", &format!("pedals-with-{unit}.fit"));
            fs::write(bench.path(&format!("{unit}.yaml")), text).unwrap();
        }
        fs::write(bench.path("photo.jpg"), "a picture").unwrap();
        fs::write(bench.path("bike.yaml"), "conditions: {height: 35 m}\n").unwrap();
        let text = fs::read_to_string(bench.path("unit-031.yaml")).unwrap();
        fs::write(bench.path("session.yaml"), format!("{text}photos: [photo.jpg]\nbike: bike.yaml\n")).unwrap();
        bench
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn run(&self, args: &[&str]) -> (i32, String) {
        let out = Command::cargo_bin("assize").unwrap().current_dir(self.folder.path()).args(args).output().unwrap();
        let said = [out.stdout, out.stderr].map(|bytes| String::from_utf8(bytes).unwrap()).concat();
        (out.status.code().unwrap_or(-1), said)
    }

    /// Every file with its bytes.
    fn all(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        let mut found = BTreeMap::new();
        let mut folders = vec![self.folder.path().to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(folder).unwrap() {
                let path = entry.unwrap().path();
                if path.is_dir() {
                    folders.push(path);
                } else {
                    found.insert(path.clone(), fs::read(&path).unwrap_or_default());
                }
            }
        }
        found
    }

    fn names(&self) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(self.folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .filter(|name| name.ends_with(".html") || name.ends_with(".json"))
            .collect();
        names.sort();
        names
    }
}

/// Each command that writes: what it reads (each in turn is X, whatever its path is spelled like) and where X stands as an
/// output.
const WRITERS: &[(&[&str], &[&str])] = &[
    (
        &["session.yaml", "protocols/protocol.yaml", "protocols/base.yaml", "unit-031.fit", "photo.jpg", "bike.yaml"],
        &[
            "judge session.yaml --json X",
            "judge session.yaml --sheet X",
            "judge session.yaml --csv X",
            "judge session.yaml --junit X",
        ],
    ),
    (&["protocols/base.yaml"], &["judge unit-031.yaml --protocol protocols/base.yaml --csv X"]),
    (&["unit-031.fit", "unit-032.fit"], &["judge --unit unit-031.fit --reference unit-032.fit --json X"]),
    (
        &["unit-031.fit", "protocols/base.yaml"],
        &["draft unit-031.fit --protocol protocols/protocol.yaml --force --out X"],
    ),
    (
        &["session.yaml", "protocols/base.yaml", "unit-031.fit"],
        &[
            "brief --session session.yaml --html X",
            "brief --session session.yaml --json X",
            "brief --session session.yaml --workout X",
        ],
    ),
    (
        &["protocols/protocol.yaml", "protocols/base.yaml"],
        &[
            "rehearse protocols/protocol.yaml --trials 1 --fault gain=4 --csv X",
            "rehearse protocols/protocol.yaml --trials 1 --fault gain=4 --html X",
        ],
    ),
    (
        &["v.json"],
        &["compare v.json w.json --html X", "compare v.json w.json --csv X", "compare v.json w.json --json X"],
    ),
    (&["v.json", "session.yaml", "unit-031.fit", "protocols/base.yaml", "bike.yaml"], &["verify v.json --json X"]),
    (&["v.json"], &["register add v.json --register X"]),
    (&["protocols/protocol.yaml", "keys"], &["cue protocols/protocol.yaml --script keys --marks X"]),
];

#[test]
fn no_command_writes_over_what_it_reads_however_the_path_is_spelled() {
    let bench = Bench::new();
    fs::write(bench.path("keys"), "1 q\n").unwrap();
    for (session, verdict) in [("session.yaml", "v.json"), ("unit-032.yaml", "w.json")] {
        let (_, said) = bench.run(&["judge", session, "--json", verdict, "--exit-zero"]);
        assert!(bench.path(verdict).is_file(), "{said}");
    }
    for (inputs, commands) in WRITERS {
        for input in *inputs {
            let name = Path::new(input).file_name().unwrap().to_str().unwrap();
            let mut spellings = vec![
                (*input).to_owned(),
                format!("./{input}"),
                format!("protocols/../{input}"),
                bench.path(input).display().to_string(),
            ];
            let second = bench.path("second");
            fs::hard_link(bench.path(input), &second).unwrap();
            spellings.push("second".to_owned());
            #[cfg(unix)]
            {
                std::os::unix::fs::symlink(bench.path(input), bench.path(&format!("link-to-{name}"))).unwrap();
                spellings.push(format!("link-to-{name}"));
            }
            let before = bench.all();
            for command in *commands {
                // One spelling of each command is enough to know that it asks; the first has all.
                let of_this = if *command == commands[0] { &spellings[..] } else { &spellings[1..2] };
                for spelling in of_this {
                    let args: Vec<&str> =
                        command.split(' ').map(|word| if word == "X" { spelling.as_str() } else { word }).collect();
                    let (code, said) = bench.run(&args);
                    assert!(code == 2 && said.contains("is read by this command"), "{args:?}: {code}\n{said}");
                    assert_eq!(bench.all(), before, "{args:?} wrote something");
                }
            }
            fs::remove_file(second).unwrap();
            let _ = fs::remove_file(bench.path(&format!("link-to-{name}")));
        }
    }
}

#[test]
fn folders_of_outputs_take_no_input_either() {
    let bench = Bench::new();
    // A register that is called like a view, a recording like a picture's numbers, a protocol like a session.
    bench.run(&["judge", "session.yaml", "--exit-zero"]);
    let (code, said) = bench.run(&["register", "add", "verdict.json", "--register", "sessions.csv"]);
    assert_eq!(code, 0, "{said}");
    let before = bench.all();
    let (code, said) = bench.run(&["register", "export", "--register", "sessions.csv", "--csv", "."]);
    assert!(code == 2 && said.contains("is read by this command"), "{said}");
    fs::copy(bench.path("protocols/base.yaml"), bench.path("protocols/session.yaml")).unwrap();
    let (code, said) = bench.run(&["rehearse", "protocols/session.yaml", "--sound", "--out", "protocols"]);
    assert!(code == 2 && said.contains("is read by this command"), "{said}");
    fs::remove_file(bench.path("protocols/session.yaml")).unwrap();
    // Somebody's own session is not lost to a rehearsal.
    let (code, said) = bench.run(&["rehearse", "protocols/base.yaml", "--sound", "--out", "."]);
    assert!(code == 2 && said.contains("name another folder"), "{said}");
    assert_eq!(bench.all(), before);
    let (code, said) = bench.run(&["judge", "session.yaml", "--exit-zero", "--charts", "pictures"]);
    assert_eq!(code, 0, "{said}");
    let table = fs::read_dir(bench.path("pictures")).unwrap().map(|entry| entry.unwrap().path());
    let table = table.into_iter().find(|path| path.extension().is_some_and(|end| end == "csv")).unwrap();
    fs::rename(bench.path("photo.jpg"), &table).unwrap();
    let text = fs::read_to_string(bench.path("session.yaml")).unwrap();
    let named = table.strip_prefix(bench.folder.path()).unwrap().display().to_string();
    fs::write(bench.path("session.yaml"), text.replace("photo.jpg", &named)).unwrap();
    let (code, said) = bench.run(&["judge", "session.yaml", "--exit-zero", "--charts", "pictures"]);
    assert!(code == 2 && said.contains("is read by this command"), "{said}");
    assert_eq!(fs::read_to_string(&table).unwrap(), "a picture");
}

#[test]
fn one_file_is_not_named_for_two_outputs() {
    let bench = Bench::new();
    let (code, said) = bench.run(&["judge", "session.yaml", "--json", "one", "--sheet", "./one"]);
    assert!(code == 2 && said.contains("named for two outputs") && !bench.path("one").exists(), "{said}");
}

#[test]
fn sessions_of_one_folder_keep_their_sheets_apart() {
    let bench = Bench::new();
    bench.run(&["judge", "unit-031.yaml", "unit-032.yaml", "session.yaml", "--exit-zero"]);
    assert_eq!(
        bench.names(),
        [
            "sheet.html",
            "unit-031-sheet.html",
            "unit-031-verdict.json",
            "unit-032-sheet.html",
            "unit-032-verdict.json",
            "verdict.json"
        ]
    );
    let before = bench.all();
    let (_, said) = bench.run(&["judge", "unit-032.yaml", "unit-031.yaml", "session.yaml", "--exit-zero"]);
    assert!(!said.contains("Kept:"), "{said}");
    assert_eq!(bench.all(), before, "the same sheets are written again");
    bench.run(&["verify", "unit-032-verdict.json"]);
}

fn number(verdict: &Path) -> String {
    let verdict: serde_json::Value = serde_json::from_slice(&fs::read(verdict).unwrap()).unwrap();
    verdict["sheet_number"].as_str().unwrap().to_owned()
}

#[test]
fn another_sheet_is_kept_under_its_number_and_told() {
    let bench = Bench::new();
    bench.run(&["judge", "session.yaml", "--exit-zero"]);
    let first = number(&bench.path("verdict.json"));
    let sheet = fs::read(bench.path("sheet.html")).unwrap();
    // Corrected, it has another number.
    let text = fs::read_to_string(bench.path("session.yaml")).unwrap();
    fs::write(bench.path("session.yaml"), format!("{text}notes: the chain was changed\n")).unwrap();
    let (_, said) = bench.run(&["judge", "session.yaml", "--exit-zero"]);
    let second = number(&bench.path("verdict.json"));
    assert_ne!(first, second);
    for (stem, end) in [("sheet", "html"), ("verdict", "json")] {
        assert!(said.contains(&format!("Kept: {stem}.{end}, sheet {first}, is now {stem}-{first}.{end}")), "{said}");
    }
    assert_eq!(fs::read(bench.path(&format!("sheet-{first}.html"))).unwrap(), sheet);
    assert_eq!(number(&bench.path(&format!("verdict-{first}.json"))), first);
    // To and fro it stays at two of each: the same bytes are kept once.
    fs::write(bench.path("session.yaml"), &text).unwrap();
    bench.run(&["judge", "session.yaml", "--exit-zero"]);
    fs::write(bench.path("session.yaml"), format!("{text}notes: the chain was changed\n")).unwrap();
    bench.run(&["judge", "session.yaml", "--exit-zero"]);
    assert_eq!(bench.names().len(), 6, "{:?}", bench.names());
    assert_eq!(number(&bench.path("verdict.json")), second);
    // On standard output only the document, the rest beside it.
    fs::write(bench.path("session.yaml"), &text).unwrap();
    let mut command = Command::cargo_bin("assize").unwrap();
    let out = command
        .current_dir(bench.folder.path())
        .args(["judge", "session.yaml", "--exit-zero", "--json", "-"])
        .output()
        .unwrap();
    serde_json::from_slice::<serde_json::Value>(&out.stdout).unwrap();
    assert!(String::from_utf8(out.stderr).unwrap().contains("Kept: sheet.html"));
}

#[test]
fn a_file_that_is_neither_is_kept_too() {
    let bench = Bench::new();
    fs::write(bench.path("sheet.html"), "<title>a page of mine</title>").unwrap();
    fs::write(bench.path("verdict.json"), "{\"mine\": 1}").unwrap();
    fs::write(bench.path("sheet-kept.html"), "an older page of mine").unwrap();
    let (_, said) = bench.run(&["judge", "session.yaml", "--exit-zero"]);
    assert!(said.contains("Kept: sheet.html, no sheet or verdict, is now sheet-kept-2.html"), "{said}");
    assert_eq!(fs::read_to_string(bench.path("sheet-kept-2.html")).unwrap(), "<title>a page of mine</title>");
    assert_eq!(fs::read_to_string(bench.path("sheet-kept.html")).unwrap(), "an older page of mine");
    assert_eq!(fs::read_to_string(bench.path("verdict-kept.json")).unwrap(), "{\"mine\": 1}");
    // An empty file is nothing to keep.
    fs::write(bench.path("new.html"), "").unwrap();
    let (_, said) = bench.run(&["judge", "session.yaml", "--exit-zero", "--sheet", "new.html"]);
    assert!(!said.contains("Kept:"), "{said}");
}
