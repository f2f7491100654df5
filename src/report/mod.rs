//! What people hold: the verdict sheet (HTML), the terminal table and the JSON; and what many rehearsals showed.
//!
//! Reports read a [`crate::verdict::Verdict`], a [`crate::judge::Judgement`], a comparison of sessions or a
//! summary of trials and compute nothing of judgement: they round, put into words and draw. A file for each kind
//! of report; pages are filled in by `pages.rs`, pictures drawn by `svg.rs` and framed by `picture.rs`.

pub(crate) mod brief;
mod charts;
pub(crate) mod compare;
pub mod csv;
#[cfg(test)]
pub(crate) mod example;
pub(crate) mod grid;
mod groups;
pub mod html;
pub(crate) mod pages;
mod picture;
#[cfg_attr(not(feature = "png"), path = "no_pixels.rs")]
mod pixels;
pub mod publish;
pub(crate) mod side_by_side;
pub mod suites;
mod svg;
pub mod table;
pub(crate) mod trials;
pub(crate) mod truth;
pub(crate) mod verify;

pub use pages::ReportError;
