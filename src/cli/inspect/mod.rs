//! `assize inspect`: what recordings hold. Takes recordings and gives their facts as JSON or on a terminal, or the records of one
//! as CSV.

mod command;
mod facts;
mod text;

pub use command::{InspectArgs, run};
