//! Why a check or a phase is decided as it is, and what would decide it, in words.

use crate::decide::{Better, More, Over, Reason, ReferencesDisagree, Remedy, RepeatReason, RepeatRemedy};
use crate::premise::Premise;
use crate::protocol::Side;
use crate::scoring::{DriftOver, MeasuredOver, NoValue, Note, ReferenceNeed, Signal};

/// `references`: labels, in the session's order.
pub(crate) fn reason_in_words(reason: &Reason, references: &[String]) -> String {
    match reason {
        Reason::NoValue(why) => no_value_in_words(*why),
        Reason::Notes(notes) => notes.iter().map(|note| note_in_words(*note)).collect::<Vec<_>>().join("; "),
        Reason::NotCompared { limit, unit } => {
            format!("the limit `{limit}` can't be compared with a value in {}", unit.symbol())
        }
        Reason::NoClaim => "the session does not say what the unit claims (`claimed:`)".to_owned(),
        Reason::References(quarrel) => quarrel_in_words(quarrel, references),
        Reason::Premise(premise) => taken_in_words(*premise).to_owned(),
        Reason::NearLimit => "the limit lies within the expanded uncertainty of the value".to_owned(),
        Reason::OnlyABound => "the unit did not cross before the end: only a lower bound is known".to_owned(),
    }
}

fn taken_in_words(premise: Premise) -> &'static str {
    match premise {
        Premise::AsAsked => "not ridden as asked, so it decides nothing",
        Premise::Clocks => {
            "the unit leads at stops and starts alike, which no unit can: a clock or the reference is late"
        }
        Premise::Readings => "not all readings that are asked for were typed",
        premise => premise.row().must,
    }
}

fn no_value_in_words(why: NoValue) -> String {
    let plain = match why {
        NoValue::SideNotMeasured(sides) => return format!("the unit measures: {}", sides.word()),
        NoValue::NoReference(need) => match need {
            ReferenceNeed::SteadyPower | ReferenceNeed::ShortWork => "no reference covers this window",
            ReferenceNeed::Edges => {
                "no reference other than a hub covers this window, and a hub's flywheel hides edges, coasting and peaks"
            }
            ReferenceNeed::Sides => "no reference here measures the two sides apart",
        },
        NoValue::NotAMeasureOf { measure, of } => {
            let of = match of {
                MeasuredOver::Drill => "this drill",
                MeasuredOver::WholeRide => "the whole ride",
            };
            return format!("`{}` is not a measure of {of}", measure.word());
        }
        NoValue::NoRepeatRidden => "no repeat was ridden",
        NoValue::NoPairRidden { pairs } => return format!("none of {pairs} pairs was ridden"),
        NoValue::HeldAgainstABound => "only a lower bound is known of what it is held against",
        NoValue::StrapLostWithPower { lost_s, of_s, compared } => {
            let of = compared_in_words(compared);
            return format!(
                "{of}the unit's head unit lost the heart-rate strap with the power in {lost_s} of {of_s} s: suspect the radio"
            );
        }
        NoValue::StrapLostInDropouts => "the head unit lost the heart-rate strap as well: suspect the radio",
        NoValue::FewShared { shared_s, of_s, compared } => {
            return format!("{}unit and reference share only {shared_s} of {of_s} s", compared_in_words(compared));
        }
        NoValue::NothingShared => "unit and reference share no second here",
        NoValue::ReferenceMissing => "the reference is missing here",
        NoValue::NoReferenceCadence => "no reference recorded cadence here",
        NoValue::NoBalance => "the unit's recording holds no balance that says which side it is",
        NoValue::TooFewForLimitsOfAgreement => "too few seconds for limits of agreement",
        NoValue::NoWholeStretch { over_s } => return format!("no {over_s} s without a missing sample"),
        NoValue::PeakUnseen => "a sample is missing where the other instrument peaks",
        NoValue::StopNotToldApart => "the coast and the restart were not told apart",
        NoValue::LagInClock(on) => {
            return format!(
                "the clocks were aligned on {}, so a constant lag can't be told from a clock offset",
                on.word()
            );
        }
        NoValue::UnitRecordsNo(signal) => return format!("the unit's recording holds no {}", signal.word()),
        NoValue::UnitEdgeUnseen(signal) => {
            return format!("a sample is missing where the unit's {} has its edge", signal.word());
        }
        NoValue::UnitHasNoStep(signal) => return format!("the unit's {} shows no step here to time", signal.word()),
        NoValue::ReferenceHasNoStep(signal) => {
            return format!("the reference's {} shows no step here to time", signal.word());
        }
        NoValue::ReferenceNeverZero => "the reference never reads zero in this coast",
        NoValue::FewCoastingReadings => "fewer than two readings of the unit while the reference coasted",
        NoValue::TooFewPowers => "a line needs steady power at three or more levels",
        NoValue::TooLittleForDrift(with) => {
            return format!("drift with {}: too little steady riding", drift_in_words(with));
        }
        NoValue::DriftMixed(with) => {
            return format!("drift with {}: this ride can't tell it from rings and power", drift_in_words(with));
        }
        NoValue::NoCrankLength => "the session gives no `crank_length`",
        NoValue::NoLoads => "the session gives no `loads` under `readings`",
        NoValue::NoTorque => "the hung loads give no torque",
        NoValue::NoLoadTwice => "no load was hung twice, so hysteresis can't show",
        NoValue::NoZeroReadings => "the session gives no `zero_before` and `zero_after`",
    };
    plain.to_owned()
}

