//! A verdict judged again: are its inputs still what they were, and do they still give what it says? Takes a verdict and
//! where its inputs may be, and gives a [`Verification`].
//!
//! A verdict holds name and hash of session, protocol, marks and recordings, but no folder. The session is looked for
//! beside the verdict, the rest where the session names it, and recordings by their hash wherever they are asked to be
//! looked for. Then everything is judged anew and compared value by value, with no tolerance.

mod again;
mod differences;
mod error;
mod inputs;
mod places;
mod reopen;
mod verification;

pub use again::{again, again_as_written, written_as_now};
pub use differences::{Difference, Severity, differences};
pub use error::VerifyError;
pub use inputs::{FilesByHash, Input, InputKind, InputState};
pub use places::InputPlaces;
pub use verification::{NewJudgement, Programs, Verification, VerificationResult};
