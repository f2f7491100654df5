//! Where faults strike: at which instrument, on which occasions.

use crate::protocol::Ring;
use crate::session::Sides;

use super::super::bench::{FittedInstrument, RehearsalBench};
use super::super::noise::{Noise, Purpose};
use super::super::span::{TrueSpan, inside};
use super::super::stretches::{RiderAction, ScriptStretch};
use super::kinds::{Extent, Fault, Occasion, RunLength, StruckShare};

/// One fault at one instrument.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Strike {
    pub fault: Fault,
    /// Index into what the bench wears.
    pub worn: usize,
    /// `None`: always.
    pub windows: Option<Vec<TrueSpan>>,
}

impl Strike {
    #[inline]
    pub fn at(&self, t_s: f64) -> bool {
        self.windows.as_ref().is_none_or(|windows| inside(windows, t_s))
    }

    pub fn windows(&self) -> &[TrueSpan] {
        self.windows.as_deref().unwrap_or_default()
    }
}

/// Draws where every fault strikes, each from a stream of its own. What names no instrument of the bench is left out.
pub(crate) fn all(faults: &[Fault], bench: &RehearsalBench, stretches: &[ScriptStretch], seed: u64) -> Vec<Strike> {
    let mut strikes: Vec<Strike> = vec![];
    for fault in faults {
        let Some(worn) = fault.struck_on(bench) else { continue };
        let (worn, fitted) = (worn.place, worn.fitted);
        let alike = strikes.iter().filter(|s| (s.fault.kind, s.worn) == (fault.kind, worn)).count();
        let stream = fault.kind.stream() + 10_000 * fitted.recorder as usize + 100_000 * alike;
        let windows = windows(fault, stretches, &mut Noise::nth(seed, Purpose::Fault, stream));
        strikes.push(Strike { fault: fault.clone(), worn, windows });
    }
    strikes
}

fn windows(fault: &Fault, stretches: &[ScriptStretch], noise: &mut Noise) -> Option<Vec<TrueSpan>> {
    let listed = fault.kind.listed();
    if listed.extent == Extent::ShareOfRide {
        return Some(scattered(fault.size, stretches.last().map_or(0.0, |s| s.end_s), noise));
    }
    let occasion = listed.occasion?;
    if is_everywhere(fault) {
        return None;
    }
    let found = occasions(occasion, fault, stretches);
    let chosen = match fault.share {
        Some(share) => choose(found, share, noise),
        None => found,
    };
    let placed = chosen.into_iter().map(|window| match listed.extent {
        Extent::Run(RunLength::ShareOfOccasion) => run_within(window, fault.size * window.length_s(), noise),
        Extent::Run(_) => run_within(window, run_s(fault), noise),
        _ => window,
    });
    Some(placed.collect())
}

/// Whether it needs no occasions.
fn is_everywhere(fault: &Fault) -> bool {
    let unless_told = match fault.kind.listed().extent {
        Extent::Throughout => fault.ring.is_none(),
        Extent::ByReading => true,
        Extent::EachOccasion | Extent::Run(_) | Extent::ShareOfRide => false,
    };
    unless_told && fault.share.is_none()
}

/// Whether it strikes one run somewhere in each occasion.
fn is_run(fault: &Fault) -> bool {
    matches!(fault.kind.listed().extent, Extent::Run(_))
}

/// How long a run is, of a kind whose runs do not grow with the occasion.
fn run_s(fault: &Fault) -> f64 {
    if fault.kind.listed().extent == Extent::Run(RunLength::OneSecond) { 1.0 } else { fault.size }
}

/// All that this fault could strike, in ride order. A run of some seconds looks for them while the cranks turn.
fn occasions(occasion: Occasion, fault: &Fault, stretches: &[ScriptStretch]) -> Vec<TrueSpan> {
    let on_ring = |ring: Ring| fault.ring.is_none_or(|named| named == ring);
    let of_act = |act: RiderAction| {
        let these = stretches.iter().filter(|s| s.act == act && s.phase.is_some() && on_ring(s.ring));
        these.map(|s| TrueSpan { start_s: s.start_s, end_s: s.end_s }).collect()
    };
    match occasion {
        Occasion::Sprint => of_act(RiderAction::Sprint),
        Occasion::Stop => of_act(RiderAction::Coast),
        Occasion::Restart => of_act(RiderAction::Restart),
        Occasion::SoftPedalling => of_act(RiderAction::Soft),
        Occasion::Repeat => repeats(stretches)
            .filter(|repeat| on_ring(repeat[0].ring))
            .filter_map(|repeat| {
                let whole = |of: &[ScriptStretch]| TrueSpan { start_s: of[0].start_s, end_s: of[of.len() - 1].end_s };
                if !is_run(fault) {
                    return Some(whole(repeat));
                }
                let pedalled = repeat.split(|s| s.act == RiderAction::Coast).filter(|run| !run.is_empty());
                let longest = pedalled.map(whole).max_by(|a, b| a.length_s().total_cmp(&b.length_s()))?;
                (longest.length_s() >= run_s(fault)).then_some(longest)
            })
            .collect(),
    }
}

