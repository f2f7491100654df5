//! The protocol as moves: what each second of a move should look like, and how long it should last.
//!
//! Costs are counted in *seconds of misfit*: a second that is clearly wrong for a move costs 1, a perfect one 0,
//! and filler, which fits anything, [`FILLER`]. All costs are kept relative to filler, so a move pays where its
//! seconds fit better than that. A phase's seconds weigh by the root of four minutes over its usual length:
//! neighbouring seconds of a long block tell the same thing, each second of a sprint a new one.

use crate::protocol::{DrillMove, Effort, Part, Phase, PhaseOrder, Protocol, Target};
use crate::quantity::Range;

use super::references::COASTING_W;
use super::shape::DrillShape;
use super::signals::Signals;

/// What a second outside the protocol costs, between a good second and a clearly wrong one.
pub(super) const FILLER: f64 = 0.6;
/// What a second at the edge of its tolerance costs: a little less than filler, so that a block missed by all of it
/// still counts as the block where the order expects it, but no recovery becomes a block against the order.
const AT_TOLERANCE: f64 = 0.55;
/// What a second of sprinting costs where something steady was asked: two recoveries with a sprint between them are
/// no block, however even.
const SPRINTING: f64 = 8.0;
/// What a change against the protocol's order costs. Below what a single sprint gains, and above what choosing
/// the wrong one of two neighbouring targets gains when both are missed by 15 %.
pub(super) const JUMP: f64 = 20.0;
/// What an unasked second ride of a phase costs: a warm-up just short of the first target is no surplus block.
const AGAIN: f64 = 2.0 * JUMP;
/// Length at which a second weighs 1.
const UNIT_WEIGHT_S: f64 = 240.0;
/// Moves shorter than this are hit less exactly than blocks: riders overshoot a 10 s surge.
const SHORT_MOVE_S: f64 = 30.0;

/// A remark is written this long after what it is about, at most.
pub(super) const WRITTEN_S: usize = 30;

/// Everything that the protocol scores by riding, in its order. Warm-ups, recoveries and waits have no part in the
/// search: they are what lies between.
pub(super) struct ScoredPhases {
    pub entries: Vec<ScoredPhase>,
    /// What single-valued targets of steady riding were multiplied by.
    pub paced: f64,
    /// Cost of any change that is not among an entry's `free_after`.
    pub jump: f64,
    /// Cost of riding an entry again that was asked for once, in any order.
    pub again: f64,
    /// Grid seconds of the ride.
    pub seconds: usize,
}

/// One scored phase.
pub(super) struct ScoredPhase {
    /// Index into the protocol's phases.
    pub phase: usize,
    pub moves: Vec<Move>,
    /// What one of its seconds weighs.
    weight: f64,
    cut: BoundaryCost,
    /// Stretches made dearer or cheaper, and by how much a second.
    swayed: Vec<(usize, usize, f64)>,
    /// Entries after which this one may come without a cost; `None` is the ride's start.
    pub free_after: Vec<Option<usize>>,
}

/// One move of a phase.
pub(super) struct Move {
    pub lasts: Vec<LinearPiece>,
    /// Running sum of the seconds' costs relative to filler: seconds `i..j` cost `sums[j] − sums[i]`.
    pub sums: Vec<f64>,
}

impl Move {
    /// Cost of lasting `length` seconds.
    pub fn lasting(&self, length: usize) -> f64 {
        let piece = self.lasts.iter().find(|p| (p.from..=p.to).contains(&length));
        piece.map_or(f64::INFINITY, |p| p.at + p.slope * (length - p.from) as f64)
    }
}

/// A straight piece of the cost of a duration: `at + slope × (length − from)` for `from ≤ length ≤ to`.
pub(super) struct LinearPiece {
    pub from: usize,
    pub to: usize,
    pub at: f64,
    pub slope: f64,
}

/// What a move's seconds should look like.
enum Observation {
    Power { band: Range, slack: f64, half_s: usize },
    Effort { at_least_w: f64 },
    Coasting,
    Anything { band: Range },
    OffTheBike,
}

impl ScoredPhases {
    /// `paced` is what single-valued targets of steady riding are multiplied by: a rider who paces by a meter that reads 10 % high rides
    /// every target a tenth low.
    pub fn of(protocol: &Protocol, signals: &Signals, paced: f64) -> Self {
        let ridden = |p: &&(usize, &Phase)| p.1.drill.kind().is_scored_riding() && !p.1.drill.moves().is_empty();
        let phases: Vec<(usize, &Phase)> = protocol.phases.iter().enumerate().collect();
        let phases: Vec<(usize, &Phase)> = phases.iter().filter(ridden).copied().collect();
        let entries = phases
            .iter()
            .enumerate()
            .map(|(at, &(phase, plan))| {
                let (weight, moves) = moves_of(plan, signals, paced, AskedRings::Count);
                let free_after = free_after(&phases, at);
                ScoredPhase { phase, weight, cut: BoundaryCost::of(plan), swayed: vec![], moves, free_after }
            })
            .collect();
        let jump = match protocol.order {
            PhaseOrder::AsWritten => JUMP,
            PhaseOrder::Any => 0.0,
        };
        Self { entries, paced, jump, again: AGAIN, seconds: signals.len() }
    }
}

