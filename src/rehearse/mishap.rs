//! What riders and head units do that no protocol asks for: what `--mishap KIND[=SIZE][@WHERE]` means.

use std::fmt;
use std::str::FromStr;

use crate::protocol::{Phase, Protocol, Selector, selector, trim};

use super::drills::rehearsed;
use super::noise::{Noise, Purpose};
use super::sizes::{AllowedSize, nearest, number};

/// What went otherwise than asked for. Its number is part of what a seed means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MishapEffect {
    SkippedRepeat = 1,
    SurplusRepeat = 2,
    RingsSwapped = 3,
    PhoneStop = 4,
    LateStart = 5,
    OffTarget = 6,
    OffCadence = 7,
    PhasesSwapped = 8,
    Restart = 20,
    LateLaps = 21,
    NoLaps = 22,
    StrayLaps = 23,
    Irregular = 24,
    AutoPause = 25,
    AutoPauseCoasting = 26,
    ClockUnset = 27,
    NoGears = 28,
}

/// One mishap, of exactly the size written.
#[derive(Debug, Clone, PartialEq)]
pub struct Mishap {
    pub what: MishapEffect,
    /// In the unit of its kind; 0 for a kind without a size.
    pub size: f64,
    /// Phases as a selector names them, or the instrument whose head unit it is.
    pub place: Option<String>,
}

/// What may follow `@`, and what is meant without it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MishapPlace {
    /// One of the phases named is drawn; without a name, one of all.
    OnePhase,
    /// All phases named; without a name, the whole ride.
    AllPhases,
    /// Two phases, one drawn from each name.
    TwoPhases,
    /// An instrument's head unit; without a name, all.
    HeadUnit,
}

/// One line of the list that `rehearse --mishaps` prints.
#[derive(Debug, Clone, Copy)]
pub struct MishapKind {
    pub what: MishapEffect,
    pub word: &'static str,
    pub form: &'static str,
    /// `-` for a kind without a size.
    pub unit: &'static str,
    pub is: &'static str,
    pub place: MishapPlace,
    size: SizeRange,
}

/// The sizes that a mishap may have.
#[derive(Debug, Clone, Copy, PartialEq)]
struct SizeRange {
    /// Meant where none is written.
    usual: f64,
    least: f64,
    most: f64,
}

const UNSIZED: SizeRange = sizes(0.0, 0.0, 0.0);

const fn sizes(usual: f64, least: f64, most: f64) -> SizeRange {
    SizeRange { usual, least, most }
}