/// The stretches of each repeat of a phase that is ridden to be scored.
fn repeats(stretches: &[ScriptStretch]) -> impl Iterator<Item = &[ScriptStretch]> {
    stretches
        .chunk_by(|a, b| a.phase == b.phase)
        .filter(|repeat| repeat[0].phase.is_some() && !matches!(repeat[0].act, RiderAction::Ride | RiderAction::Still))
}

fn choose(from: Vec<TrueSpan>, share: StruckShare, noise: &mut Noise) -> Vec<TrueSpan> {
    let n = share.of(from.len());
    let mut order: Vec<usize> = (0..from.len()).collect();
    for i in 0..n {
        let j = i + noise.below(order.len() - i);
        order.swap(i, j);
    }
    order.truncate(n);
    order.sort_unstable();
    order.into_iter().map(|i| from[i]).collect()
}

/// One run of exactly this length at a random place in a window.
fn run_within(window: TrueSpan, lasts_s: f64, noise: &mut Noise) -> TrueSpan {
    let start_s = noise.between(window.start_s, window.end_s - lasts_s);
    TrueSpan { start_s, end_s: start_s + lasts_s }
}

/// Runs of 3 to 10 s that together take exactly this share of the ride.
fn scattered(share: f64, ride_s: f64, noise: &mut Noise) -> Vec<TrueSpan> {
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
        let start_s = n as f64 * part_s + noise.between(0.0, (part_s - run_s).max(0.0));
        TrueSpan { start_s, end_s: start_s + run_s }
    };
    runs_s.into_iter().enumerate().map(place).collect()
}

