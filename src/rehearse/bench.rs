//! Benches: who is worn where and recorded by what.

use crate::quantity::{Bound, Join, Quantity, Unit as Of};
use crate::session::{Certificate, Drivetrain, Instrument, Location, Sides, TrainerMode};

use super::names;
use super::setting::RideSetting;

/// What is worn on one ride.
#[derive(Debug, Clone, PartialEq)]
pub struct RehearsalBench {
    pub unit: FittedInstrument,
    /// The first one's head unit is the one whose laps are pressed.
    pub references: Vec<FittedInstrument>,
}

/// One instrument as it is worn, and the head unit that hears it and nothing else.
#[derive(Debug, Clone, PartialEq)]
pub struct FittedInstrument {
    pub device: Device,
    /// Its recording is named after it.
    pub label: String,
    pub model: Option<String>,
    pub located: Location,
    pub sides: Sides,
    /// A reference's expanded uncertainty (k = 2); what the unit claims.
    pub stated: Bound,
    /// Standard deviations of the gain, relative, and of the offset that a seed draws once per session.
    pub gain_sd: f64,
    pub offset_sd_w: f64,
    /// Of no two instruments the same: the noise of an instrument goes with it.
    pub recorder: HeadUnits,
    pub serial: Option<u32>,
    /// Any text; a recording holds it where it has two decimals.
    pub firmware: String,
    pub certificate: Option<Certificate>,
    /// Of a trainer; `None` for whatever does not brake.
    pub mode: Option<TrainerMode>,
}

/// An instrument of the bench, with its place among what is worn (0 is the unit's).
#[derive(Debug, Clone, Copy)]
pub(crate) struct WornInstrument<'b> {
    pub place: usize,
    pub fitted: &'b FittedInstrument,
}

/// Temperature of a sensor at the ride's start, and by how much it warms at most.
#[derive(Debug, Clone, Copy)]
pub(super) struct SensorWarmth {
    pub start_c: f64,
    pub rises_c: f64,
}

/// What an instrument is, whatever it is called; no bench has two of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Device {
    Unit,
    Pedals,
    /// On the road a hub that measures.
    Trainer,
    Spider,
}

/// What tells an instrument from others of its kind, as far as it is not the usual one's.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Identity {
    pub label: Option<String>,
    pub serial: Option<u32>,
    pub certificate: Option<Certificate>,
}

/// The head units of a rehearsal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeadUnits {
    A,
    B,
    C,
    D,
}

/// One line of what `rehearse --bench` takes.
#[derive(Debug, Clone, Copy)]
pub struct BenchKind {
    pub word: &'static str,
    pub says: &'static str,
    pub bench: fn() -> RehearsalBench,
}

/// The usual one first.
pub const BENCHES: &[BenchKind] = &[
    BenchKind {
        word: "both",
        says: "unit at the spindle, pedals and trainer as references",
        bench: RehearsalBench::both,
    },
    BenchKind { word: "pedals", says: "pedals as the only reference", bench: || only(pedals()) },
    BenchKind { word: "trainer", says: "trainer as the only reference", bench: || only(trainer()) },
    BenchKind {
        word: "three",
        says: "pedals, trainer and crank spider as references",
        bench: || RehearsalBench { references: vec![pedals(), trainer(), spider()], ..RehearsalBench::both() },
    },
    BenchKind {
        word: "spider-unit",
        says: "unit in the crank spider: the total, no sides",
        bench: || unit_at(Location::Spider, Sides::Total),
    },
    BenchKind {
        word: "left-unit",
        says: "unit in the left crank arm, doubled",
        bench: || unit_at(Location::Crank, Sides::LeftDoubled),
    },
    BenchKind {
        word: "pedal-unit",
        says: "unit in the pedals; crank spider and trainer as references",
        bench: || RehearsalBench { references: vec![spider(), trainer()], ..unit_at(Location::Pedals, Sides::Both) },
    },
    BenchKind {
        word: "hub-unit",
        says: "unit in the hub; pedals and crank spider as references",
        bench: || RehearsalBench { references: vec![pedals(), spider()], ..unit_at(Location::Hub, Sides::Total) },
    },
];

impl RehearsalBench {
    /// A trainer brakes as the setting says; on the road a hub that measures stands in its place.
    pub fn in_setting(mut self, setting: RideSetting) -> Self {
        for fitted in self.references.iter_mut().filter(|fitted| fitted.mode.is_some()) {
            fitted.mode = setting.trainer_mode();
            // What somebody named is called so wherever it is.
            if setting == RideSetting::Road && fitted.label == trainer().label {
                fitted.label = fitted.label.replace("trainer", "hub");
            }
        }
        self
    }

    /// With this specimen on trial, by its number: label, recording and serial number are its own.
    pub fn with_specimen(mut self, number: u32) -> Self {
        self.unit.label = format!("unit {number:03}");
        self.unit.serial = Some(number);
        self
    }

    /// The instrument of this kind, where the bench has one.
    pub fn device(&mut self, device: Device) -> Option<&mut FittedInstrument> {
        std::iter::once(&mut self.unit).chain(&mut self.references).find(|fitted| fitted.device == device)
    }

    /// Unit 017 at the spindle, pedal pair P, trainer T.
    pub fn both() -> Self {
        Self { unit: unit(Location::Spindle, Sides::Both), references: vec![pedals(), trainer()] }
    }

    /// Unit first, then references, as everywhere in a rehearsal.
    pub fn worn(&self) -> impl Iterator<Item = &FittedInstrument> {
        std::iter::once(&self.unit).chain(&self.references)
    }

