//! Gain, offset, ring, drift and lost soft pedalling, fitted together: the fewest that explain what failed.
//!
//! Every stretch of steady riding and of soft pedalling is one row. The reference's gain, the chain's loss and what any
//! sound unit may be off by are known beforehand, each with its size; what is left over must be explained by effects.

use super::conditions::BlockConditions;
use super::effect::{EFFECTS, Effect, LevelEffects};
use super::evidence::Evidence;
use super::finding::{Finding, finding};
use super::fit::{Fit, fit};
use super::open_checks::UnexplainedCheck;
use crate::protocol::Ring;
use crate::scoring::budget::Source;
use crate::scoring::{Pair, SteadyStretch};
use crate::session::Sides;
use crate::stats;

/// What a sound unit may be off by, standard deviations in each effect's own unit. Common practice, no source; the
/// rehearsal's sound units have 0.4 % and 0.5 W and nothing else.
const SOUND: [(Effect, f64); 5] = [
    (Effect::Gain, 0.5),
    (Effect::Offset, 1.0),
    (Effect::Ring(Ring::Small), 0.5),
    (Effect::Time, 1.0),
    (Effect::Soft, 1.0),
];
/// Blocks differ by more than their seconds tell: cogs, posture, the rider. % of the power. Common practice, no source.
const BLOCK_PCT: f64 = 0.25;
/// A unit that doubles one side also reads how the rider's balance moves, by a point from block to block. Common practice,
/// no source.
const BLOCK_DOUBLED_PCT: f64 = 2.0;
/// Two references that serve different stretches share this part of what is stated. Common practice, no source.
const OTHER_REFERENCE: f64 = 0.7;
/// An effect more must buy this much χ² …
const EFFECT_COSTS: f64 = 8.0;
/// … and by itself be this many standard uncertainties from nothing.
const EFFECT_SURELY: f64 = 3.0;
/// A check left unexplained is worth this much χ²: less than an effect, as a value may lie just beyond its limit.
const UNEXPLAINED_COSTS: f64 = 4.0;
/// Largest set of effects that is tried.
const MOST_EFFECTS: usize = 3;
/// Another explanation is told where it is not less likely than one in ten of the one chosen: 2·ln 10.
const ALSO_CHI2: f64 = 4.6;
/// References that nearly disagree (E_n) may be what is wrong with a unit's level.
const NEARLY_APART: f64 = 0.8;
/// A row this far from what all effects together say is not the level's doing.
const STRAY: f64 = 6.0;

/// A set of effects, how it fits, and how many checks it leaves unexplained.
struct EffectSet {
    effects: Vec<Effect>,
    fit: Fit,
    unexplained: usize,
    cost: f64,
}

impl EffectSet {
    fn level(&self) -> LevelEffects {
        LevelEffects { effects: self.effects.iter().copied().zip(self.fit.coefficients.iter().copied()).collect() }
    }
}

/// Rows of the fit.
struct Rows {
    places: Vec<BlockConditions>,
    error_w: Vec<f64>,
    u_w: Vec<f64>,
    /// What all rows share, column by column: references, chain, block.
    shared: Vec<Vec<f64>>,
}

impl Rows {
    fn column(&self, effect: Effect) -> Vec<f64> {
        self.places.iter().map(|place| effect.at(place)).collect()
    }

    /// Fits a set of effects; what sound units are off by stays beside them, but for the kinds left out.
    fn fit(&self, effects: &[Effect], without: &[Effect]) -> Option<Fit> {
        let sound = SOUND.iter().filter(|(effect, _)| !without.contains(effect));
        let sound = sound.map(|(effect, sd)| self.column(*effect).iter().map(|x| x * sd).collect());
        let known: Vec<Vec<f64>> = self.shared.iter().cloned().chain(sound).collect();
        let free: Vec<Vec<f64>> = effects.iter().map(|effect| self.column(*effect)).collect();
        fit(&self.error_w, &self.u_w, &known, &free)
    }

    fn keep(&mut self, keep: &[bool]) {
        let kept = |x: &[f64]| x.iter().zip(keep).filter(|(_, keep)| **keep).map(|(x, _)| *x).collect::<Vec<f64>>();
        self.error_w = kept(&self.error_w);
        self.u_w = kept(&self.u_w);
        self.shared = self.shared.iter().map(|column| kept(column)).collect();
        self.places = self.places.iter().zip(keep).filter(|(_, keep)| **keep).map(|(place, _)| *place).collect();
    }
}

