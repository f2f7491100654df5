//! What `--fault KIND=SIZE[@PLACE{,PLACE}]` means: text to [`Fault`] and back.

use std::fmt;
use std::str::FromStr;

use crate::protocol::{Ring, Side};

use super::super::sizes::{AllowedSize, nearest, number};
use super::kinds::{FAULT_KINDS, Fault, FaultKind, RingOrSide, StruckShare};

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
        AllowedSize::Side => {
            fault.side = Some(side(size_text).ok_or(format!("`{size_text}` is neither `left` nor `right`"))?)
        }
        AllowedSize::Share => fault.size = share_of_time(size_text)?,
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
    if listed.sized != AllowedSize::Side {
        wrong(listed.side, fault.side.is_some(), "side (`left`, `right`)")?;
    }
    if listed.occasion.is_none() && fault.share.is_some() {
        let why = "it takes no share or number of occasions, as it is there throughout; the unit itself needs no place";
        return Err(why.to_owned());
    }
    Ok(fault)
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
            (AllowedSize::Side, Some(side)) => (side, None),
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
    use super::super::kinds::FaultEffect;
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
