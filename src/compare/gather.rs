//! Verdicts to a season: one protocol, each ride once, and which session belongs to which group and specimen.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::comparison::{ComparedProtocol, Grouping};
use super::names::{NumberedNames, by_parts, numbered, some_of};
use super::read::{CompareError, VerdictFile};
use super::rows::rows;
use super::season::Season;
use crate::premise::Takes;
use crate::verdict::{InstrumentFacts, Outcome, ProtocolFacts, VERDICT_FORMAT, Verdict};

/// Puts verdicts together to a season, in order of time.
///
/// # Errors
/// As [`super::compare`].
pub(super) fn season(given: Vec<VerdictFile>, by: Grouping) -> Result<Season, CompareError> {
    let (mut cautions, mut given) = (vec![], given);
    given.sort_by(|a, b| a.file.cmp(&b.file));
    let given = judged(given, &mut cautions);
    let protocol = one_protocol(&given, &mut cautions)?;
    let mut given = once_each(given, &mut cautions);
    if given.len() < 2 {
        let found = match given.first() {
            None => "there is none".to_owned(),
            Some(only) => format!("there is one only, {}", only.file),
        };
        return Err(CompareError::TooFew { found });
    }
    given.sort_by(|a, b| {
        let when = |g: &VerdictFile| (g.verdict.session.start, g.verdict.sheet_number.clone());
        when(a).cmp(&when(b)).then_with(|| a.file.cmp(&b.file))
    });
    let NumberedNames { place: specimen, sorted: specimens } = numbered(&specimen_names(&given, &mut cautions));
    let names = given.iter().zip(&specimen).map(|(given, s)| group_name(&given.verdict, by, &specimens[*s]));
    let NumberedNames { place: group, sorted: groups } = numbered(&names.collect::<Vec<_>>());
    let rows = rows(&given);
    advise(&given, &mut cautions);
    Ok(Season { by, protocol, given, group, specimen, groups, specimens, rows, cautions })
}

/// Without what was not judged; what a contradicted premise took of the others, and what tested none, is told.
fn judged(given: Vec<VerdictFile>, cautions: &mut Vec<String>) -> Vec<VerdictFile> {
    let (judged, not): (Vec<VerdictFile>, Vec<VerdictFile>) =
        given.into_iter().partition(|given| given.verdict.verdict != Some(Outcome::NotJudged));
    for VerdictFile { file, verdict } in &not {
        cautions.push(format!("{file} is left out. {}", verdict.why.join(" ")));
    }
    for VerdictFile { file, verdict } in &judged {
        for premise in verdict.premises.iter().filter(|p| p.is_contradicted() && p.takes() != Some(Takes::Nothing)) {
            cautions.push(format!(
                "{file}: {} is contradicted, which takes {}: {}.",
                premise.premise, premise.takes, premise.evidence
            ));
        }
    }
    let untested: Vec<&str> =
        judged.iter().filter(|g| g.verdict.verdict_format < VERDICT_FORMAT).map(|g| g.file.as_str()).collect();
    if !untested.is_empty() {
        cautions.push(format!(
            "{} {} written in the former format, which tested no premise: judge again (`assize judge`, or `assize register \
             rejudge`) before you believe a difference.",
            some_of(&untested),
            if untested.len() == 1 { "was" } else { "were" }
        ));
    }
    judged
}

/// Title and revision of all, or what differs.
fn one_protocol(given: &[VerdictFile], cautions: &mut Vec<String>) -> Result<ComparedProtocol, CompareError> {
    let mut found: BTreeMap<(&str, &str), Vec<&str>> = BTreeMap::new();
    let mut texts: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    let mut protocol: Option<&ProtocolFacts> = None;
    for VerdictFile { file, verdict } in given {
        let Some(facts) = &verdict.protocol else {
            return Err(CompareError::NoProtocol { file: file.clone() });
        };
        protocol.get_or_insert(facts);
        found.entry((&facts.title, &facts.revision)).or_default().push(file);
        texts.entry(&facts.sha256).or_default().push(file);
    }
    if found.len() > 1 {
        let line = |((title, revision), files): (&(&str, &str), &Vec<&str>)| {
            format!("  {title}, revision {revision}: {}", files.join(", "))
        };
        return Err(CompareError::OtherProtocols {
            differences: found.iter().map(line).collect::<Vec<_>>().join("\n")
                + "\nGive the files of one title and revision",
        });
    }
    let Some(facts) = protocol else {
        return Err(CompareError::TooFew { found: "there is none".to_owned() });
    };
    if texts.len() > 1 {
        let line = |(sha, files): (&&str, &Vec<&str>)| format!("{} ({})", short(sha), some_of(files));
        cautions.push(format!(
            "{}, revision {}, is not one text: {}. Somebody changed it without a new revision; check what before you \
             believe a difference.",
            facts.title,
            facts.revision,
            texts.iter().map(line).collect::<Vec<_>>().join(" and ")
        ));
    }
    let sha256 = texts.into_keys().map(str::to_owned).collect();
    let (title, revision) = (facts.title.clone(), facts.revision.clone());
    Ok(ComparedProtocol { title, revision, sha256, coverage: facts.coverage })
}

