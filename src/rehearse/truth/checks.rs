//! The truth of everything that a protocol checks: repeats, their means, rings, contrasts, the whole ride.

use crate::protocol::{Check, Contrast, Drill, Phase, Protocol, Ring};
use crate::quantity::{Limit, Unit};
use crate::session::Readings;

use super::super::drills::rehearsed;
use super::file::{TrueAlso, TrueContrast, TrueRepeats, TrueRing, TrueValue};
use super::measures::{MeasuredPart, truth_of};
use super::number::Number;
use super::readings::{TOTAL, TrueReadings};
use super::ridden::TrueRidden;

/// The truth of everything that a protocol checks.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Truths {
    /// One list for each repeat ridden.
    pub phases: Vec<Vec<TrueValue>>,
    pub repeats: Vec<TrueRepeats>,
    pub rings: Vec<TrueRing>,
    pub contrasts: Vec<TrueContrast>,
    pub whole_ride: Vec<TrueValue>,
}

impl TrueReadings {
    /// The truth of every check, over these windows; typed readings are the display's own.
    pub(crate) fn truths(&self, protocol: &Protocol, ridden: &[TrueRidden], typed: &Readings) -> Truths {
        let numbers = |r: &TrueRidden| -> Vec<Option<Number>> {
            let Phase { drill, checks, .. } = &protocol.phases[r.phase_index];
            let number = |check: &Check| {
                let part = MeasuredPart { over_s: check.over_s, ..self.repeat(drill, r, typed) };
                (truth_of(check.measure).of)(&part)
            };
            checks.iter().map(number).collect()
        };
        let all: Vec<Vec<Option<Number>>> = ridden.iter().map(numbers).collect();
        let valued = |r: &TrueRidden, numbers: &[Option<Number>]| {
            let checks = &protocol.phases[r.phase_index].checks;
            checks.iter().zip(numbers).map(|(check, number)| in_its_unit(check, *number)).collect()
        };
        let repeated = protocol.phases.iter().enumerate().filter(|(_, phase)| phase.repeats > 1);
        let repeats = repeated.map(|(index, phase)| {
            let asked: Vec<usize> = (0..ridden.len())
                .filter(|&i| ridden[i].phase_index == index && ridden[i].repeat <= phase.repeats)
                .collect();
            let mean = |(c, check): (usize, &Check)| {
                let of: Vec<Number> = asked.iter().filter_map(|&i| all[i][c]).collect();
                in_its_unit(check, Number::mean(&of))
            };
            TrueRepeats {
                phase: phase.id.to_string(),
                ridden: asked.len(),
                checks: phase.checks.iter().enumerate().map(mean).collect(),
            }
        });
        let steady: Vec<&TrueRidden> =
            ridden.iter().filter(|r| rehearsed(&protocol.phases[r.phase_index].drill).is_block()).collect();
        Truths {
            phases: ridden.iter().zip(&all).map(|(r, numbers)| valued(r, numbers)).collect(),
            repeats: repeats.collect(),
            rings: [Ring::Big, Ring::Small].into_iter().filter_map(|ring| self.ring(ring, &steady)).collect(),
            contrasts: protocol.contrasts.iter().map(|c| self.contrast(c, protocol, ridden, typed)).collect(),
            whole_ride: protocol
                .whole_ride
                .iter()
                .map(|check| in_its_unit(check, (truth_of(check.measure).of)(&self.whole_ride(check.over_s, &steady))))
                .collect(),
        }
    }