#[rustfmt::skip]
pub const MISHAP_KINDS: &[MishapKind] = &[
    MishapKind { what: MishapEffect::SkippedRepeat, word: "skipped-repeat", form: "skipped-repeat@standing-sprints/3", unit: "-",
        is: "a repeat left out (a phase, or one of its repeats)", place: MishapPlace::OnePhase, size: UNSIZED },
    MishapKind { what: MishapEffect::SurplusRepeat, word: "surplus-repeat", form: "surplus-repeat@standing-sprints", unit: "-",
        is: "one repeat too many", place: MishapPlace::OnePhase, size: UNSIZED },
    MishapKind { what: MishapEffect::RingsSwapped, word: "rings-swapped", form: "rings-swapped@steady", unit: "-",
        is: "big for small and small for big, in phases that name a ring", place: MishapPlace::AllPhases, size: UNSIZED },
    MishapKind { what: MishapEffect::PhoneStop, word: "phone-stop", form: "phone-stop=40@steady", unit: "s",
        is: "standing still in the middle of a block, then riding what is left of it", place: MishapPlace::OnePhase,
        size: sizes(40.0, 1.0, 3600.0) },
    MishapKind { what: MishapEffect::LateStart, word: "late-start", form: "late-start=6@P", unit: "min",
        is: "nobody rides yet for so long (all head units run by then, or only this one)", place: MishapPlace::HeadUnit,
        size: sizes(5.0, 0.1, 240.0) },
    MishapKind { what: MishapEffect::OffTarget, word: "off-target", form: "off-target=-20@steady", unit: "%",
        is: "power that misses what was asked for", place: MishapPlace::AllPhases, size: sizes(-20.0, -90.0, 100.0) },
    MishapKind { what: MishapEffect::OffCadence, word: "off-cadence", form: "off-cadence=-15@steady", unit: "rpm",
        is: "the wrong cadence", place: MishapPlace::AllPhases, size: sizes(-15.0, -60.0, 60.0) },
    MishapKind { what: MishapEffect::PhasesSwapped, word: "phases-swapped",
        form: "phases-swapped@standing-sprints,coast-and-restart", unit: "-", is: "two phases, each in the other's place",
        place: MishapPlace::TwoPhases, size: UNSIZED },
    MishapKind { what: MishapEffect::Restart, word: "restart", form: "restart=20@P", unit: "s",
        is: "a recording ended too soon and a new one begun (two files)", place: MishapPlace::HeadUnit,
        size: sizes(20.0, 1.0, 3600.0) },
    MishapKind { what: MishapEffect::LateLaps, word: "late-laps", form: "late-laps=5@P", unit: "s",
        is: "the lap button pressed late", place: MishapPlace::HeadUnit, size: sizes(5.0, 0.1, 600.0) },
    MishapKind { what: MishapEffect::NoLaps, word: "no-laps", form: "no-laps@P", unit: "-",
        is: "the lap button never pressed", place: MishapPlace::HeadUnit, size: UNSIZED },
    MishapKind { what: MishapEffect::StrayLaps, word: "stray-laps", form: "stray-laps=6@P", unit: "presses",
        is: "the lap button pressed where nothing begins", place: MishapPlace::HeadUnit, size: sizes(6.0, 1.0, 200.0) },
    MishapKind { what: MishapEffect::Irregular, word: "irregular", form: "irregular=8@T", unit: "s",
        is: "a record only when something changed, or after so long", place: MishapPlace::HeadUnit, size: sizes(8.0, 2.0, 60.0) },
    MishapKind { what: MishapEffect::AutoPause, word: "auto-pause", form: "auto-pause@P", unit: "-",
        is: "a timer that stops by itself while the wheel stands", place: MishapPlace::HeadUnit, size: UNSIZED },
    MishapKind { what: MishapEffect::AutoPauseCoasting, word: "auto-pause-coasting", form: "auto-pause-coasting@P", unit: "-",
        is: "the same while the cranks stand: coasting is lost too", place: MishapPlace::HeadUnit, size: UNSIZED },
    MishapKind { what: MishapEffect::ClockUnset, word: "clock-unset", form: "clock-unset@P", unit: "-",
        is: "a clock that was never set: it counts from 1989-12-31", place: MishapPlace::HeadUnit, size: UNSIZED },
    MishapKind { what: MishapEffect::NoGears, word: "no-gears", form: "no-gears@P", unit: "-",
        is: "gear changes not written, on a bench with electronic shifting", place: MishapPlace::HeadUnit, size: UNSIZED },
];

/// A phase of the protocol where a mishap can happen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NamedPhase {
    /// Index into the protocol's phases.
    pub index: usize,
    /// The repeat that was named; `None`: any.
    pub repeat: Option<u32>,
}

/// Why a mishap was not understood; says the right form.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MishapError {
    #[error("no mishap is called `{word}`; {hint}")]
    Unknown { word: String, hint: String },
    #[error("`{text}` is not a mishap that can be made: {why}; write it like `{form}`")]
    Form { text: String, why: String, form: &'static str },
}

impl FromStr for Mishap {
    type Err = MishapError;

    fn from_str(text: &str) -> Result<Self, MishapError> {
        // A selector holds `=` of its own.
        let (head, place) = match text.split_once('@') {
            Some((head, place)) => (head, Some(place.trim().to_owned())),
            None => (text, None),
        };
        let (word, size) = match head.split_once('=') {
            Some((word, size)) => (word.trim(), Some(size.trim())),
            None => (head.trim(), None),
        };
        let Some(kind) = MISHAP_KINDS.iter().find(|k| k.word == word) else {
            let hint = nearest(word, MISHAP_KINDS.iter().map(|k| k.word)).map_or_else(
                || "`assize rehearse --mishaps` lists them".to_owned(),
                |near| format!("`{near}` is nearest"),
            );
            return Err(MishapError::Unknown { word: word.to_owned(), hint });
        };
        let wrong = |why: String| MishapError::Form { text: text.to_owned(), why, form: kind.form };
        if place.as_deref() == Some("") {
            return Err(wrong("what follows `@` is missing".to_owned()));
        }
        let size = kind.read_size(size).map_err(wrong)?;
        Ok(Mishap { what: kind.what, size, place })
    }
}

