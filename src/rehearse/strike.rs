//! Where faults strike: at which instrument, on which occasions.

use super::bench::{Bench, Fitted};
use super::fault::{Fault, Kind, Occasion, Share};
use super::noise::{Noise, Purpose};
use super::script::{Act, Stretch};
use crate::protocol::Ring;
use crate::session::Sides;

/// True seconds, from and to.
pub(super) type Window = (f64, f64);

/// One fault at one instrument.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Strike {
    pub fault: Fault,
    /// Index into what the bench wears.
    pub worn: usize,
    /// `None`: always.
    pub windows: Option<Vec<Window>>,
}

impl Strike {
    pub fn at(&self, t_s: f64) -> bool {
        self.windows.as_ref().is_none_or(|windows| inside(windows, t_s))
    }

    pub fn windows(&self) -> &[Window] {
        self.windows.as_deref().unwrap_or_default()
    }
}

pub(super) fn inside(windows: &[Window], t_s: f64) -> bool {
    windows.iter().any(|w| (w.0..w.1).contains(&t_s))
}

impl Bench {
    /// The instrument that a fault names, with its index into what is worn.
    fn struck_by(&self, fault: &Fault) -> Option<(usize, &Fitted)> {
        let named = fault.instrument.as_deref().unwrap_or("unit");
        let is_named = |fitted: &Fitted| fitted.label == named || fitted.label.rsplit(' ').next() == Some(named);
        self.worn().enumerate().find(|(n, fitted)| *n == 0 && named == "unit" || is_named(fitted))
    }
}

/// Draws where every fault strikes, each from a stream of its own. What names no instrument of the bench is left out.
pub(super) fn all(faults: &[Fault], bench: &Bench, stretches: &[Stretch], seed: u64) -> Vec<Strike> {
    let mut strikes: Vec<Strike> = vec![];
    for fault in faults {
        let Some((worn, fitted)) = bench.struck_by(fault) else { continue };
        let alike = strikes.iter().filter(|s| (s.fault.kind, s.worn) == (fault.kind, worn)).count();
        let stream = kind_stream(fault.kind) + 10_000 * fitted.recorder as usize + 100_000 * alike;
        let windows = windows(fault, stretches, &mut Noise::nth(seed, Purpose::Fault, stream));
        strikes.push(Strike { fault: fault.clone(), worn, windows });
    }
    strikes
}

/// Part of what a seed means: numbers never change. A kind that draws nothing needs none.
fn kind_stream(kind: Kind) -> usize {
    match kind {
        Kind::SideShort => 0,
        Kind::SoftDropout => 1,
        Kind::RadioDropout => 2,
        Kind::Gain => 900,
        Kind::Offset => 901,
        Kind::RingOffset => 902,
        Kind::LateWake => 903,
        Kind::HeldReading => 904,
        Kind::Late => 905,
        Kind::LateCadence => 906,
        Kind::Phantom => 907,
        Kind::Spike => 908,
        Kind::Stuck => 909,
        Kind::Dropout => 910,
        Kind::Drift | Kind::TemperatureDrift | Kind::DoubledSide | Kind::ClockSet | Kind::ClockJump => 999,
    }
}

fn windows(fault: &Fault, stretches: &[Stretch], noise: &mut Noise) -> Option<Vec<Window>> {
    if fault.kind == Kind::RadioDropout {
        return Some(scattered(fault.size, stretches.last().map_or(0.0, |s| s.end_s), noise));
    }
    let occasion = fault.kind.listed().occasion?;
    if is_everywhere(fault) {
        return None;
    }
    let found = occasions(occasion, fault, stretches);
    let chosen = match fault.share {
        Some(share) => choose(found, share, noise),
        None => found,
    };
    let placed = chosen.into_iter().map(|window| match fault.kind {
        Kind::SoftDropout => run_within(window, fault.size * (window.1 - window.0), noise),
        kind if is_run(kind) => run_within(window, run_s(fault), noise),
        _ => window,
    });
    Some(placed.collect())
}

/// Whether it needs no occasions: a fault of the value asks for the ring at each reading.
fn is_everywhere(fault: &Fault) -> bool {
    let by_reading = fault.ring.is_none() || matches!(fault.kind, Kind::Gain | Kind::Offset | Kind::RingOffset);
    fault.share.is_none() && by_reading && fault.kind != Kind::SideShort && !is_run(fault.kind)
}

/// Whether it strikes one run somewhere in each occasion.
fn is_run(kind: Kind) -> bool {
    matches!(kind, Kind::SoftDropout | Kind::Spike | Kind::Stuck | Kind::Dropout)
}

/// A head unit writes once a second: a spike of a second is written once.
fn run_s(fault: &Fault) -> f64 {
    if fault.kind == Kind::Spike { 1.0 } else { fault.size }
}

