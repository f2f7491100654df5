//! Adding verdicts.
//!
//! A session is what was ridden: the unit's label, the recordings by hash, the protocol by hash
//! ([`VerdictDocument::identity`]). Every other judgement of it, by another program version or from a corrected session file,
//! supersedes the one before; which is newest is decided by the order of adding, as a verdict says nothing of when it was
//! judged. The older stays readable.

use std::collections::HashMap;

use chrono::{DateTime, SecondsFormat, Utc};
use rusqlite::{OptionalExtension, Transaction, TransactionBehavior, named_params, params};

use super::document::VerdictDocument;
use super::open::{Register, RegisterError};
use super::schema::PARTS;
use crate::verdict::{
    CheckOf, Finding, InstrumentFacts, PremiseFacts, RecordingFacts, ReferenceComparison, RepeatVerdict, RingError,
    Verdict,
};

/// What became of a verdict that was to be added.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Added {
    /// A session that was not there. `other_unit`: a session of the same recordings and protocol under another label.
    New { other_unit: Option<String> },
    /// The very same bytes are kept already; nothing was changed. `newest`: it is its session's newest judgement.
    Already { newest: bool },
    /// The session was there; this is its newest judgement now.
    Supersedes { sheet_number: String, program: String, verdict: Option<String> },
}

impl Register {
    /// Adds a verdict in one transaction; once this returns it is on the disk.
    ///
    /// # Errors
    /// Where the register can't be written; then it is as it was.
    pub fn add(&mut self, document: &VerdictDocument, at: DateTime<Utc>) -> Result<Added, RegisterError> {
        let added = self.add_together(std::iter::once(document), at)?;
        Ok(added.into_iter().next().unwrap_or(Added::Already { newest: true }))
    }

    /// Several in one transaction: all or none.
    ///
    /// # Errors
    /// As [`Register::add`].
    pub fn add_together<'d>(
        &mut self,
        documents: impl IntoIterator<Item = &'d VerdictDocument>,
        at: DateTime<Utc>,
    ) -> Result<Vec<Added>, RegisterError> {
        let work = || -> rusqlite::Result<Vec<Added>> {
            // From the start, so that two who add at once wait for each other instead of failing half-way.
            let transaction = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let mut asked = HashMap::new();
            let each = documents.into_iter().map(|document| insert(&transaction, document, at, &mut asked));
            let added = each.collect::<rusqlite::Result<_>>()?;
            transaction.commit()?;
            Ok(added)
        };
        work().map_err(|error| RegisterError { file: self.file.clone(), kind: error.into() })
    }
}

fn insert(
    db: &Transaction<'_>,
    document: &VerdictDocument,
    at: DateTime<Utc>,
    asked: &mut HashMap<CheckKey, i64>,
) -> rusqlite::Result<Added> {
    let known = "SELECT newest FROM judgement WHERE verdict_sha256 = ?1";
    if let Some(newest) = db.query_row(known, [&document.sha256], |row| row.get(0)).optional()? {
        return Ok(Added::Already { newest });
    }
    let (identity, ride) = (document.identity(), document.ride());
    let session = "SELECT id FROM session WHERE identity = ?1";
    let session: Option<i64> = db.query_row(session, [&identity], |row| row.get(0)).optional()?;
    let (session, added) = match session {
        None => {
            let other = "SELECT unit FROM session s JOIN judgement j ON j.session = s.id
                         WHERE s.ride = ?1 AND j.newest = 1 ORDER BY j.id LIMIT 1";
            let other_unit = db.query_row(other, [&ride], |row| row.get(0)).optional()?;
            db.execute("INSERT INTO session (identity, ride) VALUES (?1, ?2)", [&identity, &ride])?;
            (db.last_insert_rowid(), Added::New { other_unit })
        }
        Some(session) => {
            let before = "SELECT id, sheet_number, program, verdict FROM judgement WHERE session = ?1 AND newest = 1";
            let (id, added) = db.query_row(before, [session], |row| {
                let (sheet_number, program, verdict) = (row.get(1)?, row.get(2)?, row.get(3)?);
                Ok((row.get::<_, i64>(0)?, Added::Supersedes { sheet_number, program, verdict }))
            })?;
            db.execute("UPDATE judgement SET newest = 0 WHERE id = ?1", [id])?;
            for part in PARTS {
                db.execute(&format!("DELETE FROM {part} WHERE judgement = ?1"), [id])?;
            }
            (session, added)
        }
    };
    let judgement = insert_judgement(db, document, session, at)?;
    db.execute("INSERT INTO document VALUES (?1, ?2)", params![judgement, document.gzip])?;
    insert_checks(db, &document.verdict, judgement, asked)?;
    insert_parts(db, &document.verdict, judgement)?;
    Ok(added)
}

