//! What each kind of fault is bound to do: the measures whose truth it moves, the pattern that should be named.

use crate::pattern::Pattern;
use crate::protocol::{Measure, Side};

use super::bench::RehearsalBench;
use super::fault::{Fault, FaultEffect};

impl Fault {
    /// The measures whose true value it can move, somewhere in a ride on otherwise ideal instruments. None for what is not
    /// the unit's own: radio, clocks, references.
    pub fn measures(&self, bench: &RehearsalBench) -> Vec<Measure> {
        use Measure::*;
        if !self.strikes_unit(bench) {
            return vec![];
        }
        let errors = [MeanError, Spread, LeftError, RightError, WorkError, PeakError, MissingWork];
        // Half of a step is crossed some milliseconds earlier or later where readings around it are shifted.
        let shifted = [Spike, ReleaseLag, OnsetLag];
        let drifts = [Linearity, DriftTime, DriftTemperature];
        let cadence = [CadenceError, CadenceReleaseLag, CadenceOnsetLag];
        let coasting = [ResidualPower, PhantomWork];
        // What creeps is another zero, and another reading under the same load, some time later.
        let creeping = [TorqueError, Hysteresis, ZeroShift];
        let all = |lists: &[&[Measure]]| errors.iter().chain(lists.iter().copied().flatten()).copied().collect();
        match self.kind {
            // Of all readings alike, so no step is crossed elsewhere; of some, and drifts and lags move.
            FaultEffect::Gain if self.is_alike() => all(&[&[Spike, Linearity, TorqueError]]),
            FaultEffect::Gain => all(&[&shifted, &drifts, &[TorqueError]]),
            FaultEffect::Offset if self.is_alike() => all(&[&shifted, &[TorqueError]]),
            FaultEffect::RingOffset if self.share.is_none() => all(&[&shifted, &[Linearity, TorqueError]]),
            FaultEffect::Offset | FaultEffect::RingOffset => all(&[&shifted, &drifts, &[TorqueError]]),
            FaultEffect::SideShort => {
                let own = if self.side == Some(Side::Right) { RightError } else { LeftError };
                vec![MeanError, Spread, own, WorkError, PeakError, Spike]
            }
            // With no balance sent the sides have no truth; the balance moves with effort and time.
            FaultEffect::DoubledSide => all(&[&shifted, &drifts, &[TorqueError]]),
            FaultEffect::Drift | FaultEffect::TemperatureDrift => all(&[&shifted, &drifts, &creeping]),
            FaultEffect::LateWake => all(&[&[OnsetLag, CadenceOnsetLag]]),
            // The level before a restart may still be the reading held.
            FaultEffect::HeldReading => all(&[&shifted, &coasting, &[HeldTime, CadenceReleaseLag, CadenceOnsetLag]]),
            // A signal that is late differs wherever it moves; where it begins to be, its last reading stands longer.
            FaultEffect::Late if self.is_alike() => all(&[&shifted, &drifts, &cadence, &coasting]),
            FaultEffect::Late => all(&[&shifted, &drifts, &cadence, &coasting, &[HeldTime]]),
            FaultEffect::LateCadence => cadence.to_vec(),
            // What is lost counts as lost, and in no error but each one's own best.
            FaultEffect::SoftDropout => vec![DropoutTime, PeakError, Spike],
            FaultEffect::Phantom => all(&[&shifted, &coasting]),
            FaultEffect::Spike => all(&[&shifted, &drifts]),
            FaultEffect::Stuck => all(&[&shifted, &drifts, &cadence, &[HeldTime]]),
            // It reads on unheard.
            FaultEffect::Dropout => vec![DropoutTime],
            FaultEffect::RadioDropout | FaultEffect::ClockSet | FaultEffect::ClockJump => vec![],
        }
    }

    /// The pattern that a verdict should name; `None` where no pattern is meant for it.
    pub fn pattern(&self, bench: &RehearsalBench) -> Option<Pattern> {
        let at_unit = |pattern| self.strikes_unit(bench).then_some(pattern);
        match self.kind {
            FaultEffect::Gain | FaultEffect::Offset | FaultEffect::RingOffset if !self.strikes_unit(bench) => {
                Some(Pattern::ReferenceAtFault)
            }
            FaultEffect::Gain => Some(Pattern::Gain),
            FaultEffect::Offset => Some(Pattern::Offset),
            FaultEffect::RingOffset => Some(Pattern::RingDependent),
            FaultEffect::SideShort => at_unit(Pattern::SideShortInSprints),
            FaultEffect::Drift | FaultEffect::TemperatureDrift => at_unit(Pattern::Drift),
            FaultEffect::DoubledSide => at_unit(Pattern::DoubledSide),
            FaultEffect::LateWake => at_unit(Pattern::LateRestart),
            FaultEffect::HeldReading => at_unit(Pattern::HoldsReadingWhenStopped),
            FaultEffect::Late => at_unit(Pattern::LateThroughout),
            FaultEffect::LateCadence => at_unit(Pattern::LateCadence),
            FaultEffect::SoftDropout => at_unit(Pattern::SoftPedallingLost),
            FaultEffect::Phantom => at_unit(Pattern::PowerWhileCoasting),
            FaultEffect::Spike => at_unit(Pattern::PowerSpikes),
            FaultEffect::Stuck => at_unit(Pattern::StuckReading),
            FaultEffect::Dropout | FaultEffect::RadioDropout => at_unit(Pattern::RadioDropouts),
            FaultEffect::ClockSet | FaultEffect::ClockJump => Some(Pattern::ClockMismatch),
        }
    }

    fn strikes_unit(&self, bench: &RehearsalBench) -> bool {
        bench.struck_by(self).is_some_and(|(worn, _)| worn == 0)
    }

    /// On every reading, and on both sides in proportion.
    fn is_alike(&self) -> bool {
        self.share.is_none() && self.ring.is_none() && self.side.is_none()
    }
}
