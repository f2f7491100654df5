//! TCX and GPX: the track points of mark-up, one by one. Names are taken without their prefix, since programs
//! disagree on the prefixes of extensions. Entities are never looked up, only the five of XML itself.

use quick_xml::Reader;
use quick_xml::escape::resolve_xml_entity;
use quick_xml::events::{BytesStart, Event};

use super::cells::Cell;
use super::channels::Channel;
use super::contents::FormatContents;
use super::model::{Format, Lap};
use super::rows::Row;
use super::times::{WrittenTime, absolute_time};
use super::wording::{counted, printable, utc};

/// Reads a TCX or GPX file, and what is left of a damaged one; `None` if it is other mark-up.
pub(super) fn read(text: &str) -> Option<(Format, FormatContents)> {
    let format = format(text)?;
    let mut track = Track::new(format);
    let mut from = 0;
    while let Some((at, what)) = track.read_run(text, from) {
        let next = track.next_point(text, at.max(from + 1));
        let left = counted(next.unwrap_or(text.len()) - at, "byte");
        let after = track.after();
        track.contents.damage.push(format!("byte {at}{after}: {what}; {left} left unread"));
        let Some(next) = next else { break };
        from = next;
    }
    Some((format, track.finish()))
}

/// The format by the name of the outermost element.
fn format(text: &str) -> Option<Format> {
    let mut reader = Reader::from_str(text);
    loop {
        match reader.read_event().ok()? {
            Event::Start(start) => {
                return match start.local_name().as_ref() {
                    "TrainingCenterDatabase" => Some(Format::Tcx),
                    "gpx" => Some(Format::Gpx),
                    _ => None,
                };
            }
            Event::Eof | Event::Empty(_) => return None,
            _ => {}
        }
    }
}

/// One point on its way to a row.
#[derive(Default)]
struct Point {
    unix_s: Option<f64>,
    channels: Vec<(Channel, Cell)>,
    extra: Vec<(usize, Cell)>,
}

struct Track {
    format: Format,
    contents: FormatContents,
    /// Local name of a point's element.
    point_name: &'static str,
    /// Local names of the elements that are open.
    open: Vec<String>,
    text: String,
    point: Option<Point>,
    lap: Option<(f64, Option<f64>)>,
    untimed: usize,
    without_zone: bool,
}

impl Track {
    fn new(format: Format) -> Self {
        Self {
            format,
            contents: FormatContents::default(),
            point_name: if format == Format::Tcx { "Trackpoint" } else { "trkpt" },
            open: vec![],
            text: String::new(),
            point: None,
            lap: None,
            untimed: 0,
            without_zone: false,
        }
    }

    /// Where the next point begins, at or after byte `from`.
    fn next_point(&self, text: &str, from: usize) -> Option<usize> {
        let from = text.ceil_char_boundary(from);
        let found = text[from..].match_indices('<').map(|(at, _)| from + at);
        found.into_iter().find(|at| {
            let name = text[at + 1..].split(|c: char| c.is_whitespace() || c == '>').next().unwrap_or_default();
            name.rsplit(':').next() == Some(self.point_name)
        })
    }

    /// Reads from byte `from` on until the end, or until it makes no sense: then returns where, and why.
    fn read_run(&mut self, text: &str, from: usize) -> Option<(usize, &'static str)> {
        let mut reader = Reader::from_str(&text[from..]);
        let config = reader.config_mut();
        // Behind damage, elements end that began before it.
        config.allow_unmatched_ends = from > 0;
        config.allow_dangling_amp = true;
        self.open.clear();
        self.point = None;
        loop {
            let at = from + reader.buffer_position() as usize;
            match reader.read_event() {
                Ok(Event::Start(start)) => self.start(&start),
                Ok(Event::Empty(start)) => {
                    self.start(&start);
                    self.end();
                }
                Ok(Event::End(_)) => self.end(),
                Ok(Event::Text(part)) => self.text.push_str(&part.xml10_content()),
                Ok(Event::CData(part)) => self.text.push_str(&part.xml10_content()),
                Ok(Event::GeneralRef(name)) => match name.resolve_char_ref() {
                    Ok(Some(letter)) => self.text.push(letter),
                    _ => self.text.push_str(resolve_xml_entity(&name.into_inner()).unwrap_or_default()),
                },
                Ok(Event::Eof) if self.open.is_empty() => return None,
                Ok(Event::Eof) if self.point.is_some() => return Some((at, "the file ends in the middle of a point")),
                Ok(Event::Eof) => return Some((at, "the file ends before its last element does")),
                Ok(_) => {}
                Err(_) => return Some((at, "no proper mark-up")),
            }
        }
    }

