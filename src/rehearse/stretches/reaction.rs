//! How a rider follows the script: late, now and then early, and near what was asked for.

use crate::protocol::{Posture, Protocol};

use super::super::noise::{Noise, Purpose};
use super::stretch::{RiderAction, ScriptStretch};

/// The script as a rider follows it: each change comes late, now and then early, and no target is met exactly; who
/// sprints stands up unless told to stay seated. Common practice, no source.
pub(crate) fn follow(stretches: &mut [ScriptStretch], protocol: &Protocol, seed: u64) {
    let mut noise = Noise::new(seed, Purpose::Reaction);
    for i in 1..stretches.len() {
        let counted_down = noise.uniform() < 0.1;
        let late_s = if counted_down { noise.between(-0.5, 0.1) } else { noise.between(0.3, 1.5) };
        stretches[i - 1].end_s += late_s;
        stretches[i].start_s += late_s;
    }
    for stretch in stretches {
        stretch.aim_w *= 1.0 + noise.truncated(0.015, 2.0);
        let phase = stretch.phase.map(|of| &protocol.phases[of.phase_index]);
        let asked = phase.and_then(|phase| phase.posture);
        stretch.grade_pct = phase.and_then(|phase| phase.grade_pct.as_ref()?.middle());
        let stands = stretch.act == RiderAction::Sprint && asked.is_none();
        stretch.posture = if stands { Posture::Standing } else { asked.unwrap_or(Posture::Seated) };
    }
}