/// Why a fault can't be made on this bench and ride, in words.
pub(crate) fn refuse(fault: &Fault, bench: &RehearsalBench, stretches: &[ScriptStretch]) -> Result<(), String> {
    let short = |fitted: &FittedInstrument| format!("`{}`", bench.short(fitted));
    let names = |these: &dyn Fn(&FittedInstrument) -> bool| {
        let unit = these(&bench.unit).then(|| "`unit`".to_owned());
        let references = bench.references.iter().filter(|f| these(f)).map(short);
        unit.into_iter().chain(references).collect::<Vec<_>>().join(" or ")
    };
    let Some(struck) = fault.struck_on(bench) else {
        let named = fault.instrument.as_deref().unwrap_or_default();
        return Err(format!("`{fault}`: nothing on this bench is called `{named}`; write {}", names(&|_| true)));
    };
    let both = |fitted: &FittedInstrument| fitted.sides == Sides::Both && !fitted.located.behind_chain();
    if fault.side.is_some() && !both(struck.fitted) {
        let instead = match names(&both) {
            none if none.is_empty() => "nothing on this bench does".to_owned(),
            these => format!("name one that does: {these}"),
        };
        return Err(format!("`{fault}`: {} does not read two sides; {instead}", struck.fitted.label));
    }
    if let Some(ring) = fault.ring.filter(|ring| stretches.iter().all(|s| s.ring != *ring)) {
        return Err(format!("`{fault}`: nothing in this protocol is ridden on the {} ring", ring.word()));
    }
    let Some(occasion) = fault.kind.listed().occasion.filter(|_| !is_everywhere(fault)) else { return Ok(()) };
    let n = occasions(occasion, fault, stretches).len();
    let word = occasion.word();
    match fault.share {
        _ if n == 0 && occasion == Occasion::Repeat && is_run(fault) => {
            Err(format!("`{fault}`: no {word} of this protocol is pedalled without a stop for so long; write less"))
        }
        _ if n == 0 => Err(format!("`{fault}`: this protocol has no {word} that it could strike")),
        Some(StruckShare::Count(count)) if count > n => {
            Err(format!("`{fault}`: this protocol has {n} × {word} that it could strike, not {count}"))
        }
        Some(share) if share.of(n) == 0 => {
            Err(format!("`{fault}`: this share of {n} × {word} rounds to none; write a larger one, or `1`"))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::{bench_trial, drivetrain};
    use super::super::super::{BENCHES, script};
    use super::super::kinds::FAULT_KINDS;
    use super::*;

    fn stretches() -> Vec<ScriptStretch> {
        script::write(&bench_trial(), &drivetrain(), 5)
    }

    fn fault(text: &str) -> Fault {
        text.parse().unwrap_or_else(|e| panic!("{e}"))
    }

    fn struck(faults: &[&str], seed: u64) -> Vec<Strike> {
        let faults: Vec<Fault> = faults.iter().map(|text| fault(text)).collect();
        all(&faults, &RehearsalBench::both(), &stretches(), seed)
    }

    #[test]
    fn as_many_occasions_are_struck_as_the_share_says() {
        let stretches = stretches();
        for kind in FAULT_KINDS {
            let Some(occasion) = kind.occasion else { continue };
            for (share, times, plus) in [("2/6", 1.0 / 3.0, 0.0), ("0.4", 0.4, 0.0), ("1/1", 1.0, 0.0), ("2", 0.0, 2.0)]
            {
                let mut fault = fault(kind.form);
                fault.share = fault_share(share);
                let all_there = occasions(occasion, &fault, &stretches);
                let n = all_there.len();
                // In the bench trial: six blocks, six sprints, six coasts and restarts, four times soft pedalling.
                match occasion {
                    Occasion::Sprint | Occasion::Stop | Occasion::Restart => assert_eq!(n, 6, "{fault}"),
                    Occasion::SoftPedalling => assert_eq!(n, 4, "{fault}"),
                    Occasion::Repeat if fault.ring.is_none() && !is_run(&fault) => assert_eq!(n, 22, "{fault}"),
                    Occasion::Repeat => assert!((12..=22).contains(&n), "{fault}: {n}"),
                }
                let strikes = all(&[fault.clone()], &RehearsalBench::both(), &stretches, 5);
                let windows = strikes[0].windows();
                assert_eq!(windows.len() as f64, (times * n as f64 + plus).round(), "{fault}");
                let home =
                    |w: &TrueSpan| all_there.iter().position(|o| o.start_s <= w.start_s && w.end_s <= o.end_s).unwrap();
                assert!(windows.windows(2).all(|pair| home(&pair[0]) < home(&pair[1])), "{fault}: one each, in order");
            }
        }
    }

    fn fault_share(text: &str) -> Option<StruckShare> {
        fault(&format!("late=1@{text}")).share
    }

    #[test]
    fn every_occasion_is_struck_now_and_then() {
        let mut times = [0; 6];
        let sprints = occasions(Occasion::Sprint, &fault("side-short=1@left"), &stretches());
        for seed in 0..200 {
            for window in struck(&["side-short=110@left,2/6"], seed)[0].windows() {
                times[sprints.iter().position(|sprint| sprint == window).unwrap()] += 1;
            }
        }
        // 200 × 1/3, five standard deviations of 6.7 to either side.
        assert!(times.iter().all(|n| (33..=100).contains(n)), "{times:?}");
    }

    #[test]
    fn where_a_fault_strikes_does_not_hang_on_the_others() {
        let alone = struck(&["late-wake=2.5@2/6"], 5);
        let others = ["side-short=110@left,2/6", "late-wake=2@3/6,P", "radio-dropout=0.04", "late-wake=2.5@2/6"];
        assert_eq!(struck(&others, 5)[3].windows, alone[0].windows);
        let twice = struck(&["side-short=110@left,2/6", "side-short=90@right,2/6"], 5);
        assert_ne!(twice[0].windows, twice[1].windows, "two of a kind draw for themselves");
    }

    #[test]
    fn a_ring_picks_the_occasions_ridden_on_it() {
        let on_big = struck(&["spike=400@big"], 5);
        let on_small = struck(&["spike=400@small"], 5);
        assert_eq!((on_big[0].windows().len(), on_small[0].windows().len()), (19, 3));
        let always = struck(&["gain=2", "ring-offset=-14@big", "late-wake=2"], 5);
        assert!(always.iter().all(|strike| strike.windows.is_none()));
    }

    #[test]
    fn a_long_run_strikes_where_nobody_stops() {
        let strikes = struck(&["stuck=60"], 5);
        assert_eq!(strikes[0].windows().len(), 6, "only blocks are pedalled for a minute");
    }

    #[test]
    fn what_can_not_be_struck_is_refused_with_what_can() {
        let stretches = stretches();
        let says = |bench: &str, text: &str| {
            let bench = BENCHES.iter().find(|kind| kind.word == bench).unwrap().bench;
            refuse(&fault(text), &bench(), &stretches).err().unwrap_or_default()
        };
        assert_eq!(says("both", "gain=3@P"), "");
        assert_eq!(says("both", "gain=3@trainer T"), "");
        assert_eq!(
            says("both", "gain=3@Q"),
            "`gain=3@Q`: nothing on this bench is called `Q`; write `unit` or `P` or `T`"
        );
        assert_eq!(says("three", "gain=3@Q"), "");
        assert_eq!(
            says("both", "side-short=110@left,T"),
            "`side-short=110@left,T`: trainer T does not read two sides; name one that does: `unit` or `P`"
        );
        assert_eq!(
            says("trainer", "doubled-side=left@T"),
            "`doubled-side=left@T`: trainer T does not read two sides; name one that does: `unit`"
        );
        assert!(says("left-unit", "gain=2@right").contains("unit 017 does not read two sides"));
        assert_eq!(
            says("both", "late-wake=2@9"),
            "`late-wake=2@9`: this protocol has 6 × restart that it could strike, not 9"
        );
        assert!(says("both", "late-wake=2@0.05").contains("rounds to none"));
        assert!(says("both", "late-wake=2@small").contains("this protocol has no restart that it could strike"));
        assert!(says("both", "stuck=900").contains("pedalled without a stop for so long"));
        let on_big: Vec<ScriptStretch> = stretches.iter().filter(|s| s.ring == Ring::Big).cloned().collect();
        let never = refuse(&fault("ring-offset=3@small"), &RehearsalBench::both(), &on_big).unwrap_err();
        assert!(never.ends_with("nothing in this protocol is ridden on the small ring"), "{never}");
    }
}