    fn start(&mut self, element: &BytesStart) {
        self.text.clear();
        let attribute = |name: &str| {
            let found = element.attributes().flatten().find(|a| a.key.local_name().as_ref() == name)?;
            Some(found.value.to_string())
        };
        let name = element.local_name().as_ref().to_owned();
        if name == self.point_name {
            let mut point = Point::default();
            for channel in Channel::ALL {
                if let Some(value) = channel.kind().attribute.and_then(attribute) {
                    point.channels.push((channel, cell(&value)));
                }
            }
            self.point = Some(point);
        } else if name == "Lap" {
            self.lap = attribute("StartTime").and_then(|time| Some((self.time(&time)?, None)));
        } else if name == "gpx" {
            self.contents.head_unit.product = attribute("creator").map(|name| printable(&name));
        }
        self.open.push(name);
    }

    fn end(&mut self) {
        let text = std::mem::take(&mut self.text);
        let text = text.trim();
        let Some(name) = self.open.pop() else { return };
        let parent = self.open.last().map_or("", String::as_str).to_owned();
        if name == self.point_name {
            self.end_point();
        } else if self.point.is_some() {
            self.leaf(&name, &parent, text);
        } else {
            self.outside(&name, &parent, text);
        }
    }

    /// An element within a point.
    fn leaf(&mut self, name: &str, parent: &str, text: &str) {
        let time = if name.eq_ignore_ascii_case("time") { self.time(text) } else { None };
        let Some(point) = &mut self.point else { return };
        if time.is_some() {
            point.unix_s = time;
        } else if let Some(channel) = channel(self.format, name, parent) {
            let known = point.channels.iter_mut().find(|(c, _)| *c == channel);
            match known {
                Some((_, known)) => *known = known.or(cell(text)),
                None => point.channels.push((channel, cell(text))),
            }
        } else if let Cell::Value(value) = cell(text) {
            let column = self.contents.table.extra_column(&printable(name));
            point.extra.push((column, Cell::Value(value)));
        }
    }

    /// An element outside of points: a lap's length, the head unit's name.
    fn outside(&mut self, name: &str, parent: &str, text: &str) {
        let unit = &mut self.contents.head_unit;
        match (parent, name) {
            ("Lap", "TotalTimeSeconds") => {
                if let Some((_, lasts_s)) = &mut self.lap {
                    *lasts_s = cell(text).value();
                }
            }
            (_, "Lap") => {
                let last = self.contents.table.rows.unix_s.last().copied();
                if let Some((start_s, lasts_s)) = self.lap.take()
                    && let Some(end_s) = lasts_s.map(|lasts_s| start_s + lasts_s).or(last)
                {
                    self.contents.laps.push(Lap { start_s: start_s.min(end_s), end_s });
                }
            }
            ("Creator", "Name") if !text.is_empty() => unit.product = Some(printable(text)),
            ("Creator", "UnitId") if text != "0" => unit.serial = Some(printable(text)),
            ("Version", "VersionMajor") if self.open.iter().any(|name| name == "Creator") => {
                unit.firmware = Some(printable(text));
            }
            ("Version", "VersionMinor") if self.open.iter().any(|name| name == "Creator") => {
                unit.firmware = unit.firmware.take().map(|major| format!("{major}.{}", printable(text)));
            }
            _ => {}
        }
    }

    fn end_point(&mut self) {
        let Some(Point { unix_s, channels, extra }) = self.point.take() else { return };
        let Some(unix_s) = unix_s else {
            self.untimed += 1;
            return;
        };
        let mut row = Row::at(unix_s);
        channels.into_iter().for_each(|(channel, cell)| row.set(channel, cell));
        extra.into_iter().for_each(|(column, cell)| row.push_extra(column, cell));
        self.contents.table.rows.push(row);
    }

    fn time(&mut self, text: &str) -> Option<f64> {
        let WrittenTime { unix_s, states_zone } = absolute_time(text.trim())?;
        self.without_zone |= !states_zone;
        Some(unix_s)
    }

    fn after(&self) -> String {
        self.contents.table.rows.unix_s.last().map(|&unix_s| format!(", after {}", utc(unix_s))).unwrap_or_default()
    }