/// ISO 8601 in UTC, to the second: sorts as text.
pub(super) fn time(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

fn insert_judgement(
    db: &Transaction<'_>,
    document: &VerdictDocument,
    session: i64,
    at: DateTime<Utc>,
) -> rusqlite::Result<i64> {
    let v = &document.verdict;
    let mut patterns: Vec<&str> = v.diagnosis.iter().map(|finding| finding.pattern.as_str()).collect();
    patterns.dedup();
    let conditions: serde_json::Map<String, serde_json::Value> =
        v.session.conditions.iter().map(|(name, value)| (name.clone(), value.as_str().into())).collect();
    db.prepare(
        "INSERT INTO judgement (session, newest, added, verdict_sha256, program, sheet_number, verdict, why, patterns,
             passed, failed, undecided, not_ridden, unit, serial, model, firmware, located, sides, protocol, revision,
             protocol_sha256, tester, place, conditions, started, duration_s, folder, verdict_file, session_file,
             session_sha256)
         VALUES (:session, 1, :added, :verdict_sha256, :program, :sheet_number, :verdict, :why, :patterns,
             :passed, :failed, :undecided, :not_ridden, :unit, :serial, :model, :firmware, :located, :sides, :protocol,
             :revision, :protocol_sha256, :tester, :place, :conditions, :started, :duration_s, :folder, :verdict_file,
             :session_file, :session_sha256)",
    )?
    .insert(named_params! {
        ":session": session,
        ":added": time(at),
        ":verdict_sha256": document.sha256,
        ":program": v.assize,
        ":sheet_number": v.sheet_number,
        ":verdict": v.verdict.map(|outcome| outcome.word()),
        ":why": v.why.join(" "),
        ":patterns": patterns.join(", "),
        ":passed": v.counts.passed as i64,
        ":failed": v.counts.failed as i64,
        ":undecided": v.counts.undecided as i64,
        ":not_ridden": v.counts.not_ridden as i64,
        ":unit": v.unit.label,
        ":serial": v.unit.serial,
        ":model": v.unit.model,
        ":firmware": v.unit.firmware,
        ":located": v.unit.located,
        ":sides": v.unit.sides,
        ":protocol": v.protocol.as_ref().map(|protocol| &protocol.title),
        ":revision": v.protocol.as_ref().map(|protocol| &protocol.revision),
        ":protocol_sha256": v.protocol.as_ref().map(|protocol| &protocol.sha256),
        ":tester": v.session.tester,
        ":place": v.session.place,
        ":conditions": serde_json::Value::Object(conditions).to_string(),
        ":started": time(v.session.start),
        ":duration_s": v.session.duration_s,
        ":folder": document.folder.to_string_lossy(),
        ":verdict_file": document.file_name,
        ":session_file": v.session.file,
        ":session_sha256": v.session.sha256,
    })
}

/// What many checks have in common; kept once, in the table `asked`.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct CheckKey {
    measure: String,
    phase: String,
    kind: &'static str,
    unit: String,
    limit: String,
    required: bool,
}

