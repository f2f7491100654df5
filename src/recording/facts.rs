//! Plain facts about a recording that several steps ask for.

use super::{Recording, Samples, rows::median};

/// A channel's name as users write it, its unit, its column.
pub type Column<'a> = (&'a str, &'static str, &'a [Option<f64>]);

impl Samples {
    /// The channels of fixed meaning, with their units, in the order in which they are shown.
    fn named(&self) -> [Column<'_>; 10] {
        [
            ("power", "W", &self.power_w),
            ("cadence", "rpm", &self.cadence_rpm),
            ("heart_rate", "bpm", &self.heart_rate_bpm),
            ("speed", "m/s", &self.speed_m_s),
            ("altitude", "m", &self.altitude_m),
            ("temperature", "°C", &self.temperature_c),
            ("distance", "m", &self.distance_m),
            ("latitude", "°", &self.latitude_deg),
            ("longitude", "°", &self.longitude_deg),
            ("right_share", "%", &self.right_share_pct),
        ]
    }

    /// Every channel that holds at least one value; further ones come last and have no unit.
    pub fn channels(&self) -> Vec<Column<'_>> {
        let extra = self.extra.iter().map(|(name, values)| (name.as_str(), "", values.as_slice()));
        self.named().into_iter().chain(extra).filter(|(_, _, v)| v.iter().any(Option::is_some)).collect()
    }

    /// A channel by its name: `power`, `heart_rate`, … or a further one as [`Samples::extra`] has it.
    ///
    /// `None` if the recording has no such channel, or not one value of it.
    pub fn channel(&self, name: &str) -> Option<&[Option<f64>]> {
        self.channels().into_iter().find(|(n, _, _)| *n == name).map(|(_, _, values)| values)
    }
}

impl Recording {
    /// Time of the last sample less that of the first.
    pub fn duration_s(&self) -> f64 {
        self.samples.time_s.last().copied().unwrap_or(0.0)
    }

    /// Median step between samples; 1 s for a single sample, which has none.
    pub fn sampling_interval_s(&self) -> f64 {
        median(self.samples.time_s.windows(2).map(|w| w[1] - w[0])).unwrap_or(1.0)
    }

    /// Stretches without a sample longer than one and a half sampling intervals: the times of the
    /// samples on either side, in seconds since the start.
    pub fn gaps(&self) -> Vec<(f64, f64)> {
        let longest_s = 1.5 * self.sampling_interval_s();
        self.samples.time_s.windows(2).filter(|w| w[1] - w[0] > longest_s).map(|w| (w[0], w[1])).collect()
    }
}
