//! Sentences as people write them, their mistakes, and that what is printed is read back the same.

use proptest::prelude::*;

use super::print::range_in_words;
use super::quantities::RangeForm;
use super::reader::{ParseResult, TextReader};
use super::selectors::{one_repeat, selector};
use super::units::UNITS;
use crate::protocol::{Accept, Drill, Hold, Measure, Part, Phase, PhaseId, Selector, Target};
use crate::quantity::{Bound, Join, Limit, Quantity, Range, Unit};

fn read<T>(text: &str, read: impl FnOnce(&mut TextReader) -> ParseResult<T>) -> ParseResult<T> {
    let mut words = TextReader::new(text)?;
    let value = read(&mut words)?;
    words.end()?;
    Ok(value)
}

fn phase(name: &str, keys: &[(&str, &str)]) -> Phase {
    Phase {
        id: PhaseId { name: name.into(), keys: keys.iter().map(|(k, v)| (k.to_string(), v.to_string())).collect() },
        drill: Drill::ZeroCheck,
        ring: None,
        posture: None,
        cadence_rpm: None,
        grade_pct: None,
        repeats: 6,
        accept: Accept::EveryRepeat,
        checks: vec![],
        part: Part::Required,
        tolerance: 0.2,
        accepts_off_target: false,
    }
}

fn phases() -> Vec<Phase> {
    vec![
        phase("steady", &[("ring", "big"), ("power", "120 W")]),
        phase("steady", &[("ring", "small"), ("power", "120 W")]),
        phase("steady", &[("ring", "small"), ("power", "180 W")]),
        phase("standing-sprints", &[]),
    ]
}

fn select(text: &str) -> ParseResult<Selector> {
    selector(text, &phases())
}

#[test]
fn quantities_are_held_in_their_base_unit() {
    let all = [Unit::Watt, Unit::Second, Unit::Metre, Unit::Kilojoule, Unit::WattPerHour, Unit::NewtonMetre];
    let value = |text: &str| read(text, |w| w.quantity(&all)).unwrap().value;
    assert_eq!(value("1.5 kW"), 1500.0);
    assert_eq!(value("4 min"), 240.0);
    assert_eq!(value("172.5 mm"), 0.1725);
    assert_eq!(value("850 J"), 0.85);
    assert_eq!(value("3 W/h"), 3.0);
    assert_eq!(value("16.9 Nm"), 16.9);
    assert_eq!(value("200W"), 200.0);
    assert_eq!(value("−2\u{a0}W"), -2.0);
}

#[test]
fn a_wrong_or_missing_unit_is_named_at_its_characters() {
    let slip = |text: &str| read(text, |w| w.quantity(&[Unit::Second])).unwrap_err();
    let wrong = slip("20 sec");
    assert_eq!((wrong.from, wrong.to), (3, 6));
    assert_eq!(wrong.to_string(), "expected s, min or h here, found `sec`; write `s`");
    let missing = slip("20");
    assert_eq!((missing.from, missing.to), (0, 2));
    assert_eq!(missing.message, "a unit is missing after the number, expected s, min or h");
    assert_eq!(slip("20 W").help, None);
    assert_eq!(slip("1,5 min").help.unwrap(), "write `1.5 min`");
    assert_eq!(slip("1,500 s").help.unwrap(), "write `1.500 s` or `1500 s`");
    assert_eq!(slip("20 s long").from, 5);
    assert_eq!(slip("-20").from, 0);
}

#[test]
fn ranges_take_their_unit_from_either_or_both_ends() {
    let span = |text: &str| read(text, |w| w.span(Unit::Second));
    assert_eq!(span("6..12 s"), Ok(RangeForm::Range(Range::between(6.0, 12.0))));
    assert_eq!(span("30 s..2 min"), Ok(RangeForm::Range(Range::between(30.0, 120.0))));
    assert_eq!(span("at most 10 s"), Ok(RangeForm::Range(Range { low: None, high: Some(10.0) })));
    assert_eq!(span("4 min"), Ok(RangeForm::Bare(240.0)));
    assert_eq!(span("12..6 s").unwrap_err().from, 0);
    assert_eq!(span("6-12 s").unwrap_err().help.unwrap(), "as in `85..95 rpm`");
    assert_eq!(span("6 – 12 s").unwrap_err().from, 2);
    assert_eq!(span("≥ 6 s").unwrap_err().help.unwrap(), "write `at least 6 s`");
}

