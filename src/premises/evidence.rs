//! What a premise's state rests on, in types; the verdict makes words of it.

use std::path::PathBuf;

use chrono::NaiveDate;

use crate::ride::AlignedOn;

/// Which repeat of which phase, by its index among the protocol's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PhaseRepeat {
    pub phase: usize,
    pub repeat: u32,
}

#[derive(Debug, Clone, PartialEq)]
pub enum Evidence {
    /// Nothing recorded or typed speaks to it.
    NothingTells,
    /// The next stage of the program tests it.
    NotTestedYet,
    /// The recording names the serial number (or sensor number) that the session does.
    SerialAlike {
        file: PathBuf,
        serial: String,
    },
    /// No serial numbers to compare, and the product is the one that the session names.
    ProductAlike {
        file: PathBuf,
        product: String,
    },
    /// It names a power sensor, and the session gives no serial number to hold it against.
    SerialNotGiven {
        file: PathBuf,
        says: String,
    },
    /// It names no power sensor.
    NoSensorNamed {
        file: PathBuf,
    },
    /// The session's serial number is not of the form that recordings hold.
    SerialsNotComparable {
        file: PathBuf,
        says: String,
        stated: String,
    },
    OtherSerial {
        file: PathBuf,
        says: Vec<String>,
        stated: String,
    },
    /// It names another instrument of the session; `theirs` is that one's recording.
    Exchanged {
        file: PathBuf,
        other: String,
        theirs: Option<PathBuf>,
    },
    /// Two recordings name one power sensor, or the session one serial number for two instruments.
    OneInstrumentTwice {
        serial: String,
    },
    FirmwareAlike {
        firmware: String,
    },
    OtherFirmware {
        stated: String,
        recorded: String,
    },
    /// In so many of so many changing seconds the one reads `times` what the other reads, to the watt.
    Identical {
        alike: usize,
        seconds: usize,
        times: f64,
    },
    NotIdentical {
        alike: usize,
        seconds: usize,
    },
    TooFewChanges {
        seconds: usize,
    },
    /// How many readings, and from what to what, W.
    Readings {
        values: usize,
        low_w: f64,
        high_w: f64,
    },
    NoReadings,
    OnlyZero {
        values: usize,
    },
    OnlyOneValue {
        values: usize,
        value_w: f64,
    },
    /// So many of so many seconds with power are of one side alone.
    OnlyOneSide {
        seconds: usize,
        of: usize,
        right: bool,
    },
    NoReferenceLeft,
    /// Its clock was found on what both recorded.
    Shares {
        on: AlignedOn,
    },
    /// Nothing that both recorded agrees, nor does power. With two it is about neither more than the other.
    NothingInCommon,
    /// More recordings than one bike carries.
    TooManyFiles {
        files: usize,
    },
    /// As the aligning says.
    NotAligned {
        says: String,
    },
    /// The first reference's own recording is the one that the others have nothing in common with.
    AloneAgainst {
        others: Vec<String>,
    },
    ClockAgrees {
        on: AlignedOn,
        expanded_s: f64,
    },
    /// A channel that both recorded contradicts the one that set the clock.
    ChannelsApart {
        on: AlignedOn,
        other: AlignedOn,
        apart_s: f64,
    },
    /// The unit's release and onset come before the reference's, by so much with their expanded uncertainties.
    UnitLeads {
        release_s: f64,
        onset_s: f64,
    },
    ClockByPower,
    ReferencesAgree {
        e_n: f64,
    },
    ReferencesDiffer {
        e_n: f64,
        difference_pct: f64,
        expanded_pct: f64,
    },
    OneReferenceAlone,
    SpansAll,
    /// It recorded nothing while others did, from second to second of session time.
    Leaves {
        from_s: f64,
        to_s: f64,
    },
    /// Of so many stretches in one gear each, so many lie at a gear that the stated teeth make.
    GearsFit {
        fit: usize,
        of: usize,
    },
    OtherTeethFit {
        fit: usize,
        of: usize,
        stated: Vec<u32>,
        better: Vec<u32>,
        better_fit: usize,
    },
    /// A gear change names a chainring that the session does not.
    OtherRingNamed {
        teeth: u32,
        stated: Vec<u32>,
    },
    SpeedNotOfWheel,
    AsAsked {
        repeats: usize,
    },
    /// What was asked and what was done; its first sentence by the matcher.
    NotAsAsked {
        repeat: PhaseRepeat,
        says: Vec<String>,
        accepted: bool,
    },
    WarmUpShort {
        ridden_s: f64,
        asked_s: f64,
    },
    PinHolds {
        repeats: usize,
    },
    PinRefused {
        repeat: PhaseRepeat,
        says: String,
    },
    CertificateValid {
        dated: Option<NaiveDate>,
        ridden: NaiveDate,
    },
    CertificateAfterRide {
        dated: NaiveDate,
        ridden: NaiveDate,
    },
    CertificateDue {
        due: NaiveDate,
        ridden: NaiveDate,
    },
    /// Older than laboratories let one become, and nobody says when it is due.
    CertificateOld {
        dated: NaiveDate,
        ridden: NaiveDate,
        years: f64,
    },
    NoCertificate,
    /// There is a certificate, and nobody says when the ride was.
    DayNotKnown,
    DatesFit,
    OtherDay {
        stated: NaiveDate,
        recorded: NaiveDate,
    },
    ReceivedAfterRide {
        received: NaiveDate,
        ridden: NaiveDate,
    },
    ReadingsComplete,
    ReadingsMissing {
        read: usize,
        asked: usize,
    },
    /// Nothing was typed yet: the ride may still be to come.
    ReadingsToCome {
        asked: usize,
    },
    /// The protocol needs it held, and no recording can hold it.
    CannotBeHeld {
        lacks: Lacks,
    },
}

/// What a premise can't be tested without.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lacks {
    SerialOrModel,
    Firmware,
    Teeth,
    SecondReference,
    Pins,
    /// A phase of typed readings.
    PhaseOfReadings,
    Dates,
    /// A version of the program that tests it.
    Test,
}

impl Evidence {
    /// The repeat that it is about.
    pub fn repeat(&self) -> Option<PhaseRepeat> {
        match self {
            Evidence::NotAsAsked { repeat, .. } | Evidence::PinRefused { repeat, .. } => Some(*repeat),
            _ => None,
        }
    }
}
