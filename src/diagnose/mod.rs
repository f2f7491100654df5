//! What pattern of faults explains the findings, and whose they are. No pattern, no guess.
//!
//! Takes what was decided, with the ride, its matches and scores; gives [`Finding`]s. What is wrong with single readings,
//! with the clocks or with a reference is seen directly. What is left open after that (checks that fail, or whose value
//! lies beyond the limit) is explained by late edges, by a side in sprints, and by the unit's level, fitted jointly
//! (`level.rs`): patterns that explain the same finding compete, and the fewest win. Each family of patterns has a file;
//! `families.rs` is their table.

mod clocks;
mod conditions;
mod doubled_side;
mod drills;
mod edges;
mod effect;
mod evidence;
mod families;
mod finding;
mod fit;
mod level;
mod open_checks;
mod predicted;
mod radio;
mod reference_at_fault;
mod runs;
mod seen;
mod soft_pedalling;
mod spikes;
mod sprints;
mod stuck;

pub use families::findings;
pub use finding::Finding;