#[test]
fn shares_of_the_threshold_power_become_watts() {
    let target = |text: &str| read(text, |w| w.target(Some(250.0)));
    assert_eq!(target("80 % of threshold_power"), Ok(Target::Value(200.0)));
    assert_eq!(target("80..100 % of threshold_power"), Ok(Target::Within(Range::between(200.0, 250.0))));
    assert_eq!(target("at least 120 % of threshold_power"), Ok(Target::Within(Range::at_least(300.0))));
    assert_eq!(target("80 %").unwrap_err().message, "expected `of threshold_power` after `%`, found the end");
    let unknown = read("80 % of threshold_power", |w| w.target(None)).unwrap_err();
    assert_eq!(unknown.message, "nothing says what the threshold power is");
}

#[test]
fn holds_name_a_power_and_a_duration() {
    let hold = read("at least 300 W for 5..10 s", |w| w.hold(None)).unwrap();
    assert_eq!(hold.power_w, Target::Within(Range::at_least(300.0)));
    assert_eq!(hold.for_s, Range::between(5.0, 10.0));
    let once = read("200 W for 20 s", |w| w.hold(None)).unwrap();
    assert_eq!(once.for_s, Range::between(20.0, 20.0));
    assert!(read("200 W", |w| w.hold(None)).unwrap_err().message.starts_with("expected `for`"));
}

#[test]
fn limits_refuse_what_the_measure_does_not_have() {
    let limit = |text: &str, measure| read(text, |w| w.limit(measure));
    let power = Measure::MeanError;
    assert_eq!(limit("within claim", power), Ok(Limit::WithinClaim));
    assert_eq!(limit("none", Measure::DropoutTime), Ok(Limit::Zero));
    assert_eq!(limit("at most 5", Measure::ZeroShift), Ok(Limit::AtMost(Bound::single(5.0, Unit::One))));
    for wrong in ["none", "within 2 s", "within -2 %", "within 2 % or 3 %", "between 3 % and -1 %"] {
        assert!(limit(wrong, power).is_err(), "{wrong}");
    }
    assert!(limit("between 3 % and 4 W", power).is_err());
    assert!(limit("within claim", Measure::CadenceError).is_err());
    assert!(limit("none", Measure::ReleaseLag).is_err());
    assert_eq!(limit("withing 2 %", power).unwrap_err().help.unwrap(), "did you mean `within`?");
    assert_eq!(limit("2 %", power).unwrap_err().help.unwrap(), "as in `within 2 %`");
}

#[test]
fn accept_sentences_agree_with_the_repeats() {
    let accept = |text: &str| read(text, |w| w.accept(6));
    assert_eq!(accept("every repeat"), Ok(Accept::EveryRepeat));
    assert_eq!(accept("at least 5 of 6"), Ok(Accept::AtLeast { passing: 5, of: 6 }));
    assert_eq!(accept("fault rate below 40 %"), Ok(Accept::FaultRateBelow(0.4)));
    assert_eq!(accept("at least 5 of 8").unwrap_err().from, 14);
    assert!(accept("at least 7 of 6").is_err());
    assert!(accept("at least 2.5 of 6").is_err());
    assert!(accept("fault rate below 100 %").is_err());
    assert!(accept("most").is_err());
}

#[test]
fn selectors_are_completed_and_brought_to_one_form() {
    assert_eq!(select("steady[small, power=0.12kW]/2").unwrap().to_string(), "steady[ring=small, power=120 W]/2");
    assert_eq!(select("steady[power = 120W]").unwrap().to_string(), "steady[power=120 W]");
    assert_eq!(select("standing-sprints/3").unwrap().repeat, Some(3));
}

#[test]
fn a_selector_that_selects_nothing_says_which_part() {
    let slip = |text: &str| {
        let slip = select(text).unwrap_err();
        (slip.from, slip.to)
    };
    assert_eq!(slip("stedy[small]"), (0, 5));
    assert_eq!(slip("steady[ring=small, power=90 W]"), (19, 29));
    assert_eq!(slip("steady[big, 180 W]"), (0, 18));
    assert_eq!(slip("steady[small"), (6, 12));
    assert_eq!(slip("standing-sprints/x"), (16, 18));
    assert_eq!(slip("standing-sprints x"), (0, 18));
    assert_eq!(slip("steady[]"), (7, 8));
}