impl MishapKind {
    fn read_size(&self, text: Option<&str>) -> Result<f64, String> {
        let SizeRange { usual, least, most } = self.size;
        let Some(text) = text else { return Ok(usual) };
        if self.size == UNSIZED {
            return Err(format!("it takes no `={text}`"));
        }
        let size = number(text, self.unit, AllowedSize::Any)?;
        let whole = self.what != MishapEffect::StrayLaps || size.fract() == 0.0;
        if !whole || !(least..=most).contains(&size) {
            let number = if self.what == MishapEffect::StrayLaps { "a whole number " } else { "" };
            return Err(format!("{text} is not {number}from {} to {} {}", trim(least), trim(most), self.unit));
        }
        Ok(size)
    }
}

impl fmt::Display for Mishap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = self.kind();
        f.write_str(kind.word)?;
        if kind.size != UNSIZED {
            write!(f, "={}", trim(self.size))?;
        }
        self.place.as_ref().map_or(Ok(()), |place| write!(f, "@{place}"))
    }
}

impl Mishap {
    pub(super) fn kind(&self) -> &'static MishapKind {
        MISHAP_KINDS.iter().find(|k| k.what == self.what).expect("every kind is listed")
    }

    /// Phases of `protocol` at which it can happen; for two places, those of each.
    ///
    /// # Errors
    /// A selector of nothing, or of phases at which it can't happen, in words.
    pub(super) fn phases(&self, protocol: &Protocol) -> Result<Vec<Vec<NamedPhase>>, String> {
        let texts: Vec<Option<&str>> = match (&self.place, self.kind().place) {
            (_, MishapPlace::HeadUnit) => vec![],
            (None, MishapPlace::TwoPhases) => vec![None, None],
            (None, _) => vec![None],
            (Some(place), MishapPlace::TwoPhases) => {
                let (one, other) = two(place).ok_or("two phases with a comma between them are needed")?;
                vec![Some(one), Some(other)]
            }
            (Some(place), _) => vec![Some(place.as_str())],
        };
        let found = texts
            .into_iter()
            .map(|text| self.named(text, protocol))
            .collect::<Result<Vec<Vec<NamedPhase>>, String>>()?;
        if let [one, other] = &found[..]
            && one.iter().chain(other).all(|named| named.index == one[0].index)
        {
            return Err("two different phases are needed".to_owned());
        }
        Ok(found)
    }

    fn named(&self, text: Option<&str>, protocol: &Protocol) -> Result<Vec<NamedPhase>, String> {
        let named: Option<Selector> =
            text.map(|text| selector(text.trim(), &protocol.phases)).transpose().map_err(|slip| slip.to_string())?;
        let fits = |phase: &Phase| named.as_ref().is_none_or(|n| n.selects(&phase.id)) && self.can_happen_in(phase);
        let repeat = named.as_ref().and_then(|n| n.repeat);
        let all = 0..protocol.phases.len();
        let found: Vec<NamedPhase> =
            all.filter(|&i| fits(&protocol.phases[i])).map(|index| NamedPhase { index, repeat }).collect();
        if found.is_empty() {
            let place = text.map_or("the protocol".to_owned(), |text| format!("`{text}`"));
            let lacks = match self.what {
                MishapEffect::RingsSwapped => "names no ring",
                MishapEffect::PhoneStop => "has no steady block and no ramp",
                _ => "asks for no effort",
            };
            return Err(format!("{place} {lacks}"));
        }
        let most = found.iter().map(|named| protocol.phases[named.index].repeats).max();
        match repeat.filter(|n| Some(*n) > most) {
            Some(n) => Err(format!("there is no repeat {n}; the last is {}", most.unwrap_or(1))),
            None => Ok(found),
        }
    }

    fn can_happen_in(&self, phase: &Phase) -> bool {
        phase.drill.kind().is_scored_riding()
            && match self.what {
                MishapEffect::RingsSwapped => phase.ring.is_some(),
                MishapEffect::PhoneStop => rehearsed(&phase.drill).is_held_long(),
                _ => true,
            }
    }
}

