//! What the readers of all formats hand over.

use super::model::{GearChange, HeadUnit, HeadUnitSummary, Lap, PositionChange, Sensor, TimerEvent};
use super::table::Table;

/// What a format's reader hands over; every time is in Unix seconds.
#[derive(Debug, Default)]
pub(super) struct FormatContents {
    pub head_unit: HeadUnit,
    pub table: Table,
    pub laps: Vec<Lap>,
    pub timer: Vec<TimerEvent>,
    pub gears: Vec<GearChange>,
    pub positions: Vec<PositionChange>,
    pub summaries: Vec<HeadUnitSummary>,
    pub sensors: Vec<Sensor>,
    pub damage: Vec<String>,
    pub cautions: Vec<String>,
}
