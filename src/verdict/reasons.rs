//! Why a check or a phase is decided as it is, and what would decide it, in words.

use crate::decide::{Better, More, Over, Reason, ReferencesDisagree, Remedy, RepeatReason, RepeatRemedy};
use crate::scoring::value::NoValue;

/// `references`: labels, in the session's order.
pub(crate) fn reason_in_words(reason: &Reason, references: &[String]) -> String {
    match reason {
        Reason::NoValue(NoValue::Undecided(why) | NoValue::NotApplicable(why)) => why.clone(),
        Reason::Notes(notes) => notes.join("; "),
        Reason::NotCompared { limit, unit } => {
            format!("the limit `{limit}` can't be compared with a value in {}", unit.symbol())
        }
        Reason::NoClaim => "the session does not say what the unit claims (`claimed:`)".to_owned(),
        Reason::References(quarrel) => quarrel_in_words(quarrel, references),
        Reason::NearLimit => "the limit lies within the expanded uncertainty of the value".to_owned(),
        Reason::OnlyABound => "the unit did not cross before the end: only a lower bound is known".to_owned(),
    }
}

fn quarrel_in_words(ReferencesDisagree { pair, over }: &ReferencesDisagree, references: &[String]) -> String {
    let here = match over {
        Over::Session => "",
        Over::Phase => " here",
    };
    format!(
        "{} and {} differ{here} by {:.1} % where their uncertainties allow {:.1} % (E_n {:.1}): what hangs on their gain is not decided",
        references[pair.first],
        references[pair.second],
        pair.difference_pct.abs(),
        pair.expanded_pct,
        pair.e_n
    )
}

pub(crate) fn remedy_in_words(remedy: Remedy) -> String {
    match remedy {
        Remedy::LongerStop => "a longer coast or restart, so that the unit's crossing falls inside it".to_owned(),
        Remedy::ThirdReference { within_pct } => format!(
            "settle which reference is right: a third one good to ±{} % can't agree with both; or a calibration of both",
            rounded_down(within_pct)
        ),
        Remedy::More(more) => format!("{} would decide it", more_in_words(more)),
        Remedy::Better(better) => format!("{} would decide it", better_in_words(better)),
        Remedy::MoreOrBetter(more, better) => {
            format!("{}, or {}, would decide it", more_in_words(more), better_in_words(better))
        }
        Remedy::Uncertainty { expanded, unit } => format!(
            "an expanded uncertainty of {} {} would decide it; better references and more repeats together",
            rounded_down(expanded),
            unit.symbol()
        ),
    }
}

fn more_in_words(more: More) -> String {
    match more {
        More::Times(times) => format!("about {times} times as many repeats or seconds"),
        More::Repeats(more) => format!("{more} more repeats"),
    }
}

fn better_in_words(Better { to, now, unit }: Better) -> String {
    // Rounded up it would promise what it does not keep.
    let to = rounded_down(to);
    format!("references good to ±{to} {} together (now ±{})", unit.symbol(), significant(now))
}

pub(super) fn repeat_reason_in_words(reason: RepeatReason) -> String {
    match reason {
        RepeatReason::NoneRidden => "no repeat was ridden".to_owned(),
        RepeatReason::Failed { failed, ridden } => format!("{failed} of {ridden} repeats failed"),
        RepeatReason::FailedMore { failed, ridden, may } => format!("{failed} of {ridden} repeats failed, {may} may"),
        RepeatReason::MeanFails => "the mean over the repeats fails".to_owned(),
        RepeatReason::MeanUndecided => "the mean over the repeats is undecided".to_owned(),
        RepeatReason::NothingApplies => "nothing here applies to this unit".to_owned(),
        RepeatReason::Missing { missing, asked } => format!("{missing} of {asked} repeats were not ridden"),
        RepeatReason::RateAbove { failed, ridden, at_least } => format!(
            "{failed} of {ridden} repeats failed: at least {} % with 95 % confidence",
            significant(at_least * 100.0)
        ),
        RepeatReason::RateOpen { failed, undecided, ridden, up_to } => format!(
            "{failed} faults and {undecided} undecided in {ridden} allow up to {} %",
            significant(up_to * 100.0)
        ),
    }
}

pub(super) fn repeat_remedy_in_words(remedy: RepeatRemedy) -> String {
    match remedy {
        RepeatRemedy::OfMean(remedy) => remedy_in_words(remedy),
        RepeatRemedy::Ride { more } => format!("ride {more} more"),
        RepeatRemedy::Clean { more, rate } => {
            format!("{more} more repeats without a fault would show a rate below {} %", significant(rate * 100.0))
        }
    }
}

/// Two significant digits.
fn significant(value: f64) -> String {
    if value <= 0.0 {
        return "0".to_owned();
    }
    let digits = (1 - value.log10().floor() as i32).max(0) as usize;
    format!("{value:.digits$}")
}

/// Two significant digits, never above the value.
fn rounded_down(value: f64) -> String {
    if value <= 0.0 {
        return "0".to_owned();
    }
    let unit = 10f64.powi(value.log10().floor() as i32 - 1);
    significant((value / unit + 1e-9).floor() * unit)
}