    /// The instrument that is so called: `unit`, a label, or its last word where no
    /// other label has the same.
    pub(super) fn called(&self, named: &str) -> Option<WornInstrument<'_>> {
        let worn = || self.worn().enumerate().map(|(place, fitted)| WornInstrument { place, fitted });
        if named == "unit" {
            return worn().next();
        }
        let mut those = worn().filter(|worn| last_word(worn.fitted) == named);
        let whole = worn().find(|worn| worn.fitted.label == named);
        whole.or_else(|| those.next().filter(|_| those.next().is_none()))
    }

    /// The shortest way to name an instrument of the bench.
    pub(super) fn short<'f>(&self, fitted: &'f FittedInstrument) -> &'f str {
        let short = last_word(fitted);
        if self.called(short).is_some_and(|worn| worn.fitted == fitted) { short } else { &fitted.label }
    }
}

fn last_word(fitted: &FittedInstrument) -> &str {
    fitted.label.rsplit(' ').next().unwrap_or_default()
}

fn only(reference: FittedInstrument) -> RehearsalBench {
    RehearsalBench { references: vec![reference], ..RehearsalBench::both() }
}

fn unit_at(located: Location, sides: Sides) -> RehearsalBench {
    RehearsalBench { unit: unit(located, sides), ..RehearsalBench::both() }
}

/// A sound unit stays within 1 %.
fn unit(located: Location, sides: Sides) -> FittedInstrument {
    FittedInstrument {
        device: Device::Unit,
        label: "unit 017".to_owned(),
        model: None,
        located,
        sides,
        stated: Bound::single(1.5, Of::Percent),
        gain_sd: 0.004,
        offset_sd_w: 0.5,
        recorder: HeadUnits::A,
        serial: Some(17),
        firmware: "1.80".to_owned(),
        certificate: None,
        mode: None,
    }
}

/// References stay within what their certificates say (k = 2).
fn pedals() -> FittedInstrument {
    FittedInstrument {
        device: Device::Pedals,
        label: "pedal pair P".to_owned(),
        model: None,
        located: Location::Pedals,
        sides: Sides::Both,
        stated: wider(1.0, 2.0),
        gain_sd: 0.005,
        offset_sd_w: 0.5,
        recorder: HeadUnits::B,
        serial: Some(2001),
        firmware: "3.10".to_owned(),
        certificate: certificate("P-12", "2026-03-02"),
        mode: None,
    }
}

fn trainer() -> FittedInstrument {
    FittedInstrument {
        device: Device::Trainer,
        label: "trainer T".to_owned(),
        model: None,
        located: Location::Hub,
        sides: Sides::Total,
        stated: wider(1.5, 3.0),
        gain_sd: 0.0075,
        offset_sd_w: 0.8,
        recorder: HeadUnits::C,
        serial: Some(3001),
        firmware: "2.04".to_owned(),
        certificate: None,
        mode: Some(TrainerMode::Resistance),
    }
}

fn spider() -> FittedInstrument {
    FittedInstrument {
        device: Device::Spider,
        label: "crank spider Q".to_owned(),
        model: None,
        located: Location::Spider,
        sides: Sides::Total,
        stated: wider(1.0, 2.0),
        gain_sd: 0.005,
        offset_sd_w: 0.5,
        recorder: HeadUnits::D,
        serial: Some(6001),
        firmware: "1.12".to_owned(),
        certificate: certificate("Q-7", "2026-05-11"),
        mode: None,
    }
}

fn certificate(number: &str, date: &str) -> Option<Certificate> {
    Some(Certificate { number: Some(number.to_owned()), date: Some(date.to_owned()), due: None, by: None })
}

fn wider(pct: f64, power_w: f64) -> Bound {
    Bound { parts: vec![Quantity::new(pct, Of::Percent), Quantity::new(power_w, Of::Watt)], join: Join::Wider }
}

impl FittedInstrument {
    /// Names it anew. Under another label it is another instrument, of which nobody knows serial number and certificate
    /// unless they are said.
    pub fn identify(&mut self, identity: &Identity) {
        if let Some(label) = identity.label.as_ref().filter(|label| **label != self.label) {
            self.label.clone_from(label);
            (self.serial, self.certificate) = (None, None);
        }
        self.serial = identity.serial.or(self.serial);
        self.certificate = identity.certificate.clone().or(self.certificate.take());
    }

    /// Name of its recording.
    pub fn file(&self) -> String {
        let (kind, also) = match self.device {
            Device::Unit => ("unit", "unit"),
            Device::Pedals => ("pedals", "pedal-pair"),
            Device::Trainer if self.mode.is_none() => ("hub", "hub"),
            Device::Trainer => ("trainer", "trainer"),
            Device::Spider => ("spider", "crank-spider"),
        };
        names::file(kind, also, &self.label)
    }

    pub(super) fn instrument(&self) -> Instrument {
        Instrument {
            model: self.model.clone(),
            serial: self.serial.map(|serial| serial.to_string()),
            ..Instrument::new(&self.label, self.located, self.sides, vec![self.file().into()])
        }
    }

    /// Whether its recording holds what its session says of the firmware.
    pub fn tells_firmware(&self) -> bool {
        names::version_hundredths(&self.firmware).is_some()
    }

    /// A trainer stays in its room when the bike is taken out.
    pub(super) fn goes_with_bike(&self) -> bool {
        self.mode.is_none()
    }

    /// Common practice, no source.
    pub(super) fn warmth(&self) -> SensorWarmth {
        let (start_c, rises_c) = [(18.6, 4.5), (18.8, 4.0), (19.0, 3.0), (18.7, 4.0)][self.recorder as usize];
        SensorWarmth { start_c, rises_c }
    }
}

pub(super) fn drivetrain() -> Drivetrain {
    Drivetrain {
        chainrings: vec![52, 36],
        cassette: vec![11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28, 30],
        wheel_m: Some(2.105),
        ..Drivetrain::default()
    }
}
