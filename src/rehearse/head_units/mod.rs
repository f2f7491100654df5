//! Head units: what reaches one over the radio, and what it writes of that second by second, as a recording and as a FIT
//! file.

mod fit;
mod head_unit;
mod naming;
mod position;
mod second;

pub(super) use fit::encode;
pub(super) use head_unit::{HeadUnitFaults, Recorded, TimerStop, record};
#[cfg(test)]
pub(super) use position::DEGREE_M;
pub(super) use position::PositionReceiver;
pub(super) use second::{Received, Shift};
