//! Every recording in demo-data against its session: what it calls itself, whose it is, when it was ridden.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use assize::internals::rehearse::TruthFile;
use assize::recording::{self, Recording, Sensor};
use assize::session::{self, Instrument, Session};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

fn demo_data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data")
}

/// A folder of the demo, as it lies there.
#[derive(Clone)]
struct Ride {
    folder: PathBuf,
    session: Session,
    /// Every recording that lies in the folder, whether the session lists it or not.
    recordings: Vec<Recording>,
    truth: Option<TruthFile>,
}

impl Ride {
    fn read(folder: &Path) -> Self {
        let session = session::load(&folder.join("session.yaml")).unwrap_or_else(|problems| panic!("{problems}"));
        let recordings = files(folder, "fit").iter().map(|file| recording::read(file).unwrap()).collect();
        let truth = folder.join("truth.json");
        let truth = truth.exists().then(|| TruthFile::load(&truth).unwrap());
        Self { folder: folder.to_owned(), session, recordings, truth }
    }

    /// Unit first.
    fn instruments(&self) -> impl Iterator<Item = &Instrument> {
        let units = self.session.units.iter().map(|unit| &unit.instrument);
        units.chain(self.session.references.iter().map(|reference| &reference.instrument))
    }

    fn starts(&self) -> DateTime<Utc> {
        self.recordings.iter().map(|r| r.start).min().unwrap()
    }

    fn ends(&self) -> DateTime<Utc> {
        self.recordings.iter().map(|r| r.start + TimeDelta::seconds(r.duration_s().ceil() as i64)).max().unwrap()
    }

    fn name(&self) -> String {
        self.folder.file_name().unwrap().to_string_lossy().into_owned()
    }
}

fn files(folder: &Path, extension: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let mut files: Vec<PathBuf> = entries.filter(|path| path.extension().is_some_and(|e| e == extension)).collect();
    files.sort();
    files
}

/// Every folder of the demo, however deep, that holds a session or a recording.
fn rides() -> Vec<Ride> {
    fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
        if folder.join("session.yaml").exists() || !files(folder, "fit").is_empty() {
            found.push(folder.to_owned());
        }
        let below = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
        below.filter(|path| path.is_dir()).for_each(|folder| walk(&folder, found));
    }
    let mut found = vec![];
    walk(&demo_data(), &mut found);
    found.sort();
    found.iter().map(|folder| Ride::read(folder)).collect()
}

/// `unit-021` of `unit 021`, `pedals-q` of `pedal pair Q`: written down here anew, for the labels of the demo.
fn stem(label: &str) -> String {
    label.to_lowercase().replace("pedal pair", "pedals").replace(' ', "-")
}

/// First day of a revision that is a month, as `2026-05`, or a further one of that month, as `2026-05-2`.
fn revised(revision: &str) -> NaiveDate {
    format!("{}-01", &revision[..7]).parse().unwrap_or_else(|e| panic!("{revision}: {e}"))
}

