//! The table of shared channels: what two head units may both have recorded, and what it tells of their clocks.
//!
//! A further channel is one more line of [`SHARED`]: its columns in a recording, how they are read, whether its changes or
//! its level show the time, and how sure it is.

use super::second_values::{SecondValues, SharedSignal};
use crate::ride::AlignedOn;

/// A channel by which a recording's clock can be set.
#[derive(Debug)]
pub(super) struct SharedChannel {
    /// What a clock set by it is aligned on; its word stands in cautions and verdicts.
    pub on: AlignedOn,
    /// The recording's columns: one, or the components of a position.
    pub columns: &'static [&'static str],
    pub reading: Reading,
    pub shows: Shows,
    /// Standard uncertainty of what the two head units may lag apart in it. Type B.
    pub delay_s: f64,
    /// Two recordings are of one thing from this share on: of equal readings for changes, of explained variance for levels.
    pub alike: f64,
    pub unit: UnitsPart,
    /// A window that lies less off a steady clock is chance.
    pub unsteady_s: f64,
}

/// How columns are read before two recordings of them are compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Reading {
    AsRecorded,
    /// Without a value that a head unit goes on showing when it no longer hears the sensor.
    WithoutHeld,
    /// Latitude and longitude, in metres.
    Metres,
    /// How far it climbs within some seconds; nothing where that scatters by less.
    Climb {
        least_spread_m: f64,
    },
}

/// How time shows in a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Shows {
    /// By the seconds at which its whole numbers change.
    Changes,
    /// By its level, which moves in all seconds.
    Level {
        /// Standard uncertainty of one window's offset beyond what its scatter says. Type B.
        window_s: f64,
        /// What it takes to be believed far from what the clocks say.
        far: FarEvidence,
    },
}

/// What tells one ride from another of the same plan or the same roads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum FarEvidence {
    Never,
    /// Least share of one's variance that the other must explain.
    Alike(f64),
    /// Most that the two lie apart, root mean square in the channel's unit.
    Apart(f64),
}

/// Whether the unit under test has a part in a channel: a unit that is late must not set its own clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum UnitsPart {
    None,
    /// Its head unit can make the channel up from power, unless it names the same sensor of this kind as the other.
    UnlessSameSensor(&'static str),
    /// It is the unit's own: the last resort.
    Own,
}

/// From strap to stored sample, differing between head units. Type B: two delays, each anywhere from 0.05 to 0.35 s (common
/// practice, no source), are apart by a triangular distribution of ±0.3 s, whose standard uncertainty is 0.3/√6 (GUM 4.3.9).
const SENSOR_DELAY_S: f64 = 0.122_474;

/// Two messages that come a quarter of a second apart at most, one on either side: a triangular distribution of ±0.25 s
/// (GUM 4.3.9). Four messages a second: common practice, no source.
const LAST_OF_FOUR_S: f64 = 0.102_062;

/// Both of the above: the root of the sum of their squares (GUM 5.1.2).
const SPEED_DELAY_S: f64 = 0.159_426;

/// Two receivers, each with its own filter and its own moment of the second, up to 0.73 s late: triangular, 0.73/√6
/// rounded (GUM 4.3.9). The 0.73 s: common practice, no source; `benches/clocks.rs` draws delays as wide.
const RECEIVER_DELAY_S: f64 = 0.3;

/// Pressure sensors are smoothed over some seconds, so that two are up to 1.71 s apart: triangular, 1.71/√6 rounded
/// (GUM 4.3.9). The 1.71 s: common practice, no source; `benches/clocks.rs` draws delays as wide.
const PRESSURE_DELAY_S: f64 = 0.7;

/// A power meter's own delay is in the offset. Common practice, no source; the rows `nothing but power` of
/// `benches/clocks.rs` show how much of the truth is within it.
const POWER_DELAY_S: f64 = 0.5;

/// Where neither changes, one strap gives both the same reading but for lost messages (97 % and more in rehearsals,
/// irregular recordings too); two straps on two hearts agree only by chance. Between the two: common practice, no source.
const SAME_STRAP: f64 = 0.8;

/// Shares of variance explained, set by hand, common practice, no source. `benches/clocks.rs` shows that each channel
/// alone is taken by them (rows `taken`), `tests/clocks.rs` that another ride of the same plan is refused.
const SAME_ROAD: f64 = 0.9;
/// One sensor gives both nearly the same; two sensors, or one made up from power, do not.
const SAME_SPEED_SENSOR: f64 = 0.97;
const SAME_SPEED_SENSOR_FAR: f64 = 0.99;
/// Weather drifts in altitude, and two meters' noise is in power.
const SAME_CLIMBS: f64 = 0.5;
const SAME_POWER: f64 = 0.5;
const SAME_POWER_FAR: f64 = 0.8;

