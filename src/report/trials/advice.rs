//! What a lab could change of its protocol, in sentences.

use super::wording::{two_digits, with_interval};
use crate::protocol::{Protocol, trim};
use crate::quantity::{Bound, Limit, Quantity};
use crate::rehearse::{FittedInstrument, RehearsalBench};
use crate::trials::{
    Advice, FoundSize, LeftOutEffect, LeftOutPhase, Lever, MovedLever, Solution, SparePhases, Trials, WANTED,
    each_limit,
};

/// Of a wanted fault: how it is found now, then a sentence for each lever.
pub fn wanted(trials: &Trials, advice: &Advice) -> Vec<String> {
    let now = format!("{} fails {} of sessions", advice.fault, with_interval(advice.now));
    if advice.now.value() >= WANTED {
        return vec![format!("{now}: often enough as it is.")];
    }
    if advice.shows_in.is_empty() {
        return vec![format!("{now} and shows in no check: this protocol has no drill or no limit for it.")];
    }
    let shows = format!("{now}; it shows in {}.", advice.shows_in.join(", "));
    std::iter::once(shows).chain(advice.levers.iter().map(|moved| lever(trials, moved))).collect()
}

fn lever(trials: &Trials, moved: &MovedLever) -> String {
    let lever = &moved.lever;
    let what = match lever {
        Lever::Repeats(name) => format!("More repeats of {name}"),
        Lever::Length(name) => format!("Longer blocks of {name}"),
        Lever::Reference(place) => format!("A better {}", trials.bench.references[*place].label),
        Lever::References => "Better references".to_owned(),
        Lever::Limits(_) => "Narrower limits".to_owned(),
    };
    let now = amount(lever, trials.protocol, &trials.bench);
    match (moved.found, &moved.solution) {
        (FoundSize::At { low, high, .. }, Some(solution)) => {
            let Solution { times, protocol, bench, failed, passed } = solution;
            let low = low.map_or("1".to_owned(), two_digits);
            let high = high.map_or_else(|| format!("more than {}", trim(lever.most())), two_digits);
            format!(
                "{what}: {} in place of {now}{}. Factor {} (95 % interval {low} to {high}). With it {} fail, and of sound units {} pass.",
                amount(lever, protocol, bench),
                riding(trials.protocol, protocol),
                two_digits(*times),
                with_interval(*failed),
                with_interval(*passed)
            )
        }
        _ => {
            let (protocol, bench) = lever.moved(trials.protocol, &trials.bench, lever.most());
            let most = amount(lever, &protocol, &bench);
            format!("{what} would not do: with {most} in place of {now} {} fail.", with_interval(moved.at_most))
        }
    }
}

/// How much of it there is: `9 repeats`, `12 min`, `pedal pair P ±0.5 % or 1 W`.
fn amount(lever: &Lever, protocol: &Protocol, bench: &RehearsalBench) -> String {
    let phase = |name: &str| protocol.phases.iter().find(|phase| phase.id.name == name);
    let states = |fitted: &FittedInstrument| format!("{} ±{}", fitted.label, rounded(&fitted.stated));
    match lever {
        Lever::Repeats(name) => phase(name).map_or(String::new(), |phase| phase.repeats.to_string()),
        Lever::Length(name) => match phase(name).and_then(|phase| phase.drill.block_s()) {
            Some(length_s) if length_s < 100.0 => format!("{} s", two_digits(length_s)),
            Some(length_s) => format!("{} min", two_digits(length_s / 60.0)),
            None => String::new(),
        },
        Lever::Reference(place) => format!("±{}", rounded(&bench.references[*place].stated)),
        Lever::References => bench.references.iter().map(states).collect::<Vec<_>>().join(", "),
        Lever::Limits(checks) => {
            let mut limits: Vec<String> = vec![];
            each_limit(&mut protocol.clone(), checks, |check, limit| {
                let limit = match limit {
                    Limit::Within(bound) => Limit::Within(rounded(bound)),
                    Limit::AtMost(bound) => Limit::AtMost(rounded(bound)),
                    other => other.clone(),
                };
                let said = format!("{check} {limit}");
                if !limits.contains(&said) {
                    limits.push(said);
                }
            });
            limits.join(", ")
        }
    }
}

fn rounded(bound: &Bound) -> Bound {
    let part = |part: &Quantity| Quantity { value: two_digits(part.value).parse().unwrap_or(part.value), ..*part };
    Bound { parts: bound.parts.iter().map(part).collect(), join: bound.join }
}

fn riding(before: &Protocol, after: &Protocol) -> String {
    let minutes = |protocol: &Protocol| (protocol.riding_s() / 60.0).round();
    if minutes(before) == minutes(after) {
        return String::new();
    }
    format!(", {} min of riding in place of {}", minutes(after), minutes(before))
}

/// What could be left out, and what it would cost.
pub fn spared(trials: &Trials, spare: &SparePhases) -> Vec<String> {
    let mut said: Vec<String> = spare.phases.iter().map(tried).collect();
    if !spare.needed.is_empty() {
        said.push(format!("Needed, as some sessions fail by nothing else: {}.", spare.needed.join(", ")));
    }
    if !spare.checks.is_empty() {
        said.push(format!(
            "Checks that the faults tried here do not need: {}. Each of {} failed sessions would have failed without them.",
            spare.checks.join(", "),
            spare.failed
        ));
    }
    let gone: Vec<&str> = spare.phases.iter().filter(|tried| tried.goes()).map(|tried| tried.phase.as_str()).collect();
    if !gone.is_empty() {
        let riding = riding(trials.protocol, &spare.protocol);
        said.push(format!("What can go without losing any of these faults: {}{riding}.", gone.join(", ")));
    }
    said
}

fn tried(tried: &LeftOutPhase) -> String {
    let change = |of: LeftOutEffect, what: &str| match (of.lost, of.won) {
        (0, 0) => format!("of {} {what} none ends otherwise", of.of),
        (lost, won) => format!("of {} {what} {lost} no longer and {won} only now", of.of),
    };
    format!(
        "Without {}: {}; {}: it {}.",
        tried.phase,
        change(tried.failing, "sessions with the least size found fail"),
        change(tried.passing, "sound units pass"),
        if tried.goes() { "can go" } else { "stays" }
    )
}
