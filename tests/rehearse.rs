//! `assize rehearse`: a protocol in, recordings out that readers of FIT agree on.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use assize::internals::rehearse::{self, BENCHES, Device, Identity, RehearsalPlan, RideSetting};
use assize::recording::{self, Recording};
use assize::{protocol, session};
use tempfile::TempDir;

fn bench() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/bench-both-rings.yaml")
}

fn rehearse(arguments: &[&str], dir: &Path) -> assert_cmd::assert::Assert {
    let mut command = Command::cargo_bin("assize").unwrap();
    command.arg("rehearse").arg(bench()).arg("--out").arg(dir).args(arguments).assert()
}

const FILES: [&str; 5] = ["unit-017.fit", "pedals-p.fit", "trainer-t.fit", "session.yaml", "truth.json"];

#[test]
fn a_rehearsal_is_a_session_that_checks_without_a_mistake() {
    let dir = TempDir::new().unwrap();
    rehearse(&["--sound", "--seed", "3"], dir.path()).success();
    for file in FILES {
        assert!(dir.path().join(file).is_file(), "{file}");
    }
    let mut check = Command::cargo_bin("assize").unwrap();
    check.arg("check").arg(dir.path().join("session.yaml")).assert().success();
}

#[test]
fn the_same_seed_gives_the_same_files() {
    let (first, second) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let arguments = ["--seed", "9", "--fault", "ring-offset=-14@big", "--fault", "side-short=110@left,2/6"];
    rehearse(&arguments, first.path()).success();
    rehearse(&arguments, second.path()).success();
    for file in FILES {
        let read = |dir: &TempDir| std::fs::read(dir.path().join(file)).unwrap();
        assert_eq!(read(&first), read(&second), "{file}");
    }
}

/// So that a machine or a compiler that computes otherwise is noticed. Who changes on purpose what a seed means
/// (anything drawn, written or rounded otherwise) puts in what this test then says it found, and names it in the commit.
#[test]
fn a_seed_means_these_bytes_on_any_machine() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/short-check.yaml");
    let plan = RehearsalPlan { faults: vec!["side-short=80@left,1/3".parse().unwrap()], ..RehearsalPlan::new(7) };
    let mut protocol = protocol::load(&file, None).unwrap();
    // As often as the short check asked for it when the bytes were taken.
    protocol.phases.iter_mut().filter(|phase| phase.repeats > 1).for_each(|phase| phase.repeats = 3);
    let rehearsal = rehearse::simulate(&protocol, &plan);
    let found: Vec<&str> = rehearsal.recordings.iter().map(|recording| recording.sha256.as_str()).collect();
    assert_eq!(found, SEED_7);
}

const SEED_7: [&str; 3] = [
    "7353de7763f5a63d76505155db922153e5e4904648b758d0557aa810800ac9b9",
    "a129c6608148224bda197ae197e029ff8e88c04fd1a1869b0af1ae8964494229",
    "d44e2be7b90d4f97abe340ccf32e9af1becdcf803480d8b4ec23ffd08199acfb",
];

#[test]
fn what_is_written_reads_back_as_what_was_in_memory() {
    RideSetting::ALL.into_iter().for_each(reads_back);
}

fn reads_back(setting: RideSetting) {
    let dir = TempDir::new().unwrap();
    let plan = RehearsalPlan { faults: vec!["radio-dropout=0.02".parse().unwrap()], setting, ..RehearsalPlan::new(4) };
    let rehearsal = rehearse::simulate(&protocol::load(&bench(), None).unwrap(), &plan);
    rehearse::write(&rehearsal, dir.path()).unwrap();
    for in_memory in &rehearsal.recordings {
        let read = recording::read(&dir.path().join(&in_memory.file)).unwrap();
        // The reader's path is the file's; cautions are its own remarks on gaps and the like; summaries are made in
        // writing.
        let expected = Recording {
            file: read.file.clone(),
            cautions: read.cautions.clone(),
            summaries: read.summaries.clone(),
            ..in_memory.clone()
        };
        assert!(read == expected, "{}", in_memory.file.display());
    }
    let read = session::load(&dir.path().join("session.yaml")).unwrap();
    let mut expected = rehearsal.session.clone();
    (expected.file, expected.sha256) = (read.file.clone(), read.sha256.clone());
    expected.assumed = read.assumed.clone();
    expected.files.clone_from(&read.files);
    expected.protocol.as_mut().unwrap().file = read.protocol.as_ref().unwrap().file.clone();
    let instruments = expected.units.iter_mut().map(|u| &mut u.instrument);
    for instrument in instruments.chain(expected.references.iter_mut().map(|r| &mut r.instrument)) {
        instrument.recordings.iter_mut().for_each(|file| *file = dir.path().join(&file));
    }
    assert_eq!(read, expected);
}