/// Two receivers on one bike are metres apart; who rides the same roads again is somewhere else by more. Common practice,
/// no source.
const ONE_BIKE_M: f64 = 20.0;

/// Standard deviation of what a ride climbs in 20 s from which altitude says something of time: a level road's drift and
/// noise stay below. Common practice, no source.
const LEAST_CLIMB_M: f64 = 1.0;

/// Set by hand; no ride of `tests/clocks.rs` is called unsteady by them. Filters of some seconds, each with its own, move
/// one window of altitude by more than anything moves one of another channel.
const UNSTEADY_S: f64 = 1.0;
const UNSTEADY_ALTITUDE_S: f64 = 3.0;

/// The most trusted first: that one says where the others are looked for, and stands where one of them does not agree.
pub(super) const SHARED: &[SharedChannel] = &[
    SharedChannel {
        on: AlignedOn::HeartRate,
        columns: &["heart_rate"],
        reading: Reading::WithoutHeld,
        shows: Shows::Changes,
        delay_s: SENSOR_DELAY_S,
        alike: SAME_STRAP,
        unit: UnitsPart::None,
        unsteady_s: UNSTEADY_S,
    },
    SharedChannel {
        on: AlignedOn::Position,
        columns: &["latitude", "longitude"],
        reading: Reading::Metres,
        shows: Shows::Level { window_s: 0.0, far: FarEvidence::Apart(ONE_BIKE_M) },
        delay_s: RECEIVER_DELAY_S,
        alike: SAME_ROAD,
        unit: UnitsPart::None,
        unsteady_s: UNSTEADY_S,
    },
    SharedChannel {
        on: AlignedOn::Speed,
        columns: &["speed"],
        reading: Reading::AsRecorded,
        // A second's value is the last message before it, of four a second, and which one it is can stay so all ride long.
        shows: Shows::Level { window_s: LAST_OF_FOUR_S, far: FarEvidence::Alike(SAME_SPEED_SENSOR_FAR) },
        delay_s: SPEED_DELAY_S,
        alike: SAME_SPEED_SENSOR,
        unit: UnitsPart::UnlessSameSensor("speed"),
        unsteady_s: UNSTEADY_S,
    },
    SharedChannel {
        on: AlignedOn::Altitude,
        columns: &["altitude"],
        reading: Reading::Climb { least_spread_m: LEAST_CLIMB_M },
        shows: Shows::Level { window_s: 0.0, far: FarEvidence::Never },
        delay_s: PRESSURE_DELAY_S,
        alike: SAME_CLIMBS,
        unit: UnitsPart::None,
        unsteady_s: UNSTEADY_ALTITUDE_S,
    },
];

/// The last resort: a constant lag of the unit can't be told from a clock offset.
pub(super) const POWER: SharedChannel = SharedChannel {
    on: AlignedOn::Power,
    columns: &["power"],
    reading: Reading::AsRecorded,
    shows: Shows::Level { window_s: 0.0, far: FarEvidence::Alike(SAME_POWER_FAR) },
    delay_s: POWER_DELAY_S,
    alike: SAME_POWER,
    unit: UnitsPart::Own,
    unsteady_s: UNSTEADY_S,
};

/// The channel that a clock was set by; `None` for one that was not.
pub(super) fn of(on: AlignedOn) -> Option<&'static SharedChannel> {
    SHARED.iter().chain([&POWER]).find(|channel| channel.on == on)
}

/// A degree of latitude (the metre was meant to make it 10,000 km to the pole).
const DEGREE_M: f64 = 1e7 / 90.0;

impl Reading {
    /// Columns as they are compared; `None` where they move too little to tell the time.
    pub fn of(self, mut columns: Vec<SharedSignal>) -> Option<Vec<SharedSignal>> {
        match self {
            Reading::AsRecorded => {}
            Reading::WithoutHeld => {
                columns = columns.into_iter().map(|both| both.map(SecondValues::without_held)).collect();
            }
            Reading::Metres => {
                let shrink = columns.first()?.session.mean().to_radians().cos();
                let metres = |(both, by): (SharedSignal, f64)| both.map(|values| values.times(by));
                columns = columns.into_iter().zip([DEGREE_M, DEGREE_M * shrink]).map(metres).collect();
            }
            Reading::Climb { least_spread_m } => {
                columns = columns.into_iter().map(|both| both.map(SecondValues::climb)).collect();
                let spread_m = |both: &SharedSignal| both.session.spread().min(both.theirs.spread());
                if columns.iter().any(|both| spread_m(both) < least_spread_m) {
                    return None;
                }
            }
        }
        Some(columns)
    }
}
