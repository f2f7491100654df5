//! Protocol-driven accuracy trials of cycling power meters.
//!
//! ```text
//! protocol.yaml ─┐
//! session.yaml ──┴▶ read ▶ align ▶ refer ▶ match ▶ score ▶ decide ▶ diagnose ▶ sheet (html, json, terminal)
//! ```

pub mod align;
pub mod cli;
pub mod matching;
pub mod problem;
pub mod protocol;
pub mod quantity;
pub mod recording;
pub mod refer;
pub mod rehearse;
pub mod report;
pub mod ride;
pub mod scoring;
pub mod session;
pub mod stats;
pub mod verdict;

/// A verdict and what it was read from: all that a sheet needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    pub verdict: verdict::Verdict,
    /// `verdict.phases` and `matches.found` stand in the same order, one to one.
    pub matches: matching::Matches,
    pub ride: ride::Ride,
}
