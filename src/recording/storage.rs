//! How a head unit makes one value a second of the several messages that it hears.

use super::model::Recording;

/// What a recording's power shows of it, by the seconds in which the rider stops: a head unit that stores the second's
/// mean writes one value between the level and zero, unless the stop falls on the border of a second; one that
/// stores the last message mostly writes none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StorageEvidence {
    pub storage: Storage,
    /// Stops from a steady level to zero, in consecutive seconds.
    pub stops: usize,
    /// Of these, with exactly one value clearly between the level and zero.
    pub between: usize,
    /// Stops over several values between, as a flywheel or a smoothing instrument gives; they tell nothing.
    pub gradual: usize,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Storage {
    SecondMean,
    LastMessage,
    CannotTell,
}

impl Storage {
    pub fn word(self) -> &'static str {
        match self {
            Storage::SecondMean => "the second's mean",
            Storage::LastMessage => "the last message",
            Storage::CannotTell => "can't tell",
        }
    }
}

/// A level worth stopping from, W: below it noise is as large as the level (common practice, no source).
const LEAST_LEVEL_W: f64 = 60.0;
/// Seconds of pedalling before a stop, and of zeros behind it. Common practice, no source.
const BEFORE: usize = 5;
const BEHIND: usize = 3;
/// A value between these shares of the level is a part of both seconds. Common practice, no source: readings scatter
/// by up to a tenth, and the parts of four messages are quarters.
const BETWEEN: (f64, f64) = (0.08, 0.85);
/// How often a value between is expected: three of four messages leave one for a mean; a rider who eases off leaves
/// one now and then for a last message. From simulated rides; no recording states how it was stored.
const OF_MEANS: f64 = 0.70;
const OF_LAST: f64 = 0.15;
/// Odds from which one is believed. Common practice, no source.
const BELIEVED_AT: f64 = 50.0;

impl Recording {
    /// How the head unit stores power, as far as the rider's stops can tell.
    pub fn storage(&self) -> StorageEvidence {
        let samples = &self.samples;
        let steady = (self.sampling_interval_s() - 1.0).abs() < 1e-9;
        let (mut stops, mut between, mut gradual) = (0, 0, 0);
        for zero in (BEFORE + 1)..samples.len().saturating_sub(BEHIND - 1) {
            let consecutive = samples.time_s[zero + BEHIND - 1] - samples.time_s[zero - BEFORE - 1];
            if !steady || consecutive != (BEFORE + BEHIND) as f64 {
                continue;
            }
            // A recording without power has no column of it.
            match samples.power_w.get(zero - BEFORE - 1..zero + BEHIND).and_then(stop) {
                Some(0) => stops += 1,
                Some(1) => (stops, between) = (stops + 1, between + 1),
                Some(_) => gradual += 1,
                None => {}
            }
        }
        StorageEvidence { storage: likelier(stops, between, gradual), stops, between, gradual }
    }
}

/// Number of values between level and zero in a window of `BEFORE` + 1 values before a stop and `BEHIND` zeros; `None`
/// if it holds no stop there.
fn stop(window: &[Option<f64>]) -> Option<usize> {
    let (before, behind) = window.split_at(BEFORE + 1);
    if behind.iter().any(|w| *w != Some(0.0)) {
        return None;
    }
    let before: Vec<f64> = before.iter().copied().collect::<Option<_>>()?;
    let (level, end) = before.split_at(BEFORE - 2);
    let level_w = level.iter().sum::<f64>() / level.len() as f64;
    // Steady enough for what follows to be between.
    let is_level = level.iter().all(|w| (w / level_w - 1.0).abs() < 1.0 - BETWEEN.1);
    if level_w < LEAST_LEVEL_W || !is_level || end[end.len() - 1] == 0.0 {
        return None;
    }
    let between = |w: &&f64| (BETWEEN.0 * level_w..BETWEEN.1 * level_w).contains(*w);
    Some(end.iter().filter(between).count())
}

fn likelier(stops: usize, between: usize, gradual: usize) -> Storage {
    if gradual > stops {
        return Storage::CannotTell;
    }
    let (with, without) = (between as f64, (stops - between) as f64);
    let log_odds = with * (OF_MEANS / OF_LAST).ln() + without * ((1.0 - OF_MEANS) / (1.0 - OF_LAST)).ln();
    if log_odds > BELIEVED_AT.ln() {
        Storage::SecondMean
    } else if log_odds < -BELIEVED_AT.ln() {
        Storage::LastMessage
    } else {
        Storage::CannotTell
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearse::{RehearsalPlan, RideHabits, SecondStorage as True, simulate};

    #[test]
    fn rehearsed_head_units_are_told_or_not_but_never_mistaken() {
        let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/bench-both-rings.yaml");
        let protocol = crate::protocol::load(&file, None).unwrap_or_else(|problems| panic!("{problems}"));
        let (mut told, mut asked) = (0, 0);
        for seed in 0..12 {
            let habits = RideHabits::varied(seed);
            let ride = simulate(&protocol, &RehearsalPlan { habits: habits.clone(), ..RehearsalPlan::new(seed) });
            let found: Vec<_> = ride.recordings.iter().map(|recording| recording.storage().storage).collect();
            for (found, stored) in found.iter().zip(habits.storage).take(2) {
                let right = if stored == True::SecondMean { Storage::SecondMean } else { Storage::LastMessage };
                assert!(*found == right || *found == Storage::CannotTell, "seed {seed}: {found:?} for {stored:?}");
                asked += 1;
                told += usize::from(*found == right);
            }
            assert_eq!(found[2], Storage::CannotTell, "seed {seed}: a flywheel stops gradually");
        }
        // Some riders are too unsteady for their stops to tell.
        assert!(told * 10 >= asked * 7, "{told} of {asked}");
    }

    #[test]
    fn too_few_stops_tell_nothing() {
        assert_eq!(likelier(0, 0, 0), Storage::CannotTell);
        assert_eq!(likelier(3, 0, 0), Storage::CannotTell);
        assert_eq!(likelier(4, 0, 0), Storage::LastMessage);
        assert_eq!(likelier(2, 2, 0), Storage::CannotTell);
        assert_eq!(likelier(3, 3, 0), Storage::SecondMean);
        assert_eq!(likelier(20, 18, 30), Storage::CannotTell, "mostly gradual");
    }

    #[test]
    fn a_stop_needs_a_level_before_and_zeros_behind() {
        let window = |values: [i32; 9]| values.map(|w| (w >= 0).then(|| f64::from(w)));
        assert_eq!(stop(&window([200, 198, 203, 199, 201, 202, 0, 0, 0])), Some(0));
        assert_eq!(stop(&window([200, 198, 203, 199, 201, 90, 0, 0, 0])), Some(1));
        assert_eq!(stop(&window([200, 198, 203, 160, 101, 50, 0, 0, 0])), Some(3));
        assert_eq!(stop(&window([200, 90, 203, 199, 201, 202, 0, 0, 0])), None, "no steady level");
        assert_eq!(stop(&window([200, 198, 203, 199, -1, 202, 0, 0, 0])), None, "a missing value");
        assert_eq!(stop(&window([200, 198, 203, 199, 201, 202, 0, 5, 0])), None, "not still");
    }
}
