//! Known faults: what `--fault KIND=SIZE[@PLACE{,PLACE}]` means.

use std::fmt;
use std::str::FromStr;

use crate::protocol::{Ring, Side, trim};

/// One fault, of exactly the size written, at one instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    pub kind: FaultEffect,
    /// In the kind's unit ([`FAULT_KINDS`]); 2 for a doubled side.
    pub size: f64,
    /// On this ring only.
    pub ring: Option<Ring>,
    pub side: Option<Side>,
    /// `None`: always.
    pub share: Option<StruckShare>,
    /// `unit`, or a label or its last word; `None`: the unit.
    pub instrument: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FaultEffect {
    /// Readings × (1 + size/100).
    Gain,
    /// Added to every reading that is not zero.
    Offset,
    /// The same, on one ring.
    RingOffset,
    /// Taken off one side in sprints, before the instrument's own gain.
    SideShort,
    /// An offset that grows from zero at the ride's start.
    Drift,
    /// An offset that grows with the instrument's temperature less that at the ride's start.
    TemperatureDrift,
    /// Senses one side, doubles it, and sends no balance.
    DoubledSide,
    /// After standing still it stays silent this much longer than a sound one.
    LateWake,
    /// After the pedals stop it keeps its last reading this much longer than a sound one.
    HeldReading,
    /// Every reading comes later.
    Late,
    /// Only its cadence does.
    LateCadence,
    /// Power reads zero for one run of this share of each soft pedalling.
    SoftDropout,
    /// Power that it shows once the cranks stand still.
    Phantom,
    /// One second that reads this much above what it would have.
    Spike,
    /// One run in which its last message is repeated.
    Stuck,
    /// One run in which its head unit does not hear it, though it hears the strap.
    Dropout,
    /// Its head unit hears neither it nor the strap for this share of the ride.
    RadioDropout,
    /// Its head unit's clock was set wrong from the start.
    ClockSet,
    /// Its head unit's clock jumps forward half-way through the ride.
    ClockJump,
}

/// How many of its occasions a fault strikes, as written: `2/6` or `0.3` of them, or `3`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StruckShare {
    Part { part: f64, of: f64 },
    Count(usize),
}

impl StruckShare {
    pub fn of(self, occasions: usize) -> usize {
        match self {
            StruckShare::Part { part, of } => (part / of * occasions as f64).round() as usize,
            StruckShare::Count(count) => count.min(occasions),
        }
    }
}

impl fmt::Display for StruckShare {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            StruckShare::Part { part, of: 1.0 } => f.write_str(&trim(*part)),
            StruckShare::Part { part, of } => write!(f, "{}/{}", trim(*part), trim(*of)),
            StruckShare::Count(count) => write!(f, "{count}"),
        }
    }
}

/// What a fault can strike one by one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Occasion {
    Sprint,
    /// The coast of a coast-and-restart.
    Stop,
    Restart,
    SoftPedalling,
    /// One repeat of a phase that is ridden to be scored, from its first move's start to its last move's end.
    Repeat,
}

impl Occasion {
    pub fn word(self) -> &'static str {
        match self {
            Occasion::Sprint => "sprint",
            Occasion::Stop => "coast",
            Occasion::Restart => "restart",
            Occasion::SoftPedalling => "soft pedalling",
            Occasion::Repeat => "repeat",
        }
    }
}

/// Which sizes make sense.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum FaultSizes {
    Any,
    AboveMinus100,
    Positive,
    Share,
    Side,
}

/// Whether a ring or a side may or must be named.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum RingOrSide {
    Never,
    Maybe,
    Always,
}

/// One line of the list that `rehearse --faults` prints.
#[derive(Debug, Clone, Copy)]
pub struct FaultKind {
    pub kind: FaultEffect,
    pub word: &'static str,
    pub form: &'static str,
    pub unit: &'static str,
    pub imitates: &'static str,
    /// What a share is a share of; `None`: it takes none.
    pub occasion: Option<Occasion>,
    sized: FaultSizes,
    ring: RingOrSide,
    side: RingOrSide,
}

