//! The ways in which a unit's level can be off, the same for the whole ride.

use super::conditions::BlockConditions;
use super::finding::high_low;
use crate::pattern::Pattern;
use crate::protocol::Ring;
use crate::quantity::Unit;

/// One way in which a unit's level can be off, the same for the whole ride.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Effect {
    /// Per cent of the power.
    Gain,
    /// Watts.
    Offset,
    /// Watts on this ring.
    Ring(Ring),
    /// Watts per hour from the ride's start.
    Time,
    /// Watts per degree of warming since the ride's start.
    Temperature,
    /// Watts in soft pedalling.
    Soft,
}

pub(super) const EFFECTS: [Effect; 7] = [
    Effect::Gain,
    Effect::Offset,
    Effect::Ring(Ring::Big),
    Effect::Ring(Ring::Small),
    Effect::Time,
    Effect::Temperature,
    Effect::Soft,
];

impl Effect {
    /// Watts at a place, of an effect of size 1.
    pub fn at(self, place: &BlockConditions) -> f64 {
        let where_it_is = |is: bool| f64::from(u8::from(is));
        match self {
            Effect::Gain => place.power_w / 100.0,
            Effect::Offset => 1.0,
            Effect::Ring(ring) => place.ring.map_or(0.5, |on| where_it_is(on == ring)),
            Effect::Time => place.at_s / 3600.0,
            Effect::Temperature => place.warmer_c,
            Effect::Soft => where_it_is(place.soft),
        }
    }

    pub fn pattern(self) -> Pattern {
        match self {
            Effect::Gain => Pattern::Gain,
            Effect::Offset => Pattern::Offset,
            Effect::Ring(_) => Pattern::RingDependent,
            Effect::Time | Effect::Temperature => Pattern::Drift,
            Effect::Soft => Pattern::SoftPedallingLost,
        }
    }

    pub fn unit(self) -> Unit {
        match self {
            Effect::Gain => Unit::Percent,
            Effect::Offset | Effect::Ring(_) | Effect::Soft => Unit::Watt,
            Effect::Time => Unit::WattPerHour,
            Effect::Temperature => Unit::WattPerCelsius,
        }
    }

    pub fn says(self, size: f64, alone: bool) -> String {
        let by = size.abs();
        let too = if alone { "" } else { " besides" };
        match self {
            Effect::Gain => format!("it reads {by:.1} % {}{too}, at every power", high_low(size, "high", "low")),
            Effect::Offset => format!("it reads {by:.0} W {}{too}, whatever the power", high_low(size, "high", "low")),
            Effect::Ring(ring) => format!(
                "on the {} ring it reads {by:.0} W {} than on the {} ring",
                ring.word(),
                high_low(size, "higher", "lower"),
                if ring == Ring::Big { Ring::Small } else { Ring::Big }.word()
            ),
            Effect::Time => format!("its error drifts by {size:+.1} W/h over the ride"),
            Effect::Temperature => format!("its error drifts by {size:+.1} W/°C as it warms"),
            Effect::Soft => {
                format!("in soft pedalling it reads {by:.0} W {} than elsewhere", high_low(size, "higher", "lower"))
            }
        }
    }

    /// Of a finding that could be this one as well.
    pub fn also(self, size: f64) -> String {
        match self {
            Effect::Ring(ring) => format!("ring-dependent ({size:+.0} W on the {} ring)", ring.word()),
            Effect::Temperature => format!("drift with temperature ({size:+.1} W/°C)"),
            Effect::Time => format!("drift over time ({size:+.1} W/h)"),
            _ => {
                let digits = if self == Effect::Gain { 1 } else { 0 };
                format!("{} ({size:+.digits$} {})", self.pattern().word(), self.unit().symbol())
            }
        }
    }
}

/// The effects chosen, each with its size; none where nothing failed that a level explains.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct LevelEffects {
    pub effects: Vec<(Effect, f64)>,
}

impl LevelEffects {
    /// Error that the level predicts, W.
    pub fn at(&self, place: &BlockConditions) -> f64 {
        self.effects.iter().map(|(effect, size)| size * effect.at(place)).sum()
    }
}
