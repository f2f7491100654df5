//! The rider's run sheet: what to check, what to ride, what to write down. Takes a protocol and what is known of the session
//! before the ride, makes a [`RunSheet`] of texts, and gives it as a page, on a terminal, or its steps as JSON.

mod page;
mod parts;
mod sheet;
mod steps;
mod terminal;
mod wording;

pub use page::page;
pub use sheet::RunSheet;
pub use steps::to_json;
pub use terminal::write;
