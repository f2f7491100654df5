//! The head unit and the sensors that it heard.

use rustyfit::profile::typedef::{
    AntplusDeviceType, BatteryStatus, BleDeviceType, LocalDeviceType, Manufacturer, SourceType,
};

use super::super::model::Sensor;
use super::fields::Fields;
use super::named::named;
use super::reader::Reader;

impl Reader {
    pub fn file_id(&mut self, fields: &Fields) {
        let unit = &mut self.contents.head_unit;
        unit.maker = unit.maker.take().or_else(|| fields.number(1).and_then(maker));
        unit.product = unit.product.take().or_else(|| fields.text(8)).or_else(|| fields.whole(2));
        unit.serial = unit.serial.take().or_else(|| fields.whole(3));
    }

    pub fn file_creator(&mut self, fields: &Fields) {
        let unit = &mut self.contents.head_unit;
        unit.firmware = unit.firmware.take().or_else(|| fields.whole(0));
    }

    pub fn device(&mut self, fields: &Fields) {
        /// The head unit itself (public FIT profile, type `device_index`).
        const CREATOR: u8 = 0;
        let index = fields.number(0).map(|index| index as u8);
        let device = Sensor {
            kind: device_kind(fields),
            name: fields.text(19),
            maker: fields.number(2).and_then(maker),
            product: fields.text(27).or_else(|| fields.whole(4)),
            serial: fields.whole(3),
            number: fields.whole(21),
            firmware: fields.number(5).map(|version| format!("{version:.2}")),
            battery: fields
                .number(11)
                .map(|status| BatteryStatus(status as u8).to_string())
                .or_else(|| fields.whole(32).map(|level| format!("{level} %"))),
            battery_voltage_v: fields.number(10),
            source: fields.number(25).map(|source| named(&SourceType(source as u8).to_string(), source)),
        };
        if index == Some(CREATOR) {
            let unit = &mut self.contents.head_unit;
            unit.product = unit.product.take().or(device.product);
            unit.serial = unit.serial.take().or(device.serial);
            unit.firmware = device.firmware.or(unit.firmware.take());
            return;
        }
        // A head unit repeats what it knows, often piecemeal; another serial number is another device.
        let sensors = self.contents.sensors.iter_mut().zip(&self.sensor_index);
        let known = sensors.rev().find(|(known, known_index)| {
            **known_index == index
                && (known.serial == device.serial || known.serial.is_none() || device.serial.is_none())
        });
        match known {
            Some((known, _)) => update(known, device),
            None if device == Sensor::default() => {}
            None => {
                self.contents.sensors.push(device);
                self.sensor_index.push(index);
            }
        }
    }
}

/// The maker's name where the profile has one, else its number; none of what is under development, for which the profile
/// keeps a number that is no maker's (public FIT profile, type `manufacturer`).
fn maker(number: f64) -> Option<String> {
    let maker = Manufacturer(number as u16);
    (maker != Manufacturer::DEVELOPMENT).then(|| named(&maker.to_string(), number))
}

fn device_kind(fields: &Fields) -> Option<String> {
    let number = fields.number(1)?;
    let code = number as u8;
    let text = match fields.number(25).map(|source| SourceType(source as u8)) {
        Some(SourceType::BLUETOOTH_LOW_ENERGY) => BleDeviceType(code).to_string(),
        Some(SourceType::LOCAL) => LocalDeviceType(code).to_string(),
        _ => AntplusDeviceType(code).to_string(),
    };
    Some(named(&text, number))
}

fn update(known: &mut Sensor, newer: Sensor) {
    let Sensor { kind, name, maker, product, serial, number, firmware, battery, battery_voltage_v, source } = newer;
    let keep = |old: &mut Option<String>, new: Option<String>| *old = new.or(old.take());
    keep(&mut known.kind, kind);
    keep(&mut known.name, name);
    keep(&mut known.maker, maker);
    keep(&mut known.product, product);
    keep(&mut known.serial, serial);
    keep(&mut known.number, number);
    keep(&mut known.firmware, firmware);
    keep(&mut known.battery, battery);
    keep(&mut known.source, source);
    known.battery_voltage_v = battery_voltage_v.or(known.battery_voltage_v);
}
