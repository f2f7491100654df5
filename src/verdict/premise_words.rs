//! Premises in words, made once.

use std::path::Path;

use super::model::PremiseFacts;
use crate::premise::{Premise, PremiseState, Takes};
use crate::premises::{Evidence, Lacks, Premises, TestedPremise};

/// The table as the JSON has it.
pub(super) fn premise_facts(premises: &Premises) -> Vec<PremiseFacts> {
    premises.0.iter().map(premise_fact).collect()
}

fn premise_fact(tested: &TestedPremise) -> PremiseFacts {
    PremiseFacts {
        premise: tested.premise.word().to_owned(),
        about: tested.about.clone(),
        state: tested.state.word().to_owned(),
        evidence: premise_evidence(tested),
        takes: tested.takes.word().to_owned(),
    }
}

/// Why a session is not judged, and what to do; up to three sentences.
pub(super) fn not_judged_in_words(premises: &Premises) -> Vec<String> {
    let taken = premises.contradicted().filter(|tested| tested.takes == Takes::Verdict);
    let says = taken.map(|tested| {
        let what_to_do = what_to_do(tested);
        format!("Not judged: {}; {what_to_do}.", premise_evidence(tested))
    });
    // One cause often shows in several premises; the first in the table's order is nearest to it.
    let mut says: Vec<String> = says.collect();
    says.truncate(3);
    says
}

fn what_to_do(tested: &TestedPremise) -> &'static str {
    match (&tested.evidence, tested.premise) {
        (Evidence::Exchanged { .. }, _) => "give each instrument its own recording",
        (Evidence::OneInstrumentTwice { .. }, _) => "name the instrument once, or correct its serial number",
        (Evidence::NoReferenceLeft, _) => "see what is said of each reference",
        (_, Premise::OwnRecording) => "name the recording that this instrument made, or correct its serial number",
        (_, Premise::TwoInstruments) => "name the recording that the other instrument made",
        (_, Premise::Measured) => {
            "look at the instrument and at its recording; `assize inspect` lists what it holds, and the field or column of \
             another name can be named"
        }
        (_, Premise::SameRide) => {
            "list recordings of one ride; a heart-rate strap that all head units record links them"
        }
        _ => "correct the session",
    }
}

fn name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}

fn who(tested: &TestedPremise) -> String {
    tested.about.join(" and ")
}

