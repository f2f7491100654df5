//! How well the references of a session agree, and which of them stands apart.

use crate::ride::{Ride, Window};
use crate::session::Sides;
use crate::stats;

use super::budget::Source;
use super::consensus::lines_of;

/// Above this E_n a suspect may be named; between 1 and this the references only disagree. With k = 1.96 it is 2.55 standard
/// uncertainties: about one honest pair in a hundred lies so far apart.
const SUSPECT_E_N: f64 = 1.3;
/// Of a hundred honest sets so many may be accused: just under the one in a hundred that the test below holds it to …
const ACCUSED: f64 = 0.009;
/// … and they are spent so that a fault of this size, relative, is found most often, whichever reference has it. Common
/// practice, no source …
const CLEAR_FAULT: f64 = 0.05;
/// … or of so many standard uncertainties, where references are so good that this is less. The limit for one of three
/// references lies near 3, so that all but two in 1,000 of such
/// faults are found anyway.
const CLEAR_AT_MOST: f64 = 6.0;
/// The least number of standard uncertainties that a fault is taken for: where a reference says next to nothing, the limit
/// must stay finite. Common practice, no source.
const CLEAR_AT_LEAST: f64 = 0.1;
/// A suspect is named where leaving out another instead is half as likely at most: 2·ln 2 in χ², rounded …
const SUSPECT_CHI2: f64 = 1.4;
/// … and where what is left agrees, at this level: one honest set in 300 does not, as few as lie outside three standard
/// deviations of a normal distribution.
const AGREE_P: f64 = 0.003;
/// The unit as a witness between two references: relative standard uncertainty. Common practice, no source.
const UNIT_STANDARD: f64 = 0.0075;

/// Two references over the steady windows of a session.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    pub first: usize,
    pub second: usize,
    /// second over first less one, %.
    pub difference_pct: f64,
    pub expanded_pct: f64,
    pub e_n: f64,
}

impl Pair {
    /// Whether they differ by more than their uncertainties allow: E_n above 1 (ISO 13528).
    pub fn differs(&self) -> bool {
        self.e_n > 1.0
    }
}

/// How the references agree, once per session on the pooled gain.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Agreement {
    pub pairs: Vec<Pair>,
    /// Root of χ² over its degrees of freedom; `None` with fewer than two references.
    pub birge: Option<f64>,
    /// Named only with evidence from a third instrument.
    pub suspect: Option<OutlyingReference>,
    /// How far the farthest reference lies from what all say together, %.
    pub apart_pct: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct OutlyingReference {
    pub reference: usize,
    /// Against the ones that agree, %.
    pub off_by_pct: f64,
}

impl Agreement {
    /// Whether the references quarrel, so that nobody knows which gain is right.
    pub fn quarrel(&self) -> bool {
        self.pairs.iter().any(Pair::differs) && self.left_out().is_none()
    }

    /// With three references or more, the one that stands apart from others that agree: these go on judging.
    pub fn left_out(&self) -> Option<usize> {
        self.suspect.as_ref().filter(|_| self.pairs.len() >= 3).map(|suspect| suspect.reference)
    }

    /// Reference lines are widened by this where they quarrel; never narrowed.
    pub fn widening(&self) -> f64 {
        self.birge.filter(|_| self.quarrel()).unwrap_or(1.0).max(1.0)
    }
}

/// Compares all references over the steady windows.
///
/// χ² of their gains with the full covariance (the chain loss of two hubs is shared), E_n pairwise as in ISO
/// 13528. Above E_n = 1 the consensus is widened by the Birge ratio; a suspect is named only above
/// [`SUSPECT_E_N`]. With two references apart the unit is the third instrument: it may point at the one that
/// stands alone, and is never acquitted by that.
pub fn agreement(ride: &Ride, windows: &[Window], coverage: f64) -> Agreement {
    let witness = || {
        // A unit that doubles one leg reads the rider's balance as gain: no witness.
        if matches!(ride.unit.sides, Sides::LeftDoubled | Sides::RightDoubled) {
            return None;
        }
        let unit = |k| ride.unit.power_at(k).filter(|power_w| *power_w > 0.0);
        let (own, base) = both(windows, unit, |k| ride.references[0].trace.power_at(k));
        stats::ratio(&own, &base)
    };
    ReferenceGains::of(ride, windows).map_or_else(Agreement::default, |gains| agreement_of(&gains, witness(), coverage))
}