/// An independent reader of the format finds the same numbers; it and the writer share no code.
#[test]
fn a_second_fit_reader_finds_the_same_powers_and_balances() {
    let rehearsal = rehearse::simulate(&protocol::load(&bench(), None).unwrap(), &RehearsalPlan::new(4));
    for (recording, bytes) in rehearsal.recordings.iter().zip(&rehearsal.files) {
        let messages = fitparser::from_bytes(bytes).unwrap();
        let records: Vec<_> = messages.iter().filter(|m| m.kind() == fitparser::profile::MesgNum::Record).collect();
        assert_eq!(records.len(), recording.samples.len());
        let number = |record: &fitparser::FitDataRecord, name: &str| -> Option<f64> {
            let field = record.fields().iter().find(|f| f.name() == name)?;
            match field.value() {
                fitparser::Value::UInt8(value) => Some(f64::from(*value)),
                fitparser::Value::UInt16(value) => Some(f64::from(*value)),
                fitparser::Value::SInt64(value) => Some(*value as f64),
                other => panic!("{name} is {other:?}"),
            }
        };
        for (i, record) in records.iter().enumerate() {
            assert_eq!(number(record, "power"), recording.samples.power_w[i]);
            assert_eq!(number(record, "heart_rate"), recording.samples.heart_rate_bpm[i]);
            // Bit 7 says that the rest is the right side's share.
            let balance =
                recording.samples.right_share_pct.get(i).copied().flatten().map(|right_pct| 128.0 + right_pct);
            assert_eq!(number(record, "left_right_balance"), balance);
        }
    }
}

/// CRC-16/ARC over a whole FIT file, its own checksum included, leaves no remainder; over 123456789 it gives
/// 0xBB3D (catalogue of parametrised CRC algorithms). The time stamps count from 1989-12-31 (public FIT profile).
#[test]
fn the_files_keep_the_formats_checksum() {
    let crc = |bytes: &[u8]| {
        bytes.iter().fold(0_u16, |crc, byte| {
            (0..8).fold(crc ^ u16::from(*byte), |c, _| if c & 1 == 1 { (c >> 1) ^ 0xA001 } else { c >> 1 })
        })
    };
    assert_eq!(crc(b"123456789"), 0xBB3D);
    let rehearsal = rehearse::simulate(&protocol::load(&bench(), None).unwrap(), &RehearsalPlan::new(1));
    for bytes in &rehearsal.files {
        assert_eq!(&bytes[8..12], b".FIT");
        assert_eq!(crc(bytes), 0);
        assert_eq!(crc(&bytes[..14]), 0);
    }
}

