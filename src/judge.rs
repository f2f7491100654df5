//! The way through the program, and the verdict put together.

use std::collections::BTreeMap;
use std::path::PathBuf;

use rayon::prelude::*;
use sha2::{Digest, Sha256};

use crate::align::{self, AlignError, Aligned};
use crate::decide::{self, Quarrel, Rules, Tally};
use crate::diagnose::Findings;
use crate::matching::{self, MatchOutcome, Matches, Ridden};
use crate::protocol::{Check, Decision, Drill, Measure, Part, Phase, Protocol, Rule};
use crate::quantity::{Bound, Limit, Unit};
use crate::recording::{self, Recording, RecordingError};
use crate::refer;
use crate::ride::{Ride, Window};
use crate::scoring::{self, Scores};
use crate::session::{Instrument, Session};
use crate::verdict::*;

/// Why a session could not be judged at all.
#[derive(Debug, thiserror::Error)]
pub enum JudgeError {
    #[error(transparent)]
    Recording(#[from] RecordingError),
    #[error(transparent)]
    Align(#[from] AlignError),
    #[error("the session names no unit under test; give it a `unit:` with a `recording:`, or `--unit FILE`")]
    NoUnit,
    #[error(
        "the session names no reference; give it `references:`, or `--reference FILE`: a unit is judged against an instrument, not against itself"
    )]
    NoReference,
}

/// A verdict and what it was read from: all that a sheet needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    pub verdict: Verdict,
    /// `verdict.phases` begins with one entry per `matches.found`, in its order; phases without a ride follow.
    pub matches: Matches,
    pub ride: Ride,
    /// What it was judged by; `None` for a comparison without a protocol.
    pub protocol: Option<Protocol>,
}

/// Judges a ridden session, one sheet per unit. The same files give the same verdicts, byte for byte.
pub fn judge(session: &Session) -> Result<Vec<Judgement>, JudgeError> {
    judge_found(session, &BTreeMap::new())
}

/// [`judge`] where recordings lie elsewhere than the session says: by the path that it names, the path where the file is
/// now. The verdict calls them as the session does.
pub fn judge_found(session: &Session, found: &BTreeMap<PathBuf, PathBuf>) -> Result<Vec<Judgement>, JudgeError> {
    let recordings = read(session, found)?;
    judge_recordings(session, &recordings)
}

/// The same with recordings already read (keyed by the paths that the session names).
pub fn judge_recordings(
    session: &Session,
    recordings: &BTreeMap<PathBuf, Recording>,
) -> Result<Vec<Judgement>, JudgeError> {
    if session.units.is_empty() {
        return Err(JudgeError::NoUnit);
    }
    if session.references.is_empty() {
        return Err(JudgeError::NoReference);
    }
    let session = &in_order(session, recordings);
    let aligned = align::to_session_time(session, recordings)?;
    let judged = (0..session.units.len()).map(|unit| {
        let ride = refer::to_unit_place(&aligned, session, unit);
        let case = Case { session, recordings, aligned: &aligned, unit };
        match &session.protocol {
            Some(protocol) => {
                let matches = matching::find(protocol, session, &ride);
                let scores = scoring::score_all(session, protocol, &matches, &ride);
                case.verdict(protocol, matches, scores, ride)
            }
            None => case.comparison(ride),
        }
    });
    Ok(judged.collect())
}

/// The session with its references in an order of their own (off the hub first, then both sides before one, then along the
/// drivetrain) and each instrument's recordings by time, so that the order in which a person listed them changes nothing.
fn in_order(session: &Session, recordings: &BTreeMap<PathBuf, Recording>) -> Session {
    let mut session = session.clone();
    session.references.sort_by_key(|r| {
        let Instrument { label, located, sides, .. } = &r.instrument;
        (located.fitness(*sides), label.clone())
    });
    let references = session.references.iter_mut().map(|r| &mut r.instrument);
    for instrument in session.units.iter_mut().map(|u| &mut u.instrument).chain(references) {
        instrument.recordings.sort_by_key(|path| (recordings.get(path).map(|r| r.start), path.clone()));
    }
    session
}

