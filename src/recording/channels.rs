//! The kinds of channel that have a fixed meaning: for each its name, its unit, and what every format calls it.
//!
//! A new kind is a variant and a row here and a column of `Samples`, in `model.rs`; readers and writers go by this table.

/// A kind of channel, in the order in which channels are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Channel {
    Power,
    Cadence,
    HeartRate,
    Speed,
    Altitude,
    Temperature,
    Distance,
    Latitude,
    Longitude,
    RightShare,
}

/// What is so of a kind of channel.
pub(super) struct ChannelKind {
    channel: Channel,
    /// As users, session files and the JSON write it.
    pub name: &'static str,
    pub unit: &'static str,
    /// Header of the column that [`super::write_csv`] writes; reading knows it.
    pub export: &'static str,
    /// Record fields of the public FIT profile that hold it, the first one that says more goes; and the factor from the
    /// profile's unit.
    pub fit_fields: &'static [u8],
    pub fit_factor: f64,
    /// Headers of a table's column, in lower case and with `_` for blanks and hyphens; with the units that may stand
    /// behind them in brackets (`""` where none need) and their sizes.
    headers: &'static [&'static str],
    units: &'static [(&'static str, f64)],
    /// Headers that have the unit in them, with its size.
    headers_with_unit: &'static [(&'static str, f64)],
    /// Local names, in lower case, of elements of a TCX or GPX point, and those that only GPX has.
    elements: &'static [&'static str],
    gpx_elements: &'static [&'static str],
    /// Attribute of a GPX point.
    pub attribute: Option<&'static str>,
}

/// FIT holds angles in parts of half a turn, 2³¹ to the half (public FIT profile).
const DEGREES_PER_SEMICIRCLE: f64 = 180.0 / 2_147_483_648.0;

const KM_H: f64 = 1.0 / 3.6;

/// In the order of [`Channel`].
///
/// TCX names its channels in the schema TrainingCenterDatabase v2, power and speed as `Watts` and `Speed` of `TPX` in
/// ActivityExtension v2. GPX 1.1 leaves extensions open: `hr`, `cad`, `atemp` and `speed` are of TrackPointExtension v1 and
/// v2, `PowerInWatts` is of PowerExtension v1 (names from memory, and seen in open programs that write by these schemas).
/// What else stands here is common practice, no source.
const KINDS: &[ChannelKind; Channel::COUNT] = &[
    ChannelKind {
        channel: Channel::Power,
        name: "power",
        unit: "W",
        export: "power_w",
        fit_fields: &[7],
        fit_factor: 1.0,
        headers: &["power", "watts", "power_w"],
        units: &[("", 1.0), ("w", 1.0), ("watts", 1.0), ("watt", 1.0)],
        headers_with_unit: &[],
        elements: &["watts", "power"],
        gpx_elements: &["powerinwatts"],
        attribute: None,
    },
    ChannelKind {
        channel: Channel::Cadence,
        name: "cadence",
        unit: "rpm",
        export: "cadence_rpm",
        // 52 is cadence and its fraction in one.
        fit_fields: &[4, 52],
        fit_factor: 1.0,
        headers: &["cadence", "rpm", "cadence_rpm"],
        units: &[("", 1.0), ("rpm", 1.0), ("1/min", 1.0)],
        headers_with_unit: &[],
        elements: &["cadence", "cad"],
        gpx_elements: &[],
        attribute: None,
    },
    ChannelKind {
        channel: Channel::HeartRate,
        name: "heart_rate",
        unit: "bpm",
        export: "heart_rate_bpm",
        fit_fields: &[3],
        fit_factor: 1.0,
        headers: &["heart_rate", "heartrate", "hr", "bpm", "heart_rate_bpm"],
        units: &[("", 1.0), ("bpm", 1.0), ("1/min", 1.0)],
        headers_with_unit: &[],
        elements: &["heartratebpm", "heartrate", "hr"],
        gpx_elements: &[],
        attribute: None,
    },
    ChannelKind {
        channel: Channel::Speed,
        name: "speed",
        unit: "m/s",
        export: "speed_m_s",
        // 73 is wider.
        fit_fields: &[6, 73],
        fit_factor: 1.0,
        headers: &["speed"],
        // Without a unit nobody knows which it is in.
        units: &[("m_s", 1.0), ("m/s", 1.0), ("km_h", KM_H), ("km/h", KM_H), ("kmh", KM_H), ("kph", KM_H)],
        headers_with_unit: &[("speed_m_s", 1.0), ("speed_km_h", KM_H)],
        elements: &["speed"],
        gpx_elements: &[],
        attribute: None,
    },
    ChannelKind {
        channel: Channel::Altitude,
        name: "altitude",
        unit: "m",
        export: "altitude_m",
        // 78 is wider.
        fit_fields: &[2, 78],
        fit_factor: 1.0,
        headers: &["altitude", "elevation", "ele"],
        units: &[("", 1.0), ("m", 1.0)],
        headers_with_unit: &[("altitude_m", 1.0)],
        elements: &["altitudemeters", "ele"],
        gpx_elements: &[],
        attribute: None,
    },
    ChannelKind {
        channel: Channel::Temperature,
        name: "temperature",
        unit: "°C",
        export: "temperature_c",
        fit_fields: &[13],
        fit_factor: 1.0,
        headers: &["temperature", "temp"],
        units: &[("", 1.0), ("c", 1.0), ("°c", 1.0)],
        headers_with_unit: &[("temperature_c", 1.0)],
        elements: &["atemp", "temp", "temperature"],
        gpx_elements: &[],
        attribute: None,
    },
    ChannelKind {
        channel: Channel::Distance,
        name: "distance",
        unit: "m",
        export: "distance_m",
        fit_fields: &[5],
        fit_factor: 1.0,
        headers: &["distance"],
        units: &[("", 1.0), ("m", 1.0), ("km", 1000.0)],
        headers_with_unit: &[("distance_m", 1.0), ("distance_km", 1000.0)],
        elements: &["distancemeters", "distance"],
        gpx_elements: &[],
        attribute: None,
    },
    ChannelKind {
        channel: Channel::Latitude,
        name: "latitude",
        unit: "°",
        export: "latitude_deg",
        fit_fields: &[0],
        fit_factor: DEGREES_PER_SEMICIRCLE,
        headers: &["latitude", "lat", "latitude_deg"],
        units: &[("", 1.0), ("°", 1.0), ("deg", 1.0)],
        headers_with_unit: &[],
        elements: &["latitudedegrees"],
        gpx_elements: &[],
        attribute: Some("lat"),
    },
    ChannelKind {
        channel: Channel::Longitude,
        name: "longitude",
        unit: "°",
        export: "longitude_deg",
        fit_fields: &[1],
        fit_factor: DEGREES_PER_SEMICIRCLE,
        headers: &["longitude", "lon", "lng", "longitude_deg"],
        units: &[("", 1.0), ("°", 1.0), ("deg", 1.0)],
        headers_with_unit: &[],
        elements: &["longitudedegrees"],
        gpx_elements: &[],
        attribute: Some("lon"),
    },
    ChannelKind {
        channel: Channel::RightShare,
        name: "right_share",
        unit: "%",
        export: "right_share_pct",
        // As a balance with its side in one bit, see `fit/record.rs`.
        fit_fields: &[30],
        fit_factor: 1.0,
        headers: &["right_share", "right_share_pct"],
        units: &[("", 1.0), ("%", 1.0)],
        headers_with_unit: &[],
        elements: &[],
        gpx_elements: &[],
        attribute: None,
    },
];

