//! What a head unit says of a ride as a whole and of what happened in it: summaries, laps, events.

use rustyfit::profile::typedef::{Event, EventType, RiderPositionType, Sport};

use super::super::model::{GearChange, HeadUnitSummary, Lap, PositionChange, RiderPosition, TimerEvent, TimerKind};
use super::fields::Fields;
use super::named::named;
use super::reader::Reader;
use super::times::TIMESTAMP;

impl Reader {
    pub fn summary(&mut self, fields: &Fields) {
        let Some(end_s) = fields.unix_s(TIMESTAMP) else { return };
        let lasts_s = fields.number(7);
        let start_s = fields.unix_s(2).or(lasts_s.map(|lasts_s| end_s - lasts_s)).unwrap_or(end_s);
        self.contents.summaries.push(HeadUnitSummary {
            start_s,
            end_s: lasts_s.map_or(end_s, |lasts_s| start_s + lasts_s),
            timer_s: fields.number(8),
            sport: fields.number(5).map(|sport| named(&Sport(sport as u8).to_string(), sport)),
            mean_power_w: fields.number(20),
        });
    }

    pub fn lap(&mut self, fields: &Fields) {
        let (start, end) = (fields.unix_s(2), fields.unix_s(TIMESTAMP));
        let lasts_s = fields.number(7);
        let start = start.or_else(|| Some(end? - lasts_s?));
        // Elapsed time has milliseconds, and holds where a program wrote all laps at the end of the ride.
        let end = start.zip(lasts_s).map(|(start, lasts)| start + lasts).or(end);
        let previous = self.contents.laps.last().map(|lap| lap.end_s);
        let start = start.or(previous).or(self.start_unix_s()).or(end);
        if let Some((start, end)) = start.zip(end) {
            self.contents.laps.push(Lap { start_s: start.min(end), end_s: end });
        }
    }

    pub fn event(&mut self, fields: &Fields) {
        let (Some(at_s), Some(event)) = (fields.unix_s(TIMESTAMP), fields.number(0)) else { return };
        match Event(event as u8) {
            Event::TIMER => {
                let kind = match fields.number(1).map(|kind| EventType(kind as u8)) {
                    Some(EventType::START) => TimerKind::Start,
                    Some(
                        EventType::STOP | EventType::STOP_ALL | EventType::STOP_DISABLE | EventType::STOP_DISABLE_ALL,
                    ) => TimerKind::Stop,
                    _ => return,
                };
                self.contents.timer.push(TimerEvent { at_s, kind });
            }
            Event::FRONT_GEAR_CHANGE | Event::REAR_GEAR_CHANGE => {
                // In fields of their own, or a byte each in `data`, where zero is unknown.
                let packed = fields.number(3).map(|data| (data as u32).to_le_bytes());
                let gear = |field, byte: usize| {
                    let packed = packed.map(|bytes| u32::from(bytes[byte])).filter(|value| *value != 0);
                    fields.number(field).map(|value| value as u32).or(packed)
                };
                self.contents.gears.push(GearChange {
                    at_s,
                    front_number: gear(9, 2),
                    front_teeth: gear(10, 3),
                    rear_number: gear(11, 0),
                    rear_teeth: gear(12, 1),
                });
            }
            Event::RIDER_POSITION_CHANGE => {
                let position = match fields.number(3).map(|position| RiderPositionType(position as u8)) {
                    Some(RiderPositionType::SEATED | RiderPositionType::TRANSITION_TO_SEATED) => RiderPosition::Seated,
                    Some(RiderPositionType::STANDING | RiderPositionType::TRANSITION_TO_STANDING) => {
                        RiderPosition::Standing
                    }
                    _ => return,
                };
                self.contents.positions.push(PositionChange { at_s, position });
            }
            _ => {}
        }
    }
}