#[test]
fn mistakes_are_refused_with_the_right_form() {
    let dir = TempDir::new().unwrap();
    let refused = |arguments: &[&str]| {
        let output = rehearse(arguments, dir.path()).code(2).get_output().clone();
        String::from_utf8(output.stderr).unwrap()
    };
    assert!(refused(&["--seed", "1"]).contains("--sound"));
    assert!(refused(&["--sound", "--fault", "gain=2"]).contains("cannot be used with"));
    assert!(refused(&["--fault", "ring-ofset=3@big"]).contains("`ring-offset` is nearest"));
    assert!(
        refused(&["--fault", "gain=3@Q"]).contains("nothing on this bench is called `Q`; write `unit` or `P` or `T`")
    );
    assert!(refused(&["--sound", "--mishap", "phone-stp"]).contains("`phone-stop` is nearest"));
    assert!(refused(&["--sound", "--mishap", "phone-stop@coast-and-restart"]).contains("no steady block"));
    assert!(refused(&["--sound", "--mishap", "restart@X"]).contains("is called `X`; write `unit` or `P` or `T`"));
    assert!(refused(&["--sound", "--mishap", "no-laps@T"]).contains("only on the head unit of `P`"));
    assert!(refused(&["--sound", "--mishap", "no-gears@T"]).contains("--shifting electronic"));
}

#[test]
fn every_bench_is_written_read_back_and_judged() {
    for kind in BENCHES {
        let dir = TempDir::new().unwrap();
        rehearse(&["--sound", "--seed", "3", "--bench", kind.word], dir.path()).success();
        let read = session::load(&dir.path().join("session.yaml")).unwrap_or_else(|problems| panic!("{problems}"));
        let bench = (kind.bench)();
        let references = read.references.iter().map(|r| &r.instrument);
        let read_back: Vec<_> = std::iter::once(&read.units[0].instrument).chain(references).collect();
        let worn: Vec<_> = bench.worn().collect();
        assert_eq!(read_back.len(), worn.len(), "{}", kind.word);
        for (read, fitted) in read_back.iter().zip(worn) {
            assert_eq!((&read.label, read.located, read.sides), (&fitted.label, fitted.located, fitted.sides));
        }
        let mut judge = Command::cargo_bin("assize").unwrap();
        judge.arg("judge").arg(dir.path().join("session.yaml")).arg("--exit-zero").assert().success();
    }
}

#[test]
fn a_setting_is_ridden_and_told_in_the_session() {
    let said = |setting: &str| {
        let dir = TempDir::new().unwrap();
        rehearse(&["--sound", "--setting", setting], dir.path()).success();
        let mut check = Command::cargo_bin("assize").unwrap();
        check.arg("check").arg(dir.path().join("session.yaml")).assert().success();
        std::fs::read_to_string(dir.path().join("session.yaml")).unwrap()
    };
    assert!(said("resistance").contains("mode: resistance"));
    assert!(said("constant-power").contains("mode: constant power"));
    assert!(!said("road").contains("mode:"));
}

#[test]
fn the_lists_of_faults_and_mishaps_need_no_protocol() {
    let list = |option: &str| {
        let mut command = Command::cargo_bin("assize").unwrap();
        let output = command.args(["rehearse", option]).assert().success().get_output().clone();
        String::from_utf8(output.stdout).unwrap()
    };
    let (faults, mishaps) = (list("--faults"), list("--mishaps"));
    for kind in rehearse::FAULT_KINDS {
        let line = faults.lines().find(|line| line.starts_with(kind.form)).unwrap_or_else(|| panic!("{}", kind.form));
        assert!(line.contains(kind.unit) && line.contains(kind.imitates));
    }
    assert_eq!(mishaps.lines().count(), rehearse::MISHAP_KINDS.len());
    assert!(mishaps.contains("phone-stop=40@steady"));
}

#[test]
fn a_restarted_recording_is_two_files_that_the_session_lists() {
    let dir = TempDir::new().unwrap();
    rehearse(&["--sound", "--mishap", "restart=20@P", "--mishap", "phone-stop@steady[big, 120 W]"], dir.path())
        .success();
    let session = session::load(&dir.path().join("session.yaml")).unwrap();
    let files = ["pedals-p.fit", "pedals-p-2.fit"].map(|file| dir.path().join(file));
    assert_eq!(session.references[0].instrument.recordings, files);
    let truth: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(dir.path().join("truth.json")).unwrap()).unwrap();
    assert_eq!(truth["mishaps"][1], "phone-stop=40@steady[ring=big, power=120 W]");
    assert_eq!(truth["recordings"][3]["file"], "pedals-p-2.fit");
    assert_eq!(truth["recordings"][3]["instrument"], "pedal pair P");
    assert_eq!(truth["recordings"][3]["unwritten"].as_array().map(Vec::len), Some(1));
}