/// A mishap with the stream of random numbers that it draws from.
pub(super) struct DrawnMishap<'m> {
    pub mishap: &'m Mishap,
    pub noise: Noise,
}

/// Each with a stream of its own: by kind, by how many of that kind come before it, and by the head unit (from 0).
pub(super) fn with_noise(mishaps: &[Mishap], seed: u64, head_unit: usize) -> Vec<DrawnMishap<'_>> {
    let stream = |n: usize| {
        let earlier = mishaps[..n].iter().filter(|m| m.what == mishaps[n].what).count();
        Noise::nth(seed, Purpose::Mishap, mishaps[n].what as usize + 100 * head_unit + 1000 * earlier)
    };
    mishaps.iter().enumerate().map(|(n, mishap)| DrawnMishap { mishap, noise: stream(n) }).collect()
}

/// Splits at the comma that is outside brackets.
fn two(text: &str) -> Option<(&str, &str)> {
    let mut depth = 0;
    let at = text.find(|c| {
        match c {
            '[' => depth += 1,
            ']' => depth -= 1,
            _ => {}
        }
        c == ',' && depth == 0
    })?;
    Some((text[..at].trim(), text[at + 1..].trim()))
}

#[cfg(test)]
mod tests {
    use super::super::tests::bench_trial;
    use super::*;

    #[test]
    fn every_listed_form_is_read_and_prints_as_written() {
        for kind in MISHAP_KINDS {
            let mishap: Mishap = kind.form.parse().unwrap_or_else(|e| panic!("{e}"));
            assert_eq!((mishap.what, mishap.to_string()), (kind.what, kind.form.to_owned()));
            mishap.phases(&bench_trial()).unwrap_or_else(|e| panic!("{}: {e}", kind.form));
        }
    }

    #[test]
    fn size_and_place_may_be_left_out_and_a_size_may_carry_its_unit() {
        let read = |text: &str| text.parse::<Mishap>().unwrap_or_else(|e| panic!("{e}")).to_string();
        assert_eq!(read("off-target"), "off-target=-20");
        assert_eq!(
            read("phone-stop=90 s@steady[ring=big, power=120 W]"),
            "phone-stop=90@steady[ring=big, power=120 W]"
        );
        assert_eq!(read("skipped-repeat"), "skipped-repeat");
    }

    #[test]
    fn mistakes_are_told_with_the_right_form() {
        let says = |text: &str| text.parse::<Mishap>().map_err(|e| e.to_string()).unwrap_err();
        assert_eq!(says("skiped-repeat"), "no mishap is called `skiped-repeat`; `skipped-repeat` is nearest");
        assert_eq!(says("x"), "no mishap is called `x`; `assize rehearse --mishaps` lists them");
        assert_eq!(
            says("no-laps=3"),
            "`no-laps=3` is not a mishap that can be made: it takes no `=3`; write it like `no-laps@P`"
        );
        assert!(says("restart=0@P").contains("0 is not from 1 to 3600 s"));
        assert!(says("stray-laps=2.5").contains("2.5 is not a whole number from 1 to 200 presses"));
        assert!(says("late-start=soon").contains("`soon` is not a number of min"));
        assert!(says("restart=20@").contains("what follows `@` is missing"));
    }

    #[test]
    fn a_place_has_to_be_one_where_it_can_happen() {
        let says = |text: &str| text.parse::<Mishap>().unwrap().phases(&bench_trial()).unwrap_err();
        assert!(says("skipped-repeat@sprint").contains("no phase `sprint`"));
        assert_eq!(says("phone-stop@standing-sprints"), "`standing-sprints` has no steady block and no ramp");
        assert_eq!(says("rings-swapped@soft-pedalling"), "`soft-pedalling` names no ring");
        assert!(says("phases-swapped@soft-pedalling").contains("a comma"));
        assert_eq!(says("phases-swapped@soft-pedalling,soft-pedalling"), "two different phases are needed");
        assert_eq!(says("skipped-repeat@standing-sprints/8"), "there is no repeat 8; the last is 6");
    }
}
