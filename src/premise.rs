//! The table of premises: the vocabulary that protocols, their tests and verdicts share.

/// Something that must be so for a verdict to mean what it says. In the order in which they are told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Premise {
    OwnRecording,
    Firmware,
    TwoInstruments,
    Measured,
    SameRide,
    Clocks,
    References,
    Covered,
    Bike,
    ProtocolRidden,
    AsAsked,
    Pins,
    Certificates,
    Dates,
    Readings,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PremiseState {
    /// Tested, and agrees.
    Held,
    /// Tested, and does not.
    Contradicted,
    /// Nothing in the recordings speaks to it.
    Untested,
}

impl PremiseState {
    const ALL: [PremiseState; 3] = [PremiseState::Held, PremiseState::Contradicted, PremiseState::Untested];

    /// As verdicts write it.
    pub fn word(self) -> &'static str {
        match self {
            PremiseState::Held => "held",
            PremiseState::Contradicted => "contradicted",
            PremiseState::Untested => "untested",
        }
    }

    /// The state that a verdict names so.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.word() == word)
    }
}

/// What a premise takes away where it is contradicted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Takes {
    /// Nothing but silence: it is told on the first page.
    Nothing,
    /// Rings from speed over cadence are not used.
    Rings,
    /// What hangs on the unit's clock (lags, residual power, missing work) is undecided.
    Timing,
    /// What hangs on the references' gain is undecided.
    Gain,
    /// Drills of which too little was recorded.
    Unrecorded,
    /// The repeat is scored and shown, and undecided.
    Repeat,
    /// The repeat stays not ridden.
    Pin,
    /// The check stays open.
    Check,
    /// The reference is out.
    Reference,
    /// Nothing can pass.
    Pass,
    /// The session is not judged.
    Verdict,
}

impl Takes {
    const ALL: [Takes; 11] = [
        Takes::Nothing,
        Takes::Rings,
        Takes::Timing,
        Takes::Gain,
        Takes::Unrecorded,
        Takes::Repeat,
        Takes::Pin,
        Takes::Check,
        Takes::Reference,
        Takes::Pass,
        Takes::Verdict,
    ];

    /// As verdicts write it.
    pub fn word(self) -> &'static str {
        match self {
            Takes::Nothing => "nothing",
            Takes::Rings => "rings from speed",
            Takes::Timing => "what hangs on the unit's clock",
            Takes::Gain => "what hangs on the references' gain",
            Takes::Unrecorded => "the drills that were not recorded",
            Takes::Repeat => "the repeat",
            Takes::Pin => "the pin",
            Takes::Check => "the check",
            Takes::Reference => "the reference",
            Takes::Pass => "the pass",
            Takes::Verdict => "the verdict",
        }
    }

    /// What a verdict names so; `None` for the word of another version of the program.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|takes| takes.word() == word)
    }
}

/// A line of the table.
#[derive(Debug, Clone, Copy)]
pub struct PremiseRow {
    pub premise: Premise,
    /// As protocols and verdicts name it.
    pub word: &'static str,
    /// What must be so, as a clause.
    pub must: &'static str,
    pub tested_by: &'static str,
    /// What it takes at the most.
    pub takes: &'static str,
}

