//! Two verdicts value by value, as JSON: what is said in one and otherwise in the other.

use std::collections::BTreeMap;

use chrono::{DateTime, FixedOffset};
use serde::Serialize;
use serde_json::{Map, Value};

use crate::words;

/// What a difference means, the weightiest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// An outcome, or a pattern that is named.
    Outcome,
    /// A number or text that the sheet shows otherwise.
    Shown,
    /// A number that differs by less than half of the last digit that the sheet shows, or a time by less than half a
    /// second.
    Unseen,
    /// Said only by the program that judged again, which is of another version.
    Added,
}

/// One value that differs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// In words, as `steady[ring=big, power=120 W], repeat 1, mean error: value`.
    pub place: String,
    /// JSON pointer (RFC 6901) into the verdict as it was written; into the one made now where it was not there.
    pub pointer: String,
    pub weight: Severity,
    /// As it was written; `None` where it was not there.
    pub then: Option<Value>,
    pub now: Option<Value>,
}

/// Every value of two verdicts that differs, in the order of the first. The program's version is left out.
pub fn differences(then: &Value, now: &Value, programs_differ: bool) -> Vec<Difference> {
    let mut comparer = Comparer { found: vec![], programs_differ };
    comparer.value(&JsonPlace::default(), &ShownDecimals::default(), Some(then), Some(now));
    comparer.found
}

/// Where in the verdict, in words and as a pointer.
#[derive(Debug, Clone, Default)]
struct JsonPlace {
    words: Vec<String>,
    pointer: String,
    key: String,
}

impl JsonPlace {
    fn key(&self, key: &str) -> Self {
        // Lists that everything stands in: their names would tell nobody where.
        const SILENT: [&str; 6] = ["phases", "checks", "contrasts", "whole_ride", "match", "also"];
        let mut place = self.step(key);
        if !SILENT.contains(&key) {
            place.words.push(words::plain(key));
        }
        place.key = key.to_owned();
        place
    }

    fn item(&self, at: usize, item: &Value) -> Self {
        let mut place = self.step(&at.to_string());
        // A text has no name: it is itself what differs.
        let Some(name) = (!item.is_string()).then(|| name(item)).filter(|name| !name.is_empty()) else {
            place.words.extend(item.is_object().then(|| (at + 1).to_string()));
            return place;
        };
        // After the list's name: `recording a.fit`, not `recordings, a.fit`.
        let list = place.words.last().is_some_and(|last| *last == words::plain(&self.key));
        if list {
            let singular = match self.key.as_str() {
                "diagnosis" => "pattern",
                "repeats" => "all repeats of",
                other => other.strip_suffix('s').unwrap_or(other),
            };
            let singular = words::plain(singular);
            place.words.pop();
            place.words.push(format!("{singular} {name}"));
        } else {
            place.words.push(name);
        }
        place
    }

    fn step(&self, token: &str) -> Self {
        let token = token.replace('~', "~0").replace('/', "~1");
        Self { pointer: format!("{}/{token}", self.pointer), ..self.clone() }
    }

    fn in_words(&self) -> String {
        match self.words.split_last() {
            None => "the whole".to_owned(),
            Some((last, [])) => last.clone(),
            Some((last, before)) => format!("{}: {last}", before.join(", ")),
        }
    }
}

/// Decimal places with which the sheet shows the numbers of an object.
#[derive(Debug, Clone, Default)]
struct ShownDecimals {
    decimals: BTreeMap<String, i32>,
}