impl ScoredPhase {
    /// Cost of riding it with these bounds, relative to filler; edges and order apart.
    pub fn cost(&self, bounds: &[usize]) -> f64 {
        let moves = self.moves.iter().enumerate().zip(bounds.windows(2));
        let cost =
            |((of, m), b): ((usize, &Move), &[usize])| self.sum(of, b[1]) - self.sum(of, b[0]) + m.lasting(b[1] - b[0]);
        let seconds: f64 = moves.map(cost).sum();
        seconds + self.beginning(bounds[0], 0.0) + self.ending(bounds[bounds.len() - 1], 0.0)
    }

    /// Gain over filler, as a share of what the same seconds ridden perfectly would gain.
    pub fn quality(&self, bounds: &[usize]) -> f64 {
        let seconds = bounds[bounds.len() - 1] - bounds[0];
        -self.cost(bounds) / (FILLER * self.weight * seconds as f64)
    }

    /// What the seconds before `second` of one of its moves cost in all.
    pub fn sum(&self, of: usize, second: usize) -> f64 {
        let swayed = self.swayed.iter().map(|&(from, to, by)| by * (second.clamp(from, to) - from) as f64);
        self.moves[of].sums[second] + swayed.sum::<f64>()
    }

    /// What beginning at a second costs, over and above its seconds; `marked` is 1 where somebody marked it, else less.
    pub fn beginning(&self, second: usize, marked: f64) -> f64 {
        let from = second.saturating_sub(self.cut.before_s);
        self.cut.weight * (1.0 - self.cut.marks * marked) * fitting(&self.moves[0].sums, from, second)
    }

    /// What ending at a second costs, over and above its seconds; `marked` as for the beginning.
    pub fn ending(&self, second: usize, marked: f64) -> f64 {
        let sums = &self.moves[self.moves.len() - 1].sums;
        self.cut.weight * (1.0 - self.cut.marks * marked) * fitting(sums, second, second + self.cut.after_s)
    }

    /// Takes a stretch out of consideration for this entry.
    pub fn ban(&mut self, from: usize, to: usize) {
        // Far above what any stretch can gain.
        const BANNED: f64 = 1e6;
        self.swayed.push((from, to, BANNED));
    }

    /// Makes the seconds before `at` likelier to be its own, as somebody wrote then that it was ridden. Worth as much as
    /// the protocol's order.
    pub fn expect(&mut self, at: usize) {
        let from = at.saturating_sub(WRITTEN_S);
        self.swayed.push((from, at, -JUMP / WRITTEN_S as f64));
    }
}

/// What seconds `from..to` would gain, cut to the ride.
fn fitting(sums: &[f64], from: usize, to: usize) -> f64 {
    (sums[from] - sums[to.min(sums.len() - 1)]).max(0.0)
}

/// The entry before, and those before it across phases that may be left out; itself where it repeats.
fn free_after(phases: &[(usize, &Phase)], at: usize) -> Vec<Option<usize>> {
    let mut after: Vec<Option<usize>> = (phases[at].1.repeats > 1).then_some(Some(at)).into_iter().collect();
    for before in (0..at).rev() {
        after.push(Some(before));
        if phases[before].1.part != Part::Optional {
            return after;
        }
    }
    after.push(None);
    after
}

/// How much beginning and ending a phase costs beyond its seconds: where those just before or after would pass for it
/// too, it is cut out of something longer. So a hard block with the recovery after it is no surge with soft pedalling,
/// and a long even warm-up is not several blocks.
struct BoundaryCost {
    weight: f64,
    before_s: usize,
    after_s: usize,
    /// Part of it that a boundary takes away which somebody marked: what begins at a lap is not cut out of anything,
    /// but a lap may come as late as half a sprint.
    marks: f64,
}

impl BoundaryCost {
    fn of(phase: &Phase) -> Self {
        match DrillShape::of(&phase.drill.moves()) {
            DrillShape::Drop { .. } | DrillShape::AllOut { .. } => {
                Self { weight: 5.0, before_s: 5, after_s: 0, marks: 0.0 }
            }
            DrillShape::Block(_) => Self { weight: 2.0, before_s: 20, after_s: 20, marks: 1.0 },
            // Standing cranks and the steps of a ramp are not to be cut out of anything longer.
            DrillShape::Stop { .. } | DrillShape::Other => Self { weight: 0.0, before_s: 0, after_s: 0, marks: 0.0 },
        }
    }
}