    fn finish(mut self) -> FormatContents {
        let cautions = &mut self.contents.cautions;
        if self.untimed > 0 {
            cautions.push(format!("{} without a time left out", counted(self.untimed, "point")));
        }
        if self.without_zone {
            cautions.push("times have no zone; they were read as UTC".to_owned());
        }
        self.contents
    }
}

/// A number as written; an element without one says that there was none.
fn cell(text: &str) -> Cell {
    text.trim().parse().ok().filter(|value: &f64| value.is_finite()).map_or(Cell::Invalid, Cell::Value)
}

/// The channel of an element within a point, by its local name and its parent's.
fn channel(format: Format, name: &str, parent: &str) -> Option<Channel> {
    let name = if name == "Value" { parent } else { name };
    Channel::of_element(&name.to_ascii_lowercase(), format == Format::Gpx)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::table::Ordered;

    fn ordered(text: &str) -> (Ordered, FormatContents) {
        let (_, mut contents) = read(text).unwrap();
        let table = std::mem::take(&mut contents.table);
        (table.into_samples(&mut contents.cautions).unwrap(), contents)
    }

    fn tcx(points: &str) -> String {
        format!(
            r#"<?xml version="1.0" encoding="UTF-8"?>
<TrainingCenterDatabase xmlns="urn:a" xmlns:x="urn:b"><Activities><Activity Sport="Biking"><Id>2026-03-02T09:00:00Z</Id>
<Lap StartTime="2026-03-02T09:00:00Z"><TotalTimeSeconds>2.5</TotalTimeSeconds><Track>{points}</Track></Lap>
<Creator><Name>head unit A &amp; B</Name><UnitId>4101</UnitId><Version><VersionMajor>5</VersionMajor><VersionMinor>20</VersionMinor></Version></Creator>
</Activity></Activities></TrainingCenterDatabase>"#
        )
    }

    fn point(second: usize, watts: &str) -> String {
        format!(
            "<Trackpoint><Time>2026-03-02T09:00:{second:02}.000Z</Time><Position><LatitudeDegrees>52.5</LatitudeDegrees>\
             <LongitudeDegrees>13.25</LongitudeDegrees></Position><AltitudeMeters>35.2</AltitudeMeters>\
             <DistanceMeters>8.1</DistanceMeters><HeartRateBpm><Value>121</Value></HeartRateBpm><Cadence>90</Cadence>\
             <SensorState>Present</SensorState>\
             <Extensions><x:TPX><x:Speed>8.125</x:Speed><x:Watts>{watts}</x:Watts><x:RunCadence>45</x:RunCadence></x:TPX>\
             </Extensions></Trackpoint>"
        )
    }

    #[test]
    fn every_channel_of_a_tcx_point_is_read() {
        let points = [point(0, "201"), point(1, "0"), point(2, "")].concat();
        let (got, contents) = ordered(&tcx(&points.replace("<x:Watts></x:Watts>", "<x:Watts/>")));
        assert_eq!(got.start_unix_s, 1_772_442_000.0);
        let all = [
            ("cadence", 90.0),
            ("heart_rate", 121.0),
            ("speed", 8.125),
            ("altitude", 35.2),
            ("distance", 8.1),
            ("latitude", 52.5),
            ("longitude", 13.25),
            ("RunCadence", 45.0),
        ];
        for (name, value) in all {
            assert_eq!(got.samples.channel(name), Some(&[Some(value); 3][..]), "{name}");
        }
        assert_eq!(got.samples.power_w, [Some(201.0), Some(0.0), None]);
        assert_eq!(got.samples.invalid, [("power".to_owned(), vec![2])].into(), "an empty element is no missing one");
        let lap = &contents.laps[0];
        assert_eq!((lap.start_s - got.start_unix_s, lap.end_s - got.start_unix_s), (0.0, 2.5));
        let unit = contents.head_unit;
        let said = [unit.product, unit.serial, unit.firmware].map(Option::unwrap);
        assert_eq!(said, ["head unit A & B", "4101", "5.20"]);
        assert_eq!((contents.damage.len(), contents.cautions.len()), (0, 0), "{:?}", contents.cautions);
    }

    #[test]
    fn gpx_points_and_their_extensions_are_read() {
        let (got, contents) = ordered(
            r#"<gpx creator="logger L" xmlns:g="urn:g"><trk><trkseg>
            <trkpt lat="52.5" lon="13.25"><ele>35.2</ele><time>2026-03-02T09:00:00Z</time><extensions><power>201</power>
            <g:ext><g:hr>121</g:hr><g:cad>90</g:cad><g:atemp>19.5</g:atemp></g:ext></extensions></trkpt>
            <trkpt lat="52.6" lon="13.25"><ele>35.4</ele></trkpt>
            <trkpt lat="52.7" lon="13.25"><time>2026-03-02T09:00:02Z</time></trkpt></trkseg></trk></gpx>"#,
        );
        assert_eq!(got.samples.time_s, [0.0, 2.0]);
        for (name, value) in
            [("power", 201.0), ("heart_rate", 121.0), ("cadence", 90.0), ("temperature", 19.5), ("altitude", 35.2)]
        {
            assert_eq!(got.samples.channel(name), Some(&[Some(value), None][..]), "{name}");
        }
        assert_eq!(got.samples.latitude_deg, [Some(52.5), Some(52.7)]);
        assert_eq!(contents.head_unit.product.as_deref(), Some("logger L"));
        assert_eq!(contents.cautions, ["1 point without a time left out"]);
    }

    /// A name that no document gives to power is kept as a channel of its own, for whoever inspects the file.
    #[test]
    fn power_has_the_names_that_its_format_gives_it() {
        let in_tcx = |name: &str| point(0, "201").replace("x:Watts", name);
        let in_gpx = |name: &str| {
            format!(
                "<gpx><trk><trkseg><trkpt lat=\"1\" lon=\"2\"><time>2026-03-02T09:00:00Z</time><extensions>\
                 <{name}>201</{name}></extensions></trkpt></trkseg></trk></gpx>"
            )
        };
        for (text, is_power) in [
            (tcx(&in_tcx("x:Watts")), true),
            (tcx(&in_tcx("power")), true),
            (tcx(&in_tcx("x:PowerInWatts")), false),
            (in_gpx("power"), true),
            (in_gpx("p:PowerInWatts"), true),
            (in_gpx("p:PowerInKilowatts"), false),
        ] {
            let (got, _) = ordered(&text);
            let power_w = got.samples.power_w.first().copied().flatten();
            assert_eq!(power_w, Some(201.0).filter(|_| is_power), "{text}");
        }
    }

    #[test]
    fn other_mark_up_is_no_recording() {
        assert!(read("<html><body><p>time</p></body></html>").is_none());
        assert!(read("<?xml version=\"1.0\", time?>").is_none());
        assert!(read("<gpx/>").is_none());
        assert!(read("<").is_none());
    }

    #[test]
    fn every_cut_keeps_the_points_before_it_and_says_so() {
        let points: Vec<String> = (0..3).map(|i| point(i, "201")).collect();
        let whole = tcx(&points.concat());
        let begin = whole.find("<Trackpoint").unwrap();
        let (all, _) = ordered(&whole);
        for cut in begin..whole.len() - 1 {
            let (_, contents) = read(&whole[..cut]).unwrap();
            let complete = (1..=3).filter(|&n| begin + points[..n].concat().len() <= cut).count();
            assert_eq!(contents.table.rows.len(), complete, "cut at {cut}");
            assert!(!contents.damage.is_empty(), "cut at {cut}");
        }
        assert_eq!(all.samples.len(), 3);
    }

    #[test]
    fn reading_goes_on_behind_damaged_mark_up() {
        let points: Vec<String> = (0..20).map(|i| point(i, "201")).collect();
        let whole = tcx(&points.concat());
        let at = whole.find(&points[7]).unwrap() + 60;
        let holed = format!("{}{}{}", &whole[..at], "<<\u{0}&&>\"", &whole[at + 250..]);
        let (got, contents) = ordered(&holed);
        assert_eq!(got.samples.len(), 19);
        assert!(
            contents.damage[0].contains(", after 2026-03-02 09:00:06 UTC: no proper mark-up; "),
            "{:?}",
            contents.damage
        );
        assert_eq!(contents.damage.len(), 1);
    }

    #[test]
    fn entities_of_a_file_s_own_are_not_expanded() {
        let bomb = r#"<!DOCTYPE gpx [<!ENTITY a "2026-03-02T09:00:00Z"><!ENTITY b SYSTEM "file:///etc/hostname">]>"#;
        let points = "<trkpt lat=\"1\" lon=\"2\"><time>&a;</time><power>&b;1</power></trkpt>";
        let (_, contents) = read(&format!("{bomb}<gpx>{points}</gpx>")).unwrap();
        assert!(contents.table.rows.unix_s.is_empty());
        assert_eq!(contents.cautions, ["1 point without a time left out"]);
    }
}