/// Reads every recording that the session names, each once, in parallel, from where it was found.
fn read(session: &Session, found: &BTreeMap<PathBuf, PathBuf>) -> Result<BTreeMap<PathBuf, Recording>, JudgeError> {
    let mut files: BTreeMap<PathBuf, Option<String>> = BTreeMap::new();
    for instrument in instruments(session) {
        for path in &instrument.recordings {
            let time_column = files.entry(path.clone()).or_default();
            *time_column = time_column.take().or(instrument.fields.get("time").cloned());
        }
    }
    let files: Vec<_> = files.into_iter().collect();
    let read = |(path, time_column): &(PathBuf, Option<String>)| {
        let read = recording::read_with(found.get(path).unwrap_or(path), time_column.as_deref())?;
        Ok(Recording { file: path.clone(), ..read })
    };
    let read = files.par_iter().map(read).collect::<Result<Vec<Recording>, RecordingError>>()?;
    Ok(files.into_iter().map(|(path, _)| path).zip(read).collect())
}

fn instruments(session: &Session) -> impl Iterator<Item = &Instrument> {
    session.units.iter().map(|u| &u.instrument).chain(session.references.iter().map(|r| &r.instrument))
}

/// One unit of one session on its way to a verdict.
struct Case<'a> {
    session: &'a Session,
    recordings: &'a BTreeMap<PathBuf, Recording>,
    aligned: &'a Aligned,
    unit: usize,
}

