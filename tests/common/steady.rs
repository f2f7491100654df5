//! How unsteady a steady effort is: the same figures, by the same code, of real rides and of simulated ones.
//!
//! A window is 60 recorded seconds one second apart, nothing missing and nothing zero, in which every 30 s mean of power
//! stays within 10 % of the window's and every 30 s mean of cadence within 4 rpm. Windows are taken greedily, in steps of
//! ten seconds, and never overlap.

use std::path::Path;

use assize::internals::rehearse::{Rehearsal, RehearsalPlan, simulate};
use assize::protocol;
use assize::recording::Recording;

/// Figures of one window by name, each a number that does not depend on the mean power.
pub type Figures = Vec<(String, f64)>;

const WINDOW: usize = 60;
const HALF: usize = 30;
const LAGS: [usize; 7] = [1, 2, 3, 5, 10, 20, 30];
/// FIT balance without the bit that says whose side it means: its scatter is the same for either.
const SIDELESS: &str = "balance of an unknown side";

/// One steady minute: one value for each second. Balance is of either side, where it was recorded.
pub struct Minute {
    pub power_w: Vec<f64>,
    pub cadence_rpm: Vec<f64>,
    pub share_pct: Option<Vec<f64>>,
}

/// Of each steady window, in ride order. `within` says which seconds of the recording may be used.
pub fn figures(recording: &Recording, within: impl Fn(f64) -> bool) -> Vec<Figures> {
    let of = |m: &Minute| of_window(&m.power_w, &m.cadence_rpm, m.share_pct.as_deref());
    minutes(recording, within).iter().map(of).collect()
}

/// The steady windows themselves.
pub fn minutes(recording: &Recording, within: impl Fn(f64) -> bool) -> Vec<Minute> {
    let samples = &recording.samples;
    let time_s = &samples.time_s;
    // Real head units of these rides store whole rpm.
    let cadence: Vec<Option<f64>> = samples.cadence_rpm.iter().map(|rpm| rpm.map(f64::round)).collect();
    let share = if samples.right_share_pct.is_empty() {
        samples.extra.get(SIDELESS).map_or(&[][..], |column| column)
    } else {
        &samples.right_share_pct
    };
    let mut found = vec![];
    let mut from = 0;
    while from + WINDOW <= samples.len() {
        let window = from..from + WINDOW;
        let unbroken = time_s[window.end - 1] - time_s[from] == (WINDOW - 1) as f64;
        let seconds = unbroken && time_s[window.clone()].iter().all(|t| within(*t));
        let (power, rpm) = (pedalled(&samples.power_w, &window), pedalled(&cadence, &window));
        match (power, rpm) {
            (Some(power), Some(rpm)) if seconds && steady(&power, 0.1 * mean(&power)) && steady(&rpm, 4.0) => {
                let share_pct = pedalled(share, &window);
                found.push(Minute { power_w: power, cadence_rpm: rpm, share_pct });
                from = window.end;
            }
            _ => from += 10,
        }
    }
    found
}

fn pedalled(column: &[Option<f64>], window: &std::ops::Range<usize>) -> Option<Vec<f64>> {
    column.get(window.clone())?.iter().map(|v| v.filter(|v| *v > 0.0)).collect()
}

fn steady(values: &[f64], by: f64) -> bool {
    let all = mean(values);
    values.windows(HALF).all(|part| (mean(part) - all).abs() <= by)
}

fn of_window(power: &[f64], rpm: &[f64], share: Option<&[f64]>) -> Figures {
    let relative: Vec<f64> = power.iter().map(|w| 100.0 * w / mean(power)).collect();
    let mut all = vec![];
    spread(&mut all, "power", "%", &relative);
    spread(&mut all, "cadence", "rpm", rpm);
    if let Some(share) = share {
        spread(&mut all, "balance", "points", share);
        all.push(("correlation of power and balance".to_owned(), correlation(power, share)));
    }
    all.push(("correlation of power and cadence".to_owned(), correlation(power, rpm)));
    all
}

fn spread(all: &mut Figures, what: &str, unit: &str, values: &[f64]) {
    all.push((format!("{what} sd of one second ({unit})"), sd(values)));
    for block in [5, 10, 30] {
        let means: Vec<f64> = values.chunks_exact(block).map(mean).collect();
        all.push((format!("{what} sd of {block} s means ({unit})"), sd(&means)));
    }
    let steps: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
    all.push((format!("{what} sd of second to second ({unit})"), sd(&steps)));
    for lag in LAGS {
        all.push((format!("{what} autocorrelation at {lag} s"), autocorrelation(values, lag)));
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn sd(values: &[f64]) -> f64 {
    let middle = mean(values);
    (values.iter().map(|v| (v - middle).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0)).sqrt()
}

fn product(a: &[f64], b: &[f64], mean_a: f64, mean_b: f64) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - mean_a) * (b - mean_b)).sum()
}

