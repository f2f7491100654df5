//! An invented session for the reports' tests: 75 minutes, a unit that reads low on the big ring, loses its right
//! side in sprints, holds a reading when the rider stops and falls silent at soft pedalling. Takes nothing and gives a
//! judgement, made by hand from a plan of what was ridden.

mod checks;
mod facts;
mod judged;
mod phases;
mod plan;
mod ride;
mod verdict;

pub use judged::{hostile, judgement};
