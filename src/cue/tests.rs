use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};

use super::Prompter;
use crate::protocol::Protocol;

pub fn at(s: f64) -> DateTime<Utc> {
    DateTime::from_timestamp(1_795_267_800, 0).unwrap() + TimeDelta::milliseconds((s * 1000.0).round() as i64)
}

/// A session whose cautions were read.
pub fn read(protocol: &Protocol) -> Prompter {
    let mut prompter = Prompter::new(protocol);
    prompter.read(usize::MAX);
    prompter
}

pub fn shipped(name: &str) -> Protocol {
    crate::protocol::load(&Path::new("protocols").join(name), None).unwrap()
}
