//! The repeats of a phase together, by how the protocol accepts them.

use crate::protocol::{Accept, Phase};
use crate::stats;

use super::outcome::{Outcome, RateInterval};
use super::remedy::Remedy;

/// Level of the exact limits of a fault rate, one-sided: that of success-run tables. Common practice, no source.
const RATE_LEVEL: f64 = 0.95;

/// Nobody rides more repeats than this to show a fault rate. Common practice, no source.
const MOST_REPEATS: u32 = 1000;

/// What the repeats of a phase come to.
#[derive(Debug, Clone, PartialEq)]
pub struct RepeatDecision {
    pub verdict: Outcome,
    pub reason: Option<RepeatReason>,
    pub remedy: Option<RepeatRemedy>,
}

/// Why they fail or are undecided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RepeatReason {
    NoneRidden,
    /// Where every repeat has to pass.
    Failed {
        failed: u32,
        ridden: u32,
    },
    /// Where some may fail.
    FailedMore {
        failed: u32,
        ridden: u32,
        may: u32,
    },
    MeanFails,
    MeanUndecided,
    NothingApplies,
    /// Missing, of which some were ridden otherwise than asked.
    Missing {
        missing: u32,
        asked: u32,
        off: u32,
    },
    /// Some were ridden, and none as asked.
    NoneAsAsked {
        off: u32,
    },
    /// None was found, and a recording leaves out enough of the ride to hold them.
    NoneRecorded,
    /// At least this share fails, at the level of the limits.
    RateAbove {
        failed: u32,
        ridden: u32,
        at_least: f64,
    },
    /// Up to this share may.
    RateOpen {
        failed: u32,
        undecided: u32,
        ridden: u32,
        up_to: f64,
    },
}

/// What would decide them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RepeatRemedy {
    OfMean(Remedy),
    Ride {
        more: u32,
    },
    /// So many more without a fault show a rate below this.
    Clean {
        more: u32,
        rate: f64,
    },
}

/// Counted repeats, without surplus ones.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    /// As asked.
    pub ridden: u32,
    /// Otherwise than asked.
    pub off: u32,
    /// Not found where a recording leaves out enough of the ride.
    pub unrecorded: u32,
    pub failed: u32,
    pub undecided: u32,
}

/// Enough repeats did not fail, whatever the missing ones would have done.
fn passes_without_missing(accept: Accept, not_failed: u32) -> bool {
    matches!(accept, Accept::AtLeast { passing, .. } if not_failed >= passing)
}

/// Decides a repeated phase. `mean` is over the repeats that the acceptance counts (all, or those that did not fail),
/// `of_mean` what would decide it.
pub fn repeats(phase: &Phase, tally: Tally, mean: Outcome, of_mean: Option<Remedy>) -> RepeatDecision {
    let plain = |verdict, reason| RepeatDecision { verdict, reason: Some(reason), remedy: None };
    let Tally { ridden, off, failed, undecided, unrecorded } = tally;
    if ridden == 0 && off > 0 {
        let ride = RepeatRemedy::Ride { more: phase.repeats };
        return RepeatDecision { remedy: Some(ride), ..plain(Outcome::Undecided, RepeatReason::NoneAsAsked { off }) };
    }
    if ridden == 0 && unrecorded > 0 {
        return plain(Outcome::NotRecorded, RepeatReason::NoneRecorded);
    }
    if ridden == 0 {
        return plain(Outcome::NotRidden, RepeatReason::NoneRidden);
    }
    let missing = phase.repeats.saturating_sub(ridden);
    match phase.accept {
        Accept::EveryRepeat if failed > 0 => plain(Outcome::Fail, RepeatReason::Failed { failed, ridden }),
        Accept::AtLeast { passing, of } if failed > of.saturating_sub(passing) => {
            plain(Outcome::Fail, RepeatReason::FailedMore { failed, ridden, may: of.saturating_sub(passing) })
        }
        Accept::EveryRepeat | Accept::AtLeast { .. } => match mean {
            Outcome::Fail => plain(Outcome::Fail, RepeatReason::MeanFails),
            Outcome::Undecided | Outcome::NotRidden | Outcome::NotRecorded | Outcome::NotJudged => RepeatDecision {
                remedy: of_mean.map(RepeatRemedy::OfMean),
                ..plain(Outcome::Undecided, RepeatReason::MeanUndecided)
            },
            Outcome::NotApplicable => plain(Outcome::NotApplicable, RepeatReason::NothingApplies),
            Outcome::Pass if missing > 0 && !passes_without_missing(phase.accept, ridden - failed) => RepeatDecision {
                remedy: Some(RepeatRemedy::Ride { more: missing }),
                ..plain(Outcome::Undecided, RepeatReason::Missing { missing, asked: phase.repeats, off })
            },
            Outcome::Pass => RepeatDecision { verdict: Outcome::Pass, reason: None, remedy: None },
        },
        Accept::FaultRateBelow(rate) => {
            let upper = stats::clopper_pearson(
                u64::from(failed + undecided),
                u64::from(ridden),
                RATE_LEVEL,
                stats::Sides::Upper,
            )
            .1;
            let lower = stats::clopper_pearson(u64::from(failed), u64::from(ridden), RATE_LEVEL, stats::Sides::Lower).0;
            if upper < rate {
                RepeatDecision { verdict: Outcome::Pass, reason: None, remedy: None }
            } else if lower > rate {
                plain(Outcome::Fail, RepeatReason::RateAbove { failed, ridden, at_least: lower })
            } else {
                let more = clean_repeats_needed(failed + undecided, ridden, rate);
                RepeatDecision {
                    remedy: more.map(|more| RepeatRemedy::Clean { more, rate }),
                    ..plain(Outcome::Undecided, RepeatReason::RateOpen { failed, undecided, ridden, up_to: upper })
                }
            }
        }
    }
}

/// How many further clean repeats bring the one-sided 95 % limit below `rate`; `None` above a thousand.
pub fn clean_repeats_needed(faults: u32, ridden: u32, rate: f64) -> Option<u32> {
    (1..=MOST_REPEATS).find(|more| {
        stats::clopper_pearson(u64::from(faults), u64::from(ridden + more), RATE_LEVEL, stats::Sides::Upper).1 < rate
    })
}

/// Both statements on a fault rate.
#[derive(Debug, Clone, PartialEq)]
pub struct FaultRates {
    pub two_sided: RateInterval,
    /// From nothing to the one-sided upper limit.
    pub upper_limit: RateInterval,
}

/// What so many repeats say of the rate of faults; `None` where none was ridden.
pub fn fault_rates(tally: Tally) -> Option<FaultRates> {
    if tally.ridden == 0 {
        return None;
    }
    let (failed, ridden) = (u64::from(tally.failed), u64::from(tally.ridden));
    let (low, high) = stats::clopper_pearson(failed, ridden, RATE_LEVEL, stats::Sides::Two);
    let upper = stats::clopper_pearson(failed, ridden, RATE_LEVEL, stats::Sides::Upper).1;
    Some(FaultRates {
        two_sided: RateInterval { level: RATE_LEVEL, sides: 2, low, high },
        upper_limit: RateInterval { level: RATE_LEVEL, sides: 1, low: 0.0, high: upper },
    })
}