/// All that this fault could strike, in ride order. A run of some seconds looks for them while the cranks turn.
fn occasions(occasion: Occasion, fault: &Fault, stretches: &[Stretch]) -> Vec<Window> {
    let on_ring = |ring: Ring| fault.ring.is_none_or(|named| named == ring);
    let of_act = |act: Act| {
        let these = stretches.iter().filter(|s| s.act == act && s.phase.is_some() && on_ring(s.ring));
        these.map(|s| (s.start_s, s.end_s)).collect()
    };
    match occasion {
        Occasion::Sprint => of_act(Act::Sprint),
        Occasion::Stop => of_act(Act::Coast),
        Occasion::Restart => of_act(Act::Restart),
        Occasion::SoftPedalling => of_act(Act::Soft),
        Occasion::Repeat => repeats(stretches)
            .filter(|repeat| on_ring(repeat[0].ring))
            .filter_map(|repeat| {
                if !is_run(fault.kind) {
                    return Some((repeat[0].start_s, repeat[repeat.len() - 1].end_s));
                }
                let pedalled = repeat.split(|s| s.act == Act::Coast).filter(|run| !run.is_empty());
                let runs = pedalled.map(|run| (run[0].start_s, run[run.len() - 1].end_s));
                let longest = runs.max_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0)))?;
                (longest.1 - longest.0 >= run_s(fault)).then_some(longest)
            })
            .collect(),
    }
}

/// The stretches of each repeat of a phase that is ridden to be scored.
fn repeats(stretches: &[Stretch]) -> impl Iterator<Item = &[Stretch]> {
    stretches
        .chunk_by(|a, b| a.phase == b.phase)
        .filter(|repeat| repeat[0].phase.is_some() && !matches!(repeat[0].act, Act::Ride | Act::Still))
}

fn choose(mut from: Vec<Window>, share: Share, noise: &mut Noise) -> Vec<Window> {
    let n = share.of(from.len());
    let mut order: Vec<usize> = (0..from.len()).collect();
    for i in 0..n {
        let j = i + noise.below(order.len() - i);
        order.swap(i, j);
    }
    order.truncate(n);
    order.sort_unstable();
    order.into_iter().map(|i| std::mem::take(&mut from[i])).collect()
}

/// One run of exactly this length at a random place in a window.
fn run_within(window: Window, lasts_s: f64, noise: &mut Noise) -> Window {
    let from_s = noise.between(window.0, window.1 - lasts_s);
    (from_s, from_s + lasts_s)
}

/// Runs of 3 to 10 s that together take exactly this share of the ride.
fn scattered(share: f64, ride_s: f64, noise: &mut Noise) -> Vec<Window> {
    let mut runs_s = vec![];
    let mut left_s = share * ride_s;
    while left_s > 0.0 {
        let run_s = noise.between(3.0, 10.0).min(left_s);
        runs_s.push(run_s);
        left_s -= run_s;
    }
    // Each run somewhere in its own equal part of the ride, so that none overlap.
    let part_s = ride_s / runs_s.len() as f64;
    let place = |(n, run_s): (usize, f64)| {
        let from_s = n as f64 * part_s + noise.between(0.0, (part_s - run_s).max(0.0));
        (from_s, from_s + run_s)
    };
    runs_s.into_iter().enumerate().map(place).collect()
}

/// Why a fault can't be made on this bench and ride, in words.
pub(super) fn refuse(fault: &Fault, bench: &Bench, stretches: &[Stretch]) -> Result<(), String> {
    let short = |fitted: &Fitted| format!("`{}`", fitted.label.rsplit(' ').next().unwrap_or_default());
    let names = |these: &dyn Fn(&Fitted) -> bool| {
        let unit = these(&bench.unit).then(|| "`unit`".to_owned());
        let references = bench.references.iter().filter(|f| these(f)).map(short);
        unit.into_iter().chain(references).collect::<Vec<_>>().join(" or ")
    };
    let Some((_, fitted)) = bench.struck_by(fault) else {
        let named = fault.instrument.as_deref().unwrap_or_default();
        return Err(format!("`{fault}`: nothing on this bench is called `{named}`; write {}", names(&|_| true)));
    };
    let both = |fitted: &Fitted| fitted.sides == Sides::Both && !fitted.located.behind_chain();
    if fault.side.is_some() && !both(fitted) {
        let instead = match names(&both) {
            none if none.is_empty() => "nothing on this bench does".to_owned(),
            these => format!("name one that does: {these}"),
        };
        return Err(format!("`{fault}`: {} does not read two sides; {instead}", fitted.label));
    }
    if let Some(ring) = fault.ring.filter(|ring| stretches.iter().all(|s| s.ring != *ring)) {
        return Err(format!("`{fault}`: nothing in this protocol is ridden on the {} ring", ring.word()));
    }
    let Some(occasion) = fault.kind.listed().occasion.filter(|_| !is_everywhere(fault)) else { return Ok(()) };
    let n = occasions(occasion, fault, stretches).len();
    let word = occasion.word();
    match fault.share {
        _ if n == 0 && occasion == Occasion::Repeat && is_run(fault.kind) => {
            Err(format!("`{fault}`: no {word} of this protocol is pedalled without a stop for so long; write less"))
        }
        _ if n == 0 => Err(format!("`{fault}`: this protocol has no {word} that it could strike")),
        Some(Share::Count(count)) if count > n => {
            Err(format!("`{fault}`: this protocol has {n} × {word} that it could strike, not {count}"))
        }
        Some(share) if share.of(n) == 0 => {
            Err(format!("`{fault}`: this share of {n} × {word} rounds to none; write a larger one, or `1`"))
        }
        _ => Ok(()),
    }
}
