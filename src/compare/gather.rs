//! Verdicts to rows: which session belongs where, which values answer the same question, and what they share.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet, HashMap};

use chrono::{DateTime, Utc};

use super::pool::SessionValue;
use super::rows::{RowSubject, rows};
use super::{
    Answer, COMPARISON_FORMAT, CompareError, ComparedProtocol, ComparedSession, Comparison, Group, Grouping, Question,
    Row, Tally,
};
use crate::scoring::budget::Source;
use crate::verdict::{CheckVerdict, InstrumentFacts, Outcome, ProtocolFacts, Verdict};
use crate::words;

/// A verdict and the file that it stands in.
#[derive(Debug, Clone, PartialEq)]
pub struct VerdictFile {
    pub file: String,
    pub verdict: Verdict,
}

/// One row before it is pooled.
#[derive(Debug, Clone)]
pub(super) struct UnpooledRow {
    pub name: String,
    pub of: RowSubject,
    pub place: String,
    pub measure: String,
    pub unit: String,
    pub limit: Option<String>,
    pub required: bool,
    pub compared: bool,
    /// Asked the questions of specimen, firmware, tester and drift.
    pub main: bool,
    /// By session.
    pub entries: Vec<Option<SessionValue>>,
}

pub(super) struct Season {
    pub by: Grouping,
    pub protocol: ComparedProtocol,
    pub given: Vec<VerdictFile>,
    /// By session.
    pub group: Vec<usize>,
    pub specimen: Vec<usize>,
    pub groups: Vec<String>,
    pub specimens: Vec<String>,
    pub rows: Vec<UnpooledRow>,
    pub cautions: Vec<String>,
}

impl Season {
    pub(super) fn of(given: Vec<VerdictFile>, by: Grouping) -> Result<Self, CompareError> {
        let (mut cautions, mut given) = (vec![], given);
        given.sort_by(|a, b| a.file.cmp(&b.file));
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
        let (specimen, specimens) = numbered(specimen_names(&given, &mut cautions));
        let names = given.iter().zip(&specimen).map(|(given, s)| group_name(&given.verdict, by, &specimens[*s]));
        let (group, groups) = numbered(names.collect());
        let rows = rows(&given);
        advise(&given, &mut cautions);
        Ok(Self { by, protocol, given, group, specimen, groups, specimens, rows, cautions })
    }

    /// Seconds to days since the first session, by session.
    pub(super) fn days(&self) -> Vec<f64> {
        let first = self.given.first().map_or(DateTime::<Utc>::MIN_UTC, |g| g.verdict.session.start);
        self.given.iter().map(|g| (g.verdict.session.start - first).as_seconds_f64() / 86400.0).collect()
    }

    pub(super) fn firmware(&self, session: usize) -> Option<&str> {
        self.given[session].verdict.unit.firmware.as_deref()
    }

    pub(super) fn tester(&self, session: usize) -> Option<&str> {
        self.given[session].verdict.session.tester.as_deref()
    }

    pub(super) fn models(&self) -> BTreeSet<&str> {
        self.given.iter().filter_map(|g| g.verdict.unit.model.as_deref()).collect()
    }

    pub(super) fn comparison(
        self,
        rows: Vec<Row>,
        apart: Vec<String>,
        questions: Vec<(&'static str, &'static str, Vec<Answer>)>,
    ) -> Comparison {
        let sessions: Vec<ComparedSession> = self
            .given
            .iter()
            .enumerate()
            .map(|(i, VerdictFile { file, verdict })| ComparedSession {
                file: file.clone(),
                sheet_number: verdict.sheet_number.clone(),
                start: verdict.session.start,
                group: self.group[i],
                specimen: self.specimens[self.specimen[i]].clone(),
                model: verdict.unit.model.clone(),
                firmware: verdict.unit.firmware.clone(),
                tester: verdict.session.tester.clone(),
                trainer: trainer(verdict),
                references: verdict.references.iter().map(|r| r.label.clone()).collect(),
                verdict: verdict.verdict.map(|outcome| outcome.word().to_owned()),
                judged_by: verdict.assize.clone(),
            })
            .collect();
        let starts = || sessions.iter().map(|s| s.start);
        let groups = self.groups.iter().enumerate().map(|(g, name)| self.group_facts(g, name)).collect();
        let (first, last) = (starts().min().unwrap_or_default(), starts().max().unwrap_or_default());
        let percent = words::plain_number(100.0 * self.protocol.coverage);
        Comparison {
            assize: env!("CARGO_PKG_VERSION").to_owned(),
            comparison_format: COMPARISON_FORMAT,
            method: method(&percent),
            protocol: self.protocol,
            by: self.by,
            first,
            last,
            groups,
            sessions,
            rows,
            apart,
            questions: questions
                .into_iter()
                .map(|(key, asks, answers)| Question { key: key.to_owned(), asks: asks.to_owned(), answers })
                .collect(),
            cautions: self.cautions,
        }
    }

