//! Where and against what a protocol is ridden, and whether instruments have errors of their own.

use crate::protocol::{Protocol, Setting};
use crate::session::TrainerMode;

/// Where and against what the protocol is ridden.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum RideSetting {
    /// A trainer whose brake grows with the wheel's speed.
    #[default]
    Resistance,
    /// A trainer that holds each move's power, whatever the cadence.
    ConstantPower,
    /// Hills, traffic, position and altitude; a hub that measures stands in the trainer's place.
    Road,
}

impl RideSetting {
    pub const ALL: [Self; 3] = [Self::Resistance, Self::ConstantPower, Self::Road];

    pub fn word(self) -> &'static str {
        match self {
            RideSetting::Resistance => "resistance",
            RideSetting::ConstantPower => "constant-power",
            RideSetting::Road => "road",
        }
    }

    /// Where a protocol is ridden if nobody says otherwise.
    pub fn asked_by(protocol: &Protocol) -> Self {
        match protocol.setting {
            Setting::Road => RideSetting::Road,
            Setting::Indoor | Setting::Rig => RideSetting::Resistance,
        }
    }

    pub(super) fn trainer_mode(self) -> Option<TrainerMode> {
        match self {
            RideSetting::Resistance => Some(TrainerMode::Resistance),
            RideSetting::ConstantPower => Some(TrainerMode::ConstantPower),
            RideSetting::Road => None,
        }
    }
}

/// Whether instruments, head units and clocks have their usual small errors.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Instruments {
    Real,
    /// No gain, offset or noise, one clock; only a plan's faults remain.
    Ideal,
}
