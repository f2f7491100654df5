//! Shares, sizes and faults in words.

use crate::protocol::{Side, trim};
use crate::rehearse::{Fault, FaultEffect, StruckShare as Struck};
use crate::trials::{FoundSize, Ladder, SessionsRidden, TrialCounts, TrialShare, Trials, TrialsSummary};
use crate::words;

/// Of fewer sessions a tenth of a per cent says nothing: the limits lie a whole one apart and more.
const MANY: u64 = 400;

/// `38 %`; what is neither none nor all is never rounded to it.
pub fn pct(share: TrialShare) -> String {
    let places = usize::from(share.n >= MANY);
    let (pct, step) = (100.0 * share.value(), 0.1f64.powi(places as i32));
    match share {
        TrialShare { n: 0, .. } => "none ridden".to_owned(),
        TrialShare { hits, .. } if hits > 0 && pct < step / 2.0 => format!("< {step} %"),
        TrialShare { hits, n } if hits < n && pct > 100.0 - step / 2.0 => format!("> {} %", 100.0 - step),
        _ => format!("{pct:.places$} %"),
    }
}

/// `38 % (24 to 53)`: with its exact 95 % limits.
pub fn with_interval(share: TrialShare) -> String {
    let places = usize::from(share.n >= MANY);
    let (low, high) = share.interval();
    if share.n == 0 {
        return pct(share);
    }
    format!("{} ({:.places$} to {:.places$})", pct(share), 100.0 * low, 100.0 * high)
}

/// `40`, or `39 to 40` after an early end.
pub fn sessions(SessionsRidden { least, most }: SessionsRidden) -> String {
    if least == most { most.to_string() } else { format!("{least} to {most}") }
}

/// `seeds 1 to 40`; after an early end nobody promises that each of them was ridden.
pub fn seeds(trials: &Trials, summary: &TrialsSummary) -> String {
    let last = trials.seed.wrapping_add(u64::from(trials.sessions.saturating_sub(1)));
    let word = if interrupted(trials, summary) { "of the seeds" } else { "seeds" };
    format!("{word} {} to {last}", trials.seed)
}

pub fn interrupted(trials: &Trials, summary: &TrialsSummary) -> bool {
    summary.sessions.least < u64::from(trials.sessions)
}

/// Sizes of one ladder, written as the fault takes them.
#[derive(Debug, Clone, Copy)]
pub struct Sizes {
    pub sign: &'static str,
    /// Empty where the number says it all.
    pub unit: &'static str,
    /// Whether the fault has a size at all.
    pub any: bool,
}

impl Sizes {
    pub fn of(ladder: &Ladder) -> Self {
        let below = |rung: &TrialCounts| rung.fault.as_ref().is_some_and(|fault| fault.size < 0.0);
        let sign = match ladder.rungs.iter().filter(|rung| below(rung)).count() {
            0 => "",
            n if n == ladder.rungs.len() => "−",
            _ => "±",
        };
        let kind = ladder.fault.kind;
        Self { sign, unit: kind.listed().unit, any: kind != FaultEffect::DoubledSide }
    }

    /// `−2.5`.
    pub fn number(&self, text: &str) -> String {
        format!("{}{text}", self.sign)
    }

    /// `−2.5 W`, `a share of 0.2`.
    pub fn with_unit(&self, size: f64) -> String {
        let number = self.number(&two_digits(size));
        match self.unit {
            "share" => format!("a share of {number}"),
            unit => format!("{number}\u{a0}{unit}"),
        }
    }
}

/// More would be false precision: sizes lie a quarter apart and more.
pub fn two_digits(size: f64) -> String {
    let unit = 10f64.powi(size.abs().max(1e-6).log10().floor() as i32 - 1);
    trim((size / unit).round() * unit)
}

/// From which size on a fault is found, of the sizes ridden.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SizeInWords {
    /// `2.8 %`, `less than 1 %`, `none up to 7 %`.
    pub text: String,
    /// 95 % limits of a size that was found.
    pub limits: Option<String>,
}

pub fn size(found: FoundSize, ladder: &Ladder) -> SizeInWords {
    let sizes = Sizes::of(ladder);
    match found {
        FoundSize::Below(least) => SizeInWords { text: format!("less than {}", sizes.with_unit(least)), limits: None },
        FoundSize::Above(most) => SizeInWords { text: format!("none up to {}", sizes.with_unit(most)), limits: None },
        FoundSize::At { size, low, high } => {
            let ridden = |rung: Option<&TrialCounts>| sizes.number(&trim(rung.map_or(0.0, TrialCounts::size)));
            let number = |size| sizes.number(&two_digits(size));
            let low = low.map_or_else(|| format!("less than {}", ridden(ladder.rungs.first())), number);
            let high = high.map_or_else(|| format!("more than {}", ridden(ladder.rungs.last())), number);
            SizeInWords { text: sizes.with_unit(size), limits: Some(format!("{low} to {high}")) }
        }
    }
}

/// What it imitates and where: `one side falls short in sprints, on the left, in 1/3 of the sprints`.
pub fn fault(fault: &Fault) -> String {
    let listed = fault.kind.listed();
    let ring = fault.ring.map(|ring| format!("on the {} ring", ring.word()));
    let side = fault.side.map(|side| match side {
        Side::Left => "on the left".to_owned(),
        Side::Right => "on the right".to_owned(),
    });
    let each = listed.occasion.map_or("occasion", |occasion| occasion.word());
    let share = fault.share.map(|share| match share {
        Struck::Count(1) => format!("in one {each}"),
        Struck::Count(n) => format!("in {n} {each}s"),
        part => format!("in {part} of the {each}s"),
    });
    let at = fault.instrument.as_ref().map(|label| format!("at {label}"));
    [Some(listed.imitates.to_owned()), ring, side, share, at].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// As `--fault` takes it, its size left open: `ring-offset=…@big`.
pub fn form(fault: &Fault) -> String {
    fault.to_string().replacen("=0", "=…", 1)
}

/// `steady mean_error` → `steady: mean error`.
pub fn check(check: &str) -> String {
    match check.rsplit_once(' ') {
        Some((place, measure)) => {
            format!("{}: {}", words::phase(place), words::plain(&words::pattern(measure)))
        }
        None => words::phase(check),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_is_never_rounded_to_none_or_all() {
        let said = |hits, n| pct(TrialShare { hits, n });
        assert_eq!([said(0, 240), said(1, 240), said(239, 240), said(240, 240)], ["0 %", "< 1 %", "> 99 %", "100 %"]);
        assert_eq!([said(4, 1000), said(1, 4000), said(3999, 4000)], ["0.4 %", "< 0.1 %", "> 99.9 %"]);
        // No hit in a thousand leaves up to 0.37 %: 1 − 0.025^(1/1000) (Clopper and Pearson 1934, computed).
        assert_eq!(with_interval(TrialShare { hits: 0, n: 1000 }), "0.0 % (0.0 to 0.4)");
    }

    #[test]
    fn faults_are_told_in_words_with_their_places() {
        let said = |text: &str| fault(&text.parse().unwrap());
        assert_eq!(
            said("side-short=9@left,2/6"),
            "one side falls short in sprints, on the left, in 2/6 of the sprints"
        );
        assert_eq!(
            said("held-reading=4@big,1,P"),
            "the last reading kept after the pedals stopped, on the big ring, in one coast, at P"
        );
    }
}
