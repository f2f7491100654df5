//! Protocol-driven accuracy trials of cycling power meters.
//!
//! ```text
//! protocol.yaml ─┐
//! session.yaml ──┴▶ read ▶ align ▶ drivetrain ▶ match ▶ score ▶ decide ▶ diagnose ▶ sheet (html, json, terminal)
//! ```

pub mod against_truth;
pub mod align;
pub mod brief;
pub mod cautions;
pub mod cli;
pub mod compare;
pub mod cue;
pub mod decide;
pub mod diagnose;
pub mod drivetrain;
pub mod judge;
pub mod matching;
pub mod pattern;
pub mod problem;
pub mod protocol;
pub mod quantity;
pub mod recording;
pub mod register;
pub mod rehearse;
pub mod report;
pub mod ride;
pub mod scoring;
pub mod session;
pub mod stats;
mod text;
pub mod trials;
pub mod verdict;
pub mod verify;
mod words;

pub use judge::{Judgement, judge};