/// The moves of a phase, and what one of their seconds weighs.
pub(super) fn moves_of(phase: &Phase, signals: &Signals, paced: f64, rings: AskedRings) -> (f64, Vec<Move>) {
    // A range is itself a tolerance.
    let slack_of = |target: &Target| match target {
        Target::Value(_) => phase.tolerance,
        Target::Within(_) => phase.tolerance / 2.0,
    };
    let observed = |asked: DrillMove| match asked.effort {
        Effort::Free(power_w) => Observation::Anything { band: power_w.unwrap_or(Range { low: None, high: None }) },
        Effort::OffTheBike => Observation::OffTheBike,
        Effort::Steady(target) => {
            let length_s = asked.lasts_s.low.or(asked.lasts_s.high).unwrap_or(UNIT_WEIGHT_S);
            // A block's power is smoothed over up to 7 s: on the road single seconds scatter by a quarter.
            let half_s = (length_s / 40.0).clamp(0.0, 3.0) as usize;
            Observation::Power { band: band(&target, paced), slack: slack_of(&target), half_s }
        }
        Effort::Short(target) => {
            let short = asked.lasts_s.middle().is_some_and(|s| s <= SHORT_MOVE_S);
            let slack = if short { 1.5 * slack_of(&target) } else { slack_of(&target) };
            Observation::Power { band: band(&target, 1.0), slack, half_s: 0 }
        }
        Effort::AllOut(effort_w) => {
            Observation::Effort { at_least_w: effort_w.low.or(effort_w.high).unwrap_or(0.0).max(1.0) }
        }
        Effort::Coast => Observation::Coasting,
    };
    // What a second too long costs.
    let over = |effort: Effort| match effort {
        Effort::Free(_) | Effort::OffTheBike => 0.1,
        Effort::Steady(_) => 0.2,
        Effort::Short(_) | Effort::AllOut(_) | Effort::Coast => 0.8,
    };
    let asked = phase.drill.moves();
    let wanted: Vec<(Observation, Range, f64)> =
        asked.into_iter().map(|asked| (observed(asked), asked.lasts_s, over(asked.effort))).collect();
    let usual_s = |lasts: &Range| lasts.middle().unwrap_or(UNIT_WEIGHT_S).max(1.0);
    let phase_s: f64 = wanted.iter().map(|(_, lasts, _)| usual_s(lasts)).sum();
    let longest_s: f64 = wanted.iter().map(|(_, lasts, _)| lasts.high.unwrap_or(usual_s(lasts))).sum();
    let weight = if phase.drill.kind().is_scored_riding() { (UNIT_WEIGHT_S / phase_s).sqrt() } else { 1.0 };
    let moves = wanted
        .into_iter()
        .map(|(want, lasts, over)| {
            let others_s = longest_s - lasts.high.unwrap_or(usual_s(&lasts));
            let low_s = (0.8 * lasts.low.unwrap_or(1.0)).max(1.0);
            // A move left out or ridden wrong must cost what the phase's other moves gain: no coast, no coast-and-restart.
            let wrong = (FILLER * others_s / ((1.0 - FILLER) * low_s)).max(1.0);
            Move {
                lasts: duration_cost(lasts, weight, FILLER * (1.0 + 2.0 * others_s / low_s), over),
                sums: running_sum(phase, &want, weight, wrong, signals, rings),
            }
        })
        .collect();
    (weight, moves)
}

fn band(target: &Target, paced: f64) -> Range {
    match target {
        Target::Value(power_w) => Range::between(power_w * paced, power_w * paced),
        Target::Within(range) => *range,
    }
}

/// Nothing inside the range, linear outside. A second costs `missing` where it is missing, so much that half of what
/// was asked is worth nothing, and `over` where it is too many (both before weighing). A range
/// open above leans back towards its low end from a quarter beyond it on, so that two equal blocks in one run split
/// evenly and a warm-up a tenth below the target is not taken in.
fn duration_cost(lasts: Range, weight: f64, missing: f64, over: f64) -> Vec<LinearPiece> {
    const LEAN: f64 = 0.3;
    // A duration written as one number is met by a fifth more or less.
    let single = lasts.low.is_some() && lasts.low == lasts.high;
    let (down, up) = if single { (0.8, 1.2) } else { (1.0, 1.0) };
    let low = lasts.low.map_or(1, |s| ((s * down).floor() as usize).max(1));
    let (high, slope) = match (lasts.high, lasts.low) {
        (Some(high), _) => ((high * up).ceil() as usize, over),
        (None, Some(low)) => ((low * 1.25).ceil() as usize, LEAN),
        (None, None) => (usize::MAX, 0.0),
    };
    let high = high.max(low);
    let missing = missing * weight;
    let mut pieces = vec![LinearPiece { from: low, to: high, at: 0.0, slope: 0.0 }];
    // Less than half can't gain anything, so it is not looked at.
    let least = low.div_ceil(2);
    if least < low {
        pieces.push(LinearPiece { from: least, to: low - 1, at: missing * (low - least) as f64, slope: -missing });
    }
    if high < usize::MAX {
        pieces.push(LinearPiece { from: high + 1, to: usize::MAX, at: slope * weight, slope: slope * weight });
    }
    pieces
}

