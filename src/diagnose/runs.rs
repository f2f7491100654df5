//! Runs of seconds in which readings are wrong in themselves.

use std::ops::Range;

use crate::ride::Window;

/// In order of time.
pub(super) type Runs = Vec<Range<usize>>;

/// Whether a window touches one of the runs.
pub(super) fn touches(runs: &Runs, window: Window) -> bool {
    let seconds = window.seconds();
    runs.iter().any(|run| run.start < seconds.end && seconds.start < run.end)
}

/// `once`, `3 times`.
pub(super) fn times(n: usize) -> String {
    if n == 1 { "once".to_owned() } else { format!("{n} times") }
}
