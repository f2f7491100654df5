//! The facts on a sheet, whatever was decided: who, what, when, by which recordings and clocks.

use std::path::Path;

use sha2::{Digest, Sha256};

use crate::align;
use crate::matching::Ridden;
use crate::premises::{self, Premises};
use crate::protocol::{Protocol, Rule, Side, hex};
use crate::recording::{self, Recording};
use crate::ride::{Ride, Window};
use crate::scoring::Agreement;
use crate::session::{Instrument, Reference, Session, TrainerMode};

use super::case::Case;
use super::model::{
    AmendmentFacts, CardFacts, ChannelCounts, ClockFacts, Counts, InstrumentFacts, MarksFacts, MatchFacts,
    ProtocolFacts, RecordingFacts, ReferenceComparison, SessionFacts, Span, VERDICT_FORMAT, Verdict,
};
use super::premise_words::premise_facts;
use super::prose::{remark_in_words, rule_in_words, scope_in_words};

/// The version of the rules by which verdicts are made, raised where the same inputs may give another verdict.
const RULES: &str = "rules 2";

impl Case<'_> {
    /// Everything that does not depend on a decision.
    pub(super) fn frame(&self, protocol: Option<&Protocol>, agreement: &Agreement, premises: &Premises) -> Verdict {
        let session = self.stated;
        let unit = &session.units[self.unit];
        let mut cautions = session.cautions.clone();
        cautions.extend(self.cautions.iter().cloned());
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
            scope: scope_in_words(&unit.instrument.label),
            protocol: protocol.map(protocol_facts),
            session: session_facts(session, self.ride),
            unit: self.instrument_facts(&unit.instrument, unit.claimed.as_ref().map(|c| format!("claimed {c}"))),
            references: session.references.iter().map(|reference| self.reference_facts(reference)).collect(),
            rings: vec![],
            counts: Counts::default(),
            recordings: self.recording_facts(),
            clocks: clock_facts(self.ride),
            phases: vec![],
            repeats: vec![],
            contrasts: vec![],
            whole_ride: vec![],
            reference_comparison: agreement
                .pairs
                .iter()
                .map(|pair| ReferenceComparison {
                    first: self.session.references[pair.first].instrument.label.clone(),
                    second: self.session.references[pair.second].instrument.label.clone(),
                    difference_pct: pair.difference_pct,
                    expanded_uncertainty_pct: pair.expanded_pct,
                    e_n: pair.e_n,
                    consistent: !pair.differs(),
                })
                .collect(),
            diagnosis: vec![],
            deviations: vec![],
            cautions,
            premises: premise_facts(premises),
        }
    }

    /// The same inputs give the same number, and whatever changes a verdict changes it: the hashes of recordings, protocol,
    /// session, cards and marks, pins, and the version of the rules.
    fn sheet_number(&self, protocol: Option<&Protocol>) -> String {
        let session = self.stated;
        let mut parts: Vec<String> = vec![RULES.to_owned()];
        for instrument in self.instruments_here() {
            parts.push(format!("instrument {}", instrument.label));
            parts.extend(instrument.recordings.iter().map(|path| self.recordings[path].sha256.clone()));
        }
        parts.push(format!("protocol {}", protocol.map_or("none", |p| &p.sha256)));
        parts.push(format!("session {}", session.sha256.as_deref().unwrap_or("none")));
        parts.push(format!("marks {}", session.marks_file.as_ref().map_or("none", |m| &m.sha256)));
        parts.extend(session.cards.iter().map(|card| format!("card {}", card.sha256)));
        parts.extend(session.pins.iter().map(|pin| format!("pin {pin}")));
        let hex = hex(&Sha256::digest(parts.join("\n"))).to_uppercase();
        format!("{}-{}", self.ride.start.format("%Y%m%d"), &hex[..10])
    }

    fn recording_facts(&self) -> Vec<RecordingFacts> {
        let mut facts = Vec::new();
        let all: Vec<&Instrument> = self.stated.instruments().collect();
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
}

