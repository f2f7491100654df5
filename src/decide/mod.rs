//! Measure, limit and uncertainty to an outcome, by the protocol's decision rule.
//!
//! Takes the protocol, what was found and [`Scores`](crate::scoring::Scores); gives [`Decisions`]: every check with its
//! outcome, why it is so and what would decide it, then what repeats, phases and the session come to. All of it is typed; the
//! words are made with the verdict.

mod comparison;
mod decided;
mod ends;
mod outcome;
mod reason;
mod remedy;
mod repeats;
mod rules;
mod session;
#[cfg(test)]
mod tests;

pub use comparison::{COMPARED_BY, compared, comparison};
pub use decided::Decided;
pub use outcome::{Outcome, RateInterval};
pub use reason::{Over, Reason, ReferencesDisagree};
pub use remedy::{Better, More, Remedy};
pub use repeats::{RepeatReason, RepeatRemedy, fault_rates};
pub use rules::expanded;
pub use session::{DecidedPhase, DecidedRepeats, Decisions, session};