/// One sentence without its stop.
pub(crate) fn premise_evidence(tested: &TestedPremise) -> String {
    // Long: a line or two for each kind of evidence, which are easier to read in one list.
    let who = who(tested);
    let row = tested.premise.row();
    match &tested.evidence {
        Evidence::NothingTells => match who.as_str() {
            "" => "nothing recorded or typed tells".to_owned(),
            who => format!("{who}: nothing recorded or typed tells"),
        },
        Evidence::NotTestedYet => format!("not tested by this version: {}", row.must),
        Evidence::SerialAlike { file, serial } => {
            format!("{}: names serial number {serial}, as the session does", name(file))
        }
        Evidence::ProductAlike { file, product } => {
            format!("{}: names the product {product}, as the session does", name(file))
        }
        Evidence::SerialNotGiven { file, says } => {
            format!("{}: names serial number {says}, and the session gives none for {who}", name(file))
        }
        Evidence::NoSensorNamed { file } => format!("{}: names no power sensor", name(file)),
        Evidence::SerialsNotComparable { file, says, stated } => {
            format!("{}: names serial number {says}, which can't be held against {stated}", name(file))
        }
        Evidence::OtherSerial { file, says, stated } => format!(
            "{} is given for {who}, serial number {stated}, and was recorded with serial number {}",
            name(file),
            says.join(", ")
        ),
        Evidence::Exchanged { file, other, theirs } => {
            let exchange = match theirs {
                Some(theirs) => format!("; exchange it with {}", name(theirs)),
                None => String::new(),
            };
            format!("{} is given for {who} and names {other} as what it recorded{exchange}", name(file))
        }
        Evidence::OneInstrumentTwice { serial } => format!("{who} have one serial number, {serial}"),
        Evidence::FirmwareAlike { firmware } => format!("{who}: {firmware} in session and recording"),
        Evidence::OtherFirmware { stated, recorded } => {
            format!("{who}: the session says firmware {stated}, the recording {recorded}, which is used")
        }
        Evidence::Identical { alike, seconds, times } => {
            let times = if (times - 1.0).abs() < 5e-4 {
                "read the same to the watt".to_owned()
            } else {
                format!("differ by the factor {times:.3} and nothing else")
            };
            let who = if tested.takes == Takes::Reference { format!("{who} and an earlier reference") } else { who };
            format!(
                "{who} {times} in {alike} of {seconds} seconds in which power changes: a copy, no second instrument"
            )
        }
        Evidence::NotIdentical { alike, seconds } => {
            format!("{who} read the same to the watt in {alike} of {seconds} seconds in which power changes")
        }
        Evidence::TooFewChanges { seconds } => format!("{who}: only {seconds} seconds in which power changes"),
        Evidence::Readings { values, .. } if tested.is_contradicted() => {
            format!("{who}: only {values} readings, too few to judge by")
        }
        Evidence::Readings { values, low_w, high_w } => {
            format!("{who}: {values} readings from {low_w:.0} to {high_w:.0} W")
        }
        Evidence::NoReadings => format!("{who}: its recording holds no power in the field that it is read from"),
        Evidence::OnlyZero { values } => format!("{who}: all {values} readings are zero"),
        Evidence::OnlyOneValue { values, value_w } => format!("{who}: all {values} readings are {value_w:.0} W"),
        Evidence::OnlyOneSide { seconds, of, right } => format!(
            "{who}: records both sides and shows the {} one alone in {seconds} of {of} seconds",
            if *right { "right" } else { "left" }
        ),
        Evidence::NoReferenceLeft => "no reference is left to judge by".to_owned(),
        Evidence::Shares { on } => format!("{who}: {} links it with the other recordings", on.word()),
        Evidence::NothingInCommon if tested.about.len() > 1 => {
            format!("{who}: nothing that they recorded is alike, nor their power: recordings of different rides")
        }
        Evidence::TooManyFiles { files } => {
            format!("{files} recordings are more than one bike carries; name those of one ride")
        }
        Evidence::NothingInCommon => {
            format!("{who}: nothing that it recorded, nor its power, is that of this ride: another ride's recording")
        }
        Evidence::NotAligned { says } => says.clone(),
        Evidence::AloneAgainst { others } => {
            format!("{who}: has nothing in common with {}, which are of one ride", others.join(", "))
        }
        Evidence::ClockAgrees { on, expanded_s } => format!("{who}: known to ± {expanded_s:.2} s by {}", on.word()),
        Evidence::ChannelsApart { on, other, apart_s } => {
            format!("{who}: its {} and its {} put its clock {:.1} s apart", on.word(), other.word(), apart_s.abs())
        }
        Evidence::UnitLeads { release_s, onset_s } => format!(
            "{who} lets go {:.1} s and comes back {:.1} s before the reference, which no unit can: a clock is off, or the \
             reference is late",
            -release_s, -onset_s
        ),
        Evidence::ClockByPower => {
            format!("{who}: set by power alone, so that a constant lag can't be told from a clock's offset")
        }
        Evidence::ReferencesAgree { e_n } => format!("{who} agree (E_n {:.1})", e_n.abs()),
        Evidence::ReferencesDiffer { e_n, difference_pct, expanded_pct } => format!(
            "{who} differ by {:.1} % where their uncertainties allow {expanded_pct:.1} % (E_n {:.1})",
            difference_pct.abs(),
            e_n.abs()
        ),
        Evidence::OneReferenceAlone => format!("{who} alone: level, edges and drift are judged on trust in it"),
        Evidence::SpansAll => format!("{who}: recorded wherever another instrument did"),
        Evidence::Leaves { from_s, to_s } => format!(
            "{who}: nothing recorded for {:.0} s, from {:.0} min of the ride on, while others did; is a file missing?",
            to_s - from_s,
            from_s / 60.0
        ),
        Evidence::GearsFit { fit, of } => format!("{fit} of {of} stretches lie at gears of the stated teeth"),
        Evidence::OtherTeethFit { fit, of, stated, better, better_fit } => format!(
            "chainrings {} explain {fit} of {of} stretches, {} would explain {better_fit}; rings are not told from speed",
            teeth(stated),
            teeth(better)
        ),
        Evidence::OtherRingNamed { teeth: named, stated } => {
            format!("gear changes name a chainring of {named} teeth, the session {}", teeth(stated))
        }
        Evidence::SpeedNotOfWheel => "speed does not follow cadence, so it tells no gears".to_owned(),
        Evidence::AsAsked { repeats } => format!("{repeats} repeats were ridden as asked"),
        Evidence::NotAsAsked { says, accepted, .. } => {
            let so = if *accepted { "; accepted by the protocol" } else { "" };
            format!("{who}: {}{so}", says.join("; "))
        }
        Evidence::WarmUpShort { ridden_s, asked_s } => {
            format!("warm-up of {:.1} min, {} min asked", ridden_s / 60.0, asked_s / 60.0)
        }
        Evidence::PinHolds { repeats } => format!("{repeats} pinned and as asked"),
        Evidence::PinRefused { says, .. } => format!("{who}: {says}"),
        Evidence::CertificateValid { dated, ridden } => match dated {
            Some(dated) => format!("{who}: of {dated}, ridden {ridden}"),
            None => format!("{who}: ridden {ridden}"),
        },
        Evidence::CertificateAfterRide { dated, ridden } => {
            format!("{who}: its certificate is of {dated}, after the ride on {ridden}")
        }
        Evidence::CertificateDue { due, ridden } => {
            format!("{who}: its calibration was due on {due}, before the ride on {ridden}")
        }
        Evidence::CertificateOld { dated, ridden, years } => format!(
            "{who}: its certificate is of {dated}, {years:.1} years before the ride on {ridden}, and no `due` is given"
        ),
        Evidence::NoCertificate => format!("{who}: no certificate is given"),
        Evidence::DayNotKnown => {
            format!("{who}: has a certificate, and neither recordings nor the session's `date` say when the ride was")
        }
        Evidence::DatesFit => match who.as_str() {
            "" => "the session's date is the recordings'".to_owned(),
            who => format!("{who}: here on the day of the ride"),
        },
        Evidence::OtherDay { stated, recorded } => format!("the session is dated {stated}, the recordings {recorded}"),
        Evidence::ReceivedAfterRide { received, ridden } => {
            format!("{who}: came on {received}, after the ride on {ridden}")
        }
        Evidence::ReadingsComplete => format!("{who}: all readings that are asked for"),
        Evidence::ReadingsMissing { read, asked } => format!("{who}: {read} of {asked} readings were typed"),
        Evidence::ReadingsToCome { asked } => format!("{who}: {asked} readings are to be typed in the session"),
        Evidence::CannotBeHeld { lacks } => lacking(&who, *lacks),
    }
}