#[rustfmt::skip]
pub const PREMISES: &[PremiseRow] = &[
    PremiseRow { premise: Premise::OwnRecording, word: "own recording",
        must: "each recording is of the instrument that it is given for",
        tested_by: "serial number, sensor number and product of the power sensors in the recording, against the session",
        takes: "the verdict" },
    PremiseRow { premise: Premise::Firmware, word: "firmware",
        must: "the firmware is the one that the session names",
        tested_by: "the sensor's software version in the recording",
        takes: "nothing: it is told, and the recording's is used" },
    PremiseRow { premise: Premise::TwoInstruments, word: "two instruments",
        must: "unit and reference are two instruments",
        tested_by: "readings alike to the last watt, or one a fixed multiple of the other, where power changes",
        takes: "the verdict; between two references, the second of them" },
    PremiseRow { premise: Premise::Measured, word: "measured",
        must: "each instrument measured at all",
        tested_by: "readings that are all zero, all one value, or of one side only while the others change",
        takes: "the instrument; with the unit, or the last reference, the verdict" },
    PremiseRow { premise: Premise::SameRide, word: "same ride",
        must: "all recordings are of this ride",
        tested_by: "what both head units recorded (heart rate, position, speed, altitude), else power",
        takes: "the reference; with the unit, the verdict" },
    PremiseRow { premise: Premise::Clocks, word: "clocks",
        must: "each clock is known to what is stated",
        tested_by: "shared channels against each other, windows against a steady clock, and that no unit leads at stops and starts alike",
        takes: "what hangs on the unit's clock, where the unit leads at stops and starts alike" },
    PremiseRow { premise: Premise::References, word: "references",
        must: "the references are sound",
        tested_by: "each pair against what both state (E_n, all pairs allowed for)",
        takes: "what hangs on their gain; of three or more, the one that stands apart" },
    PremiseRow { premise: Premise::Covered, word: "covered",
        must: "each recording covers the drills",
        tested_by: "its span against the others'",
        takes: "the drills outside of it: not recorded" },
    PremiseRow { premise: Premise::Bike, word: "bike",
        must: "chainrings, cassette and wheel are as stated",
        tested_by: "speed over cadence against the teeth, and the teeth that gear changes name",
        takes: "rings from speed" },
    PremiseRow { premise: Premise::ProtocolRidden, word: "protocol ridden",
        must: "this is the protocol that was ridden",
        tested_by: "not yet: how much of a ride its moves explain",
        takes: "nothing yet" },
    PremiseRow { premise: Premise::AsAsked, word: "as asked",
        must: "each phase was ridden as asked",
        tested_by: "mean power or effort against target and tolerance, length, ring",
        takes: "the repeat: scored and shown, but undecided, unless the protocol says `off_target: accept`" },
    PremiseRow { premise: Premise::Pins, word: "pins",
        must: "a pinned stretch is what it is pinned as",
        tested_by: "the same demands as for any other stretch",
        takes: "the pin: the repeat stays not ridden" },
    PremiseRow { premise: Premise::Certificates, word: "certificates",
        must: "certificates were valid on the day",
        tested_by: "date and due date against the ride's",
        takes: "nothing; the reference where the protocol needs it" },
    PremiseRow { premise: Premise::Dates, word: "dates",
        must: "the session's dates fit the recordings",
        tested_by: "the session's date and the day that an instrument came, against the day of the recordings",
        takes: "nothing" },
    PremiseRow { premise: Premise::Readings, word: "readings",
        must: "typed readings are there and complete",
        tested_by: "what was asked, counted, side by side",
        takes: "the check: what was not read is not decided" },
];

impl Premise {
    pub fn row(self) -> &'static PremiseRow {
        // The table is in the enum's order, which a test holds.
        &PREMISES[self as usize]
    }

    pub fn word(self) -> &'static str {
        self.row().word
    }

    /// The premise of this word.
    pub fn from_word(word: &str) -> Option<Self> {
        PREMISES.iter().find(|row| row.word == word).map(|row| row.premise)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_in_the_order_of_the_premises_and_its_words_differ() {
        for (i, row) in PREMISES.iter().enumerate() {
            assert_eq!(row.premise as usize, i, "{}", row.word);
            assert_eq!(row.premise.row().word, row.word);
            assert_eq!(Premise::from_word(row.word), Some(row.premise));
        }
        assert_eq!(Premise::Readings as usize, PREMISES.len() - 1);
        for takes in Takes::ALL {
            assert_eq!(Takes::from_word(takes.word()), Some(takes));
        }
    }
}