impl Evidence<'_> {
    fn rows(&self, usable: impl Fn(&SteadyStretch) -> bool) -> Rows {
        let chosen: Vec<&SteadyStretch> = self.scores.stretches.iter().filter(|s| usable(s)).collect();
        let places: Vec<BlockConditions> = chosen.iter().map(|s| self.place(s.found, s.power_w, s.window)).collect();
        let widening = self.scores.agreement.widening();
        let line = |stretch: &SteadyStretch, source: Source| {
            let own = stretch.shared.iter().filter(|line| line.source == source);
            own.map(|line| line.standard_uncertainty).sum::<f64>() * widening
        };
        let column = |of: &dyn Fn(usize) -> f64| (0..chosen.len()).map(of).collect::<Vec<f64>>();
        let on = |i: usize, ring: Ring| f64::from(u8::from(places[i].ring == Some(ring)));
        let soft = |i: usize| f64::from(u8::from(places[i].soft));
        let mut shared = vec![
            column(&|i| line(chosen[i], Source::ReferenceGain)),
            column(&|i| line(chosen[i], Source::ReferenceGain) * OTHER_REFERENCE * soft(i)),
            column(&|i| line(chosen[i], Source::ChainLoss)),
            column(&|i| line(chosen[i], Source::RingLoss) * on(i, Ring::Big)),
            column(&|i| line(chosen[i], Source::RingLoss) * on(i, Ring::Small)),
        ];
        let mut blocks: Vec<usize> = chosen.iter().map(|s| s.found).collect();
        blocks.dedup();
        for block in blocks {
            shared.push(column(&|i| {
                if chosen[i].found == block { self.block_pct() / 100.0 * places[i].power_w } else { 0.0 }
            }));
        }
        shared.retain(|column| column.iter().any(|x| *x != 0.0));
        let error_w = chosen.iter().map(|s| s.error_w).collect();
        let u_w = chosen.iter().map(|s| s.own_u_w.max(0.1)).collect();
        Rows { places, error_w, u_w, shared }
    }

    /// Whether the unit reads one leg and doubles it, as it says.
    fn doubles(&self) -> bool {
        matches!(self.ride.unit.sides, Sides::LeftDoubled | Sides::RightDoubled)
    }

    fn block_pct(&self) -> f64 {
        if self.doubles() { BLOCK_DOUBLED_PCT } else { BLOCK_PCT }
    }

    /// Takes out rows that no level explains: with every effect free, far from what they say.
    fn without_strays(&self, rows: &mut Rows) {
        let all = [Effect::Gain, Effect::Offset, Effect::Ring(Ring::Small), Effect::Time, Effect::Soft];
        let usable: Vec<Effect> = all.into_iter().filter(|e| rows.column(*e).iter().any(|x| *x != 0.0)).collect();
        let centre = |x: &[f64]| stats::median(x).unwrap_or(0.0);
        let Some(fit) = rows.fit(&usable, &usable) else { return };
        let predicted = |i: usize| {
            usable.iter().zip(&fit.coefficients).map(|(effect, size)| size * effect.at(&rows.places[i])).sum::<f64>()
        };
        let off: Vec<f64> = (0..rows.places.len()).map(|i| rows.error_w[i] - predicted(i)).collect();
        // Soft pedalling has few stretches, so one of them gone astray would move its own level.
        let middle = |soft: bool| {
            centre(&off.iter().zip(&rows.places).filter(|(_, p)| p.soft == soft).map(|(o, _)| *o).collect::<Vec<_>>())
        };
        let middles = [middle(false), middle(true)];
        let keep: Vec<bool> = (0..off.len())
            .map(|i| {
                let place = &rows.places[i];
                let spread = rows.u_w[i].hypot(self.block_pct() / 100.0 * place.power_w).max(1.0);
                (off[i] - middles[usize::from(place.soft)]).abs() <= STRAY * spread
            })
            .collect();
        rows.keep(&keep);
    }

    /// The fewest effects that explain the open checks, and a finding for each that has its part in one.
    pub fn level(
        &self,
        open: &[UnexplainedCheck],
        usable: impl Fn(&SteadyStretch) -> bool,
    ) -> (LevelEffects, Vec<Finding>) {
        let open: Vec<&UnexplainedCheck> = open.iter().filter(|open| self.is_of_level(open)).collect();
        if open.is_empty() {
            return Default::default();
        }
        let mut rows = self.rows(usable);
        self.without_strays(&mut rows);
        let explained: Vec<EffectSet> =
            sets().into_iter().filter_map(|effects| self.explanation(&rows, &open, effects)).collect();
        let by_cost = |a: &&EffectSet, b: &&EffectSet| a.cost.total_cmp(&b.cost);
        let Some(best) = explained.iter().min_by(by_cost) else { return Default::default() };
        let level = best.level();
        let mut findings = vec![];
        for (i, (effect, _)) in level.effects.iter().enumerate() {
            let part: Vec<String> =
                open.iter().filter(|open| self.has_part(&level, *effect, open)).map(|open| open.says()).collect();
            // Soft pedalling that reads high has lost nothing.
            let reads_high = *effect == Effect::Soft && level.effects[i].1 > 0.0;
            if part.is_empty() || reads_high {
                continue;
            }
            let alone = |rows: &Rows| rows.fit(&best.effects, &same_kind(*effect));
            let fitted = alone(&rows).unwrap_or_else(|| best.fit.clone());
            let (size, u) = (fitted.coefficients[i], fitted.u[i]);
            let k = stats::coverage_factor(self.coverage, f64::INFINITY);
            let says = effect.says(size, best.effects.len() == 1 || !matches!(effect, Effect::Gain | Effect::Offset));
            let mut found = finding(effect.pattern(), size, effect.unit(), Some(k * u), says, part);
            found.could_also_be = self.could_also_be(&explained, best, *effect);
            findings.push(found);
        }
        (level, findings)
    }

    fn explanation(&self, rows: &Rows, open: &[&UnexplainedCheck], effects: Vec<Effect>) -> Option<EffectSet> {
        let fit = rows.fit(&effects, &[])?;
        let surely = |(size, u): (&f64, &f64)| size.abs() > EFFECT_SURELY * u;
        if !fit.coefficients.iter().zip(&fit.u).all(surely) {
            return None;
        }
        let mut explanation = EffectSet { effects, fit, unexplained: 0, cost: 0.0 };
        let level = explanation.level();
        explanation.unexplained = open.iter().filter(|open| !self.explains(&level, open)).count();
        explanation.cost = explanation.fit.chi2
            + EFFECT_COSTS * explanation.effects.len() as f64
            + UNEXPLAINED_COSTS * explanation.unexplained as f64;
        Some(explanation)
    }

    /// What stands in an effect's place in the other explanations that are hardly less likely.
    fn could_also_be(&self, all: &[EffectSet], best: &EffectSet, effect: Effect) -> Vec<String> {
        let mut others: Vec<&EffectSet> = all
            .iter()
            .filter(|other| !other.effects.contains(&effect) && !other.effects.is_empty())
            .filter(|other| other.effects.len() <= best.effects.len() && other.unexplained <= best.unexplained)
            .filter(|other| other.cost - best.cost <= ALSO_CHI2)
            .collect();
        others.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        let new = |other: &EffectSet| {
            let level = other.level().effects;
            let new: Vec<String> = level
                .iter()
                .filter(|(effect, _)| !best.effects.contains(effect))
                .map(|(effect, size)| effect.also(*size))
                .collect();
            new.join(" with ")
        };
        let mut named: Vec<String> =
            others.first().map(|other| new(other)).into_iter().filter(|n| !n.is_empty()).collect();
        if self.doubles() {
            named.push("a rider whose legs do not share the work evenly".to_owned());
        }
        // A reference that is off by as much leaves the same readings.
        let of_gain = matches!(effect, Effect::Gain | Effect::Offset);
        let nearly = |pair: &&Pair| pair.e_n > NEARLY_APART;
        let pair = self.scores.agreement.pairs.iter().filter(nearly).max_by(|a, b| a.e_n.total_cmp(&b.e_n));
        let label = |i: usize| &self.ride.references[i].trace.label;
        match pair {
            _ if self.ride.references.len() == 1 => named.push(format!("{} at fault", label(0))),
            Some(pair) if of_gain => named.push(format!("{} or {} at fault", label(pair.first), label(pair.second))),
            _ => {}
        }
        named
    }
}

/// Every set of effects that makes sense, small ones first.
fn sets() -> Vec<Vec<Effect>> {
    let all = (0u32..1 << EFFECTS.len()).map(|bits| {
        let chosen = EFFECTS.iter().enumerate().filter(|(i, _)| bits & (1 << i) != 0);
        chosen.map(|(_, effect)| *effect).collect::<Vec<_>>()
    });
    let twice = |set: &[Effect], a: Effect, b: Effect| set.contains(&a) && set.contains(&b);
    let mut sets: Vec<Vec<Effect>> = all
        .filter(|set| set.len() <= MOST_EFFECTS)
        .filter(|set| !twice(set, Effect::Ring(Ring::Big), Effect::Ring(Ring::Small)))
        .filter(|set| !twice(set, Effect::Time, Effect::Temperature))
        .collect();
    sets.sort_by_key(Vec::len);
    sets
}

/// What sound units are off by in the same way.
fn same_kind(effect: Effect) -> Vec<Effect> {
    match effect {
        Effect::Ring(_) => vec![Effect::Ring(Ring::Small)],
        other => vec![other],
    }
}
