//! A verdict beside the known truth of the rehearsal that it judged: what was found, covered, decided and named.

use std::ops::AddAssign;

use chrono::{DateTime, Utc};

use crate::pattern::Pattern;
use crate::premise::{PREMISES, Premise};
use crate::protocol::{DrillKind, Measure};
use crate::rehearse::{
    Mishap, MishapEffect, TrueClock, TrueFault, TruePhase, TrueRecording, TrueSpan, TrueValue, TruthFile,
};
use crate::ride::AlignedOn;
use crate::stats;
use crate::verdict::{CheckVerdict, ClockFacts, Finding, MatchFacts, Outcome, PhaseVerdict, PremiseFacts, Verdict};

/// The truth is of other recordings than the verdict.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "it is not the truth of {file}, whose sha256 is {found}; it is of {listed}; give the truth.json that was written with this session, or rehearse the session again"
)]
pub struct OtherRecordings {
    pub file: String,
    pub found: String,
    /// Each file with its hash.
    pub listed: String,
}

/// A verdict beside the truth.
#[derive(Debug, Clone, PartialEq)]
pub struct TruthComparison {
    pub seed: u64,
    /// Every repeat that was ridden, in ride order, then what was found where none such was ridden.
    pub phases: Vec<ComparedPhase>,
    /// Means over repeats, rings, contrasts, the whole ride: what it is, and its values.
    pub across: Vec<(String, Vec<ComparedValue>)>,
    pub clocks: Vec<ComparedClock>,
    pub faults: Vec<ComparedFault>,
    /// Patterns named that no injected fault stands for.
    pub also_named: Vec<String>,
    /// Of which the truth is known.
    pub premises: Vec<ComparedPremise>,
}

/// A premise as it was told, beside whether it truly holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ComparedPremise {
    pub premise: String,
    pub contradicted: bool,
    pub truly_broken: bool,
}

impl ComparedPremise {
    pub fn told_rightly(&self) -> bool {
        self.contradicted == self.truly_broken
    }
}

#[derive(Debug, Clone, PartialEq)]
pub struct ComparedPhase {
    pub phase: String,
    /// As truly ridden; as judged where it was not.
    pub repeat: u32,
    pub found: Found,
    pub checks: Vec<ComparedValue>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum Found {
    /// Matched: how much later than the truth it starts and ends, and whether its ring is right (`None`: none was told).
    At { start_off_s: f64, end_off_s: f64, ring_right: Option<bool> },
    /// Ridden and not matched.
    Missed,
    /// Matched where nothing such was ridden.
    NotRidden,
    /// Nothing to match: typed readings.
    Typed,
}

#[derive(Debug, Clone, PartialEq)]
pub struct ComparedValue {
    pub measure: String,
    pub value: Option<f64>,
    pub unit: String,
    pub expanded_uncertainty: Option<f64>,
    pub coverage_factor: Option<f64>,
    pub censored: bool,
    /// In `unit`; `None` where there is nothing to measure.
    pub truth: Option<f64>,
    /// The truth is only a bound.
    pub truth_at_least: bool,
    pub verdict: Outcome,
    /// The limit in `unit`.
    pub limit: (Option<f64>, Option<f64>),
}

impl ComparedValue {
    fn of(check: &CheckVerdict, truth: Option<&TrueValue>) -> Self {
        Self {
            measure: check.measure.clone(),
            value: check.value,
            unit: check.unit.clone(),
            expanded_uncertainty: check.expanded_uncertainty,
            coverage_factor: check.coverage_factor,
            censored: check.censored,
            // Limits of agreement, and the largest of thousands of readings, hold the noise of both instruments; the truth
            // has none.
            truth: truth
                .filter(|_| !check.is_of(Measure::Spread) && !check.is_of(Measure::Spike))
                .and_then(|t| t.in_unit(&check.unit)),
            truth_at_least: truth.is_some_and(|truth| truth.at_least),
            verdict: check.verdict,
            limit: (check.limit_low, check.limit_high),
        }
    }

    /// Whether value ± U holds the truth; `None` for what has no uncertainty, no truth or only a bound.
    pub fn inside(&self) -> Option<bool> {
        let bound = self.censored || self.truth_at_least;
        let (value, expanded, truth) = (self.value?, self.expanded_uncertainty?, self.truth?);
        (!bound).then(|| (value - truth).abs() <= expanded)
    }

