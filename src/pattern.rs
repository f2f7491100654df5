//! The patterns of faults that a finding can name.

macro_rules! patterns {
    ($($variant:ident => $word:literal,)+) => {
        /// A pattern of faults. Its word stands in verdicts and truths; the program asks for the pattern.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Pattern { $($variant),+ }

        impl Pattern {
            pub const ALL: &[Pattern] = &[$(Pattern::$variant),+];

            /// As verdicts write it.
            pub fn word(self) -> &'static str {
                match self { $(Pattern::$variant => $word),+ }
            }

            /// `None` for the word of another version of the program.
            pub fn from_word(word: &str) -> Option<Self> {
                match word { $($word => Some(Pattern::$variant),)+ _ => None }
            }
        }
    };
}

patterns! {
    Gain => "gain",
    Offset => "offset",
    RingDependent => "ring-dependent",
    Drift => "drift",
    SoftPedallingLost => "soft-pedalling-lost",
    SideShortInSprints => "side-short-in-sprints",
    HoldsReadingWhenStopped => "holds-reading-when-stopped",
    LateRestart => "late-restart",
    LateCadence => "late-cadence",
    LateThroughout => "late-throughout",
    PowerWhileCoasting => "power-while-coasting",
    DoubledSide => "doubled-side",
    StuckReading => "stuck-reading",
    PowerSpikes => "power-spikes",
    RadioDropouts => "radio-dropouts",
    ClockMismatch => "clock-mismatch",
    ReferenceAtFault => "reference-at-fault",
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pattern_is_found_by_its_word() {
        assert!(Pattern::ALL.iter().all(|&pattern| Pattern::from_word(pattern.word()) == Some(pattern)));
        assert_eq!(Pattern::from_word("gain "), None);
    }
}