    fn group_facts(&self, g: usize, name: &str) -> Group {
        let members: Vec<usize> = (0..self.given.len()).filter(|&i| self.group[i] == g).collect();
        let specimens: BTreeSet<usize> = members.iter().map(|&i| self.specimen[i]).collect();
        let mut verdicts = Tally::default();
        members.iter().filter_map(|&i| self.given[i].verdict.verdict).for_each(|outcome| verdicts.add(outcome));
        let starts = || members.iter().map(|&i| self.given[i].verdict.session.start);
        Group {
            name: name.to_owned(),
            sessions: members.len(),
            specimens: specimens.into_iter().map(|s| self.specimens[s].clone()).collect(),
            first: starts().min().unwrap_or_default(),
            last: starts().max().unwrap_or_default(),
            verdicts,
        }
    }
}

fn method(percent: &str) -> Vec<String> {
    vec![
        format!(
            "Expanded uncertainties and intervals are for {percent} %. Sessions of one group are averaged; what they share \
             (a reference's gain, the chain's loss) is not lessened by more of them."
        ),
        "How much sessions scatter beyond their budgets is pooled over all groups, row by row. Where it is less than the \
         budgets say, the budgets stand, so the uncertainties are rather too wide than too narrow."
            .to_owned(),
        "In a difference what both sides share cancels: the same reference by label, certificate and serial number. \
         References that may or may not be the same count as different there and as the same in a mean."
            .to_owned(),
        format!(
            "Groups are called different with an allowance for all pairs of all rows held against each other (Holm): of \
             equal units, fewer than {} in 100 comparisons call any two different.",
            // 95 % leaves 5.
            words::plain_number(100.0 - percent.parse::<f64>().unwrap_or(95.0))
        ),
    ]
}