    /// Whether what passed is truly within its limit, or what failed truly beyond it.
    pub fn decided_rightly(&self) -> Option<bool> {
        let truth = self.truth?;
        let (low, high) = self.limit;
        low.or(high)?;
        let beyond = high.is_some_and(|high| truth > high) || low.is_some_and(|low| truth < low);
        match self.verdict {
            Outcome::Pass if self.truth_at_least && !beyond => None,
            Outcome::Pass => Some(!beyond),
            Outcome::Fail => Some(beyond),
            _ => None,
        }
    }
}

/// A clock's offset in the middle of the ride (of one that jumped, where it is told worst), seconds.
#[derive(Debug, Clone, PartialEq)]
pub struct ComparedClock {
    pub instrument: String,
    pub offset_s: f64,
    /// k = 2.
    pub expanded_uncertainty_s: f64,
    pub truth_s: f64,
}

impl ComparedClock {
    pub fn inside(&self) -> bool {
        (self.offset_s - self.truth_s).abs() <= self.expanded_uncertainty_s
    }
}

#[derive(Debug, Clone, PartialEq)]
pub struct ComparedFault {
    pub fault: String,
    pub pattern: Option<String>,
    /// The verdict names its pattern.
    pub named: bool,
}

/// A share with its exact 95 % interval, as if what it counts were independent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coverage {
    pub share: f64,
    pub low: f64,
    pub high: f64,
}

/// Counts over one session, or several added up.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TruthCounts {
    pub sessions: usize,
    pub ridden: usize,
    pub found: usize,
    pub found_but_not_ridden: usize,
    /// Of phases that are scored; warm-ups and recoveries have no sharp ends.
    pub worst_start_s: f64,
    pub worst_end_s: f64,
    pub rings_right: usize,
    pub rings_wrong: usize,
    pub inside: usize,
    pub with_uncertainty: usize,
    pub passed_rightly: usize,
    pub passed_wrongly: usize,
    pub failed_rightly: usize,
    pub failed_wrongly: usize,
    pub undecided: usize,
    pub clocks_inside: usize,
    pub clocks: usize,
    /// Of the faults that a pattern is meant for.
    pub named: usize,
    pub to_name: usize,
    pub also_named: usize,
    /// Of those of which the truth is known.
    pub premises_right: usize,
    /// Contradicted, and they hold.
    pub premises_doubted: usize,
    /// Broken, and not contradicted.
    pub premises_missed: usize,
}

impl TruthCounts {
    /// Share of values whose ± U holds the truth.
    pub fn coverage(&self) -> Option<Coverage> {
        let (inside, n) = (self.inside as u64, self.with_uncertainty as u64);
        let (low, high) = stats::clopper_pearson(inside, n, 0.95, stats::Sides::Two);
        (n > 0).then(|| Coverage { share: inside as f64 / n as f64, low, high })
    }
}

impl AddAssign for TruthCounts {
    fn add_assign(&mut self, other: Self) {
        self.sessions += other.sessions;
        self.ridden += other.ridden;
        self.found += other.found;
        self.found_but_not_ridden += other.found_but_not_ridden;
        self.worst_start_s = self.worst_start_s.max(other.worst_start_s);
        self.worst_end_s = self.worst_end_s.max(other.worst_end_s);
        self.rings_right += other.rings_right;
        self.rings_wrong += other.rings_wrong;
        self.inside += other.inside;
        self.with_uncertainty += other.with_uncertainty;
        self.passed_rightly += other.passed_rightly;
        self.passed_wrongly += other.passed_wrongly;
        self.failed_rightly += other.failed_rightly;
        self.failed_wrongly += other.failed_wrongly;
        self.undecided += other.undecided;
        self.clocks_inside += other.clocks_inside;
        self.clocks += other.clocks;
        self.named += other.named;
        self.to_name += other.to_name;
        self.also_named += other.also_named;
        self.premises_right += other.premises_right;
        self.premises_doubted += other.premises_doubted;
        self.premises_missed += other.premises_missed;
    }
}

impl TruthComparison {
    pub fn values(&self) -> impl Iterator<Item = &ComparedValue> {
        self.phases.iter().flat_map(|p| &p.checks).chain(self.across.iter().flat_map(|(_, values)| values))
    }

