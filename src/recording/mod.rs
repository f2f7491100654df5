//! What was measured: FIT, TCX, GPX and CSV files to [`Recording`].
//!
//! Takes files of head units and gives each as it is on its own clock: nothing is filled in, and what is damaged, merged or
//! left out is said. `channels.rs` names every kind of channel, `model.rs` says what a recording holds, `read.rs` tells a
//! file's format and hands it to its reader (`fit/`, `xml.rs`, `csv/`); rows become columns in `table.rs`. `facts.rs`,
//! `storage.rs` and `cautions.rs` are what a recording shows of itself.

mod cautions;
mod cells;
mod channels;
mod contents;
mod csv;
mod error;
mod export;
mod facts;
mod fit;
mod model;
mod read;
mod rows;
mod storage;
mod table;
mod times;
mod wording;
mod xml;

pub(crate) use channels::channel_names;
pub use error::{RecordingError, RecordingErrorKind};
pub use export::write_csv;
pub(crate) use facts::is_trainer;
pub use facts::{Column, Counts, Gap};
pub use model::*;
pub use read::{read, read_all, read_bytes, read_keeping_replaced, read_named, read_with};
pub use storage::{Storage, StorageEvidence};
