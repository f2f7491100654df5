//! Known faults: what `--fault KIND=SIZE[@WHERE]` means.

use std::fmt;
use std::str::FromStr;

use crate::protocol::{Ring, Side, trim};

/// One fault, of exactly the size written.
#[derive(Debug, Clone, PartialEq)]
pub enum Fault {
    /// The unit's readings × (1 + pct/100).
    Gain { pct: f64 },
    /// Added to every reading of the unit that is not zero.
    Offset { power_w: f64 },
    /// The same, on one chainring only.
    RingOffset { power_w: f64, ring: Ring },
    /// One side reads less by `power_w` in this share of the sprints.
    SideShort { power_w: f64, side: Side, share: Share },
    /// After standing still the unit stays silent this much longer than a sound one.
    LateWake { late_s: f64 },
    /// After the pedals stop the unit keeps its last reading this much longer than a sound one.
    HeldReading { held_s: f64 },
    /// Every reading of the unit comes later.
    Late { late_s: f64 },
    /// Only its cadence does.
    LateCadence { late_s: f64 },
    /// The unit's power reads zero for this share of the time of soft pedalling.
    SoftDropout { share: Share },
    /// An offset that grows from zero at the ride's start.
    Drift { w_per_h: f64 },
    /// Senses one side, doubles it, and sends no balance.
    DoubledSide { side: Side },
    /// Its head unit hears neither the unit nor the heart-rate strap for this share of the ride.
    RadioDropout { share: Share },
    /// Its head unit's clock was set wrong from the start.
    ClockSet { ahead_s: f64 },
    /// Its head unit's clock jumps forward half-way through the ride.
    ClockJump { ahead_s: f64 },
    /// A reference's readings × (1 + pct/100).
    ReferenceGain { pct: f64, label: String },
}

/// A share, `part` of `of`; kept as written (`2/6`, or `0.25` of 1).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    part: f64,
    of: f64,
}

impl Share {
    pub fn value(self) -> f64 {
        self.part / self.of
    }
}

impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&trim(self.part))?;
        if self.of == 1.0 { Ok(()) } else { write!(f, "/{}", trim(self.of)) }
    }
}

/// One line of the list that `rehearse --faults` prints.
#[derive(Debug, Clone, Copy)]
pub struct FaultKind {
    pub word: &'static str,
    pub form: &'static str,
    pub unit: &'static str,
    pub imitates: &'static str,
}

const fn kind(word: &'static str, form: &'static str, unit: &'static str, imitates: &'static str) -> FaultKind {
    FaultKind { word, form, unit, imitates }
}

pub const FAULT_KINDS: &[FaultKind] = &[
    kind("gain", "gain=2.5", "%", "a wrong slope: the unit reads high or low throughout"),
    kind("offset", "offset=-4", "W", "a zero that was set wrong"),
    kind("ring-offset", "ring-offset=-14@big", "W", "a unit that feels which chainring pulls (big, small)"),
    kind("side-short", "side-short=110@left,2/6", "W", "one side falls short in some of the sprints (side, share)"),
    kind("late-wake", "late-wake=2.5", "s", "a sensor slow to wake after coasting"),
    kind("held-reading", "held-reading=4", "s", "the last reading kept after the pedals stopped"),
    kind("late", "late=1.5", "s", "everything that the unit sends comes late"),
    kind("late-cadence", "late-cadence=2", "s", "cadence filtered longer than power"),
    kind("soft-dropout", "soft-dropout=0.3", "share", "soft pedalling lost below a torque threshold"),
    kind("drift", "drift=6", "W/h", "a zero that creeps with time"),
    kind("doubled-side", "doubled-side=left", "side", "one side sensed and doubled, though both are declared"),
    kind("radio-dropout", "radio-dropout=0.04", "share", "a head unit that loses unit and strap together"),
    kind("clock-set", "clock-set=120", "s", "the unit's head unit with its clock set wrong"),
    kind("clock-jump", "clock-jump=3", "s", "a clock that is put right (forward) half-way through the ride"),
    kind("reference-gain", "reference-gain=3@P", "%", "a reference out of calibration (P or T, or its label)"),
];

/// Why a fault was not understood; says the right form.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FaultError {
    #[error("no fault is called `{word}`; {hint}")]
    Unknown { word: String, hint: String },
    #[error("`{text}` is not a fault that can be made: {why}; write it like `{form}`")]
    Form { text: String, why: String, form: &'static str },
}

impl FromStr for Fault {
    type Err = FaultError;

    fn from_str(text: &str) -> Result<Self, FaultError> {
        let (word, rest) = text.split_once('=').unwrap_or((text, ""));
        let (word, rest) = (word.trim(), rest.trim());
        let Some(kind) = FAULT_KINDS.iter().find(|k| k.word == word) else {
            let nearest = FAULT_KINDS
                .iter()
                .map(|k| (k.word, strsim::jaro_winkler(k.word, word)))
                .filter(|(_, likeness)| *likeness > 0.8)
                .max_by(|a, b| a.1.total_cmp(&b.1));
            let hint = match nearest {
                Some((near, _)) => format!("`{near}` is nearest"),
                None => "`assize rehearse --faults` lists them".to_owned(),
            };
            return Err(FaultError::Unknown { word: word.to_owned(), hint });
        };
        parse(kind, rest).map_err(|why| FaultError::Form { text: text.to_owned(), why, form: kind.form })
    }
}