    /// One repeat as its measures are taken; typed readings are the display's own.
    fn repeat(&self, drill: &Drill, ridden: &TrueRidden, typed: &Readings) -> MeasuredPart<'_> {
        let rehearsed = rehearsed(drill);
        let hung = || self.hung.iter().filter(|hung| hung.phase_index == ridden.phase_index).collect();
        let shift = || Some(typed.zero_after? - typed.zero_before?);
        MeasuredPart {
            readings: self,
            window: (!drill.kind().hangs_masses()).then_some(ridden.window),
            over_s: None,
            stop: rehearsed.stop(&ridden.moves),
            levels: rehearsed.levels(&ridden.moves),
            blocks: None,
            loads: drill.kind().hangs_masses().then(hung),
            zero_shift: drill.kind().reads_zero().then(shift).flatten(),
        }
    }

    fn whole_ride<'a>(&'a self, over_s: Option<f64>, steady: &'a [&'a TrueRidden]) -> MeasuredPart<'a> {
        MeasuredPart {
            readings: self,
            window: Some(self.recorded),
            over_s,
            stop: None,
            levels: Some(steady.iter().map(|r| r.window).collect()),
            blocks: Some(steady),
            loads: None,
            zero_shift: None,
        }
    }

    fn ring(&self, ring: Ring, steady: &[&TrueRidden]) -> Option<TrueRing> {
        let of: Vec<Number> =
            steady.iter().filter(|r| r.ring == ring).filter_map(|r| self.error(TOTAL, r.window)).collect();
        let mean = Number::mean(&of)?;
        Some(TrueRing {
            ring: ring.word().to_owned(),
            blocks: of.len(),
            error_w: mean.value,
            error_pct: mean.in_pct()?,
        })
    }

    /// Mean difference over the pairs alike in all but the contrasted keys, of power errors in per cent.
    fn contrast(
        &self,
        contrast: &Contrast,
        protocol: &Protocol,
        ridden: &[TrueRidden],
        typed: &Readings,
    ) -> TrueContrast {
        let truth = truth_of(contrast.measure);
        let of_phase = |phase: &Phase| -> Option<f64> {
            let of =
                ridden.iter().filter(|r| protocol.phases[r.phase_index].id == phase.id && r.repeat <= phase.repeats);
            let values: Vec<f64> =
                of.filter_map(|r| (truth.of)(&self.repeat(&phase.drill, r, typed))?.in_pct()).collect();
            (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
        };
        let named = |phase: &Phase, key: &(String, String)| phase.id.keys.contains(key);
        let partner = |of: &Phase| {
            protocol.phases.iter().find(|p| {
                contrast.against.selects(&p.id)
                    && p.id.keys.iter().all(|key| contrast.against.keys.contains(key) || named(of, key))
            })
        };
        let differences: Vec<f64> = protocol
            .phases
            .iter()
            .filter(|p| contrast.of.selects(&p.id))
            .filter_map(|of| Some(of_phase(of)? - of_phase(partner(of)?)?))
            .collect();
        let mean = || differences.iter().sum::<f64>() / differences.len() as f64;
        let unit = if truth.is_power_error { Unit::Percent } else { truth.unit };
        let value = TrueValue {
            measure: contrast.measure.word().to_owned(),
            value: (!differences.is_empty()).then(mean),
            unit: unit.symbol().to_owned(),
            also: None,
            at_least: false,
        };
        TrueContrast { contrast: contrast.name.clone(), check: value }
    }
}

/// An error of power stands in the unit that the limit speaks first, with the other one beside it.
fn in_its_unit(check: &Check, number: Option<Number>) -> TrueValue {
    let measure = check.measure.word().to_owned();
    let at_least = number.is_some_and(|n| n.at_least);
    let symbol = |unit: Unit| unit.symbol().to_owned();
    let plain =
        |unit: Unit, value| TrueValue { measure: measure.clone(), value, unit: symbol(unit), also: None, at_least };
    let pct_first = match &check.limit {
        Limit::Within(bound) | Limit::AtMost(bound) | Limit::AtLeast(bound) => {
            bound.parts.first().is_some_and(|part| part.unit == Unit::Percent)
        }
        Limit::Between(low, _) => low.unit == Unit::Percent,
        Limit::Zero | Limit::WithinClaim => true,
    };
    let Some(number) = number else { return plain(truth_of(check.measure).unit, None) };
    match number.of_w.and_then(|_| number.in_pct()) {
        Some(pct) if pct_first => TrueValue {
            also: Some(TrueAlso { value: number.value, unit: symbol(Unit::Watt) }),
            ..plain(Unit::Percent, Some(pct))
        },
        Some(pct) => TrueValue {
            also: Some(TrueAlso { value: pct, unit: symbol(Unit::Percent) }),
            ..plain(Unit::Watt, Some(number.value))
        },
        None => plain(truth_of(check.measure).unit, Some(number.value)),
    }
}