impl ShownDecimals {
    /// Values are shown to the place of their uncertainty's second digit, uncertainties with two digits, shares as per
    /// cent with one decimal.
    fn of(object: &Map<String, Value>) -> Self {
        const SHARES: [&str; 5] = ["conformance_probability", "confidence", "fault_rate", "low", "high"];
        let number = |key: &str| object.get(key).and_then(Value::as_f64);
        let decimals = object.iter().filter_map(|(key, value)| {
            let value = value.as_f64()?;
            let unit = key.rsplit_once('_').map_or("", |(_, unit)| unit);
            let uncertainty = number("expanded_uncertainty")
                .filter(|_| matches!(key.as_str(), "value" | "size" | "low" | "high"))
                .or_else(|| number(&format!("expanded_uncertainty_{unit}")))
                .or_else(|| number(&format!("standard_uncertainty_{unit}")));
            let decimals = if key.contains("uncertainty") {
                words::decimals_for(value.abs())
            } else if let Some(uncertainty) = uncertainty.filter(|u| *u > 0.0) {
                words::decimals_for(uncertainty)
            } else if SHARES.contains(&key.as_str()) {
                3
            } else if value.abs() >= 100.0 {
                0
            } else if value.abs() >= 10.0 {
                1
            } else {
                2
            };
            Some((key.clone(), decimals))
        });
        Self { decimals: decimals.collect() }
    }

    /// Half of the last place shown.
    fn half_of(&self, key: &str) -> f64 {
        0.5 * 10f64.powi(-self.decimals.get(key).copied().unwrap_or(2))
    }
}

struct Comparer {
    found: Vec<Difference>,
    programs_differ: bool,
}

impl Comparer {
    fn value(&mut self, place: &JsonPlace, scale: &ShownDecimals, then: Option<&Value>, now: Option<&Value>) {
        match (then, now) {
            (Some(Value::Object(then)), Some(Value::Object(now))) => self.object(place, then, now),
            (Some(Value::Array(then)), Some(Value::Array(now))) => self.list(place, then, now),
            (Some(a), Some(b)) if a == b => {}
            _ => {
                let weight = self.weight(place, scale, then, now);
                let (then, now) = (then.cloned(), now.cloned());
                self.found.push(Difference {
                    place: place.in_words(),
                    pointer: place.pointer.clone(),
                    weight,
                    then,
                    now,
                });
            }
        }
    }

    fn object(&mut self, place: &JsonPlace, then: &Map<String, Value>, now: &Map<String, Value>) {
        let scale = ShownDecimals::of(then);
        let top = place.pointer.is_empty();
        for (key, value) in then {
            if !(top && key == "assize") {
                self.value(&place.key(key), &scale, Some(value), now.get(key));
            }
        }
        for (key, value) in now.iter().filter(|(key, _)| !then.contains_key(*key)) {
            if !(top && key == "assize") {
                self.value(&place.key(key), &scale, None, Some(value));
            }
        }
    }

    /// Items of one name stand beside each other, whatever their number.
    fn list(&mut self, place: &JsonPlace, then: &[Value], now: &[Value]) {
        if in_a_list(place) && then.len() == now.len() {
            // A pair of a name and what is said of it.
            for (at, (then, now)) in then.iter().zip(now).enumerate() {
                self.value(&place.step(&at.to_string()), &ShownDecimals::default(), Some(then), Some(now));
            }
            return;
        }
        let (names_then, names_now) = (named(then), named(now));
        for (at, name) in names_then.iter().enumerate() {
            let beside = names_now.iter().position(|other| other == name).map(|at| &now[at]);
            self.value(&place.item(at, &then[at]), &ShownDecimals::default(), Some(&then[at]), beside);
        }
        for (at, _) in names_now.iter().enumerate().filter(|(_, name)| !names_then.contains(name)) {
            self.value(&place.item(at, &now[at]), &ShownDecimals::default(), None, Some(&now[at]));
        }
        let same_order = |a: &[(String, usize)], b: &[(String, usize)]| {
            a.iter().filter(|name| b.contains(name)).eq(b.iter().filter(|name| a.contains(name)))
        };
        if !same_order(&names_then, &names_now) {
            let order = |names: &[(String, usize)]| names.iter().map(|(name, _)| Value::from(name.as_str())).collect();
            let mut words = place.clone();
            words.words.push("order".to_owned());
            self.found.push(Difference {
                place: words.in_words(),
                pointer: place.pointer.clone(),
                weight: Severity::Shown,
                then: Some(order(&names_then)),
                now: Some(order(&names_now)),
            });
        }
    }