    pub fn sum(&self) -> TruthCounts {
        let mut sum = TruthCounts { sessions: 1, also_named: self.also_named.len(), ..TruthCounts::default() };
        for phase in &self.phases {
            match phase.found {
                Found::At { start_off_s, end_off_s, ring_right } => {
                    sum.ridden += 1;
                    sum.found += 1;
                    if !phase.checks.is_empty() {
                        sum.worst_start_s = sum.worst_start_s.max(start_off_s.abs());
                        sum.worst_end_s = sum.worst_end_s.max(end_off_s.abs());
                    }
                    sum.rings_right += usize::from(ring_right == Some(true));
                    sum.rings_wrong += usize::from(ring_right == Some(false));
                }
                Found::Missed => sum.ridden += 1,
                Found::NotRidden => sum.found_but_not_ridden += 1,
                Found::Typed => {}
            }
        }
        for value in self.values() {
            sum.with_uncertainty += usize::from(value.inside().is_some());
            sum.inside += usize::from(value.inside() == Some(true));
            match (value.verdict, value.decided_rightly()) {
                (Outcome::Pass, Some(true)) => sum.passed_rightly += 1,
                (Outcome::Pass, Some(false)) => sum.passed_wrongly += 1,
                (Outcome::Fail, Some(true)) => sum.failed_rightly += 1,
                (Outcome::Fail, Some(false)) => sum.failed_wrongly += 1,
                (Outcome::Undecided, _) => sum.undecided += 1,
                _ => {}
            }
        }
        sum.clocks = self.clocks.len();
        sum.clocks_inside = self.clocks.iter().filter(|clock| clock.inside()).count();
        sum.to_name = self.faults.iter().filter(|fault| fault.pattern.is_some()).count();
        sum.named = self.faults.iter().filter(|fault| fault.named).count();
        for premise in &self.premises {
            sum.premises_right += usize::from(premise.told_rightly());
            sum.premises_doubted += usize::from(premise.contradicted && !premise.truly_broken);
            sum.premises_missed += usize::from(!premise.contradicted && premise.truly_broken);
        }
        sum
    }
}

/// Holds a verdict against the truth of the recordings that it judged.
///
/// # Errors
/// [`OtherRecordings`] if a recording of the verdict is none of the truth's.
pub fn compare(verdict: &Verdict, truth: &TruthFile) -> Result<TruthComparison, OtherRecordings> {
    let listed = |sha256: &str| truth.recordings.iter().find(|r| r.sha256 == sha256);
    if let Some(other) = verdict.recordings.iter().find(|r| listed(&r.sha256).is_none()) {
        let of: Vec<String> = truth.recordings.iter().map(|r| format!("{} ({})", r.file, r.sha256)).collect();
        let (file, found) = (other.file.clone(), other.sha256.clone());
        return Err(OtherRecordings { file, found, listed: of.join(", ") });
    }
    let reference = verdict.recordings.iter().find(|r| r.role == "reference");
    let session = reference.and_then(|r| listed(&r.sha256));
    // Session time is the first reference's clock; a verdict always has one. Where that clock was never set, it is moved.
    let mut clock =
        session.map_or(TrueClock { offset_s: 0.0, drift_ppm: 0.0, jump_s: 0.0, jump_at_s: 0.0 }, |r| r.clock);
    let own = verdict.clocks.iter().find(|facts| facts.aligned_on == AlignedOn::SessionClock.word());
    clock.offset_s += own.map_or(0.0, |facts| facts.offset_s);
    let beside = BesideTruth { verdict, truth, clock };
    Ok(TruthComparison {
        seed: truth.seed,
        phases: beside.phases(),
        across: beside.across(),
        clocks: verdict.clocks.iter().filter_map(|facts| beside.clock(facts)).collect(),
        faults: truth.faults.iter().map(|fault| beside.fault(fault)).collect(),
        also_named: beside.also_named(),
        premises: beside.premises(),
    })
}

struct BesideTruth<'a> {
    verdict: &'a Verdict,
    truth: &'a TruthFile,
    /// Of session time.
    clock: TrueClock,
}