/// What a folder's files say otherwise than its session.
fn disagreements(ride: &Ride) -> Vec<String> {
    let mut found = vec![];
    let mut same = |what: String, session: Option<&str>, file: Option<&str>| {
        if session != file {
            found.push(format!("{what}: session {session:?}, file {file:?}"));
        }
    };
    let listed: BTreeSet<String> = ride.instruments().flat_map(|i| &i.recordings).map(|file| name(file)).collect();
    let lie_there: BTreeSet<String> = ride.recordings.iter().map(|r| name(&r.file)).collect();
    for file in listed.symmetric_difference(&lie_there) {
        let there = |files: &BTreeSet<String>| files.contains(file).then_some("there");
        same(file.clone(), there(&listed), there(&lie_there));
    }
    for instrument in ride.instruments() {
        let label = &instrument.label;
        same(format!("{label}, recordings"), Some(&instrument.recordings.len().to_string()), Some("1"));
        let Some(file) = instrument.recordings.first() else { continue };
        same(format!("{label}, name of the file"), Some(&format!("{}.fit", stem(label))), Some(&name(file)));
        let Some(recording) = ride.recordings.iter().find(|r| name(&r.file) == name(file)) else { continue };
        let power: Vec<&Sensor> =
            recording.sensors.iter().filter(|s| s.kind.as_deref() == Some("bike power")).collect();
        same(format!("{label}, power sensors"), Some("1"), Some(&power.len().to_string()));
        let Some(sensor) = power.first() else { continue };
        same(format!("{label}, label"), Some(label), sensor.name.as_deref());
        same(format!("{label}, model"), instrument.model.as_deref(), sensor.product.as_deref());
        same(format!("{label}, serial"), Some(instrument.serial.as_deref().unwrap_or("")), sensor.serial.as_deref());
        let firmware = instrument.firmware.as_deref();
        let is_unit = ride.session.units.iter().any(|unit| unit.instrument.label == *label);
        if is_unit || firmware.is_some() {
            same(format!("{label}, firmware"), Some(firmware.unwrap_or("")), sensor.firmware.as_deref());
        }
        let makers = recording.sensors.iter().map(|s| &s.maker).chain([&recording.head_unit.maker]);
        makers.for_each(|maker| same(format!("{label}, maker"), None, maker.as_deref()));
        let protocol = ride.session.protocol.as_ref().unwrap();
        let (revised, ridden) = (revised(&protocol.revision), recording.start.date_naive());
        same(
            format!("{label}, ridden after its protocol"),
            Some("yes"),
            Some(if ridden >= revised { "yes" } else { "no" }),
        );
    }
    // As `034-2026-06-21`.
    if let Some((unit, day)) = ride.name().split_once('-').filter(|(unit, _)| unit.parse::<u32>().is_ok()) {
        same(
            "unit of the folder".to_owned(),
            Some(&ride.session.units[0].instrument.label),
            Some(&format!("unit {unit}")),
        );
        for recording in &ride.recordings {
            same("day of the folder".to_owned(), Some(day), Some(&recording.start.format("%Y-%m-%d").to_string()));
        }
    }
    if let Some(truth) = &ride.truth {
        let protocol = ride.session.protocol.as_ref().unwrap();
        same("truth, protocol".to_owned(), Some(&protocol.sha256), Some(&truth.protocol_sha256));
        for instrument in ride.instruments() {
            let told = truth.recordings.iter().find(|told| told.instrument == instrument.label);
            let file = instrument.recordings.first().map(|file| name(file));
            same(format!("truth, file of {}", instrument.label), file.as_deref(), told.map(|told| told.file.as_str()));
            let recording = ride.recordings.iter().find(|r| Some(name(&r.file)) == file);
            let (is, told) = (recording.map(|r| r.sha256.as_str()), told.map(|told| told.sha256.as_str()));
            same(format!("truth, bytes of {}", instrument.label), is, told);
        }
    }
    found
}

fn name(file: &Path) -> String {
    file.file_name().unwrap().to_string_lossy().into_owned()
}

/// Who or what was in two places at once.
fn overlaps(rides: &[Ride]) -> Vec<String> {
    let whose = |ride: &Ride| -> BTreeSet<String> {
        let labels = ride.instruments().map(|instrument| instrument.label.clone());
        labels.chain(ride.session.tester.clone()).collect()
    };
    let mut found = vec![];
    for (n, ride) in rides.iter().enumerate() {
        for earlier in rides[..n].iter().filter(|e| e.starts() <= ride.ends() && ride.starts() <= e.ends()) {
            let both = whose(ride).intersection(&whose(earlier)).cloned().collect::<Vec<_>>().join(", ");
            if !both.is_empty() {
                found.push(format!("{} and {}: {both}", earlier.name(), ride.name()));
            }
        }
    }
    found
}

#[test]
fn every_recording_is_what_its_session_says() {
    let rides = rides();
    assert!(rides.len() >= 20, "{}", rides.len());
    for ride in &rides {
        assert_eq!(disagreements(ride), [""; 0], "{}", ride.folder.display());
        assert!(ride.session.tester.is_some() && ride.session.place.is_some());
    }
}

#[test]
fn nobody_and_nothing_is_in_two_places_at_once() {
    assert_eq!(overlaps(&rides()), [""; 0]);
}

/// One serial number is one instrument, one label is one too.
#[test]
fn labels_and_serials_go_together_throughout_the_demo() {
    let rides = rides();
    let all: BTreeSet<(String, String)> = rides
        .iter()
        .flat_map(Ride::instruments)
        .map(|i| (i.label.clone(), i.serial.clone().unwrap_or_default()))
        .collect();
    let labels: BTreeSet<&String> = all.iter().map(|(label, _)| label).collect();
    let serials: BTreeSet<&String> = all.iter().map(|(_, serial)| serial).collect();
    assert_eq!((labels.len(), serials.len()), (all.len(), all.len()), "{all:?}");
}

