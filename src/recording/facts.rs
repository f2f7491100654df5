//! Plain facts about a recording that several steps ask for.

use super::channels::{Channel, ChannelColumn};
use super::fit::times::FIT_EPOCH_UNIX_S;
use super::model::{Format, Recording, Samples, Sensor};
use super::table::median;

/// One channel of a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Column<'a> {
    /// As users write it.
    pub name: &'a str,
    pub unit: &'a str,
    pub values: &'a [Option<f64>],
}

/// Zeros are values too; invalid and missing are different things.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counts {
    pub values: usize,
    pub zeros: usize,
    /// Written by the file as invalid.
    pub invalid: usize,
    /// Not written at all.
    pub missing: usize,
}

/// A stretch without samples: the times of those on either side, in seconds since the recording's start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gap {
    pub start_s: f64,
    pub end_s: f64,
}

impl Samples {
    /// The channels of fixed meaning, with their units, in the order in which they are shown.
    fn named(&self) -> [Column<'_>; Channel::COUNT] {
        let columns = self.columns();
        Channel::ALL.map(|channel| {
            let kind = channel.kind();
            Column { name: kind.name, unit: kind.unit, values: columns[channel as usize] }
        })
    }

    /// Every channel that holds at least one value; further ones come last, with a unit where the file states it.
    pub fn channels(&self) -> Vec<Column<'_>> {
        let unit = |name| self.extra_units.get(name).map_or("", String::as_str);
        let extra = self.extra.iter().map(|(name, values)| Column { name, unit: unit(name), values });
        self.named().into_iter().chain(extra).filter(|column| column.values.iter().any(Option::is_some)).collect()
    }

    /// [`Samples::channels`], and the channels of which the file wrote nothing but invalid samples (without a column
    /// if they are further ones).
    pub fn recorded(&self) -> Vec<Column<'_>> {
        let unit = |name| self.extra_units.get(name).map_or("", String::as_str);
        let never_valid = self.invalid.keys().filter(|name| self.channel(name).is_none());
        let named = self.named();
        let never_valid = never_valid.map(|name| {
            let known = named.iter().find(|column| column.name == name);
            known.copied().unwrap_or(Column { name, unit: unit(name.as_str()), values: &[] })
        });
        let mut recorded = self.channels();
        recorded.extend(never_valid);
        recorded
    }

    /// What became of each sample of a channel, by the names that [`Samples::channel`] knows; of a channel that holds
    /// nothing valid too.
    pub fn counts(&self, name: &str) -> Counts {
        let own = |name: &str| Channel::of_name(name).is_some() || self.extra.contains_key(name);
        let name = match ChannelColumn::of_header(name) {
            Some(column) if !own(name) => column.channel.kind().name,
            _ => name,
        };
        let values = self.channel(name).unwrap_or_default();
        let present = values.iter().flatten().count();
        let invalid = self.invalid.get(name).map_or(0, Vec::len);
        Counts {
            values: present,
            zeros: values.iter().filter(|value| **value == Some(0.0)).count(),
            invalid,
            missing: self.len() - present - invalid,
        }
    }

    /// A channel by its name: `power`, `heart_rate`, …, a further one as [`Samples::extra`] has it, or the
    /// CSV header that it was read from (`watts`).
    ///
    /// `None` if the recording has no such channel, or not one value of it.
    pub fn channel(&self, name: &str) -> Option<&[Option<f64>]> {
        let by_name = self.channels().into_iter().find(|column| column.name == name);
        let by_header = || Some(self.named()[ChannelColumn::of_header(name)?.channel as usize]);
        let values = by_name.or_else(by_header)?.values;
        values.iter().any(Option::is_some).then_some(values)
    }
}

/// 1998-07-03: FIT stamps below 0x1000_0000 count from power-on (public FIT profile, type `date_time`).
const DATED_FROM_UNIX_S: i64 = FIT_EPOCH_UNIX_S as i64 + 0x1000_0000;

/// What head units call a trainer.
const TRAINER_KINDS: [&str; 2] = ["fitness equipment", "bike trainer"];

/// Whether a sensor of this kind is a trainer.
pub(crate) fn is_trainer(kind: &str) -> bool {
    TRAINER_KINDS.contains(&kind)
}

impl Sensor {
    /// Its serial number, else the number that it is heard by.
    pub fn known_by(&self) -> Option<&str> {
        self.serial.as_deref().or(self.number.as_deref())
    }
}

impl Recording {
    /// The sensors that tell a power, as the file names them.
    pub fn power_sensors(&self) -> Vec<&Sensor> {
        let of_power = |sensor: &&Sensor| sensor.kind.as_deref().is_some_and(|k| k == "bike power" || is_trainer(k));
        self.sensors.iter().filter(of_power).collect()
    }

