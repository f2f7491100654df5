//! Where in the session a repeat stands.

use crate::protocol::{Phase, Protocol};

use super::super::step::{ProtocolPart, Step};

/// The repeat whose steps are asked for, and what comes before and after it.
pub(crate) struct StepsSoFar<'a> {
    pub protocol: &'a Protocol,
    /// Those before this repeat.
    pub steps: &'a [Step],
    pub part: ProtocolPart,
}

impl StepsSoFar<'_> {
    /// The phases after this one.
    pub fn later(&self) -> &[Phase] {
        &self.protocol.phases[self.part.phase + 1..]
    }
}
