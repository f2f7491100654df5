//! What is asked of a rider at any one time: ring, posture, side, power.

use crate::quantity::Range;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Ring {
    Big,
    Small,
}

impl Ring {
    pub fn from_word(word: &str) -> Option<Self> {
        [Ring::Big, Ring::Small].into_iter().find(|ring| ring.word() == word)
    }

    pub fn word(self) -> &'static str {
        match self {
            Ring::Big => "big",
            Ring::Small => "small",
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Posture {
    Seated,
    Standing,
}

impl Posture {
    pub fn word(self) -> &'static str {
        match self {
            Posture::Seated => "seated",
            Posture::Standing => "standing",
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    Left,
    Right,
}

/// A target power: one value, or a range to stay in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Target {
    Value(f64),
    Within(Range),
}

impl Target {
    /// The value aimed at (a range's middle, or its closed end).
    pub fn aim_w(&self) -> f64 {
        match self {
            Target::Value(power_w) => *power_w,
            Target::Within(range) => range.middle().unwrap_or(0.0),
        }
    }
}

/// A power held for a time: `200 W for 20 s`, `at least 300 W for 5..10 s`, `30..90 W for 15..25 s`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hold {
    pub power_w: Target,
    /// A single duration is written with both ends equal.
    pub for_s: Range,
}

pub(crate) const RINGS: [(&str, Ring); 2] = [("big", Ring::Big), ("small", Ring::Small)];
pub(crate) const POSTURES: [(&str, Posture); 2] = [("seated", Posture::Seated), ("standing", Posture::Standing)];
pub(crate) const SIDES: [(&str, Side); 2] = [("left", Side::Left), ("right", Side::Right)];