/// The two references that differ most for what they state, window by window: `None` where all agree.
///
/// Each at a level at which honest references do so in one of them as often as in the whole session.
pub fn apart(ride: &Ride, windows: &[Window], coverage: f64) -> Vec<Option<Pair>> {
    let level = 1.0 - (1.0 - coverage) / windows.len().max(1) as f64;
    let worst = |window: &Window| {
        let pairs = agreement_of(&ReferenceGains::of(ride, &[*window])?, None, level).pairs;
        pairs.into_iter().filter(Pair::differs).max_by(|a, b| a.e_n.total_cmp(&b.e_n))
    };
    windows.iter().map(worst).collect()
}

/// The same of gains; `witness` is the unit's own gain against the first reference.
fn agreement_of(gains: &ReferenceGains, witness: Option<stats::Ratio>, coverage: f64) -> Agreement {
    let k = stats::coverage_factor(coverage, f64::INFINITY);
    let mut pairs = Vec::new();
    for first in 0..gains.values.len() {
        for second in first + 1..gains.values.len() {
            let c = &gains.covariance;
            let expanded = k * (c[first][first] + c[second][second] - 2.0 * c[first][second]).max(0.0).sqrt();
            let difference = gains.values[second] - gains.values[first];
            let e_n = if difference == 0.0 { 0.0 } else { stats::e_n(difference, expanded, 0.0, 0.0).abs() };
            pairs.push(Pair { first, second, difference_pct: difference * 100.0, expanded_pct: expanded * 100.0, e_n });
        }
    }
    let consensus = stats::weighted_consensus(&gains.values, &gains.covariance);
    let birge = consensus.and_then(|consensus| stats::birge_ratio(consensus.chi2, consensus.dof));
    let apart = |value: f64| gains.values.iter().map(|gain| (gain / value - 1.0).abs()).fold(0.0, f64::max);
    let apart_pct = consensus.map_or(0.0, |consensus| 100.0 * apart(consensus.value));
    let worst = pairs.iter().map(|p| p.e_n).fold(0.0, f64::max);
    let suspect = if worst > SUSPECT_E_N { suspect(gains, witness) } else { None };
    Agreement { pairs, birge, suspect, apart_pct }
}

/// The ride with one reference's power taken as not recorded.
pub fn without(ride: &Ride, reference: usize) -> Ride {
    let mut ride = ride.clone();
    ride.references[reference].trace.power_w.fill(None);
    ride
}

/// Each reference's gain against the first one, with the covariance of what they state.
struct ReferenceGains {
    values: Vec<f64>,
    covariance: Vec<Vec<f64>>,
}

impl ReferenceGains {
    /// `None` with fewer than two references, or where one of them has nothing in common with the first.
    fn of(ride: &Ride, windows: &[Window]) -> Option<Self> {
        let n = ride.references.len();
        if n < 2 {
            return None;
        }
        let first = &ride.references[0].trace;
        let mut values = vec![1.0];
        let mut covariance = vec![vec![0.0; n]; n];
        let mut loss = vec![0.0; n];
        for i in 0..n {
            let reference = &ride.references[i];
            let (own, base) = both(windows, |k| reference.trace.power_at(k), |k| first.power_at(k));
            if i > 0 {
                let ratio = stats::ratio(&own, &base)?;
                values.push(ratio.ratio);
                covariance[i][i] += ratio.standard_uncertainty.powi(2);
            }
            let mean_w = stats::mean(&own).filter(|w| *w > 0.0)?;
            for line in lines_of(reference, mean_w, false) {
                let relative = line.standard_uncertainty / mean_w;
                match line.source {
                    Source::ChainLoss => loss[i] = relative,
                    _ => covariance[i][i] += relative * relative,
                }
            }
        }
        for i in 0..n {
            for j in 0..n {
                covariance[i][j] += loss[i] * loss[j];
            }
        }
        Some(Self { values, covariance })
    }
}

