use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::Context;
use chrono::{DateTime, Utc};
use clap::builder::PossibleValuesParser;

use super::exit::Exit;
use super::files::{Inputs, shown};
use super::options::{bench_words, load_protocol};
use super::trials::{self, TrialsOutputs};
use crate::protocol::Protocol;
use crate::rehearse::{
    self, BENCHES, BenchKind, Device, FAULT_KINDS, Fault, Identity, MISHAP_KINDS, Mishap, RehearsalBench,
    RehearsalPlan, RideSetting, Shifting, TRUTH, names,
};
use crate::session::Certificate;
use crate::trials::{Trials, ladders};

/// What stands below the list of faults.
const PLACES: &str = "\
KIND=SIZE[@PLACE{,PLACE}]. Third column: what it strikes one by one, where it is not there throughout.
A PLACE is, in any order: a share (2/6, 0.3) or number (3) of those, drawn by the seed; a ring (big, small); a side
(left, right); an instrument (unit, or a reference's label or its last word: P). Without an instrument it is the unit's.";

/// Who rode where, and what the instruments are called
#[derive(Debug, clap::Args)]
#[group(id = "who", multiple = true, conflicts_with = "trials")]
#[command(next_help_heading = "Names in the session file and in the recordings, which are named after the labels")]
pub struct Names {
    /// Who rode; tester A if not said
    #[arg(long, value_name = "NAME", value_parser = names::name)]
    tester: Option<String>,
    /// Where; north bench if not said
    #[arg(long, value_name = "NAME", value_parser = names::name)]
    place: Option<String>,
    /// Label of the unit on trial. Whatever is given another label than usual, here or below, has a serial number and a
    /// certificate only if they are given too
    #[arg(long, value_name = "NAME", value_parser = names::name)]
    label: Option<String>,
    /// Its serial number, as recordings hold it
    #[arg(long, value_name = "N", value_parser = names::serial)]
    serial: Option<u32>,
    /// Its model
    #[arg(long, value_name = "NAME", value_parser = names::name)]
    model: Option<String>,
    /// Its firmware, as written: 1.10 stays 1.10. A recording holds two decimals and says nothing of another text
    #[arg(long, value_name = "VERSION", value_parser = names::name)]
    firmware: Option<String>,
    /// Label of the pedals that are a reference
    #[arg(long, value_name = "NAME", value_parser = names::name)]
    pedals: Option<String>,
    /// Their serial number
    #[arg(long, value_name = "N", value_parser = names::serial)]
    pedals_serial: Option<u32>,
    /// Their certificate, as in `Q-03, 2026-04-20`
    #[arg(long, value_name = "NUMBER[, DATE]", value_parser = names::certificate)]
    pedals_certificate: Option<Certificate>,
    /// Label of the trainer, on the road of the hub that measures
    #[arg(long, value_name = "NAME", value_parser = names::name)]
    trainer: Option<String>,
    /// Its serial number
    #[arg(long, value_name = "N", value_parser = names::serial)]
    trainer_serial: Option<u32>,
    /// Its certificate
    #[arg(long, value_name = "NUMBER[, DATE]", value_parser = names::certificate)]
    trainer_certificate: Option<Certificate>,
    /// Label of the crank spider that is a reference
    #[arg(long, value_name = "NAME", value_parser = names::name)]
    spider: Option<String>,
    /// Its serial number
    #[arg(long, value_name = "N", value_parser = names::serial)]
    spider_serial: Option<u32>,
    /// Its certificate
    #[arg(long, value_name = "NUMBER[, DATE]", value_parser = names::certificate)]
    spider_certificate: Option<Certificate>,
}

impl Names {
    /// Of each kind of instrument, with the word that its options begin with.
    fn identities(&self, specimen: Option<u32>) -> [(Device, &'static str, Identity); 4] {
        let identity = |label: &Option<String>, serial, certificate: &Option<Certificate>| Identity {
            label: label.clone(),
            serial,
            certificate: certificate.clone(),
        };
        [
            (Device::Unit, "label", identity(&self.label, self.serial.or(specimen), &None)),
            (Device::Pedals, "pedals", identity(&self.pedals, self.pedals_serial, &self.pedals_certificate)),
            (Device::Trainer, "trainer", identity(&self.trainer, self.trainer_serial, &self.trainer_certificate)),
            (Device::Spider, "spider", identity(&self.spider, self.spider_serial, &self.spider_certificate)),
        ]
    }

    /// Calls everything on the bench as was said; a specimen has its number for a serial number.
    fn write_on(&self, mut bench: RehearsalBench, specimen: Option<u32>) -> anyhow::Result<RehearsalBench> {
        for (device, word, identity) in self.identities(specimen) {
            if let Some(fitted) = bench.device(device) {
                fitted.identify(&identity);
            } else if identity != Identity::default() {
                let there: Vec<&str> = bench.references.iter().map(|fitted| fitted.label.as_str()).collect();
                anyhow::bail!(
                    "`--{word}`: this bench has no such reference, but {}; choose another with --bench, or leave this out",
                    there.join(" and ")
                );
            }
        }
        bench.unit.model.clone_from(&self.model);
        if let Some(firmware) = &self.firmware {
            bench.unit.firmware.clone_from(firmware);
        }
        Ok(bench)
    }
}

/// Make a session with known faults, as real recordings
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("what").required(true).multiple(true).args(["fault", "sound", "trials", "faults", "mishaps"]))]
pub struct RehearseArgs {
    /// Protocol to ride (YAML)
    #[arg(required_unless_present_any = ["faults", "mishaps"])]
    protocol: Option<PathBuf>,
    /// Folder to write the session into, made where it is missing
    #[arg(long, value_name = "DIR", required_unless_present_any = ["trials", "faults", "mishaps"])]
    out: Option<PathBuf>,
    /// Rehearse and judge this many sessions of a sound unit and of each fault (of many, if none is given), in memory: how
    /// often each is found and named, and what a sound unit has to fear
    #[arg(long, value_name = "N", conflicts_with_all = ["out", "sound", "mishap", "date", "shifting"], value_parser = clap::value_parser!(u32).range(1..))]
    trials: Option<u32>,
    /// With --trials: where to write the counts
    #[arg(long, value_name = "FILE", requires = "trials")]
    csv: Option<PathBuf>,
    /// With --trials: where to write them as a page, with a picture for each fault
    #[arg(long, value_name = "FILE", requires = "trials")]
    html: Option<PathBuf>,
    /// With --trials: a fault that nine of ten sessions should fail; says how many repeats, how long a block, which reference
    /// or which limits that takes. May be repeated
    #[arg(long, value_name = "KIND=SIZE[@PLACE{,PLACE}]", requires = "trials", allow_hyphen_values = true)]
    want: Vec<Fault>,
    /// With --trials: say what could be left out without losing a fault, and ride again without it
    #[arg(long, requires = "trials")]
    spare: bool,
    /// The same seed gives the same files
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Number of the unit on trial: the same one has the same label, gain, zero and noise in every session, whatever the
    /// seed
    #[arg(long, value_name = "N", conflicts_with = "trials", value_parser = clap::value_parser!(u32).range(1..))]
    specimen: Option<u32>,
    /// The same number gives the same references in every session, likewise
    #[arg(long, value_name = "N", conflicts_with = "trials")]
    reference_set: Option<u32>,
    /// A fault of exactly this size; may be repeated
    #[arg(long, value_name = "KIND=SIZE[@PLACE{,PLACE}]", allow_hyphen_values = true)]
    fault: Vec<Fault>,
    /// The unit has no fault
    #[arg(long, conflicts_with = "fault")]
    sound: bool,
    /// List the faults that can be made
    #[arg(long, conflicts_with_all = ["fault", "sound", "trials", "mishaps"])]
    faults: bool,
    /// Something that the rider or a head unit does otherwise; may be repeated
    #[arg(long, value_name = "KIND[=SIZE][@WHERE]", allow_hyphen_values = true)]
    mishap: Vec<Mishap>,
    /// List the mishaps that can be made
    #[arg(long, conflicts_with_all = ["fault", "sound", "trials"])]
    mishaps: bool,
    /// Electronic shifting writes its gears into every recording
    #[arg(long, value_enum, default_value_t = ShiftingWord::Cable)]
    shifting: ShiftingWord,
    /// What is worn where
    #[arg(long, value_name = "WORD", default_value = BENCHES[0].word, value_parser = bench_words())]
    bench: &'static BenchKind,
    /// When the ride starts (RFC 3339)
    #[arg(long, value_name = "TIME")]
    date: Option<DateTime<Utc>>,
    /// Where to ride: on a trainer that only resists, on one that holds the power, or on the road; if not said, as the
    /// protocol
    #[arg(long, value_name = "SETTING", value_parser = PossibleValuesParser::new(RideSetting::ALL.map(RideSetting::word)))]
    setting: Option<String>,
    #[command(flatten)]
    names: Names,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum ShiftingWord {
    Cable,
    Electronic,
}

pub fn run(args: &RehearseArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    if args.faults {
        for kind in FAULT_KINDS {
            let each = kind.occasion.map_or("", |occasion| occasion.word());
            writeln!(out, "{:<26} {:<6} {:<15} {}", kind.form, kind.unit, each, kind.imitates)?;
        }
        writeln!(out, "\n{PLACES}")?;
        return Ok(Exit::Done);
    }
    if args.mishaps {
        for kind in MISHAP_KINDS {
            writeln!(out, "{:<50} {:<8} {}", kind.form, kind.unit, kind.is)?;
        }
        return Ok(Exit::Done);
    }
    let Some(file) = &args.protocol else { anyhow::bail!("a protocol is needed") };
    let mut inputs = Inputs::default();
    let protocol = load_protocol(file, None, &mut inputs)?;
    inputs.may_write([&args.csv, &args.html].into_iter().flatten())?;
    let bench = (args.bench.bench)();
    let setting = setting(args, &protocol);
    if let Some(sessions) = args.trials {
        let trials = Trials { protocol: &protocol, bench, setting, seed: args.seed, sessions };
        let faults = match (&args.fault[..], &args.want[..]) {
            ([], []) => ladders(&protocol, &trials.bench),
            ([], wanted) if !args.spare => wanted.to_vec(),
            ([], _) => ladders(&protocol, &trials.bench),
            (faults, _) => faults.to_vec(),
        };
        let all = faults.iter().chain(&args.want).cloned().collect();
        let plan = RehearsalPlan { faults: all, bench: trials.bench.clone(), ..RehearsalPlan::new(args.seed) };
        rehearse::check_faults(&protocol, &plan).map_err(anyhow::Error::msg)?;
        let command = command(args, file, &trials);
        let (csv, html) = (args.csv.as_deref(), args.html.as_deref());
        let asked = TrialsOutputs { wanted: &args.want, spare: args.spare, csv, html, command };
        return trials::run(&trials, &faults, &asked, out);
    }
    let Some(dir) = &args.out else { anyhow::bail!("--out DIR is needed") };
    let (faults, mishaps) = (args.fault.clone(), args.mishap.clone());
    let (specimen, reference_set) = (args.specimen, args.reference_set);
    let bench = match specimen {
        Some(number) => bench.with_specimen(number),
        None => bench,
    };
    let bench = args.names.write_on(bench, specimen)?;
    let mut plan =
        RehearsalPlan { faults, mishaps, bench, setting, specimen, reference_set, ..RehearsalPlan::new(args.seed) };
    plan.habits.shifting = match args.shifting {
        ShiftingWord::Cable => Shifting::Cable,
        ShiftingWord::Electronic => Shifting::Electronic { only: None },
    };
    if let Some(date) = args.date {
        plan.date = date;
    }
    if let Some(tester) = &args.names.tester {
        plan.tester.clone_from(tester);
    }
    if let Some(place) = &args.names.place {
        plan.place.clone_from(place);
    }
    rehearse::check_labels(&plan).map_err(anyhow::Error::msg)?;
    rehearse::check_faults(&protocol, &plan).map_err(anyhow::Error::msg)?;
    rehearse::check_mishaps(&protocol, &plan).map_err(anyhow::Error::msg)?;
    let rehearsal = rehearse::simulate(&protocol, &plan);
    let files: Vec<PathBuf> = rehearse::names_of_files(&rehearsal).iter().map(|name| dir.join(name)).collect();
    inputs.may_write(&files)?;
    only_over_a_rehearsal(dir, &files)?;
    rehearse::write(&rehearsal, dir).context("writing the rehearsal")?;
    writeln!(out, "wrote {}; judge it with `assize judge {}`", shown(dir), shown(&dir.join("session.yaml")))?;
    let unit = &plan.bench.unit;
    if !unit.tells_firmware() {
        writeln!(
            out,
            "{} says nothing of the firmware, as FIT holds no `{}`: two decimals at most 655.34, as in 1.10; the session says it",
            unit.file(),
            unit.firmware
        )?;
    }
    Ok(Exit::Done)
}

/// A rehearsal is made again in its own folder; what somebody recorded or wrote there is not lost to one.
fn only_over_a_rehearsal(dir: &Path, files: &[PathBuf]) -> anyhow::Result<()> {
    let there = files.iter().find(|file| file.symlink_metadata().is_ok());
    match there {
        Some(file) if !dir.join(TRUTH).is_file() => anyhow::bail!(
            "{} is there, and no {TRUTH} beside it says that it was rehearsed; name another folder",
            file.display()
        ),
        _ => Ok(()),
    }
}

/// What gives the same sessions again, in the protocol's folder.
fn command(args: &RehearseArgs, file: &Path, trials: &Trials) -> String {
    let name = file.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let Trials { sessions, seed, setting, .. } = trials;
    let faults = args.fault.iter().flat_map(|fault| ["--fault".to_owned(), fault.to_string()]);
    let wanted = args.want.iter().flat_map(|fault| ["--want".to_owned(), fault.to_string()]);
    let words = ["assize", "rehearse", &name, "--trials", &sessions.to_string(), "--bench", args.bench.word]
        .map(str::to_owned)
        .into_iter()
        .chain(["--setting".to_owned(), setting.word().to_owned(), "--seed".to_owned(), seed.to_string()])
        .chain(faults)
        .chain(wanted)
        .chain(args.spare.then(|| "--spare".to_owned()));
    words.map(|word| quoted(&word)).collect::<Vec<_>>().join(" ")
}

/// As a shell takes it for one word.
fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "-_./=@,+%:".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', r"'\''"))
    }
}

/// As asked, or as the protocol.
fn setting(args: &RehearseArgs, protocol: &Protocol) -> RideSetting {
    let asked = RideSetting::ALL.into_iter().find(|setting| args.setting.as_deref() == Some(setting.word()));
    asked.unwrap_or(RideSetting::asked_by(protocol))
}
