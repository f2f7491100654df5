//! What each kind of fault is bound to do: the measures whose truth it moves, the pattern that should be named.

use crate::pattern::Pattern;
use crate::protocol::{Measure, Side};

use super::bench::Bench;
use super::fault::{Fault, Kind};

impl Fault {
    /// The measures whose true value it can move, somewhere in a ride on otherwise ideal instruments. None for what is not
    /// the unit's own: radio, clocks, references.
    pub fn measures(&self, bench: &Bench) -> Vec<Measure> {
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
            Kind::Gain if self.is_alike() => all(&[&[Spike, Linearity, TorqueError]]),
            Kind::Gain => all(&[&shifted, &drifts, &[TorqueError]]),
            Kind::Offset if self.is_alike() => all(&[&shifted, &[TorqueError]]),
            Kind::RingOffset if self.share.is_none() => all(&[&shifted, &[Linearity, TorqueError]]),
            Kind::Offset | Kind::RingOffset => all(&[&shifted, &drifts, &[TorqueError]]),
            Kind::SideShort => {
                let own = if self.side == Some(Side::Right) { RightError } else { LeftError };
                vec![MeanError, Spread, own, WorkError, PeakError, Spike]
            }
            // With no balance sent the sides have no truth; the balance moves with effort and time.
            Kind::DoubledSide => all(&[&shifted, &drifts, &[TorqueError]]),
            Kind::Drift | Kind::TemperatureDrift => all(&[&shifted, &drifts, &creeping]),
            Kind::LateWake => all(&[&[OnsetLag, CadenceOnsetLag]]),
            // The level before a restart may still be the reading held.
            Kind::HeldReading => all(&[&shifted, &coasting, &[HeldTime, CadenceReleaseLag, CadenceOnsetLag]]),
            // A signal that is late differs wherever it moves; where it begins to be, its last reading stands longer.
            Kind::Late if self.is_alike() => all(&[&shifted, &drifts, &cadence, &coasting]),
            Kind::Late => all(&[&shifted, &drifts, &cadence, &coasting, &[HeldTime]]),
            Kind::LateCadence => cadence.to_vec(),
            // What is lost counts as lost, and in no error but each one's own best.
            Kind::SoftDropout => vec![DropoutTime, PeakError, Spike],
            Kind::Phantom => all(&[&shifted, &coasting]),
            Kind::Spike => all(&[&shifted, &drifts]),
            Kind::Stuck => all(&[&shifted, &drifts, &cadence, &[HeldTime]]),
            // It reads on unheard.
            Kind::Dropout => vec![DropoutTime],
            Kind::RadioDropout | Kind::ClockSet | Kind::ClockJump => vec![],
        }
    }

    /// The pattern that a verdict should name; `None` where no pattern is meant for it.
    pub fn pattern(&self, bench: &Bench) -> Option<Pattern> {
        let at_unit = |pattern| self.strikes_unit(bench).then_some(pattern);
        match self.kind {
            Kind::Gain | Kind::Offset | Kind::RingOffset if !self.strikes_unit(bench) => {
                Some(Pattern::ReferenceAtFault)
            }
            Kind::Gain => Some(Pattern::Gain),
            Kind::Offset => Some(Pattern::Offset),
            Kind::RingOffset => Some(Pattern::RingDependent),
            Kind::SideShort => at_unit(Pattern::SideShortInSprints),
            Kind::Drift | Kind::TemperatureDrift => at_unit(Pattern::Drift),
            Kind::DoubledSide => at_unit(Pattern::DoubledSide),
            Kind::LateWake => at_unit(Pattern::LateRestart),
            Kind::HeldReading => at_unit(Pattern::HoldsReadingWhenStopped),
            Kind::Late => at_unit(Pattern::LateThroughout),
            Kind::LateCadence => at_unit(Pattern::LateCadence),
            Kind::SoftDropout => at_unit(Pattern::SoftPedallingLost),
            Kind::Phantom => at_unit(Pattern::PowerWhileCoasting),
            Kind::Spike => at_unit(Pattern::PowerSpikes),
            Kind::Stuck => at_unit(Pattern::StuckReading),
            Kind::Dropout | Kind::RadioDropout => at_unit(Pattern::RadioDropouts),
            Kind::ClockSet | Kind::ClockJump => Some(Pattern::ClockMismatch),
        }
    }

    fn strikes_unit(&self, bench: &Bench) -> bool {
        bench.struck_by(self).is_some_and(|(worn, _)| worn == 0)
    }

    /// On every reading, and on both sides in proportion.
    fn is_alike(&self) -> bool {
        self.share.is_none() && self.ring.is_none() && self.side.is_none()
    }
}