impl Case<'_> {
    fn rules(&self, decision: Decision, scores_quarrel: Option<Quarrel>) -> Rules<'_> {
        Rules {
            decision,
            claimed: self.session.units[self.unit].claimed.as_ref(),
            quarrel: scores_quarrel,
            references: self.session.references.iter().map(|r| r.instrument.label.clone()).collect(),
        }
    }

    fn verdict(&self, protocol: &Protocol, matches: Matches, scores: Scores, ride: Ride) -> Judgement {
        let rules = self.rules(protocol.decision, quarrel(&scores.agreement, self.session));
        let mut phases = decided_phases(&rules, protocol, &matches, &scores, &ride);
        let repeats: Vec<RepeatVerdict> = (0..protocol.phases.len())
            .filter(|&index| protocol.phases[index].repeats > 1)
            .map(|index| decided_repeats(&rules, protocol, &matches, &scores, &phases, index))
            .collect();
        phases.extend(scores.typed.iter().map(|(index, checks)| {
            let phase = &protocol.phases[*index];
            let checks = checks.iter().map(|s| rules.check(s, phase.part == Part::Required)).collect();
            phase_verdict(phase, 1, false, None, None, checks)
        }));
        let contrasts: Vec<CheckVerdict> = scores
            .contrasts
            .iter()
            .map(|(contrast, scored)| CheckVerdict {
                contrast: Some(contrast.name.clone()),
                ..rules.check(scored, true)
            })
            .collect();
        let whole_ride: Vec<CheckVerdict> = scores.whole_ride.iter().map(|s| rules.check(s, true)).collect();
        let diagnosis = Findings {
            protocol,
            matches: &matches,
            ride: &ride,
            scores: &scores,
            phases: &phases,
            repeats: &repeats,
            contrasts: &contrasts,
            whole_ride: &whole_ride,
            coverage: protocol.decision.coverage,
        }
        .patterns();
        let repeated: Vec<&str> = repeats.iter().map(|r| r.phase.as_str()).collect();
        let single = phases.iter().filter(|p| p.required && !repeated.contains(&p.phase.as_str()));
        let outcome = decide::worst(
            single
                .map(|p| p.verdict)
                .chain(repeats.iter().filter(|r| r.required).map(|r| r.verdict))
                .chain(contrasts.iter().chain(&whole_ride).filter(|c| c.required).map(|c| c.verdict)),
        );
        let mut verdict = self.frame(&ride, Some(protocol), &scores.agreement);
        verdict.verdict = Some(outcome);
        verdict.rings = scores.rings.iter().filter_map(|ring| ring_error(ring, protocol.decision.coverage)).collect();
        verdict.deviations.extend(self.missing_references(protocol, &ride));
        verdict.deviations.extend(matches.deviations.iter().cloned());
        verdict.cautions.extend(matches.cautions.iter().cloned());
        verdict.cautions.extend(scores.agreement.left_out().map(|left_out| {
            let label = &self.session.references[left_out].instrument.label;
            format!("{label} stands apart from the references that agree and judged nothing")
        }));
        verdict.phases = phases;
        verdict.repeats = repeats;
        verdict.contrasts = contrasts;
        verdict.whole_ride = whole_ride;
        verdict.counts = counts(&verdict);
        verdict.diagnosis = diagnosis;
        verdict.why = why(&verdict);
        Judgement { verdict, matches, ride, protocol: Some(protocol.clone()) }
    }

    /// Without a protocol: the whole ride, advisory.
    fn comparison(&self, ride: Ride) -> Judgement {
        let decision = Decision { rule: Rule::Guarded, coverage: 0.95 };
        let no_limit = Limit::Within(Bound::single(f64::INFINITY, Unit::Percent));
        let check = |measure| Check { measure, limit: no_limit.clone(), advisory: true, clause: None, over_s: None };
        let checks = [
            Measure::WorkError,
            Measure::Spread,
            Measure::CadenceError,
            Measure::DropoutTime,
            Measure::LeftError,
            Measure::RightError,
        ]
        .map(check);
        let (scored, agreement) = scoring::score_whole_ride(&ride, &checks, decision.coverage);
        let rules = self.rules(decision, None);
        let whole_ride: Vec<CheckVerdict> = scored
            .iter()
            .map(|s| {
                let verdict = rules.check(s, false);
                // Nothing was asked, so nothing is passed or failed.
                CheckVerdict {
                    limit: None,
                    limit_low: None,
                    limit_high: None,
                    conformance_probability: None,
                    remedy: None,
                    verdict: if verdict.value.is_some() { Outcome::NotApplicable } else { verdict.verdict },
                    ..verdict
                }
            })
            .collect();
        let mut verdict = self.frame(&ride, None, &agreement);
        verdict.why = vec![comparison_in_words(&whole_ride)];
        verdict.whole_ride = whole_ride;
        Judgement { verdict, matches: Matches::default(), ride, protocol: None }
    }

    /// Everything that does not depend on a decision.
    fn frame(&self, ride: &Ride, protocol: Option<&Protocol>, agreement: &scoring::Agreement) -> Verdict {
        let session = self.session;
        let unit = &session.units[self.unit];
        let mut cautions = self.aligned.cautions.clone();
        for instrument in self.instruments_here() {
            for path in &instrument.recordings {
                let recording = &self.recordings[path];
                cautions.extend(recording.damage.iter().map(|d| format!("{}: {d}", name(path))));
                cautions.extend(recording.cautions.iter().map(|c| format!("{}: {c}", name(path))));
            }
        }
        cautions.dedup();
        if let (None, Some(marks)) = (protocol, &session.marks_file) {
            let name = name(&marks.file);
            cautions.push(format!("{name}: its marks name phases of a protocol, and without one they were not used"));
        }
        Verdict {
            assize: env!("CARGO_PKG_VERSION").to_owned(),
            verdict_format: VERDICT_FORMAT,
            verdict: None,
            sheet_number: self.sheet_number(protocol),
            why: vec![],
            scope: format!(
                "This verdict is about the readings of this specimen ({}) in the windows that were ridden; it says nothing about other specimens or about mechanical safety.",
                unit.instrument.label
            ),
            protocol: protocol.map(protocol_facts),
            session: session_facts(session, ride),
            unit: instrument_facts(&unit.instrument, unit.claimed.as_ref().map(|c| format!("claimed {c}"))),
            references: session.references.iter().map(reference_facts).collect(),
            rings: vec![],
            counts: Counts::default(),
            recordings: self.recording_facts(),
            clocks: clock_facts(ride),
            phases: vec![],
            repeats: vec![],
            contrasts: vec![],
            whole_ride: vec![],
            reference_comparison: agreement
                .pairs
                .iter()
                .map(|pair| ReferenceComparison {
                    first: session.references[pair.first].instrument.label.clone(),
                    second: session.references[pair.second].instrument.label.clone(),
                    difference_pct: pair.difference_pct,
                    expanded_uncertainty_pct: pair.expanded_pct,
                    e_n: pair.e_n,
                    consistent: pair.e_n <= 1.0,
                })
                .collect(),
            diagnosis: vec![],
            deviations: vec![],
            cautions,
        }
    }

    /// The unit judged here, then the references.
    fn instruments_here(&self) -> impl Iterator<Item = &Instrument> {
        std::iter::once(&self.session.units[self.unit].instrument)
            .chain(self.session.references.iter().map(|r| &r.instrument))
    }

    /// The same inputs give the same number: from the hashes of recordings, protocol and session, and the unit.
    fn sheet_number(&self, protocol: Option<&Protocol>) -> String {
        let mut hasher = Sha256::new();
        for instrument in self.instruments_here() {
            hasher.update(instrument.label.as_bytes());
            for path in &instrument.recordings {
                hasher.update(self.recordings[path].sha256.as_bytes());
            }
        }
        hasher.update(protocol.map_or("", |p| &p.sha256).as_bytes());
        hasher.update(self.session.sha256.as_deref().unwrap_or("").as_bytes());
        hasher.update(self.session.marks_file.as_ref().map_or("", |m| &m.sha256).as_bytes());
        let digest = hasher.finalize();
        let hex: String = digest.iter().take(5).map(|byte| format!("{byte:02X}")).collect();
        let day = self.aligned.start.format("%Y%m%d");
        format!("{day}-{hex}")
    }

    fn recording_facts(&self) -> Vec<RecordingFacts> {
        let mut facts = Vec::new();
        let all: Vec<&Instrument> = instruments(self.session).collect();
        for (i, instrument) in self.instruments_here().enumerate() {
            for path in &instrument.recordings {
                let recording = &self.recordings[path];
                let storage = recording.storage();
                let head_unit = [&recording.head_unit.maker, &recording.head_unit.product]
                    .into_iter()
                    .flatten()
                    .cloned()
                    .collect::<Vec<String>>()
                    .join(" ");
                facts.push(RecordingFacts {
                    file: name(path),
                    sha256: recording.sha256.clone(),
                    instrument: instrument.label.clone(),
                    role: if i == 0 { "unit" } else { "reference" }.to_owned(),
                    head_unit: instrument.head_unit.clone().or((!head_unit.is_empty()).then_some(head_unit)),
                    start: recording.start,
                    samples: recording.samples.len(),
                    gaps: recording.gaps().len(),
                    damage: recording.damage.clone(),
                    stores: storage.storage.word().to_owned(),
                    stops: storage.stops,
                    stops_between: storage.between,
                    channels: channel_counts(instrument, &all, recording),
                });
            }
        }
        facts
    }

    /// What is different where fewer references were ridden than the protocol asks for, or none that serves some checks.
    fn missing_references(&self, protocol: &Protocol, ride: &Ride) -> Option<String> {
        let (needed, given) = (protocol.needs.references, self.session.references.len());
        let unserved = scoring::unserved(protocol, ride);
        let mut says = vec![];
        match self.session.references.as_slice() {
            [alone] if given < needed => {
                says.push(format!(
                    "The protocol asks for {needed} references and only {} was ridden: where it is off the unit looks off, so errors of level rest on what it states of itself.",
                    alone.instrument.label
                ));
                if ride.references[0].loss_standard_pct > 0.0 {
                    let d = &self.session.drivetrain;
                    says.push(format!(
                        "The chain lies between it and the unit, so the chain's loss ({:.1} % ± {:.1} %) enters them too.",
                        d.loss_pct, d.loss_expanded_pct
                    ));
                }
                if unserved.is_empty() {
                    says.push("It serves every check that is asked for.".to_owned());
                }
            }
            _ if given < needed => says.push(format!(
                "The protocol asks for {needed} references and {given} were ridden: where these differ, only the unit is left to say which is off."
            )),
            _ => {}
        }
        if !unserved.is_empty() {
            let places: Vec<String> = unserved.iter().map(unserved_in_words).collect();
            says.push(format!("No reference here can decide {}, so the session can't pass.", listed(&places)));
        }
        (!says.is_empty()).then(|| says.join(" "))
    }
}