/// What is missing, of an instrument or of the session.
fn lacking(who: &str, lacks: Lacks) -> String {
    let says = match lacks {
        Lacks::SerialOrModel => return format!("{who}: give its `serial` as recordings state it, else its `model`"),
        Lacks::Firmware => "no instrument's `firmware` is given",
        Lacks::Teeth => "chainrings, cassette and wheel are not all given in `drivetrain`",
        Lacks::SecondReference => "there is no second reference to hold one against",
        Lacks::Pins => "nothing is pinned",
        Lacks::PhaseOfReadings => "no phase asks for typed readings",
        Lacks::Dates => "neither the session's `date` nor when an instrument came (`received`) is given",
        Lacks::Test => "no version up to this one tests it",
    };
    says.to_owned()
}

fn teeth(rings: &[u32]) -> String {
    rings.iter().map(u32::to_string).collect::<Vec<_>>().join("-")
}

impl PremiseFacts {
    /// `None` for one that another version of the program names.
    pub fn named(&self) -> Option<Premise> {
        Premise::from_word(&self.premise)
    }

    pub fn state(&self) -> Option<PremiseState> {
        PremiseState::from_word(&self.state)
    }

    pub fn takes(&self) -> Option<Takes> {
        Takes::from_word(&self.takes)
    }

    pub fn is_contradicted(&self) -> bool {
        self.state() == Some(PremiseState::Contradicted)
    }
}