fn insert_checks(
    db: &Transaction<'_>,
    verdict: &Verdict,
    judgement: i64,
    known: &mut HashMap<CheckKey, i64>,
) -> rusqlite::Result<()> {
    let mut line =
        db.prepare("INSERT INTO check_value VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)")?;
    let mut find = db.prepare(
        "SELECT id FROM asked WHERE measure = ?1 AND phase = ?2 AND kind = ?3 AND value_unit = ?4 AND limit_text = ?5
             AND required = ?6",
    )?;
    let mut make = db.prepare(
        "INSERT INTO asked (measure, phase, kind, value_unit, limit_text, required) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    )?;
    for (place, placed) in (1_i64..).zip(verdict.checks()) {
        let check = placed.check;
        let kind = match placed.of {
            CheckOf::Ride(_) => "ride",
            CheckOf::Mean(_) => "mean",
            CheckOf::Contrast => "contrast",
            CheckOf::WholeRide => "whole ride",
        };
        let key = CheckKey {
            measure: check.measure.clone(),
            phase: placed.label().to_owned(),
            kind,
            unit: check.unit.clone(),
            limit: check.limit.clone().unwrap_or_default(),
            required: placed.required(),
        };
        let asked = match known.get(&key) {
            Some(asked) => *asked,
            None => {
                let CheckKey { measure, phase, kind, unit, limit, required } = &key;
                let columns = params![measure, phase, kind, unit, limit, required];
                let asked = match find.query_row(columns, |row| row.get(0)).optional()? {
                    Some(asked) => asked,
                    None => make.insert(columns)?,
                };
                known.insert(key, asked);
                asked
            }
        };
        line.execute(params![
            judgement,
            place,
            asked,
            placed.repeat(),
            placed.surplus(),
            check.value,
            check.expanded_uncertainty,
            check.coverage_factor,
            check.limit_low,
            check.limit_high,
            check.conformance_probability,
            check.verdict.word(),
            check.censored,
            check.reason,
        ])?;
    }
    Ok(())
}

/// The tables of the newest judgement's other parts, each in the verdict's order.
fn insert_parts(db: &Transaction<'_>, verdict: &Verdict, judgement: i64) -> rusqlite::Result<()> {
    let started = time(verdict.session.start);
    insert_repeats(db, judgement, &verdict.repeats)?;
    insert_findings(db, judgement, &verdict.diagnosis, &started)?;
    insert_premises(db, judgement, &verdict.premises, &started)?;
    insert_rings(db, judgement, &verdict.rings)?;
    insert_recordings(db, judgement, &verdict.recordings)?;
    insert_references(db, judgement, &verdict.references, &started)?;
    insert_comparisons(db, judgement, &verdict.reference_comparison)
}

fn insert_repeats(db: &Transaction<'_>, judgement: i64, repeats: &[RepeatVerdict]) -> rusqlite::Result<()> {
    let mut line =
        db.prepare("INSERT INTO repeat VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)")?;
    for (place, r) in (1_i64..).zip(repeats) {
        let interval = r.fault_rate_interval.as_ref();
        let (low, high) = (interval.map(|i| i.low), interval.map(|i| i.high));
        line.execute(params![
            judgement,
            place,
            r.phase,
            r.asked,
            r.ridden,
            r.failed,
            r.undecided,
            r.accept,
            r.fault_rate,
            low,
            high,
            r.verdict.word(),
            r.required,
            r.reason
        ])?;
    }
    Ok(())
}

fn insert_findings(db: &Transaction<'_>, judgement: i64, findings: &[Finding], started: &str) -> rusqlite::Result<()> {
    let mut line = db.prepare("INSERT INTO finding VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?;
    for (place, f) in (1_i64..).zip(findings) {
        line.execute(params![judgement, place, f.pattern, f.size, f.unit, f.expanded_uncertainty, f.says, started])?;
    }
    Ok(())
}

fn insert_premises(
    db: &Transaction<'_>,
    judgement: i64,
    premises: &[PremiseFacts],
    started: &str,
) -> rusqlite::Result<()> {
    let mut line = db.prepare("INSERT INTO premise VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?;
    for (place, p) in (1_i64..).zip(premises) {
        let about = p.about.join(", ");
        line.execute(params![judgement, place, p.premise, about, p.state, p.evidence, p.takes, started])?;
    }
    Ok(())
}

fn insert_rings(db: &Transaction<'_>, judgement: i64, rings: &[RingError]) -> rusqlite::Result<()> {
    let mut line = db.prepare("INSERT INTO ring VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")?;
    for (place, r) in (1_i64..).zip(rings) {
        line.execute(params![
            judgement,
            place,
            r.ring,
            r.blocks as i64,
            r.error_w,
            r.expanded_uncertainty_w,
            r.error_pct,
            r.expanded_uncertainty_pct,
            r.reference_w
        ])?;
    }
    Ok(())
}

fn insert_recordings(db: &Transaction<'_>, judgement: i64, recordings: &[RecordingFacts]) -> rusqlite::Result<()> {
    let mut line = db.prepare("INSERT INTO recording VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)")?;
    for (place, r) in (1_i64..).zip(recordings) {
        let (samples, gaps) = (r.samples as i64, r.gaps as i64);
        line.execute(params![
            judgement,
            place,
            r.file,
            r.sha256,
            r.instrument,
            r.role,
            r.head_unit,
            time(r.start),
            samples,
            gaps
        ])?;
    }
    Ok(())
}

fn insert_references(
    db: &Transaction<'_>,
    judgement: i64,
    references: &[InstrumentFacts],
    started: &str,
) -> rusqlite::Result<()> {
    let mut line =
        db.prepare("INSERT INTO reference_instrument VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)")?;
    for (place, r) in (1_i64..).zip(references) {
        line.execute(params![
            judgement,
            place,
            r.label,
            r.located,
            r.sides,
            r.model,
            r.serial,
            r.firmware,
            r.uncertainty,
            r.certificate,
            r.mode,
            r.serves,
            started
        ])?;
    }
    Ok(())
}

fn insert_comparisons(
    db: &Transaction<'_>,
    judgement: i64,
    comparisons: &[ReferenceComparison],
) -> rusqlite::Result<()> {
    let mut line = db.prepare("INSERT INTO reference_comparison VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?;
    for (place, c) in (1_i64..).zip(comparisons) {
        line.execute(params![
            judgement,
            place,
            c.first,
            c.second,
            c.difference_pct,
            c.expanded_uncertainty_pct,
            c.e_n,
            c.consistent
        ])?;
    }
    Ok(())
}
