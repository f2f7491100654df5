//! What a tester asks of a season: each answer a number with an interval, or why it can't be told.
//!
//! Takes a season with its unpooled rows and gives the five questions with their answers; a file each.

mod answer;
mod ask;
mod drift;
mod firmware;
mod intermittent;
mod specimen;
mod tester;

pub(super) use ask::ask;