/// Said before a reason where it is not power that was compared.
fn compared_in_words(compared: Signal) -> &'static str {
    match compared {
        Signal::Power => "",
        Signal::Cadence => "cadence: ",
    }
}

fn drift_in_words(with: DriftOver) -> &'static str {
    match with {
        DriftOver::Hours => "time",
        DriftOver::Temperature => "temperature",
    }
}

fn note_in_words(note: Note) -> String {
    match note {
        Note::DropoutLeftOut { lost_s, lost_work_j } => {
            format!("{lost_s} s of dropout left out ({:.1} kJ on the reference)", lost_work_j / 1000.0)
        }
        Note::SetAside { seconds } => format!("{seconds} s set aside: the head unit lost the strap too"),
        Note::DoubledSide => "half of the doubled reading against that side: what the unit can sense".to_owned(),
        Note::SeatedBalance => {
            "against the unit's own seated balance: no reference here measures the sides apart".to_owned()
        }
        Note::WorseSide { side, other_pct } => {
            let side = if side == Side::Left { "left" } else { "right" };
            format!("of the {side} side, the farther off; the other one reads {other_pct:+.1} %").replace('-', "−")
        }
        Note::PairsRidden { ridden, pairs } => format!("{ridden} of {pairs} pairs were ridden"),
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
        Remedy::AsAsked => {
            "ride it once more as the protocol asks; `off_target: accept` in the protocol lets it decide".to_owned()
        }
        Remedy::ReadAll => "type every reading that the protocol asks for".to_owned(),
        Remedy::SharedClock => "let all head units record one heart-rate strap, or one speed sensor".to_owned(),
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
        RepeatReason::Missing { missing, asked, off: 0 } => format!("{missing} of {asked} repeats were not ridden"),
        RepeatReason::Missing { missing, asked, off } if off >= missing => {
            format!("{missing} of {asked} repeats were not ridden as asked")
        }
        RepeatReason::Missing { missing, asked, off } => {
            format!("{missing} of {asked} repeats were not ridden, or not as asked ({off})")
        }
        RepeatReason::NoneAsAsked { off } => format!("{off} ridden, none as asked"),
        RepeatReason::NoneRecorded => "no repeat was recorded".to_owned(),
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
