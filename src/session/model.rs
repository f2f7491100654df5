//! What a session file says, once read: who rode what, with which instruments.

use std::collections::BTreeMap;
use std::fmt;
use std::path::PathBuf;

use super::clock::ClockTime;
use super::marks::MarksFile;
use crate::protocol::{Protocol, Ring, Selector, Side};
use crate::quantity::Bound;
use crate::recording::Recording;

/// One ride of one protocol, and what was worn and recorded.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Session {
    /// The session file; `None` when built from command-line arguments.
    pub file: Option<PathBuf>,
    /// SHA-256 of the session file's bytes, lower-case hex.
    pub sha256: Option<String>,
    /// `None`: the whole ride is compared, advisory.
    pub protocol: Option<Protocol>,
    pub tester: Option<String>,
    pub place: Option<String>,
    /// ISO date as written; the ride's own comes from the recordings.
    pub date: Option<String>,
    pub notes: Option<String>,
    pub authorised_by: Option<String>,
    /// What a laboratory's report says besides.
    pub report: ReportFacts,
    /// One sheet each; none is a reference to another.
    pub units: Vec<Unit>,
    pub references: Vec<Reference>,
    pub drivetrain: Drivetrain,
    pub conditions: Conditions,
    pub readings: Readings,
    pub remarks: Vec<Remark>,
    pub marks: Vec<ButtonMark>,
    /// What was written while riding.
    pub marks_file: Option<MarksFile>,
    pub pins: Vec<Pin>,
    /// Files whose facts it takes over, in the order in which they were met.
    pub cards: Vec<CardFile>,
    pub photos: Vec<Photo>,
    pub threshold_power_w: Option<f64>,
    /// Read from what was not said: one sentence each, for the sheet.
    pub assumed: Vec<String>,
    /// Typed values that are possible but unusual, in the session, its cards and its protocol: one sentence each.
    pub cautions: Vec<String>,
    /// Every text file that was read for it: itself, its cards, its protocol and what that extends, its marks; before the
    /// ride its recordings too.
    pub files: Vec<PathBuf>,
}

impl Session {
    /// Units, then references.
    pub fn instruments(&self) -> impl Iterator<Item = &Instrument> {
        self.units.iter().map(|u| &u.instrument).chain(self.references.iter().map(|r| &r.instrument))
    }

    /// Every recording that is named, each once, with the column that is said to hold its time.
    pub fn recordings(&self) -> BTreeMap<PathBuf, Option<String>> {
        let mut recordings: BTreeMap<PathBuf, Option<String>> = BTreeMap::new();
        for instrument in self.instruments() {
            for path in &instrument.recordings {
                let time_column = recordings.entry(path.clone()).or_default();
                *time_column = time_column.take().or(instrument.fields.get("time").cloned());
            }
        }
        recordings
    }

    /// The session with its references in an order of their own (off the hub first, then both sides before one, then along
    /// the drivetrain) and each instrument's recordings by time, so that the order in which a person listed them changes
    /// nothing.
    pub fn in_order(&self, recordings: &BTreeMap<PathBuf, Recording>) -> Session {
        let mut session = self.clone();
        session.references.sort_by_key(|r| {
            let Instrument { label, located, sides, .. } = &r.instrument;
            (located.fitness(*sides), label.clone())
        });
        let references = session.references.iter_mut().map(|r| &mut r.instrument);
        for instrument in session.units.iter_mut().map(|u| &mut u.instrument).chain(references) {
            instrument.recordings.sort_by_key(|path| (recordings.get(path).map(|r| r.start), path.clone()));
        }
        session
    }
}

/// Who reports to whom, where a laboratory does.
///
/// Source: ISO/IEC 17025:2017, 7.8.2.1 and 7.8.8.3, from memory.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ReportFacts {
    pub laboratory: Option<String>,
    pub address: Option<String>,
    pub customer: Option<String>,
    /// ISO date as written.
    pub issued: Option<String>,
    pub amends: Option<Amendment>,
}

/// An earlier sheet that this one takes the place of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Amendment {
    /// Its number.
    pub sheet: String,
    /// What was changed, and why.
    pub because: String,
}

