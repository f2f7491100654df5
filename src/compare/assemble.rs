//! The comparison put together of a season, its rows and the answers to its questions.

use std::collections::BTreeSet;

use super::comparison::{COMPARISON_FORMAT, ComparedSession, Comparison, Group, Question, Tally};
use super::gather::trainer;
use super::matrix::Matrix;
use super::read::VerdictFile;
use super::season::Season;
use crate::words;

impl Season {
    pub(super) fn comparison(self, Matrix { rows, apart }: Matrix, questions: Vec<Question>) -> Comparison {
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
            questions,
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