    fn weight(&self, place: &JsonPlace, scale: &ShownDecimals, then: Option<&Value>, now: Option<&Value>) -> Severity {
        let named_pattern = place.pointer.starts_with("/diagnosis/") && place.pointer.matches('/').count() == 2;
        let has_outcome = |value: Option<&Value>| value.is_some_and(|v| v.get("verdict").is_some());
        let key = place.key.as_str();
        let outcome = !in_a_list(place) && matches!(key, "verdict" | "censored" | "required" | "pattern");
        if outcome || named_pattern || has_outcome(then) || has_outcome(now) {
            return Severity::Outcome;
        }
        match (then, now) {
            (None, Some(_)) if self.programs_differ && !in_a_list(place) => Severity::Added,
            (Some(Value::Number(a)), Some(Value::Number(b))) if a.is_f64() && b.is_f64() => {
                let apart = a.as_f64().zip(b.as_f64()).map(|(a, b)| (a - b).abs());
                if apart.is_some_and(|apart| apart < scale.half_of(&place.key)) {
                    Severity::Unseen
                } else {
                    Severity::Shown
                }
            }
            (Some(Value::String(a)), Some(Value::String(b))) => {
                let time = |text: &str| DateTime::<FixedOffset>::parse_from_rfc3339(text).ok();
                let apart_ms = time(a).zip(time(b)).map(|(a, b)| (a - b).num_milliseconds().abs());
                if apart_ms.is_some_and(|apart_ms| apart_ms < 500) { Severity::Unseen } else { Severity::Shown }
            }
            _ => Severity::Shown,
        }
    }
}

/// Whether the last step is an item of a list: those are no keys that only one version knows.
fn in_a_list(place: &JsonPlace) -> bool {
    place.pointer.rsplit('/').next().is_some_and(|last| last.parse::<usize>().is_ok())
}

/// Each item's name, and which of that name it is, from 0.
fn named(items: &[Value]) -> Vec<(String, usize)> {
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    items
        .iter()
        .map(|item| {
            let name = name(item);
            let nth = seen.entry(name.clone()).or_insert(0);
            *nth += 1;
            (name, *nth - 1)
        })
        .collect()
}