#[test]
fn one_repeat_leaves_nothing_open() {
    let one = |text: &str| one_repeat(text, &phases());
    assert_eq!(one("standing-sprints/3").unwrap().repeat, Some(3));
    assert_eq!(one("standing-sprints").unwrap_err().help.unwrap(), "say which, as in `standing-sprints/1`");
    assert_eq!(one("steady[small]/1").unwrap_err().message, "this names 2 phases");
}

fn unit() -> impl Strategy<Value = Unit> {
    let held_in: Vec<Unit> = UNITS.iter().map(|unit| unit.held_in).collect();
    proptest::sample::select(held_in)
}

fn watts() -> impl Strategy<Value = f64> {
    (0..30_000_u32).prop_map(|tenths| f64::from(tenths) / 10.0)
}

fn range() -> impl Strategy<Value = Range> {
    (watts(), watts(), 0..4).prop_map(|(a, b, form)| match form {
        0 => Range::between(a, a),
        1 => Range::between(a.min(b), a.max(b)),
        2 => Range::at_least(a),
        _ => Range { low: None, high: Some(a) },
    })
}

fn target() -> impl Strategy<Value = Target> {
    range().prop_map(|range| match (range.low, range.high) {
        (Some(low), Some(high)) if low == high => Target::Value(low),
        _ => Target::Within(range),
    })
}

fn limit() -> impl Strategy<Value = Limit> {
    (watts(), watts(), 0..3, 0..6).prop_map(|(a, b, parts, form)| {
        let all = [Quantity::new(a, Unit::Percent), Quantity::new(b, Unit::Watt)];
        let (parts, join) = match parts {
            0 => (all[..1].to_vec(), Join::Wider),
            1 => (all.to_vec(), Join::Wider),
            _ => (all.to_vec(), Join::Narrower),
        };
        let bound = Bound { parts, join };
        match form {
            0 => Limit::Within(bound),
            1 => Limit::AtMost(bound),
            2 => Limit::AtLeast(bound),
            3 => Limit::WithinClaim,
            _ => Limit::Between(Quantity::new(-a, Unit::Watt), Quantity::new(b, Unit::Watt)),
        }
    })
}

proptest! {
    #[test]
    fn a_printed_quantity_reads_back_the_same(value in -1e6..1e6_f64, unit in unit()) {
        let quantity = Quantity::new(value, unit);
        prop_assert_eq!(read(&quantity.to_string(), |w| w.quantity(&[unit])), Ok(quantity));
    }

    #[test]
    fn a_printed_range_reads_back_the_same(range in range()) {
        let same = match read(&range_in_words(&range, Unit::Rpm), |w| w.span(Unit::Rpm)).unwrap() {
            RangeForm::Bare(value) => Range::between(value, value),
            RangeForm::Range(range) => range,
        };
        prop_assert_eq!(same, range);
    }

    #[test]
    fn a_printed_hold_reads_back_the_same(power_w in target(), for_s in range()) {
        let hold = Hold { power_w, for_s };
        prop_assert_eq!(read(&hold.to_string(), |w| w.hold(None)), Ok(hold));
    }

    #[test]
    fn a_printed_limit_reads_back_the_same(limit in limit()) {
        prop_assert_eq!(read(&limit.to_string(), |w| w.limit(Measure::MeanError)), Ok(limit));
    }

    #[test]
    fn a_printed_accept_sentence_reads_back_the_same(of in 1..40_u32, share in 1..100_u32, form in 0..3) {
        let accept = match form {
            0 => Accept::EveryRepeat,
            1 => Accept::AtLeast { passing: of.div_ceil(2), of },
            _ => Accept::FaultRateBelow(f64::from(share) / 100.0),
        };
        prop_assert_eq!(read(&accept.to_string(), |w| w.accept(of)), Ok(accept));
    }

    #[test]
    fn a_printed_selector_reads_back_the_same(which in 0..4_usize, repeat in proptest::option::of(1..6_u32)) {
        let PhaseId { name, keys } = phases().swap_remove(which).id;
        let selector = Selector { name, keys, repeat };
        prop_assert_eq!(select(&selector.to_string()), Ok(selector));
    }

    #[test]
    fn no_text_makes_the_readers_panic(text in "[ -~°±·≥–,.0-9A-Za-z]{0,40}") {
        let _ = read(&text, |w| w.limit(Measure::MeanError));
        let _ = read(&text, |w| w.hold(Some(250.0)));
        let _ = read(&text, |w| w.accept(6));
        let _ = select(&text);
        let _ = select(&format!("steady{text}"));
    }
}
