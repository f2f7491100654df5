//! What a premise is about, as it is called.

use super::evidence::PhaseRepeat;
use crate::protocol::Protocol;

/// `standing-sprints/2`, or without a number what is ridden once.
pub(super) fn repeat_name(protocol: &Protocol, PhaseRepeat { phase, repeat }: PhaseRepeat) -> String {
    let phase = &protocol.phases[phase];
    if phase.repeats > 1 { format!("{}/{repeat}", phase.id) } else { phase.id.to_string() }
}