/// By what an item of a verdict's lists is known.
fn name(item: &Value) -> String {
    let text = |key: &str| item.get(key).and_then(Value::as_str);
    let said = |value: &Value| value.as_str().map_or_else(|| value.to_string(), str::to_owned);
    if let Some(phase) = text("phase") {
        return match item.get("repeat") {
            Some(repeat) => format!("{phase}, repeat {}", said(repeat)),
            None => phase.to_owned(),
        };
    }
    if let (Some(first), Some(second)) = (text("first"), text("second")) {
        return format!("{first} and {second}");
    }
    if let (Some(contrast), Some(measure)) = (text("contrast"), text("measure")) {
        return format!("{contrast}, {}", words::plain(measure));
    }
    if let (Some(instrument), Some(file)) = (text("instrument"), text("file")) {
        return format!("{file} ({instrument})");
    }
    if let Some(measure) = text("measure") {
        return words::plain(measure);
    }
    const KEYS: [&str; 6] = ["recording", "ring", "label", "pattern", "source", "channel"];
    if let Some(name) = KEYS.iter().find_map(|key| text(key)) {
        return name.to_owned();
    }
    match item {
        // A pair of a name and what is said of it.
        Value::Array(pair) => pair.first().map_or_else(String::new, said),
        // A span has no name of its own.
        Value::Object(_) => String::new(),
        other => said(other),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    fn example() -> Value {
        serde_json::to_value(example::judgement().verdict).unwrap()
    }

    /// Every value of a tree that is no list and no object, by its pointer.
    fn leaves(value: &Value, pointer: String, found: &mut Vec<String>) {
        match value {
            Value::Object(object) => object.iter().for_each(|(k, v)| leaves(v, format!("{pointer}/{k}"), found)),
            Value::Array(items) => {
                items.iter().enumerate().for_each(|(k, v)| leaves(v, format!("{pointer}/{k}"), found))
            }
            _ => found.push(pointer),
        }
    }

    #[test]
    fn every_value_that_is_changed_is_found_and_nothing_else() {
        let now = example();
        assert!(differences(&now, &now, false).is_empty());
        let mut pointers = vec![];
        leaves(&now, String::new(), &mut pointers);
        // The last of each kind: keys alike but for the numbers on their way.
        let mut kinds: BTreeMap<String, &String> = BTreeMap::new();
        for pointer in &pointers {
            let keys: Vec<&str> = pointer.split('/').filter(|token| token.parse::<usize>().is_err()).collect();
            kinds.insert(keys.join("/"), pointer);
        }
        assert!(kinds.len() > 150, "{}", kinds.len());
        for pointer in kinds.into_values().filter(|pointer| *pointer != "/assize") {
            let mut then = now.clone();
            let leaf = then.pointer_mut(pointer).unwrap();
            *leaf = match &*leaf {
                Value::Number(number) => (number.as_f64().unwrap().abs() * 1.5 + 1.0).into(),
                Value::String(text) => format!("{text}!").into(),
                Value::Bool(said) => (!said).into(),
                _ => "said".into(),
            };
            let found = differences(&then, &now, false);
            assert!(!found.is_empty(), "{pointer}");
            // What changes the name of an item shows as one item lost and one new.
            let at = |d: &Difference| pointer.starts_with(&d.pointer) || d.then.is_none();
            assert!(found.iter().all(at), "{pointer}: {found:?}");
        }
    }

    #[test]
    fn outcomes_and_patterns_weigh_more_than_numbers_however_large() {
        let now = example();
        let weight = |pointer: &str, value: Value| {
            let mut then = now.clone();
            *then.pointer_mut(pointer).unwrap() = value;
            differences(&then, &now, false).iter().map(|d| d.weight).min()
        };
        let steady = now["phases"].as_array().unwrap().iter().position(|p| p["drill"] == "steady").unwrap();
        let check = format!("/phases/{steady}/checks/0");
        let value = now.pointer(&format!("{check}/value")).unwrap().as_f64().unwrap();
        assert_eq!(weight("/verdict", "pass".into()), Some(Severity::Outcome));
        assert_eq!(weight(&format!("{check}/verdict"), "not ridden".into()), Some(Severity::Outcome));
        assert_eq!(weight("/diagnosis/0/pattern", "phantom".into()), Some(Severity::Outcome));
        assert_eq!(weight("/diagnosis", Value::Array(vec![])), Some(Severity::Outcome));
        assert_eq!(weight(&format!("{check}/value"), (value + 1e6).into()), Some(Severity::Shown));
        assert_eq!(weight(&format!("{check}/value"), (value + 1e-9).into()), Some(Severity::Unseen));
        assert_eq!(weight(&format!("{check}/value"), Value::Null), Some(Severity::Shown));
    }

    #[test]
    fn a_list_in_another_order_is_told_as_that_and_a_new_key_counts_only_of_one_version() {
        let now = example();
        let mut then = now.clone();
        then["references"].as_array_mut().unwrap().reverse();
        let found = differences(&then, &now, false);
        assert_eq!((found.len(), found[0].place.as_str()), (1, "references: order"));
        let mut older = now.clone();
        older["unit"].as_object_mut().unwrap().remove("received");
        assert_eq!(differences(&older, &now, true)[0].weight, Severity::Added);
        assert_eq!(differences(&older, &now, false)[0].weight, Severity::Shown);
        // What the newer one no longer says is a difference all the same.
        assert_eq!(differences(&now, &older, true)[0].weight, Severity::Shown);
    }
}
