//! The truth of a simulated ride, told by what the simulator knows.

use crate::protocol::{Protocol, Ring};
use crate::session::{Location, Sides};

use super::bench::{FittedInstrument, RehearsalBench};
use super::drills::rehearsed;
use super::faults::{Fault, Strike};
use super::gears::SimulatedGear;
use super::instruments::{self, InstrumentDraw, RideConditions, SessionDraws, TrueLoad};
use super::noise::{Noise, Purpose};
use super::plan::RehearsalPlan;
use super::simulated::SimulatedRide;
use super::span::TrueSpan;
use super::stretches::{RepeatOf, RiderAction};
use super::truth::{TrueFault, TrueGear, TrueInstrument, TrueMove, TrueReadings, TrueRidden, TrueWindow, Truth};

/// What truly happened on a simulated ride.
pub(super) fn truth(protocol: &Protocol, simulated: SimulatedRide) -> Truth {
    let SimulatedRide { plan, stretches, mishaps, signal, gears, strikes, draws, temperatures_c, hung, .. } = simulated;
    let ride = RideConditions { signal: &signal, gears: &gears };
    let readings = true_readings(&plan, &ride, &draws, &temperatures_c[0], &strikes, hung);
    let mut moves: Vec<TrueMove> = vec![];
    for s in &stretches {
        let Some(RepeatOf { phase_index, repeat }) = s.phase else { continue };
        let act = s.act.word();
        // A change of ring halves a free phase, not its truth.
        let same = moves.last().is_some_and(|m| (m.phase_index, m.repeat, m.act) == (phase_index, repeat, act));
        let start_s = match moves.pop_if(|_| same && s.act == RiderAction::Ride) {
            Some(first_half) => first_half.start_s,
            None => s.start_s,
        };
        moves.push(TrueMove {
            phase: protocol.phases[phase_index].id.to_string(),
            phase_index,
            repeat,
            act,
            start_s,
            end_s: s.end_s,
            ring: s.ring.word(),
            mean_power_w: signal.mean_w(start_s, s.end_s),
        });
    }
    let instruments = plan.bench.worn().enumerate().map(|(n, fitted)| TrueInstrument {
        label: fitted.label.clone(),
        recording: fitted.file(),
        later_recordings: vec![],
        unwritten: vec![],
        gain_pct: (draws.instruments[n].gain - 1.0) * 100.0,
        offset_w: draws.instruments[n].offset_w,
        clock_offset_s: draws.clocks[n].offset_s - draws.clocks[n].behind_s as f64,
        clock_drift_ppm: draws.clocks[n].drift_ppm,
        strap_delay_s: draws.clocks[n].strap_delay_s,
        sampling_s: draws.clocks[n].sampling_s,
    });
    let label = |worn| plan.bench.worn().nth(worn).map_or(String::new(), |fitted| fitted.label.clone());
    let struck = strikes.iter().flat_map(|strike| {
        strike.windows().iter().map(|&TrueSpan { start_s, end_s }| {
            let (fault, instrument) = (strike.fault.to_string(), label(strike.worn));
            TrueWindow { fault, instrument, start_s, end_s }
        })
    });
    let gear = |gear: &SimulatedGear| TrueGear {
        from_s: gear.from_s,
        ring: gear.ring.word().to_owned(),
        cog: gear.cog,
        loss_pct: gear.loss * 100.0,
    };
    Truth {
        seed: plan.seed,
        date: plan.date,
        faults: plan.faults.iter().map(|fault| true_fault(fault, &plan.bench, &strikes)).collect(),
        mishaps,
        ridden: ridden(protocol, &moves),
        moves,
        instruments: instruments.collect(),
        gears: gears.iter().map(gear).collect(),
        struck: struck.collect(),
        signal,
        temperatures_c,
        clocks: draws.clocks,
        readings,
    }
}

/// The unit as it was drawn and an ideal instrument at its place, both without noise.
///
/// The ideal one is a crank meter of both sides with the same crank, wherever it is worn: behind the chain it reads what
/// comes through, without smoothing and flywheel.
fn true_readings(
    plan: &RehearsalPlan,
    ride: &RideConditions,
    draws: &SessionDraws,
    temperature_c: &[f64],
    strikes: &[Strike],
    hung: Vec<TrueLoad>,
) -> TrueReadings {
    let worn = &plan.bench.unit;
    let own: Vec<&Strike> = strikes.iter().filter(|strike| strike.worn == 0).collect();
    let drawn = InstrumentDraw { noise: 0.0, ..draws.instruments[0].clone() };
    // Its noise is multiplied by nothing.
    let noise = || Noise::new(plan.seed, Purpose::Instrument);
    let unit = instruments::send(ride, worn, &drawn, temperature_c, &own, &mut noise());
    let at_crank = FittedInstrument { located: Location::Crank, sides: Sides::Both, ..worn.clone() };
    let sound = InstrumentDraw { gain: 1.0, offset_w: 0.0, ..drawn };
    let mut ideal = instruments::send(ride, &at_crank, &sound, temperature_c, &[], &mut noise());
    if worn.located.behind_chain() {
        for reading in &mut ideal.power {
            let comes_through = 1.0 - SimulatedGear::at(ride.gears, reading.at_s).loss;
            (reading.left_w, reading.right_w) = (reading.left_w * comes_through, reading.right_w * comes_through);
        }
    }
    let references = &draws.clocks[1..];
    let first_s = references.iter().map(|clock| clock.start_s).fold(f64::INFINITY, f64::min);
    let last_s = references.iter().map(|clock| clock.stop_s).fold(f64::NEG_INFINITY, f64::max);
    let own_clock = &draws.clocks[0];
    let recorded = TrueSpan { start_s: own_clock.start_s.max(first_s), end_s: own_clock.stop_s.min(last_s) };
    TrueReadings::of((&unit, worn.sides), &ideal, recorded, temperature_c, hung)
}

fn true_fault(fault: &Fault, bench: &RehearsalBench, strikes: &[Strike]) -> TrueFault {
    let strike = strikes.iter().find(|strike| strike.fault == *fault);
    let windows = strike.map(Strike::windows).unwrap_or_default();
    TrueFault {
        fault: fault.to_string(),
        instrument: fault.struck_on(bench).map_or(String::new(), |struck| struck.fitted.label.clone()),
        pattern: fault.pattern(bench).map(|pattern| pattern.word().to_owned()),
        struck: windows.to_vec(),
    }
}

/// Each repeat with its moves, as it was ridden.
fn ridden(protocol: &Protocol, moves: &[TrueMove]) -> Vec<TrueRidden> {
    let repeat = |of: &[TrueMove]| {
        let last = &of[of.len() - 1];
        let moves: Vec<TrueSpan> = of.iter().map(|m| TrueSpan { start_s: m.start_s, end_s: m.end_s }).collect();
        let whole = TrueSpan { start_s: of[0].start_s, end_s: last.end_s };
        TrueRidden {
            phase_index: last.phase_index,
            repeat: last.repeat,
            ring: if last.ring == Ring::Small.word() { Ring::Small } else { Ring::Big },
            window: rehearsed(&protocol.phases[last.phase_index].drill).window(whole, &moves),
            moves,
        }
    };
    moves.chunk_by(|a, b| (a.phase_index, a.repeat) == (b.phase_index, b.repeat)).map(repeat).collect()
}