#[test]
fn a_specimen_and_its_references_stay_what_they_are_from_session_to_session() {
    let protocol = protocol::load(&bench(), None).unwrap();
    let level = |seed: u64, specimen: Option<u32>, reference_set: Option<u32>| {
        let rehearsal =
            rehearse::simulate(&protocol, &RehearsalPlan { specimen, reference_set, ..RehearsalPlan::new(seed) });
        let gains: Vec<f64> = rehearsal.truth.instruments.iter().map(|told| told.gain_pct).collect();
        gains
    };
    let (first, second) = (level(1, Some(31), Some(2)), level(2, Some(31), Some(2)));
    assert_eq!(first, second);
    let (other, seeded) = (level(1, Some(32), Some(2)), level(1, None, None));
    assert!(other[0] != first[0] && other[1..] == first[1..]);
    assert!(seeded.iter().zip(&first).all(|(a, b)| a != b));
}

fn power_sensor(file: &Path) -> recording::Sensor {
    let mut sensors = recording::read(file).unwrap().sensors;
    sensors.retain(|sensor| sensor.kind.as_deref() == Some("bike power"));
    assert_eq!(sensors.len(), 1);
    sensors.remove(0)
}

/// Of label, model, serial and firmware, what an instrument says in the session and what its recording says.
fn said(dir: &Path, instrument: &session::Instrument) -> [[Option<String>; 4]; 2] {
    let sensor = power_sensor(&dir.join(&instrument.recordings[0]));
    let session::Instrument { label, model, serial, firmware, .. } = instrument.clone();
    [[Some(label), model, serial, firmware], [sensor.name, sensor.product, sensor.serial, sensor.firmware]]
}

#[test]
fn a_specimen_is_named_in_the_session_and_in_its_recording() {
    let dir = TempDir::new().unwrap();
    rehearse(&["--sound", "--specimen", "31", "--firmware", "1.90"], dir.path()).success();
    let session = session::load(&dir.path().join("session.yaml")).unwrap();
    assert!(session.units[0].instrument.recordings[0].ends_with("unit-031.fit"));
    let [in_session, in_file] = said(dir.path(), &session.units[0].instrument);
    assert_eq!(in_session, [Some("unit 031".into()), None, Some("31".into()), Some("1.90".into())]);
    assert_eq!(in_session, in_file);
}

#[test]
fn who_rode_where_and_what_everything_is_called_stands_in_session_recordings_and_their_names() {
    let dir = TempDir::new().unwrap();
    let names = [
        "--tester=tester C",
        "--place=east bench",
        "--label=unit 021",
        "--serial=21",
        "--model=model M",
        "--firmware=1.10",
        "--pedals=pedal pair Q",
        "--pedals-serial=2002",
        "--pedals-certificate=Q-03, 2026-04-20",
        "--trainer=trainer U",
        "--trainer-serial=4294967295",
        "--trainer-certificate=U-1",
    ];
    rehearse(&[&["--sound"][..], &names].concat(), dir.path()).success();
    let session = session::load(&dir.path().join("session.yaml")).unwrap();
    assert_eq!((session.tester.as_deref(), session.place.as_deref()), (Some("tester C"), Some("east bench")));
    let [pedals, trainer] = &session.references[..] else { panic!() };
    let expected = [
        (&session.units[0].instrument, "unit-021.fit", ["unit 021", "21"]),
        (&pedals.instrument, "pedals-q.fit", ["pedal pair Q", "2002"]),
        (&trainer.instrument, "trainer-u.fit", ["trainer U", "4294967295"]),
    ];
    for (instrument, file, [label, serial]) in expected {
        assert!(instrument.recordings[0].ends_with(file), "{:?}", instrument.recordings);
        let [in_session, in_file] = said(dir.path(), instrument);
        assert_eq!((in_session[0].as_deref(), in_session[2].as_deref()), (Some(label), Some(serial)));
        assert_eq!(in_session[..3], in_file[..3]);
    }
    let [unit, in_file] = said(dir.path(), &session.units[0].instrument);
    assert_eq!((unit[1].as_deref(), unit[3].as_deref()), (Some("model M"), Some("1.10")));
    assert_eq!(unit, in_file);
    let certificate = |reference: &session::Reference| {
        let certificate = reference.certificate.clone().unwrap();
        (certificate.number.unwrap(), certificate.date)
    };
    assert_eq!(certificate(pedals), ("Q-03".into(), Some("2026-04-20".into())));
    assert_eq!(certificate(trainer), ("U-1".into(), None));
    let truth = std::fs::read_to_string(dir.path().join("truth.json")).unwrap();
    assert!(truth.contains("pedals-q.fit") && truth.contains("pedal pair Q") && !truth.contains("pair P"));
}

