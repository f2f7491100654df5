//! The kinds of faults: how each is written, when it is there, and the pattern that should be named for it.
//!
//! A new kind is a variant, a row and a line in each `match` here, and what it does in `effect.rs`.

#[cfg(test)]
use std::collections::BTreeSet;
use std::fmt;

use crate::pattern::Pattern;
#[cfg(test)]
use crate::protocol::Measure;
use crate::protocol::{Ring, Side, trim};

use super::super::bench::{RehearsalBench, WornInstrument};
use super::super::sizes::AllowedSize;

/// One fault, of exactly the size written, at one instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    pub kind: FaultEffect,
    /// In the kind's unit ([`FAULT_KINDS`]); 2 for a doubled side.
    pub size: f64,
    /// On this ring only.
    pub ring: Option<Ring>,
    pub side: Option<Side>,
    /// `None`: always.
    pub share: Option<StruckShare>,
    /// `unit`, or a label or its last word; `None`: the unit.
    pub instrument: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FaultEffect {
    /// Readings × (1 + size/100).
    Gain,
    /// Added to every reading that is not zero.
    Offset,
    /// The same, on one ring.
    RingOffset,
    /// Taken off one side in sprints, before the instrument's own gain.
    SideShort,
    /// An offset that grows from zero at the ride's start.
    Drift,
    /// An offset that grows with the instrument's temperature less that at the ride's start.
    TemperatureDrift,
    /// Senses one side, doubles it, and sends no balance.
    DoubledSide,
    /// After standing still it stays silent this much longer than a sound one.
    LateWake,
    /// After the pedals stop it keeps its last reading this much longer than a sound one.
    HeldReading,
    /// Every reading comes later.
    Late,
    /// Only its cadence does.
    LateCadence,
    /// Power reads zero for one run of this share of each soft pedalling.
    SoftDropout,
    /// Power that it shows once the cranks stand still.
    Phantom,
    /// One second that reads this much above what it would have.
    Spike,
    /// One run in which its last message is repeated.
    Stuck,
    /// One run in which its head unit does not hear it, though it hears the strap.
    Dropout,
    /// Its head unit hears neither it nor the strap for this share of the ride.
    RadioDropout,
    /// Its head unit's clock was set wrong from the start.
    ClockSet,
    /// Its head unit's clock jumps forward half-way through the ride.
    ClockJump,
}

/// How many of its occasions a fault strikes, as written: `2/6` or `0.3` of them, or `3`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StruckShare {
    Part { part: f64, of: f64 },
    Count(usize),
}

impl StruckShare {
    pub fn of(self, occasions: usize) -> usize {
        match self {
            StruckShare::Part { part, of } => (part / of * occasions as f64).round() as usize,
            StruckShare::Count(count) => count.min(occasions),
        }
    }
}

impl fmt::Display for StruckShare {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            StruckShare::Part { part, of: 1.0 } => f.write_str(&trim(*part)),
            StruckShare::Part { part, of } => write!(f, "{}/{}", trim(*part), trim(*of)),
            StruckShare::Count(count) => write!(f, "{count}"),
        }
    }
}

/// What a fault can strike one by one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Occasion {
    Sprint,
    /// The coast of a coast-and-restart.
    Stop,
    Restart,
    SoftPedalling,
    /// One repeat of a phase that is ridden to be scored, from its first move's start to its last move's end.
    Repeat,
}

impl Occasion {
    pub fn word(self) -> &'static str {
        match self {
            Occasion::Sprint => "sprint",
            Occasion::Stop => "coast",
            Occasion::Restart => "restart",
            Occasion::SoftPedalling => "soft pedalling",
            Occasion::Repeat => "repeat",
        }
    }
}

/// When a fault is there, as long as it is written without a share or a number of occasions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Extent {
    /// Throughout; on one ring, in each occasion that is ridden on it.
    Throughout,
    /// Throughout, and it asks for the ring at each reading.
    ByReading,
    /// For the whole of each occasion and at no other time.
    EachOccasion,
    /// For one run somewhere in each occasion.
    Run(RunLength),
    /// In runs scattered over the ride that together take this share of it.
    ShareOfRide,
}

/// How long one run is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum RunLength {
    /// The fault's size is a share of the occasion.
    ShareOfOccasion,
    /// A head unit writes once a second: what lasts a second is written once.
    OneSecond,
    /// The fault's size, in seconds.
    Size,
}

/// Whether a ring or a side may or must be named.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum RingOrSide {
    Never,
    Maybe,
    Always,
}