fn short(sha: &str) -> String {
    sha.chars().take(12).collect()
}

/// Of several judgements of the same recordings for the same unit only the one by the newest program; a caution names the
/// others.
fn once_each(given: Vec<VerdictFile>, cautions: &mut Vec<String>) -> Vec<VerdictFile> {
    let mut kept: Vec<VerdictFile> = vec![];
    let mut places: HashMap<(String, Vec<String>), usize> = HashMap::new();
    for one in given {
        let mut hashes: Vec<String> = one.verdict.recordings.iter().map(|r| r.sha256.clone()).collect();
        hashes.sort();
        if hashes.is_empty() {
            kept.push(one);
            continue;
        }
        let key = (one.verdict.unit.label.clone(), hashes);
        let Some(&place) = places.get(&key) else {
            places.insert(key, kept.len());
            kept.push(one);
            continue;
        };
        let newer = by_parts(&one.verdict.assize, &kept[place].verdict.assize) == Ordering::Greater;
        let dropped = if newer { std::mem::replace(&mut kept[place], one) } else { one };
        let stays = &kept[place];
        let alike = if dropped.verdict == stays.verdict { "" } else { "; the two judgements differ" };
        cautions.push(format!(
            "{} and {} hold the same recordings of {}: counted once, as in {}{alike}.",
            stays.file, dropped.file, stays.verdict.unit.label, stays.file
        ));
    }
    kept
}

/// The label, with the serial number where one label has several.
fn specimen_names(given: &[VerdictFile], cautions: &mut Vec<String>) -> Vec<String> {
    let mut serials: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    let mut labels: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for unit in given.iter().map(|g| &g.verdict.unit) {
        let known = serials.entry(&unit.label).or_default();
        if let Some(serial) = &unit.serial {
            known.insert(serial);
            labels.entry(serial).or_default().insert(&unit.label);
        }
    }
    for (serial, labels) in labels.iter().filter(|(_, labels)| labels.len() > 1) {
        let labels: Vec<&str> = labels.iter().copied().collect();
        cautions.push(format!(
            "Serial number {serial} stands under {}: taken as different specimens. Give one specimen one label.",
            labels.join(" and ")
        ));
    }
    let name = |unit: &InstrumentFacts| match (&unit.serial, serials[unit.label.as_str()].len()) {
        (_, 0 | 1) => unit.label.clone(),
        (Some(serial), _) => format!("{} (serial {serial})", unit.label),
        (None, _) => format!("{} (serial not stated)", unit.label),
    };
    given.iter().map(|g| name(&g.verdict.unit)).collect()
}

/// The references at the hub.
pub(super) fn trainer(verdict: &Verdict) -> Option<String> {
    let hubs: Vec<&str> = verdict.references.iter().filter(|r| r.located == "hub").map(|r| r.label.as_str()).collect();
    (!hubs.is_empty()).then(|| hubs.join(" and "))
}

fn group_name(verdict: &Verdict, by: Grouping, specimen: &str) -> String {
    match by {
        Grouping::Specimen => specimen.to_owned(),
        Grouping::Firmware => match &verdict.unit.firmware {
            Some(version) => format!("firmware {version}"),
            None => "firmware not stated".to_owned(),
        },
        Grouping::Tester => verdict.session.tester.clone().unwrap_or_else(|| "tester not stated".to_owned()),
        Grouping::Trainer => trainer(verdict).unwrap_or_else(|| "no trainer".to_owned()),
        Grouping::Date => verdict.session.start.format("%Y-%m-%d").to_string(),
    }
}

fn advise(given: &[VerdictFile], cautions: &mut Vec<String>) {
    let versions: BTreeSet<&str> = given.iter().map(|g| g.verdict.assize.as_str()).collect();
    if versions.len() > 1 {
        let versions: Vec<&str> = versions.into_iter().collect();
        cautions.push(format!(
            "Judged by several versions of the program ({}): judge all of them again with one before you believe a \
             difference.",
            versions.join(", ")
        ));
    }
    let models: BTreeSet<&str> = given.iter().filter_map(|g| g.verdict.unit.model.as_deref()).collect();
    if models.len() > 1 {
        let models: Vec<&str> = models.into_iter().collect();
        cautions.push(format!("The specimens are of several models: {}.", models.join(", ")));
    }
}
