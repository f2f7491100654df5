//! Whether two recordings are of two instruments, or one is a copy of the other.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::devices::instruments;
use super::evidence::Evidence;
use super::tested::TestedPremise;
use crate::align;
use crate::premise::{Premise, Takes};
use crate::recording::Recording;
use crate::session::{Instrument, Session, Unit};
use crate::stats;

/// Where power changes by less from one second to the next, two honest meters often show the same watts. Common practice, no
/// source.
const CHANGE_W: f64 = 5.0;
/// Fewer changing seconds than this prove nothing: were honest meters alike in every other one (they are in fewer, as each
/// hears other turns of the crank), so many would be alike nine times in ten with a probability below 1e-9 (binomial).
const FEWEST_SECONDS: usize = 60;
/// Copies are alike in all seconds but those that were cut or filled; honest meters in less than half of them.
const COPIED: f64 = 0.9;
/// A copy may be sent on so late.
const LATEST_S: i64 = 5;
/// Both are stored as whole watts (GUM F.2.2.1: half of the last digit).
const HALF_W: f64 = 0.5;

/// The unit against each reference, then the references against each other.
pub(super) fn two_instruments(
    session: &Session,
    unit: &Unit,
    recordings: &BTreeMap<PathBuf, Recording>,
) -> Vec<TestedPremise> {
    let mut tested = pairs(&instruments(session, unit), recordings);
    for pair in tested.iter_mut().filter(|pair| pair.is_contradicted()) {
        let with_unit = pair.about.contains(&unit.instrument.label);
        pair.takes = if with_unit { Takes::Verdict } else { Takes::Reference };
        // Of two references that are one, the earlier goes on.
        if !with_unit {
            pair.about.remove(0);
        }
    }
    tested
}

/// Each instrument against every one before it; whichever role they have, nothing is taken yet.
pub(super) fn pairs(all: &[&Instrument], recordings: &BTreeMap<PathBuf, Recording>) -> Vec<TestedPremise> {
    let powers: Vec<RecordedPower> = all.iter().map(|of| RecordedPower::of(of, all, recordings)).collect();
    let mut tested = vec![];
    for (second, theirs) in powers.iter().enumerate() {
        for (first, own) in powers[..second].iter().enumerate() {
            let Some(Likeness { alike, seconds, times }) = own.likeness(theirs) else { continue };
            let (premise, about) = (Premise::TwoInstruments, vec![all[first].label.clone(), all[second].label.clone()]);
            tested.push(if seconds < FEWEST_SECONDS {
                TestedPremise::untested(premise, about, Evidence::TooFewChanges { seconds })
            } else if alike as f64 >= COPIED * seconds as f64 {
                let evidence = Evidence::Identical { alike, seconds, times };
                TestedPremise::contradicted(premise, about, evidence, Takes::Nothing)
            } else {
                TestedPremise::held(premise, about, Evidence::NotIdentical { alike, seconds })
            });
        }
    }
    tested
}

/// An instrument's power by whole seconds since 1970, as stamped: in order, each second once.
struct RecordedPower(Vec<(i64, f64)>);

#[derive(Clone, Copy)]
struct Likeness {
    alike: usize,
    seconds: usize,
    times: f64,
}

impl RecordedPower {
    fn of(instrument: &Instrument, all: &[&Instrument], recordings: &BTreeMap<PathBuf, Recording>) -> Self {
        let mut readings = vec![];
        for recording in instrument.recordings.iter().filter_map(|path| recordings.get(path)) {
            let field = align::field(instrument, all, "power");
            let values = field.and_then(|field| recording.samples.channel(field)).unwrap_or_default();
            let start_s = recording.start.timestamp_millis() as f64 / 1000.0;
            for (time_s, power_w) in recording.samples.time_s.iter().zip(values) {
                readings.extend(power_w.map(|power_w| ((start_s + time_s).round() as i64, power_w)));
            }
        }
        readings.sort_by_key(|(second, _)| *second);
        readings.dedup_by_key(|(second, _)| *second);
        Self(readings)
    }