/// One line of the list that `rehearse --faults` prints.
#[derive(Debug, Clone, Copy)]
pub struct FaultKind {
    pub kind: FaultEffect,
    pub word: &'static str,
    pub form: &'static str,
    pub unit: &'static str,
    pub imitates: &'static str,
    /// What a share is a share of; `None`: it takes none.
    pub occasion: Option<Occasion>,
    pub(super) sized: AllowedSize,
    pub(super) ring: RingOrSide,
    pub(super) side: RingOrSide,
    pub(super) extent: Extent,
}

const fn kind(
    kind: FaultEffect,
    form: &'static str,
    unit: &'static str,
    sized: AllowedSize,
    imitates: &'static str,
) -> FaultKind {
    let mut equals_sign = 0;
    while form.as_bytes()[equals_sign] != b'=' {
        equals_sign += 1;
    }
    let (word, _) = form.split_at(equals_sign);
    let (ring, side) = (RingOrSide::Never, RingOrSide::Never);
    FaultKind { kind, word, form, unit, imitates, occasion: None, sized, ring, side, extent: Extent::Throughout }
}

impl FaultKind {
    /// Strikes all or some of these, on either ring or one.
    const fn in_each(self, occasion: Occasion) -> Self {
        Self { occasion: Some(occasion), ring: RingOrSide::Maybe, ..self }
    }

    const fn ring(self, ring: RingOrSide) -> Self {
        Self { ring, ..self }
    }

    const fn side(self, side: RingOrSide) -> Self {
        Self { side, ..self }
    }

    const fn there(self, extent: Extent) -> Self {
        Self { extent, ..self }
    }
}

/// One row for each [`FaultEffect`], in the same order.
pub const FAULT_KINDS: &[FaultKind] = &{
    use Extent::{ByReading, EachOccasion, Run, ShareOfRide};
    use Occasion::{Repeat, Restart, SoftPedalling, Sprint, Stop};
    use RingOrSide::{Always, Maybe};
    [
        kind(
            FaultEffect::Gain,
            "gain=2.5",
            "%",
            AllowedSize::AboveMinus100,
            "a wrong slope: it reads high or low throughout",
        )
        .in_each(Repeat)
        .side(Maybe)
        .there(ByReading),
        kind(FaultEffect::Offset, "offset=-4", "W", AllowedSize::Any, "a zero that was set wrong")
            .in_each(Repeat)
            .side(Maybe)
            .there(ByReading),
        kind(
            FaultEffect::RingOffset,
            "ring-offset=-14@big",
            "W",
            AllowedSize::Any,
            "a meter that feels which chainring pulls",
        )
        .in_each(Repeat)
        .ring(Always)
        .there(ByReading),
        kind(
            FaultEffect::SideShort,
            "side-short=110@left,2/6",
            "W",
            AllowedSize::Positive,
            "one side falls short in sprints",
        )
        .in_each(Sprint)
        .side(Always)
        .there(EachOccasion),
        kind(FaultEffect::Drift, "drift=6", "W/h", AllowedSize::Any, "a zero that creeps with time"),
        kind(
            FaultEffect::TemperatureDrift,
            "temperature-drift=3",
            "W/°C",
            AllowedSize::Any,
            "a zero that creeps as it warms",
        ),
        kind(
            FaultEffect::DoubledSide,
            "doubled-side=left",
            "side",
            AllowedSize::Side,
            "one side sensed and doubled, though both are declared",
        ),
        kind(
            FaultEffect::LateWake,
            "late-wake=2.5",
            "s",
            AllowedSize::Positive,
            "a sensor slow to wake after coasting",
        )
        .in_each(Restart),
        kind(
            FaultEffect::HeldReading,
            "held-reading=4@1/2",
            "s",
            AllowedSize::Positive,
            "the last reading kept after the pedals stopped",
        )
        .in_each(Stop),
        kind(
            FaultEffect::Late,
            "late=1.5",
            "s",
            AllowedSize::Positive,
            "everything comes late: long filters or a slow radio",
        )
        .in_each(Repeat),
        kind(
            FaultEffect::LateCadence,
            "late-cadence=2",
            "s",
            AllowedSize::Positive,
            "cadence filtered longer than power",
        )
        .in_each(Repeat),
        kind(
            FaultEffect::SoftDropout,
            "soft-dropout=0.3",
            "share",
            AllowedSize::Share,
            "soft pedalling lost below a threshold",
        )
        .in_each(SoftPedalling)
        .there(Run(RunLength::ShareOfOccasion)),
        kind(FaultEffect::Phantom, "phantom=12", "W", AllowedSize::Positive, "watts shown while coasting")
            .in_each(Stop),
        kind(FaultEffect::Spike, "spike=400@3", "W", AllowedSize::Positive, "a single reading far above the truth")
            .in_each(Repeat)
            .there(Run(RunLength::OneSecond)),
        kind(
            FaultEffect::Stuck,
            "stuck=8@2/6",
            "s",
            AllowedSize::Positive,
            "one message sent over and over while riding",
        )
        .in_each(Repeat)
        .there(Run(RunLength::Size)),
        kind(
            FaultEffect::Dropout,
            "dropout=5@0.3",
            "s",
            AllowedSize::Positive,
            "the instrument alone not heard while riding",
        )
        .in_each(Repeat)
        .there(Run(RunLength::Size)),
        kind(
            FaultEffect::RadioDropout,
            "radio-dropout=0.04",
            "share",
            AllowedSize::Share,
            "a head unit that loses instrument and strap together",
        )
        .there(ShareOfRide),
        kind(FaultEffect::ClockSet, "clock-set=120", "s", AllowedSize::Any, "a head unit with its clock set wrong"),
        kind(
            FaultEffect::ClockJump,
            "clock-jump=3@T",
            "s",
            AllowedSize::Positive,
            "a clock that is put right (forward) half-way through",
        ),
    ]
};

