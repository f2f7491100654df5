//! The mark of an outcome, on top of a sheet.

use crate::report::svg::{Look, Svg};
use crate::verdict::Outcome;

/// A shape for each outcome, told apart without colour: disc with tick, octagon with cross, diamond with question
/// mark, ring with dash.
pub fn mark(outcome: Option<Outcome>) -> String {
    let (word, shape, sign) = match outcome {
        Some(Outcome::Pass) => ("pass", "M40 4a36 36 0 1 1 0 72a36 36 0 1 1 0 -72Z", "M24 41l11 12l22 -25"),
        Some(Outcome::Fail) => {
            ("fail", "M25.5 5h29l20.5 20.5v29l-20.5 20.5h-29l-20.5 -20.5v-29Z", "M28 28l24 24M52 28l-24 24")
        }
        Some(Outcome::Undecided) => {
            ("undecided", "M40 3l37 37l-37 37l-37 -37Z", "M31 33a9 9 0 1 1 12 9q-3 1.5 -3 6M40 56h0.1")
        }
        _ => ("no verdict", "M40 4a36 36 0 1 1 0 72a36 36 0 1 1 0 -72Z", "M25 40h30"),
    };
    let solid = Look { class: "m-shape", paint: r##"fill="#4d5866""## };
    let line = Look {
        class: "m-sign",
        paint: r##"fill="none" stroke="#fff" stroke-width="7" stroke-linecap="round" stroke-linejoin="round""##,
    };
    let mut svg = Svg::new(80.0, 80.0, word, &format!("The session's verdict: {word}."));
    svg.path(shape, solid);
    svg.path(sign, line);
    svg.finish()
}