/// A name changes nothing of what was ridden and recorded.
#[test]
fn names_leave_every_sample_as_the_seed_had_it() {
    let protocol = protocol::load(&bench(), None).unwrap();
    let mut plan = RehearsalPlan::new(4);
    let usual = rehearse::simulate(&protocol, &plan);
    for device in [Device::Unit, Device::Pedals, Device::Trainer] {
        let label = Some(format!("another {device:?}"));
        plan.bench.device(device).unwrap().identify(&Identity { label, ..Identity::default() });
    }
    (plan.tester, plan.place) = ("tester C".into(), "east bench".into());
    let named = rehearse::simulate(&protocol, &plan);
    for (a, b) in usual.recordings.iter().zip(&named.recordings) {
        assert!(a.sha256 != b.sha256 && a.samples == b.samples && a.laps == b.laps && a.start == b.start);
    }
}

#[test]
fn under_another_label_nothing_has_the_usual_ones_serial_number_and_certificate() {
    let session = |arguments: &[&str]| {
        let dir = TempDir::new().unwrap();
        rehearse(&[&["--sound"], arguments].concat(), dir.path()).success();
        let session = session::load(&dir.path().join("session.yaml")).unwrap();
        let serials = [&session.units[0].instrument, &session.references[0].instrument].map(|i| said(dir.path(), i));
        (serials.map(|[a, b]| (a[2].clone(), b[2].clone())), session.references[0].certificate.is_some())
    };
    let some = |serial: &str| (Some(serial.to_owned()), Some(serial.to_owned()));
    assert_eq!(session(&[]), ([some("17"), some("2001")], true));
    assert_eq!(session(&["--label=unit 5", "--pedals=pedal pair X"]), ([(None, None), (None, None)], false));
    assert_eq!(session(&["--label=unit 017", "--pedals=pedal pair P"]), ([some("17"), some("2001")], true));
    // A specimen's number is its serial number, whatever it is called.
    assert_eq!(session(&["--specimen=5", "--label=unit V"]), ([some("5"), some("2001")], true));
}

/// The session keeps any text; the recording holds it, or nothing.
#[test]
fn firmware_is_text_and_the_recording_never_says_another() {
    for (text, held) in [
        ("1.10", true),
        ("1.80", true),
        ("1.1", false),
        ("1.8", false),
        ("2.4.1", false),
        ("B7", false),
        ("655.35", false),
    ] {
        let dir = TempDir::new().unwrap();
        let output = rehearse(&["--sound", "--firmware", text], dir.path()).success().get_output().stdout.clone();
        let told = String::from_utf8(output).unwrap();
        assert_eq!(told.contains(&format!("says nothing of the firmware, as FIT holds no `{text}`")), !held, "{told}");
        let session = session::load(&dir.path().join("session.yaml")).unwrap();
        let [in_session, in_file] = said(dir.path(), &session.units[0].instrument);
        assert_eq!(in_session[3].as_deref(), Some(text));
        assert_eq!(in_file[3], held.then(|| text.to_owned()));
    }
}

