//! Pages from templates: one style sheet, everything in them escaped, nothing loaded or run.

use chrono::{DateTime, Utc};
use minijinja::syntax::SyntaxConfig;
use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, UndefinedBehavior};
use serde::Serialize;

use super::svg;
use crate::pattern::Pattern;
use crate::words;

/// A page with places to fill in.
#[derive(Debug, Clone, Copy)]
pub(super) struct Template {
    pub name: &'static str,
    pub source: &'static str,
}

/// What every template includes as `page.css`.
const STYLE: &str = include_str!("../../shared/page.css");
/// And as `head.html`: what a page may load (nothing), and how it fits a screen.
const HEAD: &str = include_str!("../../shared/head.html");

#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    #[error("a page's template could not be filled in: {0}")]
    Template(#[from] minijinja::Error),
}

/// The template with a page's texts, escaped, and pictures.
///
/// # Errors
/// [`ReportError::Template`] if template and page do not fit each other, which is a mistake in the program.
pub(super) fn fill(template: Template, page: &impl Serialize) -> Result<String, ReportError> {
    Ok(environment(template)?.get_template(template.name)?.render(Serde(page))?)
}

/// Text for a quoted string of a style sheet: all but letters, digits and spaces as an escape, so that it can end
/// neither the string nor the element.
pub(super) fn css_string(text: &str) -> String {
    let escaped = |c: char| match c {
        c if c.is_ascii_alphanumeric() || c == ' ' => c.to_string(),
        c if c.is_control() => String::new(),
        c => format!("\\{:06x}", c as u32),
    };
    text.chars().map(escaped).collect()
}

fn environment(Template { name, source }: Template) -> Result<Environment<'static>, minijinja::Error> {
    let mut env = Environment::new();
    env.set_auto_escape_callback(|_| AutoEscape::Html);
    env.set_formatter(|out, state, value| {
        // What a file said may hold characters that no page can show; they are marked, not dropped.
        match value.as_str() {
            Some(text) if !value.is_safe() => out.write_str(&svg::escape(text)).map_err(minijinja::Error::from),
            _ => minijinja::escape_formatter(out, state, value),
        }
    });
    env.set_undefined_behavior(UndefinedBehavior::Strict);
    env.set_syntax(SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build()?);
    env.add_filter("plain", |code: &str| words::plain(code));
    env.add_filter("phase", |selector: &str| words::capital(&words::phase(selector)));
    env.add_filter("pattern", |pattern: &str| words::pattern(pattern));
    env.add_filter("say", |text: &str| words::sentence(text));
    env.add_filter("stop", |text: &str| words::stop(text));
    env.add_filter("cap", |text: &str| words::capital(text));
    env.add_filter("two_digits", words::two_digits);
    env.add_filter("probability", words::probability);
    env.add_filter("num", words::number);
    env.add_filter("dof", words::degrees_of_freedom);
    env.add_filter("date", |utc: &str| shown(utc, "%Y-%m-%d"));
    env.add_filter("clock", |utc: &str| shown(utc, "%H:%M:%S"));
    env.add_function("quantity", words::quantity);
    env.add_function("limit", |unit: &str, limit_low: Option<f64>, limit_high: Option<f64>| {
        words::limit(limit_low, limit_high, unit)
    });
    env.add_function("value", |unit: &str, value: Option<f64>, u: Option<f64>, censored: bool| {
        words::value(value, u, unit, censored)
    });
    env.add_function("look_first", |pattern: &str| Pattern::from_word(pattern).map(words::look_first));
    env.add_function("glyph", |outcome: &str| words::glyph(outcome));
    env.add_template("page.css", STYLE)?;
    env.add_template("head.html", HEAD)?;
    env.add_template(name, source)?;
    Ok(env)
}

/// A time of the verdict in another form; as it is where it is none.
fn shown(utc: &str, form: &str) -> String {
    utc.parse::<DateTime<Utc>>().map_or_else(|_| utc.to_owned(), |t| t.format(form).to_string())
}