    /// The lag at which they are most alike, near their stamps or near their starts: a copy may have been stamped anew.
    fn likeness(&self, theirs: &Self) -> Option<Likeness> {
        let from_starts = theirs.0.first()?.0 - self.0.first()?.0;
        let mut lags: Vec<i64> = (-LATEST_S..=LATEST_S).flat_map(|lag| [lag, lag + from_starts]).collect();
        lags.sort_unstable();
        lags.dedup();
        let changes = self.changes();
        lags.into_iter().filter_map(|lag| theirs.alike_at(&changes, lag)).max_by(|a, b| {
            let share = |of: &Likeness| of.alike as f64 / of.seconds.max(FEWEST_SECONDS) as f64;
            share(a).total_cmp(&share(b))
        })
    }

    /// The seconds in which power changes.
    fn changes(&self) -> Vec<(i64, f64)> {
        let changed = self.0.windows(2).filter_map(|pair| {
            let [(before, before_w), (second, power_w)] = [pair[0], pair[1]];
            let changes = second - before == 1 && power_w > 0.0 && (power_w - before_w).abs() >= CHANGE_W;
            changes.then_some((second, power_w))
        });
        changed.collect()
    }

    /// Over the other's changes; this one's are stamped `lag` later.
    fn alike_at(&self, changes: &[(i64, f64)], lag: i64) -> Option<Likeness> {
        let mut left = self.0.iter().peekable();
        let pair = |(second, other_w): &(i64, f64)| {
            while left.next_if(|(earlier, _)| *earlier < second + lag).is_some() {}
            let (_, power_w) = left.peek().filter(|(at, _)| *at == second + lag)?;
            Some((*other_w, *power_w))
        };
        let pairs: Vec<(f64, f64)> = changes.iter().filter_map(pair).collect();
        let times = stats::median(&pairs.iter().map(|(own_w, other_w)| other_w / own_w).collect::<Vec<f64>>())?;
        if times <= 0.0 {
            return None;
        }
        // The multiple itself is known to no better than a watt in the largest reading.
        let alike = |(own_w, other_w): &&(f64, f64)| (other_w - times * own_w).abs() <= HALF_W * (1.0 + times) + 1e-9;
        Some(Likeness { alike: pairs.iter().filter(alike).count(), seconds: pairs.len(), times })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn power(values: impl IntoIterator<Item = f64>, start_s: i64) -> RecordedPower {
        RecordedPower(values.into_iter().zip(start_s..).map(|(power_w, second)| (second, power_w.round())).collect())
    }

    /// A ride that changes all the time, in whole watts.
    fn ride(seed: f64) -> impl Iterator<Item = f64> {
        (0..600)
            .map(move |k| 200.0 + 60.0 * (k as f64 * 0.37 + seed).sin() + 25.0 * (k as f64 * 1.9 + 2.0 * seed).cos())
    }

    #[test]
    fn a_copy_a_multiple_and_a_copy_stamped_anew_are_told_from_another_meter() {
        let own = power(ride(0.0), 1000);
        let share = |theirs: RecordedPower| {
            let Likeness { alike, seconds, times } = own.likeness(&theirs).unwrap();
            assert!(seconds >= FEWEST_SECONDS);
            (alike as f64 / seconds as f64, times)
        };
        assert_eq!(share(power(ride(0.0), 1000)), (1.0, 1.0));
        let (alike, times) = share(power(ride(0.0).map(|w| 1.05 * w), 1003));
        assert!(alike > 0.95 && (times - 1.05).abs() < 0.003, "{alike} {times}");
        assert_eq!(share(power(ride(0.0), 90_000)).0, 1.0);
        // One per cent of scatter from second to second, as two honest meters have.
        let scattered = ride(0.0).enumerate().map(|(k, w)| w * (1.0 + 0.014 * (k as f64 * 2.7).sin()));
        assert!(share(power(scattered, 1000)).0 < 0.6);
    }
}
