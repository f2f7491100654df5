//! The patterns of faults that a finding can name.

/// A pattern of faults. Its word stands in verdicts and truths; the program asks for the pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Pattern {
    Gain,
    Offset,
    RingDependent,
    Drift,
    SoftPedallingLost,
    SideShortInSprints,
    HoldsReadingWhenStopped,
    LateRestart,
    LateCadence,
    LateThroughout,
    PowerWhileCoasting,
    DoubledSide,
    StuckReading,
    PowerSpikes,
    RadioDropouts,
    ClockMismatch,
    ReferenceAtFault,
}

impl Pattern {
    pub const ALL: [Pattern; 17] = [
        Pattern::Gain,
        Pattern::Offset,
        Pattern::RingDependent,
        Pattern::Drift,
        Pattern::SoftPedallingLost,
        Pattern::SideShortInSprints,
        Pattern::HoldsReadingWhenStopped,
        Pattern::LateRestart,
        Pattern::LateCadence,
        Pattern::LateThroughout,
        Pattern::PowerWhileCoasting,
        Pattern::DoubledSide,
        Pattern::StuckReading,
        Pattern::PowerSpikes,
        Pattern::RadioDropouts,
        Pattern::ClockMismatch,
        Pattern::ReferenceAtFault,
    ];

    /// As verdicts write it.
    pub fn word(self) -> &'static str {
        match self {
            Pattern::Gain => "gain",
            Pattern::Offset => "offset",
            Pattern::RingDependent => "ring-dependent",
            Pattern::Drift => "drift",
            Pattern::SoftPedallingLost => "soft-pedalling-lost",
            Pattern::SideShortInSprints => "side-short-in-sprints",
            Pattern::HoldsReadingWhenStopped => "holds-reading-when-stopped",
            Pattern::LateRestart => "late-restart",
            Pattern::LateCadence => "late-cadence",
            Pattern::LateThroughout => "late-throughout",
            Pattern::PowerWhileCoasting => "power-while-coasting",
            Pattern::DoubledSide => "doubled-side",
            Pattern::StuckReading => "stuck-reading",
            Pattern::PowerSpikes => "power-spikes",
            Pattern::RadioDropouts => "radio-dropouts",
            Pattern::ClockMismatch => "clock-mismatch",
            Pattern::ReferenceAtFault => "reference-at-fault",
        }
    }

    /// `None` for the word of another version of the program.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|pattern| pattern.word() == word)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pattern_is_found_by_its_word() {
        assert!(Pattern::ALL.into_iter().all(|pattern| Pattern::from_word(pattern.word()) == Some(pattern)));
        assert_eq!(Pattern::from_word("gain "), None);
    }
}