const fn kind(
    kind: FaultEffect,
    form: &'static str,
    unit: &'static str,
    sized: FaultSizes,
    imitates: &'static str,
) -> FaultKind {
    let mut equals_sign = 0;
    while form.as_bytes()[equals_sign] != b'=' {
        equals_sign += 1;
    }
    let (word, _) = form.split_at(equals_sign);
    let (ring, side) = (RingOrSide::Never, RingOrSide::Never);
    FaultKind { kind, word, form, unit, imitates, occasion: None, sized, ring, side }
}

impl FaultKind {
    /// Strikes all or some of these, on either ring or one.
    const fn in_each(self, occasion: Occasion) -> Self {
        Self { occasion: Some(occasion), ring: RingOrSide::Maybe, ..self }
    }

    const fn ring(self, ring: RingOrSide) -> Self {
        Self { ring, ..self }
    }

    const fn side(self, side: RingOrSide) -> Self {
        Self { side, ..self }
    }
}

pub const FAULT_KINDS: &[FaultKind] = &{
    use Occasion::{Repeat, Restart, SoftPedalling, Sprint, Stop};
    use RingOrSide::{Always, Maybe};
    [
        kind(
            FaultEffect::Gain,
            "gain=2.5",
            "%",
            FaultSizes::AboveMinus100,
            "a wrong slope: it reads high or low throughout",
        )
        .in_each(Repeat)
        .side(Maybe),
        kind(FaultEffect::Offset, "offset=-4", "W", FaultSizes::Any, "a zero that was set wrong")
            .in_each(Repeat)
            .side(Maybe),
        kind(
            FaultEffect::RingOffset,
            "ring-offset=-14@big",
            "W",
            FaultSizes::Any,
            "a meter that feels which chainring pulls",
        )
        .in_each(Repeat)
        .ring(Always),
        kind(
            FaultEffect::SideShort,
            "side-short=110@left,2/6",
            "W",
            FaultSizes::Positive,
            "one side falls short in sprints",
        )
        .in_each(Sprint)
        .side(Always),
        kind(FaultEffect::Drift, "drift=6", "W/h", FaultSizes::Any, "a zero that creeps with time"),
        kind(
            FaultEffect::TemperatureDrift,
            "temperature-drift=3",
            "W/°C",
            FaultSizes::Any,
            "a zero that creeps as it warms",
        ),
        kind(
            FaultEffect::DoubledSide,
            "doubled-side=left",
            "side",
            FaultSizes::Side,
            "one side sensed and doubled, though both are declared",
        ),
        kind(FaultEffect::LateWake, "late-wake=2.5", "s", FaultSizes::Positive, "a sensor slow to wake after coasting")
            .in_each(Restart),
        kind(
            FaultEffect::HeldReading,
            "held-reading=4@1/2",
            "s",
            FaultSizes::Positive,
            "the last reading kept after the pedals stopped",
        )
        .in_each(Stop),
        kind(
            FaultEffect::Late,
            "late=1.5",
            "s",
            FaultSizes::Positive,
            "everything comes late: long filters or a slow radio",
        )
        .in_each(Repeat),
        kind(
            FaultEffect::LateCadence,
            "late-cadence=2",
            "s",
            FaultSizes::Positive,
            "cadence filtered longer than power",
        )
        .in_each(Repeat),
        kind(
            FaultEffect::SoftDropout,
            "soft-dropout=0.3",
            "share",
            FaultSizes::Share,
            "soft pedalling lost below a threshold",
        )
        .in_each(SoftPedalling),
        kind(FaultEffect::Phantom, "phantom=12", "W", FaultSizes::Positive, "watts shown while coasting").in_each(Stop),
        kind(FaultEffect::Spike, "spike=400@3", "W", FaultSizes::Positive, "a single reading far above the truth")
            .in_each(Repeat),
        kind(
            FaultEffect::Stuck,
            "stuck=8@2/6",
            "s",
            FaultSizes::Positive,
            "one message sent over and over while riding",
        )
        .in_each(Repeat),
        kind(
            FaultEffect::Dropout,
            "dropout=5@0.3",
            "s",
            FaultSizes::Positive,
            "the instrument alone not heard while riding",
        )
        .in_each(Repeat),
        kind(
            FaultEffect::RadioDropout,
            "radio-dropout=0.04",
            "share",
            FaultSizes::Share,
            "a head unit that loses instrument and strap together",
        ),
        kind(FaultEffect::ClockSet, "clock-set=120", "s", FaultSizes::Any, "a head unit with its clock set wrong"),
        kind(
            FaultEffect::ClockJump,
            "clock-jump=3@T",
            "s",
            FaultSizes::Positive,
            "a clock that is put right (forward) half-way through",
        ),
    ]
};

