//! Every clock onto one: recordings to traces in session time.
//!
//! Takes the session and its recordings as read; gives [`Aligned`], every instrument as one trace on the clock of the first
//! reference's recording, each with its clock's uncertainty. Clocks are brought together on what both recordings share and
//! the unit does not produce (`channels.rs` is the table of them), so that a unit that reports late is found late. All is
//! done on absolute time stamps: a missing second shifts nothing.

mod aligned;
mod by_change;
mod by_level;
mod cautions;
mod channels;
mod combine;
mod error;
mod fields;
mod find_clock;
mod lag;
mod place;
mod reset;
mod second_values;
mod session_clock;
mod session_time;
#[cfg(test)]
mod tests;
mod times;
mod trace;
mod windows;

pub use aligned::{Aligned, ApartInstrument};
pub use error::AlignError;
pub(crate) use fields::field;
pub use session_time::to_session_time;