#[test]
fn labels_may_hold_anything_that_can_be_seen() {
    for label in
        ["Prüfling \"7\": #3", "no", "017", "- a", "{b}", "a: b", "../../unit", "日本語", "con", "*x", "~", "1.10", "'"]
    {
        let dir = TempDir::new().unwrap();
        let options = [("label", ""), ("pedals", " too"), ("tester", ""), ("model", "")];
        let options = options.map(|(option, more)| format!("--{option}={label}{more}"));
        let [unit, pedals, tester, model] = options.each_ref().map(String::as_str);
        rehearse(&["--sound", unit, pedals, tester, model], dir.path()).success();
        let session = session::load(&dir.path().join("session.yaml")).unwrap_or_else(|problems| panic!("{problems}"));
        let unit = &session.units[0].instrument;
        let [in_session, in_file] = said(dir.path(), unit);
        assert_eq!(in_session, in_file);
        assert_eq!([in_session[0].as_deref(), in_session[1].as_deref(), session.tester.as_deref()], [Some(label); 3]);
        // Another reader of YAML takes them for the same texts.
        let text = std::fs::read_to_string(dir.path().join("session.yaml")).unwrap();
        let read: serde_json::Value = serde_yaml::from_str(&text).unwrap();
        assert_eq!(read["unit"]["label"].as_str(), Some(unit.label.as_str()), "{text}");
        assert_eq!(read["references"][0]["label"].as_str(), Some(format!("{} too", unit.label).as_str()));
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 5);
    }
}

#[test]
fn names_that_can_t_be_kept_are_refused_with_the_reason() {
    let dir = TempDir::new().unwrap();
    let refused = |arguments: &[&str]| {
        let output = rehearse(&[&["--sound"], arguments].concat(), dir.path()).code(2).get_output().clone();
        String::from_utf8(output.stderr).unwrap()
    };
    assert!(refused(&["--serial=017"]).contains("without leading zeros"));
    assert!(refused(&["--pedals-serial=Q-2"]).contains("recordings hold no other"));
    assert!(refused(&["--tester="]).contains("empty"));
    assert!(refused(&["--label=?"]).contains("nobody has filled in"));
    assert!(refused(&["--firmware= "]).contains("empty"));
    assert!(refused(&["--pedals-certificate=Q-03, soon"]).contains("`soon` is no date"));
    assert!(refused(&["--label=pedal pair P"]).contains("two instruments would be called `pedal pair P`"));
    let none = refused(&["--bench=pedals", "--trainer-serial=9"]);
    assert!(none.contains("`--trainer`: this bench has no such reference, but pedal pair P"), "{none}");
    // Both end alike: only the whole label tells them apart.
    let alike = ["--pedals=pedals X", "--trainer=trainer X", "--mishap=restart@X"];
    assert!(refused(&alike).contains("write `unit` or `pedals X` or `trainer X`"), "{}", refused(&alike));
    let output =
        Command::cargo_bin("assize").unwrap().arg("rehearse").arg(bench()).args(["--trials=1", "--tester=A"]).output();
    assert!(String::from_utf8(output.unwrap().stderr).unwrap().contains("cannot be used with"));
}

#[test]
fn on_the_road_a_hub_stands_in_the_trainers_place_and_keeps_a_name_that_it_was_given() {
    let hub = |arguments: &[&str]| {
        let dir = TempDir::new().unwrap();
        rehearse(&[&["--sound", "--setting=road"], arguments].concat(), dir.path()).success();
        let session = session::load(&dir.path().join("session.yaml")).unwrap();
        let hub = &session.references[1].instrument;
        let file = hub.recordings[0].file_name().unwrap().to_string_lossy().into_owned();
        let [in_session, in_file] = said(dir.path(), hub);
        assert_eq!(in_session[..3], in_file[..3]);
        (hub.label.clone(), file)
    };
    assert_eq!(hub(&[]), ("hub T".into(), "hub-t.fit".into()));
    assert_eq!(hub(&["--trainer=rear wheel W"]), ("rear wheel W".into(), "hub-rear-wheel-w.fit".into()));
}
