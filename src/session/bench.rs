//! What the ride was ridden on and in: drivetrain, conditions, typed readings.

use super::model::{Conditions, Drivetrain, LoadReading, Readings};
use crate::protocol::{MapKeys, Node, SIDES, SourceFiles, nearest, positive};
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
    let mut teeth = |key| {
        let Some(n) = keys.take(key) else { return vec![] };
        let items = reading.one_or_list(n, "numbers of teeth").unwrap_or_default();
        items.iter().filter_map(|item| reading.count(item, 5)).collect()
    };
    (drivetrain.chainrings, drivetrain.cassette) = (teeth("chainrings"), teeth("cassette"));
    drivetrain.wheel_m =
        keys.take("wheel").and_then(|n| positive(reading, n, Unit::Metre, "a circumference, as in `2105 mm`"));
    match keys.take("loss") {
        Some(n) => {
            let loss = reading.words(n, "a loss, as in `2.3 % ± 1.0 %`", |w| w.plus_minus(Unit::Percent));
            if let Some(loss) = loss {
                drivetrain.loss_pct = loss.value;
                match loss.expanded {
                    Some(expanded_pct) => drivetrain.loss_expanded_pct = expanded_pct,
                    None => assumed.push(format!(
                        "chain-drive loss: no uncertainty given; taken as ± {} %",
                        drivetrain.loss_expanded_pct
                    )),
                }
            }
        }
        None => assumed.push(assumed_loss()),
    }
    keys.finish(reading);
    drivetrain
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
    let mut value = |key, unit, what| {
        let node = keys.take(key)?;
        reading.words(node, what, |w| w.quantity(&[unit])).map(|q| q.value)
    };
    let temperature_c = value("temperature", Unit::Celsius, "a temperature, as in `19 °C`");
    let crank_length_m = value("crank_length", Unit::Metre, "a length, as in `172.5 mm`");
    let latitude_deg = value("latitude", Unit::Degree, "a latitude, as in `52.4 °`");
    let height_m = value("height", Unit::Metre, "a height above the sea, as in `35 m`");
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
    let loads = reading.each(keys.take("loads"), "readings under load", |reading, node| {
        let mut keys = reading.map(node, "a reading under load")?;
        let mass = keys.need(reading, "mass", "10 kg");
        let mass_kg = mass.and_then(|n| reading.words(n, "a mass, as in `10 kg`", |w| w.amount(Unit::Kilogram)));
        let side = keys.take("side").and_then(|n| reading.one_of(n, &SIDES));
        let angle = keys.take("angle");
        let angle_deg =
            angle.and_then(|n| reading.words(n, "an angle, as in `90 °`", |w| w.quantity(&[Unit::Degree])));
        let torque = keys.need(reading, "torque", "16.9 N·m");
        let torque_nm =
            torque.and_then(|n| reading.words(n, "a torque, as in `16.9 N·m`", |w| w.quantity(&[Unit::NewtonMetre])));
        keys.finish(reading);
        Some(LoadReading {
            mass_kg: mass_kg?,
            side,
            angle_deg: angle_deg.map(|q| q.value),
            torque_nm: torque_nm?.value,
        })
    });
    let other = others(reading, &keys, &["zero_before", "zero_after", "loads"]);
    Readings { zero_before, zero_after, loads, other }
}