impl FaultEffect {
    pub fn listed(self) -> &'static FaultKind {
        FAULT_KINDS.iter().find(|listed| listed.kind == self).unwrap_or(&FAULT_KINDS[0])
    }
}

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
            let hint = match nearest(word, FAULT_KINDS.iter().map(|k| k.word)) {
                Some(near) => format!("`{near}` is nearest"),
                None => "`assize rehearse --faults` lists them".to_owned(),
            };
            return Err(FaultError::Unknown { word: word.to_owned(), hint });
        };
        parse(kind, rest).map_err(|why| FaultError::Form { text: text.to_owned(), why, form: kind.form })
    }
}

fn parse(listed: &FaultKind, rest: &str) -> Result<Fault, String> {
    let (size_text, places) = match rest.split_once('@') {
        Some((size, places)) => (size.trim(), places.split(',').map(str::trim).collect()),
        None => (rest, vec![]),
    };
    let mut fault = Fault { kind: listed.kind, size: 2.0, ring: None, side: None, share: None, instrument: None };
    match listed.sized {
        FaultSizes::Side => {
            fault.side = Some(side(size_text).ok_or(format!("`{size_text}` is neither `left` nor `right`"))?)
        }
        FaultSizes::Share => fault.size = share_of_time(size_text)?,
        sized => fault.size = number(size_text, listed.unit, sized)?,
    }
    for place in places {
        let taken = match place {
            "" => return Err("what follows `@` is missing".to_owned()),
            "big" => fault.ring.replace(Ring::Big).is_some(),
            "small" => fault.ring.replace(Ring::Small).is_some(),
            _ if side(place).is_some() => std::mem::replace(&mut fault.side, side(place)).is_some(),
            _ if place.starts_with(|c: char| c.is_ascii_digit()) => fault.share.replace(share(place)?).is_some(),
            label => fault.instrument.replace(label.to_owned()).is_some(),
        };
        if taken {
            return Err(format!("`{place}` is a second place of its kind"));
        }
    }
    let wrong = |named: RingOrSide, given: bool, what: &str| match named {
        RingOrSide::Never if given => Err(format!("it takes no {what}")),
        RingOrSide::Always if !given => Err(format!("the {what} is missing")),
        _ => Ok(()),
    };
    wrong(listed.ring, fault.ring.is_some(), "ring (`big`, `small`)")?;
    if listed.sized != FaultSizes::Side {
        wrong(listed.side, fault.side.is_some(), "side (`left`, `right`)")?;
    }
    if listed.occasion.is_none() && fault.share.is_some() {
        let why = "it takes no share or number of occasions, as it is there throughout; the unit itself needs no place";
        return Err(why.to_owned());
    }
    Ok(fault)
}

/// The known word most like this one, if one is.
pub(super) fn nearest<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let likeness = known.map(|k| (k, strsim::jaro_winkler(k, word)));
    likeness.filter(|(_, likeness)| *likeness > 0.8).max_by(|a, b| a.1.total_cmp(&b.1)).map(|(near, _)| near)
}

pub(super) fn number(text: &str, unit: &str, sized: FaultSizes) -> Result<f64, String> {
    let bare = text.strip_suffix(unit).unwrap_or(text).trim();
    let value: f64 = match bare.parse() {
        Ok(value) if f64::is_finite(value) => value,
        _ => return Err(format!("`{text}` is not a number of {unit}")),
    };
    match sized {
        FaultSizes::AboveMinus100 if value <= -100.0 => Err(format!("{value} % would leave no reading")),
        FaultSizes::Positive if value <= 0.0 => Err(format!("{text} is not above zero")),
        _ => Ok(value),
    }
}

fn fraction(text: &str) -> Option<(f64, f64)> {
    let (part, of) = text.split_once('/').unwrap_or((text, "1"));
    let (part, of) = (part.trim().parse::<f64>().ok()?, of.trim().parse::<f64>().ok()?);
    (part > 0.0 && part <= of && of.is_finite()).then_some((part, of))
}