#[test]
fn a_recording_that_is_not_what_its_session_says_is_noticed() {
    let ride = |folder: &str| Ride::read(&demo_data().join(folder));
    let noticed = |what: &str, n: usize, folder: &str, alter: &dyn Fn(&mut Ride)| {
        let mut altered = ride(folder);
        alter(&mut altered);
        let found = disagreements(&altered);
        assert!(found.len() == n && found.iter().all(|sentence| sentence.contains(what)), "{what}: {found:?}");
    };
    let (faulty, short) = ("bench-faulty", "five-specimens/033-2026-06-20");
    // In the order of file names: pedals, trainer, unit.
    let sensor = |ride: &mut Ride, n: usize, alter: &dyn Fn(&mut Sensor)| alter(&mut ride.recordings[n].sensors[0]);
    noticed("unit 021, label", 1, faulty, &|ride| sensor(ride, 2, &|s| s.name = Some("unit 017".into())));
    noticed("unit 021, serial", 1, faulty, &|ride| sensor(ride, 2, &|s| s.serial = Some("17".into())));
    noticed("unit 021, serial", 1, faulty, &|ride| ride.session.units[0].instrument.serial = None);
    noticed("pedal pair Q, label", 1, short, &|ride| sensor(ride, 0, &|s| s.name = Some("pedal pair P".into())));
    noticed("pedal pair Q, serial", 1, short, &|ride| sensor(ride, 0, &|s| s.serial = Some("2001".into())));
    noticed("unit 033, model", 1, short, &|ride| ride.session.units[0].instrument.model = None);
    noticed("unit 033, firmware", 1, short, &|ride| {
        ride.session.units[0].instrument.firmware = Some("1.8".into());
    });
    noticed("unit 033, firmware", 1, short, &|ride| sensor(ride, 1, &|s| s.firmware = None));
    noticed("maker", 1, faulty, &|ride| ride.recordings[1].head_unit.maker = Some("development".into()));
    noticed("power sensors", 1, faulty, &|ride| ride.recordings[1].sensors.clear());
    noticed("ridden after its protocol", 2, short, &|ride| {
        ride.session.protocol.as_mut().unwrap().revision = "2026-11".into();
    });
    noticed("day of the folder", 1, short, &|ride| ride.recordings[0].start += TimeDelta::days(1));
    noticed("unit of the folder", 1, short, &|ride| ride.folder.set_file_name("034-2026-06-20"));
    noticed("stray.fit", 1, short, &|ride| {
        let mut stray = ride.recordings[0].clone();
        stray.file.set_file_name("stray.fit");
        ride.recordings.push(stray);
    });
    noticed("recordings", 1, short, &|ride| {
        let again = ride.session.units[0].instrument.recordings[0].clone();
        ride.session.units[0].instrument.recordings.push(again);
    });
    noticed("bytes of pedal pair P", 1, faulty, &|ride| ride.recordings[0].sha256 = "0".into());
    noticed("truth, protocol", 1, faulty, &|ride| {
        ride.session.protocol.as_mut().unwrap().sha256 = "0".into();
    });
    noticed("name of the file", 1, short, &|ride| {
        ride.recordings[1].file.set_file_name("unit-34.fit");
        ride.session.units[0].instrument.recordings = vec![ride.recordings[1].file.clone()];
    });
}

#[test]
fn sessions_that_overlap_are_noticed() {
    let [sound, mut other] =
        ["bench-sound", "firmware/041-2026-06-13"].map(|folder| Ride::read(&demo_data().join(folder)));
    assert_eq!(overlaps(&[sound.clone(), other.clone()]), [""; 0]);
    // Two seconds after it, as once in the demo.
    let later = sound.starts() + TimeDelta::seconds(2) - other.starts();
    other.recordings.iter_mut().for_each(|r| r.start += later);
    let found = overlaps(&[sound.clone(), other.clone()]);
    assert_eq!(found, ["bench-sound and 041-2026-06-13: pedal pair P, tester A"]);
    // Another tester with other pedals may ride at the same time.
    other.session.tester = Some("tester B".into());
    other.session.references[0].instrument.label = "pedal pair Q".into();
    assert_eq!(overlaps(&[sound, other]), [""; 0]);
}

/// FIT's number for what is under development is no maker (public FIT profile, type `manufacturer`).
#[test]
fn nothing_that_is_shown_of_the_demo_names_a_maker() {
    let folder = tempfile::tempdir().unwrap();
    let sheet = folder.path().join("sheet.html");
    let (demo, sheet_file) = (demo_data().join("bench-faulty"), sheet.to_str().unwrap());
    let file = |name: &str| demo.join(name).to_str().unwrap().to_owned();
    let recordings = [file("unit-021.fit"), file("pedals-p.fit"), file("trainer-t.fit")];
    let shown = |words: &[&str], files: &[String]| {
        let output = Command::cargo_bin("assize").unwrap().args(words).args(files).output().unwrap();
        assert!(output.status.success(), "{words:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    };
    let session = [file("session.yaml")];
    let all = [
        shown(&["inspect"], &recordings),
        shown(&["inspect", "--json"], &recordings),
        shown(&["draft"], &recordings),
        shown(&["judge", "--exit-zero", "--json", "-", "--sheet", sheet_file], &session),
        shown(&["judge", "--exit-zero", "--json", "/dev/null", "--sheet", "/dev/null"], &session),
        std::fs::read_to_string(&sheet).unwrap(),
    ];
    for text in &all {
        assert!(text.len() > 200 && !text.to_lowercase().contains("development"), "{text}");
    }
    assert!(all[0].contains("head unit  head unit A, serial 4101"), "{}", all[0]);
    assert!(all[0].contains("bike power \"unit 021\", serial 21, firmware 1.80"), "{}", all[0]);
}