/// The power meter on trial.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit {
    pub instrument: Instrument,
    /// What its maker or owner claims, for `within claim`.
    pub claimed: Option<Bound>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Reference {
    pub instrument: Instrument,
    /// Expanded, k = 2.
    pub uncertainty: Bound,
    pub certificate: Option<Certificate>,
    pub mode: Option<TrainerMode>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Certificate {
    pub number: Option<String>,
    /// ISO date as written.
    pub date: Option<String>,
    /// ISO date as written: until when it holds.
    pub due: Option<String>,
    pub by: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TrainerMode {
    Resistance,
    ConstantPower,
}

/// What unit and references have in common.
#[derive(Debug, Clone, PartialEq)]
pub struct Instrument {
    pub label: String,
    pub model: Option<String>,
    pub serial: Option<String>,
    pub firmware: Option<String>,
    pub battery: Option<String>,
    pub history: Option<String>,
    /// The state that it came in.
    pub condition: Option<String>,
    /// ISO date as written.
    pub received: Option<String>,
    pub head_unit: Option<String>,
    pub located: Location,
    pub sides: Sides,
    /// Resolved against the session file's folder. Several where the recording was restarted.
    pub recordings: Vec<PathBuf>,
    /// Which field or column holds each channel, where it is not the usual one (`power: developer power_2`).
    pub fields: BTreeMap<String, String>,
}

impl Instrument {
    /// With all that nobody said left open.
    pub fn new(label: &str, located: Location, sides: Sides, recordings: Vec<PathBuf>) -> Self {
        Self {
            label: label.to_owned(),
            model: None,
            serial: None,
            firmware: None,
            battery: None,
            history: None,
            condition: None,
            received: None,
            head_unit: None,
            located,
            sides,
            recordings,
            fields: BTreeMap::new(),
        }
    }
}

/// Where an instrument measures, in order along the drivetrain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Location {
    Pedals,
    Crank,
    Spindle,
    Spider,
    Hub,
}

impl Location {
    pub fn word(self) -> &'static str {
        match self {
            Location::Pedals => "pedals",
            Location::Crank => "crank",
            Location::Spindle => "spindle",
            Location::Spider => "spider",
            Location::Hub => "hub",
        }
    }

    /// Whether the chain lies between this place and the rider.
    pub fn behind_chain(self) -> bool {
        self == Location::Hub
    }

    /// Sorts references by how well they are placed: off the hub, with its flywheel, first, then both sides before one, then
    /// along the drivetrain.
    pub fn fitness(self, sides: Sides) -> ReferenceFitness {
        ReferenceFitness { behind_chain: self.behind_chain(), one_sided: sides != Sides::Both, place: self }
    }
}

/// How well a reference is placed: the least is the best.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct ReferenceFitness {
    behind_chain: bool,
    one_sided: bool,
    place: Location,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sides {
    Both,
    LeftDoubled,
    RightDoubled,
    Total,
}

impl Sides {
    pub fn word(self) -> &'static str {
        match self {
            Sides::Both => "both",
            Sides::LeftDoubled => "left doubled",
            Sides::RightDoubled => "right doubled",
            Sides::Total => "total",
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
pub struct Drivetrain {
    /// Teeth, big ring first as written; empty if not said.
    pub chainrings: Vec<u32>,
    /// Teeth, smallest first as written; empty if not said.
    pub cassette: Vec<u32>,
    pub wheel_m: Option<f64>,
    /// Chain drive, spider to hub: per cent lost and its expanded uncertainty (k = 2) in per cent.
    pub loss_pct: f64,
    pub loss_expanded_pct: f64,
}

impl Default for Drivetrain {
    /// 2.3 % ± 1.0 %. Source: Martin et al. 1998 (97.7 %, from memory) with an uncertainty that is common practice, no source.
    fn default() -> Self {
        Self { chainrings: vec![], cassette: vec![], wheel_m: None, loss_pct: 2.3, loss_expanded_pct: 1.0 }
    }
}

impl Drivetrain {
    /// Teeth of the named ring: the largest or the smallest listed. `None` with fewer than two rings.
    pub fn teeth(&self, ring: Ring) -> Option<u32> {
        if self.chainrings.len() < 2 {
            return None;
        }
        match ring {
            Ring::Big => self.chainrings.iter().copied().max(),
            Ring::Small => self.chainrings.iter().copied().min(),
        }
    }
}

#[derive(Debug, Clone, Default, PartialEq)]
pub struct Conditions {
    pub temperature_c: Option<f64>,
    pub crank_length_m: Option<f64>,
    pub latitude_deg: Option<f64>,
    pub height_m: Option<f64>,
    /// Other keys, as written.
    pub other: Vec<(String, String)>,
}

/// Typed readings.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Readings {
    pub zero_before: Option<f64>,
    pub zero_after: Option<f64>,
    pub loads: Vec<LoadReading>,
    pub other: Vec<(String, String)>,
}

/// One torque read with one mass hung.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadReading {
    pub mass_kg: f64,
    pub side: Option<Side>,
    pub angle_deg: Option<f64>,
    pub torque_nm: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Remark {
    pub at: Option<ClockTime>,
    pub text: String,
    /// A repeat that the tester calls spoiled.
    pub spoiled: Option<Selector>,
}

/// The rider's note that a phase began (or ended) at a time.
#[derive(Debug, Clone, PartialEq)]
pub struct ButtonMark {
    pub at: ClockTime,
    pub phase: Option<Selector>,
    pub text: Option<String>,
}

/// A person's word on where a phase was ridden; overrules the matcher.
#[derive(Debug, Clone, PartialEq)]
pub struct Pin {
    pub phase: Selector,
    pub from: ClockTime,
    pub to: ClockTime,
}

impl fmt::Display for Pin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}={}..{}", self.phase, self.from, self.to)
    }
}

/// A card that a session names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CardFile {
    pub file: PathBuf,
    pub sha256: String,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Photo {
    pub file: PathBuf,
    pub sha256: String,
}
