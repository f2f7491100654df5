//! The sheet's pictures. Takes a judgement and gives a [`crate::report::picture::Picture`] for each thing to be seen, with its
//! keys and the numbers behind it; a file for each kind of picture. `samples.rs` and `labels.rs` are what they share.

mod against_power;
mod agreement;
mod clocks;
mod contrast;
mod labels;
mod mark;
mod phase;
mod phase_ride;
mod references;
mod rings;
mod samples;
mod sheet;
mod sides;
mod stops;
#[cfg(test)]
mod tests;
mod timeline;

pub use mark::mark;
pub use phase::PhasePictures;
pub use sheet::SheetPictures;