/// The channels that the recording has something of, in the program's own names.
fn channel_counts(instrument: &Instrument, all: &[&Instrument], recording: &Recording) -> Vec<ChannelCounts> {
    const CHANNELS: [&str; 7] = ["power", "cadence", "heart_rate", "speed", "altitude", "temperature", "right_share"];
    let count = |channel: &str| {
        let recording::Counts { values, zeros, invalid, missing } =
            recording.samples.counts(align::field(instrument, all, channel)?);
        let channel = channel.to_owned();
        (values + invalid > 0).then_some(ChannelCounts { channel, values, zeros, invalid, missing })
    };
    CHANNELS.into_iter().filter_map(count).collect()
}

fn unserved_in_words(unserved: &scoring::Unserved) -> String {
    if unserved.all {
        return unserved.place.clone();
    }
    let measures: Vec<String> = unserved.measures.iter().map(|measure| measure.word().replace('_', " ")).collect();
    format!("{} of {}", listed(&measures), unserved.place)
}

/// `a`, `a and b`, `a, b and c`.
fn listed(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

fn name(path: &std::path::Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}

fn quarrel(agreement: &scoring::Agreement, session: &Session) -> Option<Quarrel> {
    let labels: Vec<String> = session.references.iter().map(|r| r.instrument.label.clone()).collect();
    let worst = agreement.pairs.iter().max_by(|a, b| a.e_n.total_cmp(&b.e_n)).filter(|_| agreement.quarrel());
    worst.map(|pair| quarrel_of(pair, &labels, ""))
}

fn quarrel_of(pair: &scoring::Pair, labels: &[String], here: &str) -> Quarrel {
    let says = format!(
        "{} and {} differ{here} by {:.1} % where their uncertainties allow {:.1} % (E_n {:.1}): what hangs on their gain is not decided",
        labels[pair.first],
        labels[pair.second],
        pair.difference_pct.abs(),
        pair.expanded_pct,
        pair.e_n
    );
    Quarrel { says, difference_pct: pair.difference_pct }
}

fn decided_phases(
    rules: &Rules,
    protocol: &Protocol,
    matches: &Matches,
    scores: &Scores,
    ride: &Ride,
) -> Vec<PhaseVerdict> {
    let decide = |(found, score): (&matching::PhaseMatch, &scoring::PhaseScore)| {
        let phase = &protocol.phases[found.phase];
        match (&found.outcome, score.window) {
            (MatchOutcome::Ridden(ridden), Some(window)) => {
                let required = phase.part != Part::Advisory && !found.surplus;
                let apart = score.apart.as_ref().map(|pair| quarrel_of(pair, &rules.references, " here"));
                let here = Rules { quarrel: rules.quarrel.clone().or(apart), ..rules.clone() };
                let checks = score.checks.iter().map(|s| here.check(s, required)).collect();
                phase_verdict(phase, found.repeat, found.surplus, Some(match_facts(ridden, window, ride)), None, checks)
            }
            (MatchOutcome::NotRidden { reason }, _) => {
                phase_verdict(phase, found.repeat, found.surplus, None, Some(reason.clone()), vec![])
            }
            (MatchOutcome::Ridden(_), None) => phase_verdict(phase, found.repeat, found.surplus, None, None, vec![]),
        }
    };
    matches.found.iter().zip(&scores.phases).map(decide).collect()
}

fn phase_verdict(
    phase: &Phase,
    repeat: u32,
    surplus: bool,
    matched: Option<MatchFacts>,
    reason: Option<String>,
    checks: Vec<CheckVerdict>,
) -> PhaseVerdict {
    let typed = matches!(phase.drill, Drill::StaticLoad { .. } | Drill::ZeroCheck);
    let ridden = matched.is_some() || typed;
    // What is not scored, or optional and not ridden, takes no part.
    let scored = !phase.checks.is_empty();
    let required = scored
        && !surplus
        && match phase.part {
            Part::Required => true,
            Part::Advisory => false,
            Part::Optional => ridden,
        };
    let verdict = if ridden {
        // An advisory phase has its own outcome, told from all of its checks.
        let counted = checks.iter().filter(|c| c.required || !required).map(|c| c.verdict);
        decide::worst(counted)
    } else {
        Outcome::NotRidden
    };
    PhaseVerdict {
        phase: phase.id.to_string(),
        repeat,
        surplus,
        drill: phase.drill.word().to_owned(),
        verdict,
        required,
        matched,
        reason,
        checks,
    }
}

fn match_facts(ridden: &Ridden, window: Window, ride: &Ride) -> MatchFacts {
    let span = |w: &Window| Span { start: ride.utc(w.start_s), end: ride.utc(w.end_s) };
    let ring_on = ridden.ring_rests_on.as_ref().map(|on| format!("ring from {on}"));
    MatchFacts {
        start: ride.utc(ridden.span.start_s),
        end: ride.utc(ridden.span.end_s),
        window: span(&window),
        moves: ridden.moves.iter().map(span).collect(),
        confidence: ridden.confidence,
        ring: ridden.ring.map(|ring| ring.word().to_owned()),
        rests_on: ridden.rests_on.iter().cloned().chain(ring_on).collect(),
        runner_up: ridden.runner_up.clone(),
        deviations: ridden.deviations.clone(),
    }
}

fn decided_repeats(
    rules: &Rules,
    protocol: &Protocol,
    matches: &Matches,
    scores: &Scores,
    phases: &[PhaseVerdict],
    index: usize,
) -> RepeatVerdict {
    let phase = &protocol.phases[index];
    let asked: Vec<usize> = (0..matches.found.len())
        .filter(|&i| matches.found[i].phase == index && !matches.found[i].surplus && phases[i].matched.is_some())
        .collect();
    // A fault is a repeat with a failed check that counts; an advisory phase shows its faults the same way.
    let outcome = |i: &usize| {
        decide::worst(
            phases[*i].checks.iter().filter(|c| c.required || phase.part == Part::Advisory).map(|c| c.verdict),
        )
    };
    let count = |wanted: Outcome| asked.iter().filter(|i| outcome(i) == wanted).count() as u32;
    let tally =
        Tally { ridden: asked.len() as u32, failed: count(Outcome::Fail), undecided: count(Outcome::Undecided) };
    let required = phase.part == Part::Required || (phase.part == Part::Optional && !asked.is_empty());
    let decided = |indices: &[usize]| -> Vec<CheckVerdict> {
        let means = scoring::means(&scores.phases, indices, phase);
        means.iter().map(|s| rules.check(s, phase.part != Part::Advisory)).collect()
    };
    let checks = decided(&asked);
    let counted: Vec<usize> = asked.iter().copied().filter(|i| outcome(i) != Outcome::Fail).collect();
    let of = |checks: &[CheckVerdict]| {
        decide::worst(checks.iter().filter(|c| c.required || phase.part == Part::Advisory).map(|c| c.verdict))
    };
    let of_others = match phase.accept {
        crate::protocol::Accept::AtLeast { .. } if tally.failed > 0 && !counted.is_empty() => Some(decided(&counted)),
        _ => None,
    };
    let means = of_others.as_ref().unwrap_or(&checks);
    let of_mean = means.iter().find(|c| c.verdict == Outcome::Undecided && c.remedy.is_some());
    let decision = decide::repeats(phase, tally, of(means), of_mean.and_then(|c| c.remedy.as_deref()));
    let rates = decide::fault_rates(tally);
    RepeatVerdict {
        phase: phase.id.to_string(),
        asked: phase.repeats,
        ridden: tally.ridden,
        failed: tally.failed,
        undecided: tally.undecided,
        accept: phase.accept.to_string(),
        checks,
        fault_rate: (tally.ridden > 0).then(|| f64::from(tally.failed) / f64::from(tally.ridden)),
        fault_rate_interval: rates.as_ref().map(|r| r.0.clone()),
        fault_rate_upper_limit: rates.map(|r| r.1),
        verdict: decision.verdict,
        required: required && !phase.checks.is_empty(),
        reason: decision.reason,
        remedy: decision.remedy,
    }
}

fn ring_error(ring: &scoring::RingScore, coverage: f64) -> Option<RingError> {
    let (error_w, budget_w) = ring.error.in_unit(Unit::Watt)?;
    let (error_pct, budget_pct) = ring.error.in_unit(Unit::Percent)?;
    Some(RingError {
        ring: ring.ring.word().to_owned(),
        blocks: ring.blocks,
        error_w,
        expanded_uncertainty_w: decide::expanded(&budget_w, coverage),
        error_pct,
        expanded_uncertainty_pct: decide::expanded(&budget_pct, coverage),
        reference_w: ring.error.reference,
    })
}

fn counts(verdict: &Verdict) -> Counts {
    let count = |outcome| verdict.checks().filter(|placed| placed.check.verdict == outcome).count();
    let not_applicable = count(Outcome::NotApplicable);
    Counts {
        checks_made: verdict.checks().count() - not_applicable,
        passed: count(Outcome::Pass),
        failed: count(Outcome::Fail),
        undecided: count(Outcome::Undecided),
        not_ridden: verdict.phases.iter().filter(|p| p.verdict == Outcome::NotRidden && p.required).count(),
        not_applicable,
        surplus: verdict.phases.iter().filter(|p| p.surplus).count(),
    }
}

fn protocol_facts(protocol: &Protocol) -> ProtocolFacts {
    let coverage = protocol.decision.coverage;
    let (rule, words) = match protocol.decision.rule {
        Rule::Simple => ("simple", "A check passes if the value lies within its limit and fails if it does not; the uncertainty is shown and takes no part. A value at its limit is accepted wrongly in up to half of cases.".to_owned()),
        Rule::Guarded => ("guarded", format!("A check passes if the value with its expanded uncertainty ({:.0} %) lies within the limit, fails if it lies beyond the limit by more than that, and is undecided between. A value at its limit is accepted wrongly in at most {:.1} % of cases.", coverage * 100.0, (1.0 - coverage) * 50.0)),
    };
    ProtocolFacts {
        title: protocol.title.clone(),
        revision: protocol.revision.clone(),
        sha256: protocol.sha256.clone(),
        purpose: protocol.purpose.clone(),
        rule: rule.to_owned(),
        rule_in_words: words,
        coverage,
        references_needed: protocol.needs.references,
    }
}

fn session_facts(session: &Session, ride: &Ride) -> SessionFacts {
    let said = |name: &str, value: String| (name.to_owned(), value);
    let number = crate::protocol::trim;
    let c = &session.conditions;
    let mut conditions = Vec::new();
    conditions.extend(c.temperature_c.map(|v| said("temperature", format!("{} °C", number(v)))));
    conditions.extend(c.crank_length_m.map(|v| said("crank length", format!("{} mm", number(v * 1000.0)))));
    conditions.extend(c.latitude_deg.map(|v| said("latitude", format!("{} °", number(v)))));
    conditions.extend(c.height_m.map(|v| said("height", format!("{} m", number(v)))));
    conditions.extend(c.other.iter().cloned());
    let r = &session.readings;
    let mut readings = Vec::new();
    readings.extend(r.zero_before.map(|v| said("zero offset before", number(v))));
    readings.extend(r.zero_after.map(|v| said("zero offset after", number(v))));
    readings.extend(r.loads.iter().map(|load| {
        let side = load.side.map_or("", |side| if side == crate::protocol::Side::Left { ", left" } else { ", right" });
        let angle = load.angle_deg.map_or(String::new(), |a| format!(", {} °", number(a)));
        said("hung load", format!("{} kg{side}{angle}: {} N·m", number(load.mass_kg), number(load.torque_nm)))
    }));
    readings.extend(r.other.iter().cloned());
    let d = &session.drivetrain;
    let teeth = |teeth: &[u32]| teeth.iter().map(u32::to_string).collect::<Vec<_>>().join("-");
    let mut drivetrain = Vec::new();
    if !d.chainrings.is_empty() {
        drivetrain.push(said("chainrings", teeth(&d.chainrings)));
    }
    if !d.cassette.is_empty() {
        drivetrain.push(said("cassette", teeth(&d.cassette)));
    }
    drivetrain.extend(d.wheel_m.map(|v| said("wheel", format!("{} mm", number(v * 1000.0)))));
    drivetrain.push(said("chain loss", format!("{} % ± {} %", number(d.loss_pct), number(d.loss_expanded_pct))));
    SessionFacts {
        file: session.file.as_ref().map(|f| name(f)),
        sha256: session.sha256.clone(),
        tester: session.tester.clone(),
        place: session.place.clone(),
        start: ride.start,
        end: ride.utc(ride.length_s as f64),
        duration_s: ride.length_s as f64,
        conditions,
        readings,
        drivetrain,
        remarks: session.remarks.iter().map(remark_in_words).collect(),
        notes: session.notes.clone(),
        authorised_by: session.authorised_by.clone(),
        laboratory: session.report.laboratory.clone(),
        address: session.report.address.clone(),
        customer: session.report.customer.clone(),
        issued: session.report.issued.clone(),
        amends: session
            .report
            .amends
            .as_ref()
            .map(|amends| AmendmentFacts { sheet: amends.sheet.clone(), because: amends.because.clone() }),
        assumed: session.assumed.clone(),
        marks: session.marks_file.as_ref().map(|m| MarksFacts {
            file: name(&m.file),
            sha256: m.sha256.clone(),
            marks: m.marks.len(),
        }),
    }
}

fn remark_in_words(remark: &crate::session::Remark) -> String {
    let at = remark.at.as_ref().map_or(String::new(), |at| format!("{}: ", at.time.format("%H:%M:%S")));
    let spoiled = remark.spoiled.as_ref().map_or(String::new(), |selector| format!(" (spoiled: {selector})"));
    format!("{at}{}{spoiled}", remark.text)
}

fn instrument_facts(instrument: &Instrument, uncertainty: Option<String>) -> InstrumentFacts {
    InstrumentFacts {
        label: instrument.label.clone(),
        located: instrument.located.word().to_owned(),
        sides: instrument.sides.word().to_owned(),
        model: instrument.model.clone(),
        serial: instrument.serial.clone(),
        firmware: instrument.firmware.clone(),
        battery: instrument.battery.clone(),
        head_unit: instrument.head_unit.clone(),
        history: instrument.history.clone(),
        condition: instrument.condition.clone(),
        received: instrument.received.clone(),
        uncertainty,
        certificate: None,
        mode: None,
        serves: None,
    }
}

fn reference_facts(reference: &crate::session::Reference) -> InstrumentFacts {
    let hub = reference.instrument.located.behind_chain();
    let serves = if hub { "mean power and work; not edges, coasting or peaks" } else { "all measures" };
    let certificate = reference
        .certificate
        .as_ref()
        .map(|c| [&c.number, &c.date, &c.by].into_iter().flatten().cloned().collect::<Vec<_>>().join(", "));
    InstrumentFacts {
        certificate,
        mode: reference.mode.map(|mode| match mode {
            crate::session::TrainerMode::Resistance => "resistance".to_owned(),
            crate::session::TrainerMode::ConstantPower => "constant power".to_owned(),
        }),
        serves: Some(serves.to_owned()),
        ..instrument_facts(&reference.instrument, Some(format!("±({}), k = 2", reference.uncertainty)))
    }
}

fn clock_facts(ride: &Ride) -> Vec<ClockFacts> {
    std::iter::once(&ride.unit)
        .chain(ride.references.iter().map(|r| &r.trace))
        .map(|trace| ClockFacts {
            recording: trace.label.clone(),
            offset_s: trace.clock.offset_s,
            drift_ppm: trace.clock.drift_ppm,
            standard_uncertainty_s: trace.clock.standard_uncertainty_s,
            aligned_on: trace.clock.channels(),
        })
        .collect()
}

/// Up to three sentences: what decided, what explains it, what holds.
fn why(verdict: &Verdict) -> Vec<String> {
    let counts = &verdict.counts;
    let plural = |n: usize| if n == 1 { "check" } else { "checks" };
    let mut why = Vec::new();
    match verdict.verdict {
        Some(Outcome::Fail) => {
            let mut places = required_places(verdict, Outcome::Fail);
            let more = places.len().saturating_sub(3);
            places.truncate(3);
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            why.push(format!(
                "It fails in {}{more}: {} of {} {} fail.",
                places.join(", "),
                counts.failed,
                counts.checks_made,
                plural(counts.checks_made)
            ));
        }
        Some(Outcome::Pass) => {
            let alone = if counts.undecided > 0 {
                format!(", {} are of single repeats too short to decide by themselves", counts.undecided)
            } else {
                String::new()
            };
            why.push(format!("It passes: {} of {} checks pass{alone}, none fails.", counts.passed, counts.checks_made));
        }
        _ => {
            let mut places = required_places(verdict, Outcome::Undecided);
            places.extend(required_places(verdict, Outcome::NotRidden));
            let more = places.len().saturating_sub(3);
            places.truncate(3);
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            why.push(format!("Nothing required fails, but {}{more} could not be decided.", places.join(", ")));
        }
    }
    if !verdict.diagnosis.is_empty() {
        let says: Vec<&str> = verdict.diagnosis.iter().take(3).map(|f| f.says.as_str()).collect();
        why.push(format!("{}.", capital(&says.join("; "))));
    }
    if !verdict.rings.is_empty() {
        let rings: Vec<String> = verdict
            .rings
            .iter()
            .map(|r| {
                format!(
                    "{} W ± {:.1} W ({} %) on the {} ring",
                    signed(r.error_w),
                    r.expanded_uncertainty_w,
                    signed(r.error_pct),
                    r.ring
                )
            })
            .collect();
        why.push(format!("In steady riding its error is {}.", rings.join(" and ")));
    }
    why
}

fn signed(value: f64) -> String {
    let text = format!("{value:+.1}");
    text.replace('-', "−")
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |first| first.to_uppercase().chain(chars).collect())
}

