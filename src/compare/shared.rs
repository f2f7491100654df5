//! What sessions share: which sources of uncertainty are the same draw in several of them, by what their verdicts say.

use std::collections::HashMap;

use super::read::VerdictFile;
use crate::scoring::budget::Source;
use crate::verdict::{CheckVerdict, InstrumentFacts};

/// Numbers for texts, so that sessions compare keys as numbers.
#[derive(Default)]
pub(super) struct KeyNumbers(HashMap<String, u32>);

impl KeyNumbers {
    fn of(&mut self, text: String) -> u32 {
        let next = self.0.len() as u32;
        *self.0.entry(text).or_insert(next)
    }
}

/// Which draw a source of uncertainty is in one session, to hold against those of other sessions.
#[derive(Debug, Clone, Copy)]
pub(super) struct DrawKeys {
    /// Sessions with this key have the same draw.
    pub surely: u32,
    /// Sessions with this key may have the same draw.
    pub maybe: u32,
}

/// What the lines of a session's budgets depend on that other sessions may depend on too.
pub(super) struct SharedSources {
    /// What is known of each reference, by its label.
    references: HashMap<String, String>,
    all_references: u32,
    drivetrain: DrawKeys,
    head_units: DrawKeys,
    place: DrawKeys,
    session: u32,
}

/// The key of every session: what nobody knows to be different may be the same.
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
                    drivetrain: DrawKeys {
                        surely: surely_or(of_place.map(|place| format!("drivetrain {drivetrain} {place}")), keys),
                        maybe: keys.of(format!("drivetrain {drivetrain}")),
                    },
                    head_units: DrawKeys {
                        surely: surely_or(heads.map(|heads| format!("heads {heads:?}")), keys),
                        maybe: keys.of(ANYWHERE.to_owned()),
                    },
                    place: DrawKeys {
                        surely: surely_or(of_place.map(|place| format!("place {place}")), keys),
                        maybe: keys.of(ANYWHERE.to_owned()),
                    },
                    session,
                }
            })
            .collect()
    }

    /// `None` for a source that no other session shares.
    pub fn keys(&self, source: Option<Source>, check: &CheckVerdict, keys: &mut KeyNumbers) -> Option<DrawKeys> {
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
                Some(DrawKeys { surely, maybe: self.all_references })
            }
            Some(Source::ChainLoss | Source::RingLoss) => Some(self.drivetrain),
            Some(Source::Storage) => Some(self.head_units),
            // The strap's delay may come again with the same strap; nobody knows that it does.
            Some(Source::Clock) => Some(DrawKeys { surely: self.session, maybe: self.head_units.maybe }),
            Some(Source::Mass | Source::Gravity) => Some(self.place),
            // A word that this version does not know, too.
            Some(Source::CrankLength | Source::CrankAngle) | None => {
                Some(DrawKeys { surely: self.session, maybe: self.place.maybe })
            }
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