#[derive(Clone, Copy, PartialEq)]
pub(super) enum AskedRings {
    Count,
    /// For saying what was closest to a missing phase.
    Ignore,
}

fn running_sum(
    phase: &Phase,
    want: &Observation,
    weight: f64,
    wrong: f64,
    signals: &Signals,
    rings: AskedRings,
) -> Vec<f64> {
    let mut sum = 0.0;
    let mut sums = Vec::with_capacity(signals.len() + 1);
    sums.push(sum);
    for k in 0..signals.len() {
        let cost = misfit(want, k, signals).map_or(0.0, |power| {
            let ring = if rings == AskedRings::Count { ring_misfit(phase, k, signals) } else { 0.0 };
            (power + cadence_misfit(phase, want, k, signals) + ring).min(power.max(1.0)) - FILLER
        });
        sum += weight * if cost > 0.0 { wrong * cost } else { cost };
        sums.push(sum);
    }
    sums
}

/// Misfit of one second's power, 0 to 1 but for a sprint where none belongs; `None` where nothing was recorded.
fn misfit(want: &Observation, k: usize, signals: &Signals) -> Option<f64> {
    let cadence = signals.cadence_rpm[k];
    match want {
        Observation::Power { band, slack, half_s } => {
            let power_w = signals.smoothed_w(k, *half_s)?;
            // Nobody sprints within a block: far more power than asked is worse than none at all.
            let sprinting = band.high.is_some_and(|high| power_w > high + high.max(150.0));
            let misfit = (AT_TOLERANCE * excess(*band, power_w, *slack)).min(1.0);
            Some(if sprinting { SPRINTING } else { misfit })
        }
        // Full marks from 85 % of the effort on (a sprint fades), none at half of it.
        Observation::Effort { at_least_w } => Some(((0.85 - signals.power_w[k]? / at_least_w) / 0.35).clamp(0.0, 1.0)),
        Observation::Coasting => {
            let power = signals.power_w[k]?;
            let still = power <= COASTING_W || cadence == Some(0.0);
            Some(if still { 0.0 } else { ((power - COASTING_W) / 50.0).min(1.0) })
        }
        // Barely better than filler inside, barely worse outside: a warm-up may hold anything.
        Observation::Anything { band } => {
            Some(if band.contains(signals.power_w[k]?) { FILLER - 0.1 } else { FILLER + 0.1 })
        }
        Observation::OffTheBike => {
            let off = signals.power_w[k].is_none_or(|p| p <= COASTING_W) && cadence.is_none_or(|c| c == 0.0);
            Some(if off { 0.3 } else { 1.0 })
        }
    }
}

/// How far a value lies outside a band, in units of `slack` times the end it missed (at least 8 W: near zero a
/// share of the target would be less than a meter's own noise).
fn excess(band: Range, power_w: f64, slack: f64) -> f64 {
    let beyond = |end: f64, by: f64| by.max(0.0) / (slack * end).max(8.0);
    let below = band.low.map_or(0.0, |low| beyond(low, low - power_w));
    let above = band.high.map_or(0.0, |high| beyond(high, power_w - high));
    below.max(above)
}

/// Weak: riders keep a power more faithfully than a cadence.
fn cadence_misfit(phase: &Phase, want: &Observation, k: usize, signals: &Signals) -> f64 {
    let (Some(range), Some(cadence)) = (phase.cadence_rpm, signals.cadence_rpm[k]) else { return 0.0 };
    if matches!(want, Observation::Coasting | Observation::OffTheBike) || range.contains(cadence) {
        return 0.0;
    }
    let by = range.low.map_or(0.0, |low| low - cadence).max(range.high.map_or(0.0, |high| cadence - high));
    0.2 * (by / 15.0).min(1.0)
}

/// Full misfit for a ring surely wrong, none for a guess.
fn ring_misfit(phase: &Phase, k: usize, signals: &Signals) -> f64 {
    match (phase.ring, signals.rings[k]) {
        (Some(asked), Some(belief)) if belief.ring != asked => (2.0 * belief.confidence - 1.0).clamp(0.0, 1.0),
        _ => 0.0,
    }
}