impl BesideTruth<'_> {
    fn true_s(&self, session_time: DateTime<Utc>) -> Option<f64> {
        self.clock.true_s((session_time - self.truth.date).as_seconds_f64())
    }

    fn span(&self, matched: &MatchFacts) -> Option<TrueSpan> {
        Some(TrueSpan { start_s: self.true_s(matched.start)?, end_s: self.true_s(matched.end)? })
    }

    /// Each repeat ridden with the match of its phase that it shares most time with.
    fn phases(&self) -> Vec<ComparedPhase> {
        let mut judged: Vec<Option<&PhaseVerdict>> = self.verdict.phases.iter().map(Some).collect();
        let mut found: Vec<ComparedPhase> = vec![];
        for ridden in &self.truth.phases {
            let best = judged
                .iter()
                .enumerate()
                .filter_map(|(i, judged)| Some((i, (*judged)?)))
                .filter(|(_, judged)| judged.phase == ridden.phase)
                .filter_map(|(i, judged)| Some((i, judged, self.shared_s(judged, ridden)?)))
                .max_by(|a, b| a.2.total_cmp(&b.2));
            found.push(match best {
                Some((i, phase, _)) => {
                    judged[i] = None;
                    self.beside(phase, ridden)
                }
                None => ComparedPhase {
                    phase: ridden.phase.clone(),
                    repeat: ridden.repeat,
                    found: Found::Missed,
                    checks: vec![],
                },
            });
        }
        let elsewhere = judged.into_iter().flatten().filter(|judged| judged.matched.is_some());
        found.extend(elsewhere.map(|judged| ComparedPhase {
            phase: judged.phase.clone(),
            repeat: judged.repeat,
            found: Found::NotRidden,
            checks: judged.checks.iter().map(|check| ComparedValue::of(check, None)).collect(),
        }));
        found
    }

    /// Seconds that a match shares with a ride; typed readings belong together by number.
    fn shared_s(&self, judged: &PhaseVerdict, ridden: &TruePhase) -> Option<f64> {
        let Some(matched) = &judged.matched else {
            return (is_typed(ridden) && judged.repeat == ridden.repeat).then_some(0.0);
        };
        let span = TrueSpan { start_s: ridden.start_s, end_s: ridden.end_s };
        self.span(matched)?.common(span).map(|common| common.length_s())
    }

    fn beside(&self, judged: &PhaseVerdict, ridden: &TruePhase) -> ComparedPhase {
        let found = judged.matched.as_ref().and_then(|matched| {
            let span = self.span(matched)?;
            Some(Found::At {
                start_off_s: span.start_s - ridden.start_s,
                end_off_s: span.end_s - ridden.end_s,
                ring_right: matched.ring.as_ref().map(|ring| *ring == ridden.ring),
            })
        });
        ComparedPhase {
            phase: ridden.phase.clone(),
            repeat: ridden.repeat,
            found: found.unwrap_or(Found::Typed),
            checks: paired(&judged.checks, &ridden.checks),
        }
    }

    fn across(&self) -> Vec<(String, Vec<ComparedValue>)> {
        let mut across = vec![];
        for judged in &self.verdict.repeats {
            let truth = self.truth.repeats.iter().find(|truth| truth.phase == judged.phase);
            let truth = truth.map_or(&[][..], |truth| &truth.checks);
            across.push((format!("mean of {}", judged.phase), paired(&judged.checks, truth)));
        }
        for judged in &self.verdict.rings {
            let truth = self.truth.rings.iter().find(|truth| truth.ring == judged.ring);
            let value = |value, unit: &str, expanded, truth| ComparedValue {
                measure: "mean_error".to_owned(),
                value: Some(value),
                unit: unit.to_owned(),
                expanded_uncertainty: Some(expanded),
                coverage_factor: None,
                censored: false,
                truth,
                truth_at_least: false,
                verdict: Outcome::NotApplicable,
                limit: (None, None),
            };
            let in_w = value(judged.error_w, "W", judged.expanded_uncertainty_w, truth.map(|t| t.error_w));
            across.push((format!("{} ring", judged.ring), vec![in_w]));
        }
        for judged in &self.verdict.contrasts {
            let name = judged.contrast.clone().unwrap_or_default();
            let truth = self.truth.contrasts.iter().find(|truth| truth.contrast == name).map(|truth| &truth.check);
            across.push((name, vec![ComparedValue::of(judged, truth)]));
        }
        across.push(("whole ride".to_owned(), paired(&self.verdict.whole_ride, &self.truth.whole_ride)));
        across.retain(|(_, values)| !values.is_empty());
        across
    }

    fn recording(&self, instrument: &str) -> Option<(&TrueRecording, DateTime<Utc>)> {
        let facts = self.verdict.recordings.iter().find(|r| r.instrument == instrument)?;
        Some((self.truth.recordings.iter().find(|r| r.sha256 == facts.sha256)?, facts.start))
    }

    fn clock(&self, facts: &ClockFacts) -> Option<ComparedClock> {
        let (recording, start) = self.recording(&facts.recording)?;
        let own = recording.clock;
        if facts.aligned_on == AlignedOn::SessionClock.word() {
            return None;
        }
        let session = &self.verdict.session;
        let (from_s, to_s) = (self.true_s(session.start)?, self.true_s(session.end)?);
        let shares: &[f64] = if own.jump_s > 0.0 { &[0.25, 0.75] } else { &[0.5] };
        let at = |share: &f64| {
            let true_s = from_s + share * (to_s - from_s);
            let since_start_s = own.shows_s(true_s) - (start - self.truth.date).as_seconds_f64();
            ComparedClock {
                instrument: facts.recording.clone(),
                offset_s: facts.offset_s + facts.drift_ppm * 1e-6 * since_start_s,
                expanded_uncertainty_s: 2.0 * facts.standard_uncertainty_s,
                truth_s: self.clock.shows_s(true_s) - own.shows_s(true_s),
            }
        };
        let off_s = |clock: &ComparedClock| (clock.offset_s - clock.truth_s).abs();
        shares.iter().map(at).max_by(|a, b| off_s(a).total_cmp(&off_s(b)))
    }

    fn names(&self, pattern: Pattern) -> bool {
        self.verdict.diagnosis.iter().any(|finding| finding.named() == Some(pattern))
    }

    fn fault(&self, fault: &TrueFault) -> ComparedFault {
        let named = fault.named().is_some_and(|pattern| self.names(pattern));
        ComparedFault { fault: fault.fault.clone(), pattern: fault.pattern.clone(), named }
    }

    fn also_named(&self) -> Vec<String> {
        let unset = self
            .truth
            .mishaps
            .iter()
            .any(|told| told.parse::<Mishap>().is_ok_and(|mishap| mishap.what == MishapEffect::ClockUnset));
        let meant = |finding: &Finding| {
            let named = finding.named();
            let of_fault = |fault: &TrueFault| named.is_some() && fault.named() == named;
            self.truth.faults.iter().any(of_fault) || (unset && named == Some(Pattern::ClockMismatch))
        };
        let named = self.verdict.diagnosis.iter().filter(|finding| !meant(finding));
        named.map(|finding| finding.pattern.clone()).collect()
    }
}

