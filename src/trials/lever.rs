//! What a lab can change of a trial: more repeats, longer blocks, a better reference, narrower limits.

use crate::protocol::{Accept, Phase, Protocol};
use crate::quantity::Limit;
use crate::rehearse::{FittedInstrument, RehearsalBench};

/// One thing that is changed by a factor, all else left as it is.
#[derive(Debug, Clone, PartialEq)]
pub enum Lever {
    /// Of the phases of this name: so many times as often.
    Repeats(String),
    /// Of the blocks of this name: so many times as long.
    Length(String),
    /// The reference at this place on the bench states so many times less.
    Reference(usize),
    References,
    /// Limits of these checks, `PLACE MEASURE`, so many times narrower.
    Limits(Vec<String>),
}

impl Lever {
    /// No further than a rider or a laboratory could be asked to go. Common practice, no source.
    pub fn most(&self) -> f64 {
        match self {
            Lever::Repeats(_) | Lever::Length(_) | Lever::Limits(_) => 8.0,
            Lever::Reference(_) | Lever::References => 10.0,
        }
    }

    /// Whether only whole numbers of it can be ridden, and of how many.
    pub fn whole(&self, protocol: &Protocol) -> Option<u32> {
        let Lever::Repeats(name) = self else { return None };
        protocol.phases.iter().find(|phase| phase.id.name == *name).map(|phase| phase.repeats)
    }

    /// Protocol and bench with it moved by `times`, and what is then asked for, in words.
    pub fn moved(&self, protocol: &Protocol, bench: &RehearsalBench, times: f64) -> (Protocol, RehearsalBench) {
        let (mut protocol, mut bench) = (protocol.clone(), bench.clone());
        match self {
            Lever::Repeats(name) => named(&mut protocol, name).for_each(|phase| repeat(phase, times)),
            Lever::Length(name) => named(&mut protocol, name).for_each(|phase| phase.drill.lengthen(times)),
            Lever::Reference(place) => sharpen(&mut bench.references[*place], times),
            Lever::References => bench.references.iter_mut().for_each(|fitted| sharpen(fitted, times)),
            Lever::Limits(checks) => narrow(&mut protocol, checks, times),
        }
        (protocol, bench)
    }
}

fn named<'p>(protocol: &'p mut Protocol, name: &'p str) -> impl Iterator<Item = &'p mut Phase> {
    protocol.phases.iter_mut().filter(move |phase| phase.id.name == name)
}

/// `at least k of n` allows the same share of faults.
fn repeat(phase: &mut Phase, times: f64) {
    let asked = (f64::from(phase.repeats) * times).round() as u32;
    if let Accept::AtLeast { passing, of } = phase.accept {
        let faults = (f64::from(of - passing) * f64::from(asked) / f64::from(of)).floor() as u32;
        phase.accept = Accept::AtLeast { passing: asked - faults, of: asked };
    }
    phase.repeats = asked;
}

/// Its true errors shrink with what it states.
fn sharpen(fitted: &mut FittedInstrument, times: f64) {
    fitted.stated.parts.iter_mut().for_each(|part| part.value /= times);
    (fitted.gain_sd, fitted.offset_sd_w) = (fitted.gain_sd / times, fitted.offset_sd_w / times);
}

fn narrow(protocol: &mut Protocol, checks: &[String], times: f64) {
    each_limit(protocol, checks, |_, limit| match limit {
        Limit::Within(bound) | Limit::AtMost(bound) => bound.parts.iter_mut().for_each(|part| part.value /= times),
        Limit::Between(low, high) => (low.value, high.value) = (low.value / times, high.value / times),
        Limit::AtLeast(_) | Limit::Zero | Limit::WithinClaim => {}
    });
}

/// Limits of the checks that are named `PLACE MEASURE`.
pub fn each_limit(protocol: &mut Protocol, checks: &[String], mut with: impl FnMut(&str, &mut Limit)) {
    let mut of = |name: String, limit: &mut Limit| {
        if checks.contains(&name) {
            with(&name, limit);
        }
    };
    for phase in &mut protocol.phases {
        for check in &mut phase.checks {
            of(format!("{} {}", phase.id.name, check.measure.word()), &mut check.limit);
        }
    }
    for contrast in &mut protocol.contrasts {
        of(format!("{} {}", contrast.name, contrast.measure.word()), &mut contrast.limit);
    }
    for check in &mut protocol.whole_ride {
        of(format!("whole ride {}", check.measure.word()), &mut check.limit);
    }
}
