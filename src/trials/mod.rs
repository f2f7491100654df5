//! Many rehearsals of one protocol, judged in memory: what it finds and names, and how often it wrongs a sound unit.
//!
//! It takes a protocol, a bench and faults; `ride.rs` gives the sessions of each, `summary.rs` counts them once for all
//! reports, `advice.rs` says what would find a fault, `spare.rs` what nothing needed, `reach.rs` how certain checks can be.
//! Riders, head units, straps and noise differ from session to session, and references are off by a draw from what they
//! state. The same seeds are ridden with every fault, so that one size differs from the next by nothing but itself.

mod advice;
mod curve;
mod judged;
mod ladder;
mod lever;
mod names;
mod reach;
mod ride;
mod spare;
mod summary;

pub use advice::{Advice, FRESH, MovedLever, Solution, advise, sessions_at_most};
pub use curve::{FoundSize, TrialShare, WANTED, threshold};
pub use judged::JudgedTrial;
pub use ladder::ladders;
pub use lever::{Lever, each_limit};
pub use names::place_of;
pub use reach::{CheckReach, LimitMargin, reach};
pub use ride::{TrialPoint, Trials, judge, ride};
pub use spare::{LeftOutEffect, LeftOutPhase, SparePhases, sessions_of_spare, spare};
pub use summary::{FailingPlace, Ladder, SessionsRidden, Sound, TrialCounts, TrialsSummary, Work};
