//! What people hold: the verdict sheet (HTML), the terminal table and the JSON; and what many rehearsals showed.
//!
//! Reports read a [`crate::verdict::Verdict`] or a [`crate::trials::Summary`] and compute nothing of judgement: they round,
//! put into words and draw.

pub mod brief;
mod charts;
pub mod compare;
pub mod csv;
#[cfg(test)]
pub(crate) mod example;
pub mod grid;
mod groups;
pub mod html;
pub mod pages;
mod picture;
#[cfg(feature = "png")]
mod pixels;
/// A build that draws no PNG.
#[cfg(not(feature = "png"))]
mod pixels {
    pub fn png(_: &str) -> Result<Option<Vec<u8>>, String> {
        Ok(None)
    }
}
pub mod publish;
pub mod side_by_side;
pub mod suites;
mod svg;
pub mod table;
pub mod trials;
pub mod truth;
pub mod verify;