impl FaultEffect {
    pub fn listed(self) -> &'static FaultKind {
        &FAULT_KINDS[self as usize]
    }

    /// The stream of random numbers that draws where it strikes. Part of what a seed means: numbers never change. A kind
    /// that draws nothing needs none.
    pub(super) fn stream(self) -> usize {
        match self {
            FaultEffect::SideShort => 0,
            FaultEffect::SoftDropout => 1,
            FaultEffect::RadioDropout => 2,
            FaultEffect::Gain => 900,
            FaultEffect::Offset => 901,
            FaultEffect::RingOffset => 902,
            FaultEffect::LateWake => 903,
            FaultEffect::HeldReading => 904,
            FaultEffect::Late => 905,
            FaultEffect::LateCadence => 906,
            FaultEffect::Phantom => 907,
            FaultEffect::Spike => 908,
            FaultEffect::Stuck => 909,
            FaultEffect::Dropout => 910,
            FaultEffect::Drift
            | FaultEffect::TemperatureDrift
            | FaultEffect::DoubledSide
            | FaultEffect::ClockSet
            | FaultEffect::ClockJump => 999,
        }
    }
}

impl Fault {
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

    /// The instrument of the bench that it strikes.
    pub(crate) fn struck_on<'b>(&self, bench: &'b RehearsalBench) -> Option<WornInstrument<'b>> {
        bench.called(self.instrument.as_deref().unwrap_or("unit"))
    }

    fn strikes_unit(&self, bench: &RehearsalBench) -> bool {
        self.struck_on(bench).is_some_and(|worn| worn.place == 0)
    }
}

#[cfg(test)]
impl Fault {
    /// The measures whose true value a fault can move, somewhere in a ride on otherwise ideal instruments. None for what
    /// is not the unit's own: radio, clocks, references. A new kind is a line here and a compile error until then.
    pub(in crate::rehearse) fn measures_that_it_moves(&self) -> BTreeSet<Measure> {
        use Measure::*;
        if self.struck_on(&RehearsalBench::both()).is_none_or(|struck| struck.place != 0) {
            return BTreeSet::new();
        }
        // On every reading, and on both sides in proportion.
        let is_alike = self.share.is_none() && self.ring.is_none() && self.side.is_none();
        let errors = [MeanError, Spread, LeftError, RightError, WorkError, PeakError, MissingWork];
        // Half of a step is crossed some milliseconds earlier or later where readings around it are shifted.
        let shifted = [Spike, ReleaseLag, OnsetLag];
        let drifts = [Linearity, DriftTime, DriftTemperature];
        let cadence = [CadenceError, CadenceReleaseLag, CadenceOnsetLag];
        let coasting = [ResidualPower, PhantomWork];
        // What creeps is another zero, and another reading under the same load, some time later.
        let creeping = [TorqueError, Hysteresis, ZeroShift];
        let all = |lists: &[&[Measure]]| -> Vec<Measure> {
            errors.iter().chain(lists.iter().copied().flatten()).copied().collect()
        };
        let moved = match self.kind {
            // Of all readings alike, so no step is crossed elsewhere; of some, and drifts and lags move.
            FaultEffect::Gain if is_alike => all(&[&[Spike, Linearity, TorqueError]]),
            FaultEffect::Gain => all(&[&shifted, &drifts, &[TorqueError]]),
            FaultEffect::Offset if is_alike => all(&[&shifted, &[TorqueError]]),
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
            FaultEffect::Late if is_alike => all(&[&shifted, &drifts, &cadence, &coasting]),
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
        };
        moved.into_iter().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_has_its_row_at_its_own_place() {
        for (place, listed) in FAULT_KINDS.iter().enumerate() {
            assert_eq!((listed.kind as usize, listed.kind.listed().word), (place, listed.word));
        }
        let last = FaultEffect::ClockJump;
        assert_eq!(FAULT_KINDS.len(), last as usize + 1);
    }
}
