//! Rows before they are pooled: what each session says in them.

use std::collections::BTreeMap;

use crate::stats;
use crate::verdict::Outcome;

/// What a row is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum RowSubject {
    /// The errors of steady blocks together.
    Steady,
    Ride,
    Mean,
    Contrast,
    WholeRide,
}

impl RowSubject {
    const ALL: [RowSubject; 5] =
        [RowSubject::Steady, RowSubject::Ride, RowSubject::Mean, RowSubject::Contrast, RowSubject::WholeRide];

    /// As a comparison's JSON writes it.
    pub fn word(self) -> &'static str {
        match self {
            RowSubject::Steady => "steady",
            RowSubject::Ride => "ride",
            RowSubject::Mean => "mean",
            RowSubject::Contrast => "contrast",
            RowSubject::WholeRide => "whole ride",
        }
    }

    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|of| of.word() == word)
    }
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
    /// The questions about specimen, firmware, tester and drift are asked of this row.
    pub main: bool,
    /// By session.
    pub entries: Vec<Option<SessionValue>>,
}

/// A draw that other sessions may share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SharedDraw {
    pub source: u8,
    /// Sessions with this key have the same draw.
    pub surely: u32,
    /// Sessions with this key may have the same draw.
    pub maybe: u32,
    /// Standard uncertainty.
    pub u: f64,
}

/// What one session says in one row.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct SessionValue {
    pub value: Option<f64>,
    pub uncertain: bool,
    pub censored: bool,
    /// `None` in the rows of steady errors, which are several checks together.
    pub outcome: Option<Outcome>,
    /// Variance of what no other session shares.
    pub variance: f64,
    /// Σu⁴/ν of the same, for its degrees of freedom (Welch and Satterthwaite).
    pub spread: f64,
    pub shared: Vec<SharedDraw>,
}

impl SessionValue {
    /// Adds a source of uncertainty that no other session shares.
    pub(super) fn add_own(&mut self, u: f64, degrees_of_freedom: f64) {
        self.variance += u * u;
        self.spread += u.powi(4) / degrees_of_freedom;
    }

    /// The mean of blocks of one session; `None` where none has a value.
    pub(super) fn mean(blocks: &[SessionValue]) -> Option<SessionValue> {
        let blocks: Vec<&SessionValue> = blocks.iter().filter(|block| block.value.is_some()).collect();
        let n = blocks.len() as f64;
        let value = stats::mean(&blocks.iter().filter_map(|block| block.value).collect::<Vec<f64>>())?;
        let mut shared: BTreeMap<(u8, u32, u32), f64> = BTreeMap::new();
        for one in blocks.iter().flat_map(|block| &block.shared) {
            *shared.entry((one.source, one.surely, one.maybe)).or_default() += one.u / n;
        }
        Some(SessionValue {
            value: Some(value),
            uncertain: blocks.iter().all(|block| block.uncertain),
            censored: false,
            outcome: None,
            variance: blocks.iter().map(|block| block.variance).sum::<f64>() / (n * n),
            spread: blocks.iter().map(|block| block.spread).sum::<f64>() / n.powi(4),
            shared: shared
                .into_iter()
                .map(|((source, surely, maybe), u)| SharedDraw { source, surely, maybe, u })
                .collect(),
        })
    }
}