/// The reference that stands apart from the others and the unit; `None` where the evidence names nobody.
///
/// Each is left out in turn: the one without which the others agree best, if it lies as far from them as honest ones
/// seldom do ([`accused_beyond`]). With two references the unit is the third witness, as good as [`UNIT_STANDARD`].
fn suspect(gains: &ReferenceGains, witness: Option<stats::Ratio>) -> Option<OutlyingReference> {
    let n = gains.values.len();
    let mut all = ReferenceGains { values: gains.values.clone(), covariance: gains.covariance.clone() };
    if n == 2 {
        let ratio = witness?;
        all.values.push(ratio.ratio);
        all.covariance.iter_mut().for_each(|row| row.push(0.0));
        all.covariance.push(vec![0.0, 0.0, UNIT_STANDARD.powi(2) + ratio.standard_uncertainty.powi(2)]);
    }
    let without = |left_out: usize| {
        let kept: Vec<usize> = (0..all.values.len()).filter(|&i| i != left_out).collect();
        let values: Vec<f64> = kept.iter().map(|&i| all.values[i]).collect();
        let rows = kept.iter().map(|&i| kept.iter().map(|&j| all.covariance[i][j]).collect());
        stats::weighted_consensus(&values, &rows.collect::<Vec<Vec<f64>>>())
    };
    let together = stats::weighted_consensus(&all.values, &all.covariance)?;
    // What a fault of size 1 in one of them alone adds to χ²: the inverse of its variance against the others.
    let weight = |i: usize| {
        let alone: Vec<f64> = (0..all.values.len()).map(|j| f64::from(u8::from(i == j))).collect();
        Some(stats::weighted_consensus(&alone, &all.covariance)?.chi2)
    };
    let weights: Vec<f64> = (0..n).map(weight).collect::<Option<_>>()?;
    let mut suspects: Vec<(usize, stats::Consensus)> = (0..n).filter_map(|i| Some((i, without(i)?))).collect();
    suspects.sort_by(|a, b| a.1.chi2.total_cmp(&b.1.chi2));
    let [(reference, agreed), (_, next), ..] = suspects.as_slice() else { return None };
    let far = (together.chi2 - agreed.chi2).max(0.0).sqrt() > accused_beyond(&weights)[*reference];
    let off_by_pct = 100.0 * (all.values[*reference] / agreed.value - 1.0);
    (far && agreed.p > AGREE_P && next.chi2 - agreed.chi2 > SUSPECT_CHI2)
        .then_some(OutlyingReference { reference: *reference, off_by_pct })
}

/// How many standard uncertainties from the others each reference is accused, by the inverse of its variance against them.
///
/// Neyman and Pearson: of all limits that accuse [`ACCUSED`] of the honest sets, those where a clear fault is as much
/// likelier than none for every reference find most faults. With z for the distance and d for the fault, the logarithm
/// of that is z·d − d²/2. One limit for all would spend most of it on references whose faults are found anyway.
fn accused_beyond(weights: &[f64]) -> Vec<f64> {
    let faults: Vec<f64> =
        weights.iter().map(|weight| (CLEAR_FAULT * weight.sqrt()).clamp(CLEAR_AT_LEAST, CLEAR_AT_MOST)).collect();
    let limits = |log_likelier: f64| faults.iter().map(|d| d / 2.0 + log_likelier / d).collect::<Vec<f64>>();
    let accused =
        |log_likelier: f64| limits(log_likelier).iter().map(|z| 2.0 * stats::t_cdf(-z, f64::INFINITY)).sum::<f64>();
    // Halved 50 times, 200 is known to the last bit of a limit of about 3.
    let (mut low, mut high) = (-100.0, 100.0);
    for _ in 0..50 {
        let middle = (low + high) / 2.0;
        if accused(middle) > ACCUSED { low = middle } else { high = middle }
    }
    limits(high)
}