impl Tally {
    pub(super) fn add(&mut self, outcome: Outcome) {
        let count = match outcome {
            Outcome::Pass => &mut self.pass,
            Outcome::Fail => &mut self.fail,
            Outcome::Undecided => &mut self.undecided,
            Outcome::NotRidden => &mut self.not_ridden,
            Outcome::NotApplicable => &mut self.not_applicable,
        };
        *count += 1;
    }
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

/// Up to three, and how many more.
fn some_of(names: &[&str]) -> String {
    match names.len() {
        0..=3 => names.join(", "),
        n => format!("{} and {} more", names[..3].join(", "), n - 3),
    }
}

/// Of judgements of the same recordings for the same unit the one by the newest program, said aloud.
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

/// Orders words with numbers in them by the numbers: 2.9 before 2.10, unit 9 before unit 17.
pub(super) fn by_parts(a: &str, b: &str) -> Ordering {
    let parts = |text: &str| {
        let mut parts: Vec<(u64, String)> = vec![];
        let (mut word, mut digits) = (String::new(), String::new());
        for c in text.chars().chain(['\0']) {
            if c.is_ascii_digit() {
                digits.push(c);
                continue;
            }
            if !digits.is_empty() {
                parts.push((digits.parse().unwrap_or(u64::MAX), std::mem::take(&mut word)));
                digits.clear();
            }
            word.push(c);
        }
        parts.push((0, word));
        parts.into_iter().map(|(number, before)| (before, number)).collect::<Vec<_>>()
    };
    parts(a).cmp(&parts(b)).then_with(|| a.cmp(b))
}

/// Index of each name into the sorted names.
fn numbered(names: Vec<String>) -> (Vec<usize>, Vec<String>) {
    let mut sorted: Vec<String> = names.iter().cloned().collect::<BTreeSet<_>>().into_iter().collect();
    sorted.sort_by(|a, b| by_parts(a, b));
    let place: HashMap<&String, usize> = sorted.iter().enumerate().map(|(i, name)| (name, i)).collect();
    let indices = names.iter().map(|name| place[name]).collect();
    (indices, sorted)
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
fn trainer(verdict: &Verdict) -> Option<String> {
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

/// Numbers for texts, so that sessions compare keys as numbers.
#[derive(Default)]
pub(super) struct KeyNumbers(HashMap<String, u32>);

impl KeyNumbers {
    fn of(&mut self, text: String) -> u32 {
        let next = self.0.len() as u32;
        *self.0.entry(text).or_insert(next)
    }
}

/// What a session's budget lines hang on, as keys: `surely` the same draw, `maybe` the same.
pub(super) struct SharedSources {
    references: HashMap<String, String>,
    all_references: u32,
    drivetrain: (u32, u32),
    head_units: (u32, u32),
    place: (u32, u32),
    session: u32,
}

/// Any session's: what nobody knows to be different may be the same.
const ANYWHERE: &str = "anywhere";

impl SharedSources {
    pub fn of(given: &[VerdictFile], keys: &mut KeyNumbers) -> Vec<SharedSources> {
        let clusters = clusters(given);
        given
            .iter()
            .enumerate()
            .map(|(i, VerdictFile { verdict, .. })| {
                let session = keys.of(format!("session {i}"));
                let known = |r: &InstrumentFacts| format!("{}\u{1}{:?}\u{1}{:?}", r.label, r.serial, r.certificate);
                let drivetrain = format!("{:?}", verdict.session.drivetrain);
                let of_place = verdict.session.place.as_ref().or(verdict.session.tester.as_ref());
                let heads: Option<Vec<&str>> = std::iter::once(&verdict.unit)
                    .chain(&verdict.references)
                    .map(|instrument| instrument.head_unit.as_deref())
                    .collect();
                let surely_or =
                    |text: Option<String>, keys: &mut KeyNumbers| text.map_or(session, |text| keys.of(text));
                SharedSources {
                    references: verdict.references.iter().map(|r| (r.label.clone(), known(r))).collect(),
                    all_references: keys.of(format!("cluster {}", clusters[i])),
                    drivetrain: (
                        surely_or(of_place.map(|place| format!("drivetrain {drivetrain} {place}")), keys),
                        keys.of(format!("drivetrain {drivetrain}")),
                    ),
                    head_units: (
                        surely_or(heads.map(|heads| format!("heads {heads:?}")), keys),
                        keys.of(ANYWHERE.to_owned()),
                    ),
                    place: (
                        surely_or(of_place.map(|place| format!("place {place}")), keys),
                        keys.of(ANYWHERE.to_owned()),
                    ),
                    session,
                }
            })
            .collect()
    }

    /// (surely, maybe); `None` for a draw of the session's own.
    pub fn keys(&self, source: Option<Source>, check: &CheckVerdict, keys: &mut KeyNumbers) -> Option<(u32, u32)> {
        match source {
            Some(Source::Scatter | Source::Resolution | Source::SamplingPhase) => None,
            Some(Source::ReferenceGain | Source::SideSplit | Source::Flywheel) => {
                let mut names: Vec<&str> = check
                    .references
                    .iter()
                    .map(|l| self.references.get(l).map_or(l.as_str(), String::as_str))
                    .collect();
                names.sort_unstable();
                let surely = if names.is_empty() {
                    self.session
                } else {
                    keys.of(format!("references {}", names.join("\u{2}")))
                };
                Some((surely, self.all_references))
            }
            Some(Source::ChainLoss | Source::RingLoss) => Some(self.drivetrain),
            Some(Source::Storage) => Some(self.head_units),
            // The strap's delay may come again with the same strap; nobody knows that it does.
            Some(Source::Clock) => Some((self.session, self.head_units.1)),
            Some(Source::Mass | Source::Gravity) => Some(self.place),
            // A word that this version does not know, too.
            Some(Source::CrankLength | Source::CrankAngle) | None => Some((self.session, self.place.1)),
        }
    }
}

/// By session, the number of the set of sessions whose references hang together by a label or a serial number.
fn clusters(given: &[VerdictFile]) -> Vec<usize> {
    let mut parent: Vec<usize> = (0..given.len()).collect();
    fn root(parent: &mut [usize], mut i: usize) -> usize {
        while parent[i] != i {
            parent[i] = parent[parent[i]];
            i = parent[i];
        }
        i
    }
    fn join(parent: &mut [usize], a: usize, b: usize) {
        let (a, b) = (root(parent, a), root(parent, b));
        parent[a.max(b)] = a.min(b);
    }
    let mut seen: HashMap<String, usize> = HashMap::new();
    for (i, given) in given.iter().enumerate() {
        for reference in &given.verdict.references {
            let token = match &reference.serial {
                Some(serial) => format!("serial {serial}"),
                None => format!("label {}", reference.label),
            };
            let first = *seen.entry(token).or_insert(i);
            join(&mut parent, first, i);
        }
    }
    // Where a label comes with and without a serial number, the bare one may be any of them.
    for (i, given) in given.iter().enumerate() {
        for reference in given.verdict.references.iter().filter(|r| r.serial.is_some()) {
            if let Some(&bare) = seen.get(&format!("label {}", reference.label)) {
                join(&mut parent, bare, i);
            }
        }
    }
    (0..given.len()).map(|i| root(&mut parent, i)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_names_order_them() {
        let mut names = ["unit 17", "unit 9", "firmware 2.10", "firmware 2.9", "unit 9b"];
        names.sort_by(|a, b| by_parts(a, b));
        assert_eq!(names, ["firmware 2.9", "firmware 2.10", "unit 9", "unit 9b", "unit 17"]);
    }
}