fn parse(kind: &FaultKind, rest: &str) -> Result<Fault, String> {
    let (size, place) = match rest.split_once('@') {
        Some((size, place)) => (size.trim(), Some(place.trim())),
        None => (rest, None),
    };
    let takes_place = matches!(kind.word, "ring-offset" | "side-short" | "reference-gain");
    match place {
        Some(place) if !takes_place => return Err(format!("it takes no `@{place}`")),
        None if takes_place => return Err("what follows `@` is missing".to_owned()),
        _ => {}
    }
    let place = place.unwrap_or_default();
    let number = || number(size, kind.unit);
    let positive = || number().and_then(|x| if x > 0.0 { Ok(x) } else { Err(format!("{size} is not above zero")) });
    Ok(match kind.word {
        "gain" => Fault::Gain { pct: above_minus_100(number()?)? },
        "offset" => Fault::Offset { power_w: number()? },
        "ring-offset" => Fault::RingOffset {
            power_w: number()?,
            ring: match place {
                "big" => Ring::Big,
                "small" => Ring::Small,
                other => return Err(format!("`{other}` is neither `big` nor `small`")),
            },
        },
        "side-short" => {
            let (side_word, share_text) = place.split_once(',').ok_or("the side or the share is missing")?;
            Fault::SideShort { power_w: positive()?, side: side(side_word.trim())?, share: share(share_text.trim())? }
        }
        "late-wake" => Fault::LateWake { late_s: positive()? },
        "held-reading" => Fault::HeldReading { held_s: positive()? },
        "late" => Fault::Late { late_s: positive()? },
        "late-cadence" => Fault::LateCadence { late_s: positive()? },
        "soft-dropout" => Fault::SoftDropout { share: share(size)? },
        "drift" => Fault::Drift { w_per_h: number()? },
        "doubled-side" => Fault::DoubledSide { side: side(size)? },
        "radio-dropout" => Fault::RadioDropout { share: share(size)? },
        "clock-set" => Fault::ClockSet { ahead_s: number()? },
        "clock-jump" => Fault::ClockJump { ahead_s: positive()? },
        "reference-gain" => Fault::ReferenceGain { pct: above_minus_100(number()?)?, label: place.to_owned() },
        other => return Err(format!("`{other}` is listed but not made")),
    })
}

fn number(text: &str, unit: &str) -> Result<f64, String> {
    let bare = text.strip_suffix(unit).unwrap_or(text).trim();
    match bare.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err(format!("`{text}` is not a number of {unit}")),
    }
}

fn above_minus_100(pct: f64) -> Result<f64, String> {
    if pct > -100.0 { Ok(pct) } else { Err(format!("{pct} % would leave no reading")) }
}

fn share(text: &str) -> Result<Share, String> {
    let (part, of) = text.split_once('/').unwrap_or((text, "1"));
    match (part.trim().parse::<f64>(), of.trim().parse::<f64>()) {
        (Ok(part), Ok(of)) if part > 0.0 && part <= of => Ok(Share { part, of }),
        _ => Err(format!("`{text}` is not a share above 0 and up to 1 (`0.3`, `2/6`)")),
    }
}

fn side(text: &str) -> Result<Side, String> {
    match text {
        "left" => Ok(Side::Left),
        "right" => Ok(Side::Right),
        other => Err(format!("`{other}` is neither `left` nor `right`")),
    }
}

fn side_word(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Fault::Gain { pct } => write!(f, "gain={}", trim(*pct)),
            Fault::Offset { power_w } => write!(f, "offset={}", trim(*power_w)),
            Fault::RingOffset { power_w, ring } => write!(f, "ring-offset={}@{}", trim(*power_w), ring.word()),
            Fault::SideShort { power_w, side, share } => {
                write!(f, "side-short={}@{},{share}", trim(*power_w), side_word(*side))
            }
            Fault::LateWake { late_s } => write!(f, "late-wake={}", trim(*late_s)),
            Fault::HeldReading { held_s } => write!(f, "held-reading={}", trim(*held_s)),
            Fault::Late { late_s } => write!(f, "late={}", trim(*late_s)),
            Fault::LateCadence { late_s } => write!(f, "late-cadence={}", trim(*late_s)),
            Fault::SoftDropout { share } => write!(f, "soft-dropout={share}"),
            Fault::Drift { w_per_h } => write!(f, "drift={}", trim(*w_per_h)),
            Fault::DoubledSide { side } => write!(f, "doubled-side={}", side_word(*side)),
            Fault::RadioDropout { share } => write!(f, "radio-dropout={share}"),
            Fault::ClockSet { ahead_s } => write!(f, "clock-set={}", trim(*ahead_s)),
            Fault::ClockJump { ahead_s } => write!(f, "clock-jump={}", trim(*ahead_s)),
            Fault::ReferenceGain { pct, label } => write!(f, "reference-gain={}@{label}", trim(*pct)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_listed_form_is_read_and_prints_as_written() {
        for kind in FAULT_KINDS {
            let fault: Fault = kind.form.parse().unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(fault.to_string(), kind.form);
        }
    }

    #[test]
    fn a_size_may_carry_its_unit() {
        assert_eq!("offset=-4 W".parse(), Ok(Fault::Offset { power_w: -4.0 }));
    }

    #[test]
    fn mistakes_are_told_with_the_right_form() {
        let says = |text: &str| text.parse::<Fault>().map_err(|e| e.to_string()).unwrap_err();
        assert_eq!(says("ring-ofset=3@big"), "no fault is called `ring-ofset`; `ring-offset` is nearest");
        assert_eq!(
            says("ring-offset=-14"),
            "`ring-offset=-14` is not a fault that can be made: what follows `@` is missing; \
             write it like `ring-offset=-14@big`"
        );
        assert!(says("side-short=110@left").contains("the side or the share is missing"));
        assert!(says("soft-dropout=7/6").contains("`7/6` is not a share"));
        assert!(says("late=-1").contains("not above zero"));
        assert!(says("gain=nan").contains("`nan` is not a number of %"));
    }
}
