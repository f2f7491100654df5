//! The clock of a recording of another head unit: on all that both have and the unit does not produce.

use super::by_change::{ChannelUnused, by_change};
use super::by_level::by_level;
use super::cautions::About;
use super::channels::{self, SharedChannel, Shows, UnitsPart};
use super::combine::{UNALIGNED_U_S, UnsteadyWindow, by_stamps, combined};
use super::error::AlignError;
use super::lag::OffsetSearch;
use super::second_values::SharedSignal;
use super::session_clock::SessionClock;
use super::times::last_s;
use crate::recording::Recording;
use crate::ride::{AlignedOn, Clock};
use crate::session::Instrument;

/// Head units set by satellite or phone agree to a few seconds; a minute is a clock set wrong. Common practice, no source.
const WRONG_CLOCK_S: f64 = 60.0;

/// A recording whose clock is sought.
pub(super) struct ClockSearch<'a> {
    pub session: &'a SessionClock<'a>,
    pub instrument: &'a Instrument,
    pub recording: &'a Recording,
}

impl ClockSearch<'_> {
    /// The clock by whatever tells it, with what is to be said of it.
    ///
    /// # Errors
    /// [`AlignError`] where nothing shared tells it and its stamps give it too little in common with the session's.
    pub fn clock(&self, cautions: &mut Vec<String>) -> Result<Clock, AlignError> {
        let mut clocks: Vec<Clock> = vec![];
        for channel in channels::SHARED {
            // All channels show a reset, but it is looked for only where changes are counted.
            if clocks.first().is_some_and(|clock| clock.reset.is_some()) {
                break;
            }
            match self.by_channel(channel, clocks.first()) {
                Ok(clock) => clocks.push(clock),
                Err(why) => cautions.extend(self.unused(channel, why)),
            }
        }
        match combined(clocks, last_s(self.recording) / 2.0) {
            Some(clock) => Ok(self.checked(clock, cautions)),
            None => self.last_resort(cautions),
        }
    }

    fn about(&self) -> About<'_> {
        About { label: &self.instrument.label, first: &self.session.first.label, start: self.session.start }
    }

    /// Clock by one channel, near what another one gave.
    fn by_channel(&self, channel: &SharedChannel, known: Option<&Clock>) -> Result<Clock, ChannelUnused> {
        if let UnitsPart::UnlessSameSensor(kind) = channel.unit
            && self.session.is_units(self.recording)
            && !self.session.same_sensor(self.recording, kind)
        {
            return Err(ChannelUnused::Absent);
        }
        let columns = channel.columns.iter().map(|name| self.shared(name)).collect();
        let signals = channel.reading.of(columns).ok_or(ChannelUnused::Absent)?;
        let found = |search: &OffsetSearch| match channel.shows {
            Shows::Changes => by_change(signals.first().ok_or(ChannelUnused::Absent)?, *search, channel),
            Shows::Level { window_s, far } => {
                by_level(&signals, *search, channel, window_s, far).ok_or(ChannelUnused::Absent)
            }
        };
        let mut searches = self.searches(channel, known).into_iter();
        let first = searches.next().map_or(Err(ChannelUnused::Absent), |search| found(&search));
        first.or_else(|why| searches.find_map(|search| found(&search).ok()).ok_or(why))
    }

    /// Where to look for a channel's offset, one place after the other.
    fn searches(&self, channel: &SharedChannel, known: Option<&Clock>) -> Vec<OffsetSearch> {
        let is_units_own = channel.unit == UnitsPart::Own;
        // Far from its stamps the unit's own power is believed only where a time zone explains it.
        let far = if is_units_own { OffsetSearch::OtherZone } else { OffsetSearch::Everywhere };
        match known {
            Some(clock) => vec![OffsetSearch::Around(clock.offset_s)],
            None if !self.session.comparable(self.recording) => vec![OffsetSearch::Everywhere],
            // Of two recordings one after the other, seconds that look alike prove nothing.
            None if is_units_own && !self.session.overlaps(self.recording) => vec![far],
            None => vec![OffsetSearch::Near, far],
        }
    }

    fn shared(&self, name: &str) -> SharedSignal {
        self.session.shared(self.instrument, self.recording, name)
    }

    /// What to say of a channel that both have and that was not used. Of levels nothing: two sensors often serve them.
    fn unused(&self, channel: &SharedChannel, why: ChannelUnused) -> Option<String> {
        if channel.shows != Shows::Changes {
            return None;
        }
        match why {
            ChannelUnused::Unlike(share) => Some(self.about().not_the_same(channel.on, share)),
            ChannelUnused::Absent => {
                let recorded = |name: &&str| {
                    let SharedSignal { session, theirs } = self.shared(name);
                    !session.is_empty() && !theirs.is_empty()
                };
                (self.session.overlaps(self.recording) && channel.columns.iter().all(recorded))
                    .then(|| self.about().changes_too_little(channel.on))
            }
        }
    }

    /// A clock on shared channels: what does not agree is told, and what no steady clock explains makes it less certain.
    fn checked(&self, mut clock: Clock, cautions: &mut Vec<String>) -> Clock {
        let (about, on) = (self.about(), clock.aligned_on);
        let stamped_s = self.session.stamped_s(self.recording);
        cautions.extend(clock.apart.iter().map(|other| about.channels_apart(on, other)));
        cautions.extend(self.set_wrong(&clock));
        if let Some(reset) = clock.reset {
            cautions.push(about.put_right(on, stamped_s + clock.offset_s + reset.at_s, reset.by_s));
        }
        if let Some(window) = UnsteadyWindow::worst(&clock, stamped_s) {
            cautions.push(about.unsteady(on, &window));
            // Where in the ride a phase lies is not known here: anything up to the worst (GUM 4.3.7).
            clock.standard_uncertainty_s = clock.standard_uncertainty_s.hypot(window.off_s / 3f64.sqrt());
        }
        clock
    }

    /// By power, or by its stamps.
    fn last_resort(&self, cautions: &mut Vec<String>) -> Result<Clock, AlignError> {
        let comparable = self.session.comparable(self.recording);
        let clock = match self.by_channel(&channels::POWER, None) {
            Ok(clock) => clock,
            Err(_) if comparable => {
                let clock = by_stamps(AlignedOn::Nothing, 0.0, UNALIGNED_U_S);
                self.session.check_overlap(self.recording, &clock)?;
                clock
            }
            Err(_) => by_stamps(AlignedOn::Nothing, -self.session.stamped_s(self.recording), UNALIGNED_U_S),
        };
        cautions.extend(self.set_wrong(&clock));
        let about = self.about();
        cautions.push(match clock.aligned_on {
            AlignedOn::Power => about.by_power(),
            _ if comparable => about.by_stamps(),
            _ => about.no_time_of_day(),
        });
        Ok(clock)
    }

    fn set_wrong(&self, clock: &Clock) -> Option<String> {
        let never_set = self.recording.clock_unset() || !self.session.own[0].clock_unset();
        let same_era = self.session.comparable(self.recording) && never_set;
        (same_era && clock.offset_s.abs() > WRONG_CLOCK_S).then(|| self.about().set_wrong(clock))
    }
}