fn share_of_time(text: &str) -> Result<f64, String> {
    let (part, of) = fraction(text).ok_or(format!("`{text}` is not a share above 0 and up to 1 (`0.3`, `2/6`)"))?;
    Ok(part / of)
}

fn share(text: &str) -> Result<StruckShare, String> {
    match (text.parse::<usize>(), fraction(text)) {
        (Ok(count), _) if count > 0 => Ok(StruckShare::Count(count)),
        (Err(_), Some((part, of))) => Ok(StruckShare::Part { part, of }),
        _ => Err(format!("`{text}` is neither a share of the occasions (`0.3`, `2/6`) nor a number of them (`3`)")),
    }
}

fn side(text: &str) -> Option<Side> {
    match text {
        "left" => Some(Side::Left),
        "right" => Some(Side::Right),
        _ => None,
    }
}

fn side_word(side: Side) -> String {
    match side {
        Side::Left => "left".to_owned(),
        Side::Right => "right".to_owned(),
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let listed = self.kind.listed();
        let side = self.side.map(side_word);
        let (size, side) = match (listed.sized, side) {
            (FaultSizes::Side, Some(side)) => (side, None),
            (_, side) => (self.size.to_string(), side),
        };
        write!(f, "{}={size}", listed.word)?;
        let ring = self.ring.map(|ring| ring.word().to_owned());
        let places = [ring, side, self.share.map(|share| share.to_string()), self.instrument.clone()];
        for (n, place) in places.iter().flatten().enumerate() {
            write!(f, "{}{place}", if n == 0 { '@' } else { ',' })?;
        }
        Ok(())
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
            assert_eq!((fault.kind, fault.kind.listed().word), (kind.kind, kind.word));
        }
    }

    #[test]
    fn places_come_in_any_order_and_print_in_one() {
        let printed = |text: &str| text.parse::<Fault>().unwrap_or_else(|e| panic!("{e}")).to_string();
        for order in ["big,left,2/6,pedal pair P", "pedal pair P,2/6,left,big", "2/6, big ,pedal pair P,left"] {
            assert_eq!(printed(&format!("side-short=110@{order}")), "side-short=110@big,left,2/6,pedal pair P");
        }
        for as_written in
            ["gain=3@P", "ring-offset=-14@big,P", "held-reading=4@1/2", "late-wake=2.5@2", "late=2@0.25,unit"]
        {
            assert_eq!(printed(as_written), as_written);
        }
    }

    #[test]
    fn a_size_may_carry_its_unit() {
        let read = |text: &str| text.parse::<Fault>().map(|fault| (fault.kind, fault.size));
        assert_eq!(read("offset=-4 W"), Ok((FaultEffect::Offset, -4.0)));
        assert_eq!(read("temperature-drift=2 W/°C"), Ok((FaultEffect::TemperatureDrift, 2.0)));
    }

    #[test]
    fn mistakes_are_told_with_the_right_form() {
        let says = |text: &str| text.parse::<Fault>().map_err(|e| e.to_string()).unwrap_err();
        assert_eq!(says("ring-ofset=3@big"), "no fault is called `ring-ofset`; `ring-offset` is nearest");
        assert_eq!(
            says("ring-offset=-14"),
            "`ring-offset=-14` is not a fault that can be made: the ring (`big`, `small`) is missing; \
             write it like `ring-offset=-14@big`"
        );
        assert!(says("gain=3@").contains("what follows `@` is missing"));
        assert!(says("side-short=110@2/6").contains("the side (`left`, `right`) is missing"));
        assert!(says("drift=6@1/2").contains("it takes no share"));
        assert!(says("drift=6@big").contains("it takes no ring"));
        assert!(says("late=2@left").contains("it takes no side"));
        assert!(says("gain=3@P,T").contains("`T` is a second place of its kind"));
        assert!(says("doubled-side=left@right").contains("`right` is a second place"));
        assert!(says("soft-dropout=7/6").contains("`7/6` is not a share"));
        assert!(says("late-wake=2@7/6").contains("`7/6` is neither a share"));
        assert!(says("late-wake=2@0").contains("`0` is neither a share"));
        assert!(says("late=-1").contains("not above zero"));
        assert!(says("gain=nan").contains("`nan` is not a number of %"));
    }
}