/// A table's column that holds a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ChannelColumn {
    pub channel: Channel,
    /// From the column's unit to the channel's.
    pub scale: f64,
}

impl Channel {
    pub const COUNT: usize = Channel::RightShare as usize + 1;

    pub const ALL: [Channel; Self::COUNT] = {
        let mut all = [Channel::Power; Self::COUNT];
        let mut i = 0;
        while i < Self::COUNT {
            assert!(KINDS[i].channel as usize == i, "a kind of channel is out of order");
            all[i] = KINDS[i].channel;
            i += 1;
        }
        all
    };

    #[inline]
    pub const fn kind(self) -> &'static ChannelKind {
        &KINDS[self as usize]
    }

    /// By the name that users write.
    pub fn of_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|channel| channel.kind().name == name)
    }

    /// The channel that an element of a point holds, by its local name in lower case.
    pub fn of_element(name: &str, in_gpx: bool) -> Option<Self> {
        Self::ALL.into_iter().find(|channel| {
            let kind = channel.kind();
            kind.elements.contains(&name) || (in_gpx && kind.gpx_elements.contains(&name))
        })
    }
}

impl ChannelColumn {
    /// The channel that a header names, in any case and with blanks or hyphens for `_`.
    pub fn of_header(header: &str) -> Option<Self> {
        let (name, unit) = unit_apart(header);
        let (name, unit) = (normal(name), unit.to_lowercase());
        Channel::ALL.into_iter().find_map(|channel| {
            let kind = channel.kind();
            let with_unit = kind.headers_with_unit.iter().find(|(header, _)| *header == name);
            let known = || kind.headers.contains(&name.as_str());
            let size = with_unit.or_else(|| kind.units.iter().find(|(symbol, _)| known() && *symbol == unit));
            size.map(|(_, scale)| Self { channel, scale: *scale })
        })
    }
}

/// The channels of fixed meaning, as users name them.
pub(crate) fn channel_names() -> impl Iterator<Item = &'static str> {
    KINDS.iter().map(|kind| kind.name)
}

/// `Speed (km/h)` to `Speed` and `km/h`; a header without brackets has no unit apart.
pub(super) fn unit_apart(header: &str) -> (&str, &str) {
    let brackets = [('(', ')'), ('[', ']')];
    brackets
        .iter()
        .find_map(|(open, close)| header.strip_suffix(*close)?.rsplit_once(*open))
        .map_or((header, ""), |(name, unit)| (name.trim(), unit.trim()))
}

/// A header in lower case, with `_` for blanks and hyphens.
pub(super) fn normal(header: &str) -> String {
    header.to_lowercase().replace([' ', '-'], "_")
}
