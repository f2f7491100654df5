//! The rider's run sheet: what to check, what to ride, what to write down.

mod page;
mod sheet;
mod steps;
mod terminal;
mod wording;

pub use page::page;
pub use sheet::RunSheet;
pub use steps::to_json;
pub use terminal::write;
