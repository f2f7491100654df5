//! All that the model of a ride takes as given: one table, each constant with what it rests on.
//!
//! `fit` marks what `cargo bench --bench assignment -- fit` finds again on seeds that no report uses: the value is the one at
//! which probabilities mean what they say and most is found.

macro_rules! parameters {
    ($($(#[doc = $doc:literal])* $name:ident = $value:literal, $rests_on:literal;)+) => {
        /// See the table in this file.
        #[derive(Debug, Clone, PartialEq)]
        pub struct Parameters { $($(#[doc = $doc])* pub $name: f64,)+ }

        impl Parameters {
            pub const SHIPPED: Parameters = Parameters { $($name: $value,)+ };
        }

        #[cfg(any(test, feature = "internals"))]
        impl Parameters {
            /// Name, shipped value, what it rests on.
            pub const TABLE: &[(&str, f64, &str)] = &[$((stringify!($name), $value, $rests_on),)+];

            /// The table with another value of one name; `None` where no parameter has it.
            pub fn with(&self, name: &str, value: f64) -> Option<Self> {
                let mut other = self.clone();
                match name {
                    $(stringify!($name) => other.$name = value,)+
                    _ => return None,
                }
                Some(other)
            }
        }
    };
}

parameters! {
    /// Seconds of steady riding that make one piece of evidence of its level: riders wander slowly.
    alike_s = 60.0, "fit";
    /// The same of a few seconds' move.
    short_alike_s = 3.0, "fit";
    /// A rider's standard deviation about a target, as a share of the phase's tolerance.
    hits = 0.3, "a tolerance is 2.5 of them: common practice, no source; fit";
    /// Standard deviation of log power about a level over some seconds.
    wanders = 0.04, "fit";
    /// Over a few seconds riders miss a level by so many times as much.
    short_misses = 1.5, "common practice, no source";
    /// Share of a block's pieces of evidence in which the rider does something else.
    elsewhere = 0.15, "fit";
    /// The same of a few seconds' move.
    short_elsewhere = 0.03, "fit";
    /// Median power of free riding, W.
    free_w = 150.0, "common practice, no source";
    /// Standard deviation of its log.
    free_spread = 0.8, "common practice, no source";
    /// Share of free riding that is coasted.
    free_coasts = 0.08, "common practice, no source";
    /// Share of a coast's seconds that read as one.
    coasts = 0.97, "fit";
    /// Share of free riding as hard as a sprint.
    free_sprints = 0.01, "fit";
    /// Standard deviation of log power by which a try misses an effort.
    tries_miss = 0.1, "fit";
    /// Share of phases ridden at another cadence than asked.
    other_cadence = 0.35, "fit";
    /// Median of free cadence.
    free_rpm = 85.0, "common practice, no source";
    /// Its standard deviation.
    free_rpm_sd = 18.0, "common practice, no source";
    /// Share of phases ridden on another ring than asked.
    other_ring = 0.03, "common practice, no source";
    /// Seconds of a ring that make one piece of evidence.
    ring_alike_s = 60.0, "fit";
    /// Probability that a phase begins where another ended.
    at_once = 0.3, "fit";
    /// If it does not, the mean time until it does, s.
    begins_s = 300.0, "fit";
    /// Probability of a phase against the protocol's order.
    jumps = 0.015, "fit";
    /// Probability that what was asked for once is ridden again at once, and prior odds of a repeat beyond what was asked.
    again = 0.01, "fit";
    /// Probability that a warm-up, a spin or an optional phase is left out.
    skips = 0.05, "fit";
    /// Prior odds of a rider who missed all targets by one factor.
    off_pace = 0.02, "common practice, no source";
    /// Share of boundaries at which neither power nor cadence changes.
    hidden = 0.1, "fit";
    /// Changes of power or cadence in free riding, per second.
    changes_per_s = 0.03, "fit";
    /// Most of the boundaries at which a lap is expected.
    most_lapped = 0.9, "fit";
    /// How exactly a lap button is pressed, a prompt followed, a gear changed, s.
    press_sd_s = 1.3, "common practice, no source";
    /// How much likelier a change of gear or a timer event is at a boundary than at any other second.
    event_odds = 6.0, "fit";
    /// The same of a prompt.
    prompt_odds = 40.0, "fit";
    /// How long after the rider began a channel begins to show it, s: a reading tells of a turn that is over.
    shows_after_s = 1.1, "from simulation";
    /// Time constant with which it may follow, s: legs take a second or two to another power …
    follows_s = 1.0, "from simulation";
    /// … and a brake that holds power takes longer.
    follows_slowly_s = 3.5, "from simulation";
    /// Seconds to either side in which a change is looked for: few, as moves are short …
    near_s = 6.0, "fit";
    /// … and many, as changes are small.
    far_s = 40.0, "fit";
    /// What a rider's wandering keeps of itself after a second.
    keeps = 0.9, "fit";
    /// Share of blocks ended after half of what was asked and before nearly all; a third of it of shorter moves.
    shortened = 0.03, "fit";
    /// Share of moves that last longer than asked.
    longer = 0.1, "fit";
    /// For how much longer, at most, s.
    longer_s = 12.0, "fit";
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_are_few_and_each_says_what_it_rests_on() {
        assert!(Parameters::TABLE.len() <= 40, "{}", Parameters::TABLE.len());
        for (name, value, rests_on) in Parameters::TABLE {
            assert!(!rests_on.is_empty());
            assert_eq!(Parameters::SHIPPED.with(name, *value), Some(Parameters::SHIPPED));
        }
        assert_eq!(Parameters::SHIPPED.with("none", 1.0), None);
    }
}