/// The channels that the recording has something of, in the program's own names.
fn channel_counts(instrument: &Instrument, all: &[&Instrument], recording: &Recording) -> Vec<ChannelCounts> {
    // Where the rider was is on no sheet.
    const PLACE: [&str; 3] = ["distance", "latitude", "longitude"];
    let count = |channel: &str| {
        let recording::Counts { values, zeros, invalid, missing } =
            recording.samples.counts(align::field(instrument, all, channel)?);
        let channel = channel.to_owned();
        (values + invalid > 0).then_some(ChannelCounts { channel, values, zeros, invalid, missing })
    };
    recording::channel_names().filter(|name| !PLACE.contains(name)).filter_map(count).collect()
}

fn name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}

pub(super) fn match_facts(ridden: &Ridden, window: Window, ride: &Ride) -> MatchFacts {
    let span = |w: &Window| Span { start: ride.utc(w.start_s), end: ride.utc(w.end_s) };
    let ring_on = ridden.ring_rests_on.as_ref().map(|on| format!("ring from {on}"));
    MatchFacts {
        start: ride.utc(ridden.span.start_s),
        end: ride.utc(ridden.span.end_s),
        window: span(&window),
        moves: ridden.moves.iter().map(span).collect(),
        confidence: ridden.confidence,
        ring: ridden.ring.map(|ring| ring.word().to_owned()),
        rests_on: ridden.rests_on.iter().map(|ground| ground.word().to_owned()).chain(ring_on).collect(),
        runner_up: ridden.runner_up.clone(),
        deviations: ridden.deviations.iter().map(|deviation| deviation.says.clone()).collect(),
    }
}

fn protocol_facts(protocol: &Protocol) -> ProtocolFacts {
    let coverage = protocol.decision.coverage;
    let rule = match protocol.decision.rule {
        Rule::Simple => "simple",
        Rule::Guarded => "guarded",
    };
    ProtocolFacts {
        title: protocol.title.clone(),
        revision: protocol.revision.clone(),
        sha256: protocol.sha256.clone(),
        purpose: protocol.purpose.clone(),
        rule: rule.to_owned(),
        rule_in_words: rule_in_words(protocol.decision),
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
        let side = load.side.map_or("", |side| if side == Side::Left { ", left" } else { ", right" });
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
        pins: session.pins.iter().map(ToString::to_string).collect(),
        cards: session
            .cards
            .iter()
            .map(|card| CardFacts { file: name(&card.file), sha256: card.sha256.clone() })
            .collect(),
    }
}

impl Case<'_> {
    /// As the session says, but for what the recordings know better.
    fn instrument_facts(&self, instrument: &Instrument, uncertainty: Option<String>) -> InstrumentFacts {
        let recorded = premises::recorded_firmware(instrument, self.recordings).map(str::to_owned);
        InstrumentFacts {
            label: instrument.label.clone(),
            located: instrument.located.word().to_owned(),
            sides: instrument.sides.word().to_owned(),
            model: instrument.model.clone(),
            serial: instrument.serial.clone(),
            firmware: premises::true_firmware(instrument.firmware.clone(), recorded),
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

    fn reference_facts(&self, reference: &Reference) -> InstrumentFacts {
        let hub = reference.instrument.located.behind_chain();
        let serves = match hub {
            _ if self.is_out(&reference.instrument.label) => "nothing: a premise that it rests on is contradicted",
            true => "mean power and work; not edges, coasting or peaks",
            false => "all measures",
        };
        let certificate = reference
            .certificate
            .as_ref()
            .map(|c| [&c.number, &c.date, &c.by].into_iter().flatten().cloned().collect::<Vec<_>>().join(", "));
        InstrumentFacts {
            certificate,
            mode: reference.mode.map(|mode| match mode {
                TrainerMode::Resistance => "resistance".to_owned(),
                TrainerMode::ConstantPower => "constant power".to_owned(),
            }),
            serves: Some(serves.to_owned()),
            ..self.instrument_facts(&reference.instrument, Some(format!("±({}), k = 2", reference.uncertainty)))
        }
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