    /// Whether its stamps tell the day: neither of a clock that nobody set nor counted from its own start.
    pub fn is_dated(&self) -> bool {
        self.start.timestamp() >= DATED_FROM_UNIX_S
    }

    /// Whether the head unit's clock was never set, and counts from the format's epoch or from power-on.
    pub fn clock_unset(&self) -> bool {
        self.format == Format::Fit && !self.is_dated()
    }

    /// Time of the last sample less that of the first.
    pub fn duration_s(&self) -> f64 {
        self.samples.time_s.last().copied().unwrap_or(0.0)
    }

    /// Median step between samples; 1 s for a single sample, which has none.
    pub fn sampling_interval_s(&self) -> f64 {
        median(self.samples.time_s.windows(2).map(|w| w[1] - w[0])).unwrap_or(1.0)
    }

    /// How many samples follow the one before by less than half a sampling interval: as irregular as a gap.
    pub fn crowded(&self) -> usize {
        let shortest_s = self.sampling_interval_s() / 2.0;
        self.samples.time_s.windows(2).filter(|w| w[1] - w[0] < shortest_s).count()
    }

    /// Stretches without a sample longer than one and a half sampling intervals.
    pub fn gaps(&self) -> Vec<Gap> {
        let longest_s = 1.5 * self.sampling_interval_s();
        let far = self.samples.time_s.windows(2).filter(|w| w[1] - w[0] > longest_s);
        far.map(|w| Gap { start_s: w[0], end_s: w[1] }).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::{Counts, Gap};
    use crate::recording::{Recording, read};

    fn recording(table: &str) -> Recording {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("ride.csv");
        std::fs::write(&file, table).unwrap();
        read(&file).unwrap()
    }

    #[test]
    fn a_gap_is_longer_than_one_and_a_half_intervals() {
        let ride = recording("seconds,power\n0,1\n2,1\n4,1\n7,1\n9,1\n13,1\n15,1\n");
        assert_eq!(ride.sampling_interval_s(), 2.0);
        assert_eq!(ride.gaps(), [Gap { start_s: 9.0, end_s: 13.0 }], "3 s is one and a half, not longer");
        assert_eq!(ride.duration_s(), 15.0);
        assert_eq!(ride.crowded(), 0);
        let crowded = recording("seconds,power\n0,1\n2,1\n2.5,1\n4,1\n6,1\n");
        assert_eq!(crowded.crowded(), 1);
        let said = "1 sample less than half of the usual 2 s after the one before; the recording is irregular";
        assert!(crowded.cautions.iter().any(|c| c == said), "{:?}", crowded.cautions);
    }

    #[test]
    fn every_channel_answers_to_its_name_and_to_its_header() {
        let ride = recording(
            "time,Watts,RPM,hr,speed_m_s,altitude_m,temperature_c,distance_m,latitude_deg,longitude_deg,right_share_pct,Other\n\
             1600000000,1,2,3,4,5,6,7,8,9,10,11\n",
        );
        let names = [
            ["power", "watts"],
            ["cadence", "rpm"],
            ["heart_rate", "hr"],
            ["speed", "speed_m_s"],
            ["altitude", "altitude_m"],
            ["temperature", "temperature_c"],
            ["distance", "distance_m"],
            ["latitude", "latitude_deg"],
            ["longitude", "longitude_deg"],
            ["right_share", "right_share_pct"],
            ["Other", "Other"],
        ];
        for (i, name) in names.iter().enumerate().flat_map(|(i, names)| names.iter().map(move |name| (i, name))) {
            assert_eq!(ride.samples.channel(name), Some(&[Some((i + 1) as f64)][..]), "{name}");
        }
        assert_eq!(ride.samples.channel("power_2"), None);
    }

    #[test]
    fn a_channel_without_a_value_is_none() {
        assert_eq!(recording("time,power,hr\n1600000000,1,\n").samples.channel("heart_rate"), None);
    }

    #[test]
    fn each_sample_is_counted_once_by_any_name() {
        let ride = recording("time,watts,own,hr\n1600000000,0,1,-\n1600000001,-,,-\n1600000002,,,\n1600000003,5,-,-\n");
        let counts = |name| {
            let Counts { values, zeros, invalid, missing } = ride.samples.counts(name);
            [values, zeros, invalid, missing]
        };
        assert_eq!((counts("power"), counts("watts")), ([2, 1, 1, 1], [2, 1, 1, 1]));
        assert_eq!(counts("own"), [1, 0, 1, 2]);
        assert_eq!(counts("heart_rate"), [0, 0, 3, 1], "never valid is not never written");
        assert_eq!(counts("cadence"), [0, 0, 0, 4]);
    }
}
