//! `zero_check`: the zero is set or read and typed, the rider waits.

use super::super::stretches::{RiderAction, ScriptBuilder};
use super::rehearsed::{AskedRepeat, RehearsedDrill};

/// To set or read a zero. Common practice, no source.
const TYPING_S: f64 = 30.0;

pub(super) struct ZeroCheck;

impl RehearsedDrill for ZeroCheck {
    fn ride(&self, script: &mut ScriptBuilder, asked: &AskedRepeat) {
        script.add(RiderAction::Still, Some(asked.of), TYPING_S, 0.0, 0.0);
    }
}