/// Phases (repeats together), contrasts and the whole ride with this outcome, in order.
fn required_places(verdict: &Verdict, outcome: Outcome) -> Vec<String> {
    let single = verdict.phases.iter().filter(|p| verdict.repeats_of(&p.phase).is_none());
    let phases = single.filter(|p| p.required && p.verdict == outcome).map(|p| p.phase.clone());
    let repeats = verdict.repeats.iter().filter(|r| r.required && r.verdict == outcome).map(|r| r.phase.clone());
    let contrasts =
        verdict.contrasts.iter().filter(|c| c.required && c.verdict == outcome).filter_map(|c| c.contrast.clone());
    let whole =
        verdict.whole_ride.iter().any(|c| c.required && c.verdict == outcome).then(|| "the whole ride".to_owned());
    phases.chain(repeats).chain(contrasts).chain(whole).collect()
}

fn comparison_in_words(checks: &[CheckVerdict]) -> String {
    let work = checks.iter().find(|c| c.measure == Measure::WorkError.word());
    let value = work.and_then(|w| Some((w.value?, w.expanded_uncertainty?)));
    match value {
        Some((value, expanded)) => format!(
            "Over the seconds that both have, the unit reads {} % ± {expanded:.1} % against the reference; without a protocol this is a comparison, not a verdict.",
            signed(value)
        ),
        None => {
            "Unit and reference share too little to compare; without a protocol this is a comparison, not a verdict."
                .to_owned()
        }
    }
}