/// About the window's own mean, so that a short window reads low; it does so for all alike.
fn autocorrelation(values: &[f64], lag: usize) -> f64 {
    let middle = mean(values);
    product(&values[lag..], values, middle, middle) / product(values, values, middle, middle)
}

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let (mean_a, mean_b) = (mean(a), mean(b));
    product(a, b, mean_a, mean_b) / (product(a, a, mean_a, mean_a) * product(b, b, mean_b, mean_b)).sqrt()
}

/// The 10th, 50th and 90th percentile of one figure over windows, and how many windows have it. A constant channel
/// correlates with nothing and is left out.
pub fn percentiles(windows: &[Figures], name: &str) -> Option<([f64; 3], usize)> {
    let of = |window: &Figures| window.iter().find(|f| f.0 == name).map(|f| f.1).filter(|v| v.is_finite());
    let mut values: Vec<f64> = windows.iter().filter_map(of).collect();
    values.sort_by(f64::total_cmp);
    let last = values.len().checked_sub(1)?;
    let at = |share: f64| {
        let place = share * last as f64;
        let (low, part) = (place as usize, place.fract());
        values[low] + part * (values[(low + 1).min(last)] - values[low])
    };
    Some(([at(0.1), at(0.5), at(0.9)], values.len()))
}

/// Share of seconds on the move in which power, and in which cadence, is zero. Indoors every second counts.
pub fn zero_shares(recording: &Recording) -> [f64; 2] {
    let samples = &recording.samples;
    // Two metres a second: below it a rider balances rather than rides.
    let moves = |i: usize| samples.speed_m_s.get(i).copied().flatten().is_none_or(|v| v > 2.0);
    [&samples.power_w, &samples.cadence_rpm].map(|column| {
        let moving: Vec<f64> = column.iter().enumerate().filter(|(i, _)| moves(*i)).filter_map(|(_, v)| *v).collect();
        moving.iter().filter(|v| **v == 0.0).count() as f64 / moving.len() as f64
    })
}

/// What real rides gave, by name: the 10th, 50th and 90th percentile indoors and on the road.
pub struct Real {
    pub name: String,
    pub indoor: Option<[f64; 3]>,
    pub road: Option<[f64; 3]>,
}

impl Real {
    /// What indoor riding is held to: the indoor ride recorded no balance.
    pub fn indoors(&self) -> Option<[f64; 3]> {
        if self.name.contains("balance") { self.road } else { self.indoor }
    }
}

/// The figures of `shared/reference-values/steady-rides.csv`; its README says what was measured.
pub fn real() -> Vec<Real> {
    let text = include_str!("../../shared/reference-values/steady-rides.csv");
    let three = |cells: &[&str]| -> Option<[f64; 3]> {
        let numbers: Vec<f64> = cells.iter().filter_map(|cell| cell.parse().ok()).collect();
        numbers.try_into().ok()
    };
    text.lines()
        .skip(1)
        .map(|line| line.split(',').collect())
        .map(|cells: Vec<&str>| Real {
            name: cells[0].to_owned(),
            indoor: three(&cells[1..4]),
            road: three(&cells[4..7]),
        })
        .collect()
}

pub fn rehearsed(plan: &RehearsalPlan) -> Rehearsal {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/bench-both-rings.yaml");
    simulate(&protocol::load(&file, None).unwrap_or_else(|problems| panic!("{problems}")), plan)
}

/// Steady windows of the pedals' recordings in the blocks of many simulated sessions.
pub fn simulated(plan: impl Fn(u64) -> RehearsalPlan) -> Vec<Figures> {
    let session = |seed: u64| {
        let rehearsal = rehearsed(&plan(seed));
        let (pedals, truth) = (&rehearsal.recordings[1], &rehearsal.truth);
        let start_s = (pedals.start - truth.date).as_seconds_f64();
        // Clear of both ends by more than clocks and legs are late.
        let blocks = truth.moves.iter().filter(|m| m.act == "block");
        let blocks: Vec<(f64, f64)> = blocks.map(|m| (m.start_s - start_s + 20.0, m.end_s - start_s - 8.0)).collect();
        figures(pedals, |t_s| blocks.iter().any(|b| (b.0..b.1).contains(&t_s)))
    };
    (1..=12).flat_map(session).collect()
}

/// One line for each figure that both have: real range, simulated range; `false` where the simulated median lies outside
/// the 10th to 90th percentile of the real windows.
pub fn compare<'a>(
    real: &'a [Real],
    of: impl Fn(&Real) -> Option<[f64; 3]>,
    simulated: &[Figures],
) -> Vec<(String, bool)> {
    let line = |real: &'a Real| {
        let (ridden, (made, _)) = (of(real)?, percentiles(simulated, &real.name)?);
        let show = |q: [f64; 3]| format!("{:7.2}{:7.2}{:7.2}", q[0], q[1], q[2]);
        let inside = (ridden[0]..=ridden[2]).contains(&made[1]);
        Some((format!("{:46}{} |{}", real.name, show(ridden), show(made)), inside))
    };
    real.iter().filter_map(line).collect()
}
