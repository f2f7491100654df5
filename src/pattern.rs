//! The patterns of faults that a finding can name.

macro_rules! patterns {
    ($($variant:ident => $word:literal, $look_first:literal;)+) => {
        /// A pattern of faults. Its word stands in verdicts and truths; the program asks for the pattern.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Pattern { $($variant),+ }

        impl Pattern {
            pub const ALL: &'static [Pattern] = &[$(Pattern::$variant),+];

            /// As verdicts write it.
            pub fn word(self) -> &'static str {
                match self { $(Pattern::$variant => $word),+ }
            }

            /// Where a person starts on a finding of it. Common practice, no source.
            pub fn look_first(self) -> &'static str {
                match self { $(Pattern::$variant => $look_first),+ }
            }
        }
    };
}

// A pattern, its word, and where a person looks first.
patterns! {
    Gain => "gain",
        "the unit's zero offset, crank length setting and slope, then the reference's certificate";
    Offset => "offset",
        "the unit's zero offset, taken warm and unloaded, just before the ride";
    RingDependent => "ring-dependent",
        "how the chainrings sit on the unit, and on which ring its slope was set";
    Drift => "drift",
        "a zero offset at riding temperature, and how the unit corrects for temperature";
    SoftPedallingLost => "soft-pedalling-lost",
        "the unit's least torque and least cadence";
    SideShortInSprints => "side-short-in-sprints",
        "the side named: its seat, its battery contact, its firmware";
    HoldsReadingWhenStopped => "holds-reading-when-stopped",
        "how the unit notices that the crank stands, and its firmware";
    LateRestart => "late-restart",
        "the unit's wake-up after a stop, and the head unit's automatic pause";
    LateCadence => "late-cadence",
        "where the unit takes its cadence from";
    LateThroughout => "late-throughout",
        "smoothing set in the unit or in the head unit";
    PowerWhileCoasting => "power-while-coasting",
        "the unit's zero offset, and how it notices that the crank stands";
    DoubledSide => "doubled-side",
        "whether the unit senses both sides, and what the head unit is set to";
    StuckReading => "stuck-reading",
        "the unit's battery and firmware, and what the head unit writes when it hears nothing";
    PowerSpikes => "power-spikes",
        "the unit's mounting and battery contacts, other transmitters near the head unit";
    RadioDropouts => "radio-dropouts",
        "where the head unit sat, other transmitters near it, the batteries";
    ClockMismatch => "clock-mismatch",
        "the head units' clocks and time zones";
    ReferenceAtFault => "reference-at-fault",
        "the reference named: zero offset, mounting, certificate";
}

impl Pattern {
    /// `None` for the word of another version of the program.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|pattern| pattern.word() == word)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pattern_is_found_by_its_word() {
        assert!(Pattern::ALL.iter().copied().all(|pattern| Pattern::from_word(pattern.word()) == Some(pattern)));
        assert_eq!(Pattern::from_word("gain "), None);
    }
}
