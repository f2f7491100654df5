//! Protocol-driven accuracy trials of cycling power meters.
//!
//! ```text
//! protocol.yaml ─┐
//! session.yaml ──┴▶ read ▶ align ▶ drivetrain ▶ match ▶ score ▶ decide ▶ diagnose ▶ sheet (html, json, terminal)
//! ```
//!
//! A session is judged in three steps; one sheet comes of each unit on trial:
//!
//! ```
//! use std::path::Path;
//!
//! use assize::verdict::Outcome;
//!
//! let session = assize::session::load(Path::new("demo-data/bench-sound/session.yaml"))?;
//! let judgements = assize::judge(&session)?;
//! let verdict = &judgements[0].verdict;
//! assert_eq!(verdict.verdict, Some(Outcome::Pass));
//! println!("{}: {} of {} checks pass", verdict.unit.label, verdict.counts.passed, verdict.counts.checks_made);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

// Folders hand names on to tests and benches as well; with every feature on, clippy sees those that nobody takes.
#![cfg_attr(not(feature = "internals"), allow(unused_imports))]

mod against_truth;
mod align;
mod brief;
mod cautions;
#[doc(hidden)]
pub mod cli;
mod compare;
mod cue;
mod decide;
mod diagnose;
mod drivetrain;
mod files;
pub mod judge;
mod matching;
mod pattern;
pub mod premise;
mod premises;
pub mod problem;
pub mod protocol;
pub mod quantity;
pub mod recording;
mod register;
mod rehearse;
pub mod report;
mod ride;
mod scoring;
pub mod session;
pub mod stats;
mod text;
mod trials;
pub mod verdict;
mod verify;
mod words;

pub use judge::{Judgement, judge};

/// What the crate's own tests and benches reach beside the library. It promises nothing to anybody else.
#[cfg(feature = "internals")]
#[doc(hidden)]
pub mod internals {
    pub mod against_truth {
        pub use crate::against_truth::*;
    }
    pub mod align {
        pub use crate::align::*;
    }
    pub mod brief {
        pub use crate::brief::*;
    }
    pub mod compare {
        pub use crate::compare::*;
    }
    pub mod drivetrain {
        pub use crate::drivetrain::*;
    }
    pub mod matching {
        pub use crate::matching::*;
    }
    pub mod pattern {
        pub use crate::pattern::*;
    }
    pub mod register {
        pub use crate::register::*;
    }
    pub mod rehearse {
        pub use crate::rehearse::*;
    }
    pub mod report {
        pub mod compare {
            pub use crate::report::compare::*;
        }
    }
    pub mod ride {
        pub use crate::ride::*;
    }
    pub mod scoring {
        pub use crate::scoring::*;
    }
    pub mod trials {
        pub use crate::trials::*;
    }
    pub mod verify {
        pub use crate::verify::*;
    }
}