/// Values that both have, over all windows.
fn both(
    windows: &[Window],
    a: impl Fn(usize) -> Option<f64>,
    b: impl Fn(usize) -> Option<f64>,
) -> (Vec<f64>, Vec<f64>) {
    windows.iter().flat_map(Window::seconds).filter_map(|k| Some((a(k)?, b(k)?))).unzip()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gains with independent standard uncertainties and one shared part each.
    fn gains(values: &[f64], own_pct: &[f64], shared_pct: &[f64]) -> ReferenceGains {
        let n = values.len();
        let of = |i: usize, j: usize| {
            let own = if i == j { (own_pct[i] / 100.0).powi(2) } else { 0.0 };
            own + shared_pct[i] * shared_pct[j] / 1e4
        };
        let covariance = (0..n).map(|i| (0..n).map(|j| of(i, j)).collect()).collect();
        ReferenceGains { values: values.to_vec(), covariance }
    }

    fn witness(ratio: f64) -> Option<stats::Ratio> {
        Some(stats::Ratio { ratio, standard_uncertainty: 0.0, residual_sd: 0.0, effective_samples: 99.0, n: 99 })
    }

    #[test]
    fn two_references_a_little_apart_quarrel_and_nobody_is_named() {
        // 2 % apart, u = 0.6 and 0.6 %: U = 1.96·0.6·√2 = 1.663 %, E_n = 2/1.663 = 1.2026; χ² = (2/0.84853)² = 5.556 with
        // one degree of freedom, so the Birge ratio is 2.357.
        let between = agreement_of(&gains(&[1.0, 1.02], &[0.6, 0.6], &[0.0, 0.0]), witness(1.0), 0.95);
        assert!((between.pairs[0].e_n - 1.2026).abs() < 1e-4, "{}", between.pairs[0].e_n);
        assert!((between.birge.unwrap() - 2.357_02).abs() < 1e-4);
        assert!(between.quarrel() && between.suspect.is_none());
        assert!((between.widening() - 2.357_02).abs() < 1e-4);
        // 1.5 % apart: E_n 0.902, no quarrel, nothing widened though the Birge ratio is 1.77.
        let near = agreement_of(&gains(&[1.0, 1.015], &[0.6, 0.6], &[0.0, 0.0]), witness(1.0), 0.95);
        assert!(!near.quarrel() && near.birge.unwrap() > 1.7 && near.widening() == 1.0);
    }

    #[test]
    fn the_unit_beside_one_of_two_names_the_other_and_settles_nothing() {
        // 5 % apart; the unit reads as the first does.
        let far = agreement_of(&gains(&[1.0, 1.05], &[0.6, 0.6], &[0.0, 0.0]), witness(1.0), 0.95);
        let suspect = far.suspect.clone().unwrap();
        assert_eq!(suspect.reference, 1);
        assert!((suspect.off_by_pct - 5.0).abs() < 0.1, "{}", suspect.off_by_pct);
        assert!(far.quarrel() && far.left_out().is_none());
        // Half-way between, the unit names nobody.
        assert!(agreement_of(&gains(&[1.0, 1.05], &[0.6, 0.6], &[0.0, 0.0]), witness(1.025), 0.95).suspect.is_none());
        assert!(agreement_of(&gains(&[1.0, 1.05], &[0.6, 0.6], &[0.0, 0.0]), None, 0.95).suspect.is_none());
    }

    #[test]
    fn of_three_the_one_apart_is_left_out_and_the_rest_judge() {
        let apart = agreement_of(&gains(&[1.0, 1.004, 1.05], &[0.6; 3], &[0.0; 3]), witness(1.05), 0.95);
        assert_eq!(apart.left_out(), Some(2));
        assert!(!apart.quarrel() && apart.widening() == 1.0);
        // Against the mean of the two that agree, 1.002.
        assert!((apart.suspect.unwrap().off_by_pct - 4.790).abs() < 0.01);
        // Three that all differ: no two agree, so nobody is named and all quarrel.
        let all = agreement_of(&gains(&[1.0, 1.04, 1.08], &[0.6; 3], &[0.0; 3]), witness(1.0), 0.95);
        assert!(all.suspect.is_none() && all.quarrel());
    }

    #[test]
    fn a_chain_loss_that_two_hubs_share_says_nothing_of_their_difference() {
        // 2 % apart, 0.5 % each of their own and 1 % of loss that both have: E_n is that of 0.5 % each, 2/(1.96·0.7071).
        let hubs = agreement_of(&gains(&[1.0, 1.02], &[0.5, 0.5], &[1.0, 1.0]), witness(1.0), 0.95);
        assert!((hubs.pairs[0].e_n - 1.4431).abs() < 1e-3, "{}", hubs.pairs[0].e_n);
        // With the loss on one side only it is 2/(1.96·√(0.5² + 0.5² + 1²)).
        let crossed = agreement_of(&gains(&[1.0, 1.02], &[0.5, 0.5], &[0.0, 1.0]), witness(1.0), 0.95);
        assert!((crossed.pairs[0].e_n - 0.8332).abs() < 1e-3, "{}", crossed.pairs[0].e_n);
        // Two hubs agree, a pedal pair is 4 % apart: with the loss shared the pedals are not 4 % ± 0.9 % from a mean of
        // two but ± 1.2 %.
        let three = gains(&[1.0, 1.0, 0.96], &[0.5, 0.5, 0.5], &[1.0, 1.0, 0.0]);
        let consensus = stats::weighted_consensus(&three.values, &three.covariance).unwrap();
        // Hubs' mean: variance 0.125 + 1 = 1.125; pedals 0.25: difference 4 % with variance 1.375, χ² = 16/1.375.
        assert!((consensus.chi2 - 16.0 / 1.375).abs() < 1e-9, "{}", consensus.chi2);
    }

    #[test]
    fn limits_accuse_as_many_honest_sets_as_asked_and_are_lower_where_faults_are_hard_to_find() {
        // Three alike, each a third of 0.9 %: z of a normal distribution beyond ± which 0.3 % lies, from tables 2.968.
        let alike = accused_beyond(&[1e4; 3]);
        assert!(alike.iter().all(|z| (z - 2.9677).abs() < 1e-3), "{alike:?}");
        let unlike = accused_beyond(&[1.0 / 0.0074f64.powi(2), 1.0 / 0.0108f64.powi(2)]);
        assert!(unlike[0] > unlike[1]);
        let accused: f64 = unlike.iter().map(|z| 2.0 * stats::t_cdf(-z, f64::INFINITY)).sum();
        assert!((accused - ACCUSED).abs() < 1e-9, "{accused}");
    }

    /// Honest sets: gains drawn as their uncertainties say. At most 1 % accused, and a fault of 5 % named in 95 %.
    #[test]
    fn honest_sets_are_seldom_accused_and_a_clear_fault_is_named() {
        use rand::{RngExt, SeedableRng};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(13528);
        let mut normal = move || {
            let (a, b): (f64, f64) = (rng.random(), rng.random());
            (-2.0 * (1.0 - a).ln()).sqrt() * (std::f64::consts::TAU * b).cos()
        };
        let trials = 4000;
        for n in [2, 3] {
            // Two that state 1 % or 2 W at 180 W, and a hub of 1.5 % or 3 W behind a chain.
            let (own, shared) = ([0.56, 0.87, 0.56], [0.0, 0.5, 0.0]);
            let (mut accused, mut named, mut wrongly) = (0_u64, vec![0_u64; n], 0_u64);
            for _ in 0..trials {
                let loss = normal();
                let honest: Vec<f64> = (0..n).map(|i| 1.0 + (own[i] * normal() + shared[i] * loss) / 100.0).collect();
                let unit = witness(1.0 + 0.0075 * normal());
                let of = |values: &[f64]| agreement_of(&gains(values, &own[..n], &shared[..n]), unit, 0.95).suspect;
                accused += u64::from(of(&honest).is_some());
                for bad in 0..n {
                    let mut faulty = honest.clone();
                    faulty[bad] += 0.05;
                    match of(&faulty) {
                        Some(suspect) if suspect.reference == bad => named[bad] += 1,
                        Some(_) => wrongly += 1,
                        None => {}
                    }
                }
            }
            println!("{n} references: {accused} accused, {named:?} named, {wrongly} wrongly, of {trials}");
            let (low, _) = stats::clopper_pearson(accused, trials as u64, 0.999, stats::Sides::Lower);
            assert!(low <= 0.01, "{accused} honest sets accused");
            for named in named.into_iter().filter(|_| n == 3) {
                let (_, high) = stats::clopper_pearson(named, trials as u64, 0.999, stats::Sides::Upper);
                assert!(high >= 0.95, "{named} named, {wrongly} wrongly");
            }
        }
    }
}
