//! Times as FIT counts them.

use super::super::table::OTHER_DAY_S;

/// FIT counts seconds from 1989-12-31T00:00:00Z (public FIT profile, type `date_time`).
pub(crate) const FIT_EPOCH_UNIX_S: f64 = 631_065_600.0;

/// Field that holds the time in every message that has one (public FIT profile).
pub(super) const TIMESTAMP: u8 = 253;

/// Whether a time may belong to a ride that starts at `start_unix_s`, if anything is known of that.
#[inline]
pub(super) fn same_day(start_unix_s: Option<f64>, unix_s: f64) -> bool {
    start_unix_s.is_none_or(|start| (unix_s - start).abs() <= OTHER_DAY_S)
}
