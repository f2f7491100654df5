//! What the ride was ridden on and in: drivetrain, conditions, typed readings.

use super::model::{Conditions, Drivetrain, LoadReading, Readings};
use super::ranges;
use crate::protocol::{ANGLE, Body, MASS, MapKeys, Node, PlausibleRange, SIDES, SourceFiles, nearest, positive};
use crate::quantity::Unit;

fn assumed_loss() -> String {
    let default = Drivetrain::default();
    format!("chain-drive loss: nobody said; taken as {} % ± {} %", default.loss_pct, default.loss_expanded_pct)
}

pub(super) fn drivetrain(reading: &mut SourceFiles, node: Option<&Node>, assumed: &mut Vec<String>) -> Drivetrain {
    let mut drivetrain = Drivetrain::default();
    let Some(node) = node else {
        assumed.push(assumed_loss());
        return drivetrain;
    };
    let Some(mut keys) = reading.map(node, "`drivetrain`") else { return drivetrain };
    let rings = keys.take("chainrings").map(|n| teeth(reading, n, "[52, 36]", &ranges::CHAINRING));
    let cogs = keys.take("cassette").map(|n| teeth(reading, n, "[11, 12, 13, 14]", &ranges::COG));
    (drivetrain.chainrings, drivetrain.cassette) = (rings.unwrap_or_default(), cogs.unwrap_or_default());
    drivetrain.wheel_m = keys.take("wheel").and_then(|n| {
        let wheel_m = positive(reading, n, Unit::Metre, "a circumference, as in `2105 mm`")?;
        reading.plausible(n, wheel_m, &ranges::WHEEL)
    });
    match keys.take("loss") {
        Some(n) => loss(reading, n, &mut drivetrain, assumed),
        None => assumed.push(assumed_loss()),
    }
    keys.finish(reading);
    drivetrain
}

fn loss(reading: &mut SourceFiles, node: &Node, drivetrain: &mut Drivetrain, assumed: &mut Vec<String>) {
    let loss = reading.words(node, "a loss, as in `2.3 % ± 1.0 %`", |w| w.plus_minus(Unit::Percent));
    let Some(loss) = loss else { return };
    if let Some(loss_pct) = reading.plausible(node, loss.value, &ranges::LOSS) {
        drivetrain.loss_pct = loss_pct;
    }
    let Some(expanded_pct) = loss.expanded else {
        let taken_pct = drivetrain.loss_expanded_pct;
        assumed.push(format!("chain-drive loss: no uncertainty given; taken as ± {taken_pct} %"));
        return;
    };
    if let Some(expanded_pct) = reading.plausible(node, expanded_pct, &ranges::LOSS_UNCERTAINTY) {
        drivetrain.loss_expanded_pct = expanded_pct;
    }
}

/// A list of numbers of teeth. Whatever else people write of rings (`52/36`) is one mistake, with the list that it means.
fn teeth(reading: &mut SourceFiles, node: &Node, example: &str, range: &PlausibleRange) -> Vec<u32> {
    let items = match &node.body {
        Body::List(items) if !items.is_empty() => items.as_slice(),
        Body::Text(text, _) if text.parse::<u32>().is_ok() => std::slice::from_ref(node),
        Body::ToFillIn => return vec![],
        _ => {
            let text = node.as_text().unwrap_or("");
            let numbers: Vec<&str> =
                text.split(|c: char| !c.is_ascii_digit()).filter(|n| matches!(n.len(), 1..=3)).collect();
            let meant = if numbers.len() > 1 { format!("[{}]", numbers.join(", ")) } else { example.to_owned() };
            // A span of sprockets does not say which lie between.
            let help = if numbers.len() == 2 && range.what == ranges::COG.what {
                format!("list every sprocket, as in `{example}`")
            } else {
                format!("write `{meant}`")
            };
            reading.report(node.at, format!("expected a list of numbers of teeth, as in `{example}`"), Some(help));
            return vec![];
        }
    };
    let mut teeth = vec![];
    for item in items {
        let Some(count) = reading.count(item, 1) else { continue };
        teeth.extend(reading.plausible(item, f64::from(count), range).map(|_| count));
    }
    teeth
}

/// Further keys as written; one that is nearly a known key is a slip.
fn others(reading: &mut SourceFiles, keys: &MapKeys, known: &[&str]) -> Vec<(String, String)> {
    let mut others = vec![];
    for entry in keys.rest() {
        match nearest(&entry.key, known) {
            Some(help) => {
                let message = format!("`{}` is nearly the name of a known key", entry.key);
                reading.report(entry.key_at, message, Some(help));
            }
            None => others.extend(reading.text(&entry.value).map(|text| (entry.key.clone(), text))),
        }
    }
    others
}

pub(super) fn conditions(reading: &mut SourceFiles, node: &Node) -> Conditions {
    let Some(mut keys) = reading.map(node, "`conditions`") else { return Conditions::default() };
    let mut value = |key, what, range: &PlausibleRange| {
        let node = keys.take(key)?;
        let read = reading.words(node, what, |w| w.quantity(&[range.held_in]))?;
        reading.plausible(node, read.value, range)
    };
    let temperature_c = value("temperature", "a temperature, as in `19 °C`", &ranges::TEMPERATURE);
    let crank_length_m = value("crank_length", "a length, as in `172.5 mm`", &ranges::CRANK);
    let latitude_deg = value("latitude", "a latitude, as in `52.4 °`", &ranges::LATITUDE);
    let height_m = value("height", "a height above the sea, as in `35 m`", &ranges::HEIGHT);
    let other = others(reading, &keys, &["temperature", "crank_length", "latitude", "height"]);
    Conditions { temperature_c, crank_length_m, latitude_deg, height_m, other }
}

pub(super) fn readings(reading: &mut SourceFiles, node: &Node) -> Readings {
    let Some(mut keys) = reading.map(node, "`readings`") else { return Readings::default() };
    let mut number = |key| {
        let node = keys.take(key)?;
        reading.words(node, "a number as the instrument shows it", |w| w.number())
    };
    let (zero_before, zero_after) = (number("zero_before"), number("zero_after"));
    let loads = reading.each(keys.take("loads"), "readings under load", load);
    let other = others(reading, &keys, &["zero_before", "zero_after", "loads"]);
    Readings { zero_before, zero_after, loads, other }
}

/// One torque read with one mass hung.
fn load(reading: &mut SourceFiles, node: &Node) -> Option<LoadReading> {
    let mut keys = reading.map(node, "a reading under load")?;
    let mass_kg = keys.need(reading, "mass", "10 kg").and_then(|n| {
        let mass_kg = reading.words(n, "a mass, as in `10 kg`", |w| w.amount(Unit::Kilogram))?;
        reading.plausible(n, mass_kg, &MASS)
    });
    let side = keys.take("side").and_then(|n| reading.one_of(n, &SIDES));
    let angle_deg = keys.take("angle").and_then(|n| {
        let angle = reading.words(n, "an angle, as in `90 °`", |w| w.quantity(&[Unit::Degree]))?;
        reading.plausible(n, angle.value, &ANGLE)
    });
    let torque_nm = keys.need(reading, "torque", "16.9 N·m").and_then(|n| {
        let torque = reading.words(n, "a torque, as in `16.9 N·m`", |w| w.quantity(&[Unit::NewtonMetre]))?;
        reading.plausible(n, torque.value, &ranges::TORQUE)
    });
    keys.finish(reading);
    Some(LoadReading { mass_kg: mass_kg?, side, angle_deg, torque_nm: torque_nm? })
}
