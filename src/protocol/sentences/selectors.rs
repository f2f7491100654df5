//! Selectors: how a protocol or session names phases and their repeats.

use super::quantities::normal_form;
use super::reader::{ParseResult, TextMistake, mistake};
use crate::protocol::model::{Phase, Selector};
use crate::protocol::suggest::{list, nearest};

/// A rider may have ridden more repeats than asked for, and they can be named too. So many more are taken for repeats,
/// not for a slip of the pen (common practice, no source).
const MOST_FURTHER_REPEATS: u32 = 20;

/// Reads a selector (`steady[ring=small, power=120 W]`, `steady[small]`, `standing-sprints/3`) against the
/// phases that it names.
///
/// # Errors
/// What is not of this form, an unknown phase, key or value, and a repeat beyond those asked for, each with
/// its characters.
pub fn selector(text: &str, phases: &[Phase]) -> Result<Selector, TextMistake> {
    let text = text.trim_end();
    if phases.is_empty() {
        return mistake(0..text.chars().count(), "there is no protocol whose phase this could be", None);
    }
    let name_end = text.find(['[', '/']).unwrap_or(text.len());
    let name = text[..name_end].trim();
    let named: Vec<&Phase> = phases.iter().filter(|p| p.id.name == name).collect();
    if named.is_empty() {
        let mut names: Vec<&str> = phases.iter().map(|p| p.id.name.as_str()).collect();
        names.dedup();
        let help = nearest(name, &names).or_else(|| Some(format!("phases are {}", list(&names))));
        return mistake(0..chars_to(text, name_end), format!("the protocol has no phase `{name}`"), help);
    }
    let (keys, rest) = match text[name_end..].starts_with('[') {
        true => keys_in_brackets(text, name_end, name, &named)?,
        false => (vec![], name_end),
    };
    let selector = Selector { name: name.to_owned(), keys, repeat: None };
    let selected: Vec<&Phase> = named.into_iter().filter(|p| selector.selects(&p.id)).collect();
    if selected.is_empty() {
        return mistake(0..chars_to(text, text.len()), "no phase has all of these together", None);
    }
    Ok(Selector { repeat: repeat(text, rest, &selected)?, ..selector })
}

/// How many characters lie before a byte.
fn chars_to(text: &str, byte: usize) -> usize {
    text[..byte].chars().count()
}

type Keys = Vec<(String, String)>;

/// The keys in the brackets that open at byte `open`, and the byte behind them.
fn keys_in_brackets(text: &str, open: usize, name: &str, named: &[&Phase]) -> ParseResult<(Keys, usize)> {
    let Some(close) = text[open..].find(']').map(|at| open + at) else {
        return mistake(chars_to(text, open)..chars_to(text, text.len()), "`]` is missing", None);
    };
    let mut keys: Keys = vec![];
    let mut from = open + 1;
    for part in text[from..close].split(',') {
        let (start, end) = (chars_to(text, from), chars_to(text, from + part.len()));
        let lead = part.chars().take_while(|c| c.is_whitespace()).count();
        let at = start + lead..end.max(start + lead + 1);
        from += part.len() + 1;
        let (key, value) = match part.split_once('=') {
            Some((key, value)) => (Some(key.trim()), normal_form(value)),
            None => (None, normal_form(part)),
        };
        let mut fitting: Vec<&str> = named
            .iter()
            .flat_map(|p| &p.id.keys)
            .filter(|(k, v)| key.is_none_or(|key| key == k) && *v == value)
            .map(|(k, _)| k.as_str())
            .collect();
        fitting.sort_unstable();
        fitting.dedup();
        match fitting[..] {
            [key] => keys.push((key.to_owned(), value)),
            [] => {
                let mut known: Vec<String> =
                    named.iter().flat_map(|p| &p.id.keys).map(|(k, v)| format!("{k}={v}")).collect();
                known.sort_unstable();
                known.dedup();
                let help = if known.is_empty() {
                    format!("`{name}` has no `for_each`")
                } else {
                    format!("`{name}` has {}", known.join(", "))
                };
                return mistake(at, format!("no phase `{name}` has `{}`", part.trim()), Some(help));
            }
            [..] => {
                let help = Some(format!("write `{}={value}`", fitting[0]));
                return mistake(at, format!("`{value}` could be {}", fitting.join(" or ")), help);
            }
        }
    }
    Ok((keys, close + 1))
}

/// The repeat that stands behind byte `from`, if one does.
fn repeat(text: &str, from: usize, selected: &[&Phase]) -> ParseResult<Option<u32>> {
    let tail = text[from..].trim_start();
    let at = chars_to(text, from)..chars_to(text, text.len());
    let Some(number) = tail.strip_prefix('/') else {
        return match tail.is_empty() {
            true => Ok(None),
            false => mistake(at, format!("nothing more was expected, found `{tail}`"), None),
        };
    };
    let most = selected.iter().map(|p| p.repeats).max().unwrap_or(1);
    match number.trim().parse::<u32>() {
        Ok(n) if n >= 1 && n <= most + MOST_FURTHER_REPEATS => Ok(Some(n)),
        _ => mistake(at, format!("expected a repeat from 1 to {most}, found `{}`", number.trim()), None),
    }
}

/// Reads a selector that has to name one repeat of one phase.
///
/// # Errors
/// As [`selector`], and one that leaves open which phase or which repeat is meant.
pub fn one_repeat(text: &str, phases: &[Phase]) -> Result<Selector, TextMistake> {
    let selector = selector(text, phases)?;
    let selected: Vec<&Phase> = phases.iter().filter(|p| selector.selects(&p.id)).collect();
    let length = text.trim_end().chars().count();
    match selected[..] {
        [phase] if phase.repeats > 1 && selector.repeat.is_none() => {
            let help = format!("say which, as in `{}/1`", phase.id);
            mistake(0..length, format!("this phase has {} repeats", phase.repeats), Some(help))
        }
        [first, _, ..] => {
            let help = format!("say which, as in `{}`", first.id);
            mistake(0..length, format!("this names {} phases", selected.len()), Some(help))
        }
        _ => Ok(selector),
    }
}