/// A block that misses its target by so much was not ridden as asked, by any protocol's tolerance that is shipped, %.
const SURELY_OFF_PCT: f64 = 30.0;
/// By so little it was, %: half of the usual tolerance, and a rider wanders.
const SURELY_AS_ASKED_PCT: f64 = 10.0;

impl BesideTruth<'_> {
    /// The premises of which a rehearsal's truth says whether they hold.
    fn premises(&self) -> Vec<ComparedPremise> {
        let known = PREMISES.iter().filter_map(|row| {
            let told: Vec<&PremiseFacts> = self.verdict.premises.iter().filter(|p| p.premise == row.word).collect();
            let contradicted = told.iter().any(|premise| premise.is_contradicted());
            let truly_broken = self.is_broken(row.premise)?;
            (!told.is_empty()).then(|| ComparedPremise { premise: row.word.to_owned(), contradicted, truly_broken })
        });
        known.collect()
    }

    /// `None` where the truth says nothing of it, or not for sure.
    fn is_broken(&self, premise: Premise) -> Option<bool> {
        let mishaps: Vec<Mishap> = self.truth.mishaps.iter().filter_map(|told| told.parse().ok()).collect();
        let of = |effect: MishapEffect| mishaps.iter().filter(move |mishap| mishap.what == effect);
        match premise {
            // Whose recording each file is, the truth knows by its hash.
            Premise::OwnRecording => Some(self.verdict.recordings.iter().any(|facts| {
                let listed = self.truth.recordings.iter().find(|truth| truth.sha256 == facts.sha256);
                listed.is_some_and(|truth| truth.instrument != facts.instrument)
            })),
            // All recordings of a truth are of one ride, and of instruments of their own that measured.
            Premise::SameRide | Premise::TwoInstruments => Some(false),
            Premise::Measured if self.truth.faults.is_empty() => Some(false),
            Premise::AsAsked => {
                let off_pct = of(MishapEffect::OffTarget).map(|mishap| mishap.size.abs()).fold(0.0, f64::max);
                let shortened = [MishapEffect::PhoneStop, MishapEffect::RingsSwapped, MishapEffect::LateStart];
                match () {
                    () if off_pct >= SURELY_OFF_PCT => Some(true),
                    () if off_pct > SURELY_AS_ASKED_PCT || shortened.iter().any(|e| of(*e).next().is_some()) => None,
                    () => Some(false),
                }
            }
            _ => None,
        }
    }
}

fn is_typed(phase: &TruePhase) -> bool {
    DrillKind::from_word(&phase.drill).is_some_and(DrillKind::is_typed)
}

/// Each check with the truth of its measure, the first with the first where a measure is checked twice.
fn paired(checks: &[CheckVerdict], truths: &[TrueValue]) -> Vec<ComparedValue> {
    let mut left: Vec<&TrueValue> = truths.iter().collect();
    let pair = |check: &CheckVerdict| {
        let place = left.iter().position(|truth| truth.measure == check.measure);
        ComparedValue::of(check, place.map(|place| left.remove(place)))
    };
    checks.iter().map(pair).collect()
}
