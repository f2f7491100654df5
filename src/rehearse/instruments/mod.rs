//! Instruments: what each senses of the ride and sends, with its own errors, its temperature and the masses hung on it.
//!
//! `draws.rs` draws once per session what an instrument is, `instrument.rs` makes its messages of a ride; `hung.rs` is the
//! display that a tester reads while masses hang.

mod draws;
mod hung;
mod instrument;
mod temperature;

pub(super) use draws::SessionDraws;
pub(super) use hung::{TrueLoad, UnitOnBike, hang, typed};
pub(super) use instrument::{InstrumentDraw, RideConditions, send, speed};
pub(super) use temperature::temperature_c;
