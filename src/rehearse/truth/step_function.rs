//! A reading as a function of time: it stands until the next one, and everything of it is integrated exactly.

use super::super::span::TrueSpan;

/// A reading that stands until the next one; zero before the first.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct StepFunction {
    pub at_s: Vec<f64>,
    pub value: Vec<f64>,
    /// Integral until each `at_s`.
    until: Vec<f64>,
}

impl StepFunction {
    /// What says the same again changes nothing.
    pub fn new(points: impl Iterator<Item = (f64, f64)>) -> Self {
        let mut steps = Self::default();
        let mut sum = 0.0;
        for (at_s, value) in points {
            match (steps.at_s.last(), steps.value.last()) {
                (Some(_), Some(stood)) if *stood == value => continue,
                (Some(before_s), Some(stood)) => sum += stood * (at_s - before_s),
                _ => {}
            }
            steps.at_s.push(at_s);
            steps.value.push(value);
            steps.until.push(sum);
        }
        steps
    }

    fn index(&self, t_s: f64) -> Option<usize> {
        self.at_s.partition_point(|at_s| *at_s <= t_s).checked_sub(1)
    }

    pub fn at(&self, t_s: f64) -> f64 {
        self.index(t_s).map_or(0.0, |i| self.value[i])
    }

    fn until(&self, t_s: f64) -> f64 {
        self.index(t_s).map_or(0.0, |i| self.until[i] + self.value[i] * (t_s - self.at_s[i]))
    }

    pub fn integral(&self, span: TrueSpan) -> f64 {
        self.until(span.end_s) - self.until(span.start_s)
    }

    pub fn mean(&self, span: TrueSpan) -> f64 {
        self.integral(span) / span.length_s()
    }

    /// The reading that half of the span reads less than, or no more than.
    pub fn mostly(&self, span: TrueSpan) -> Option<f64> {
        let mut stood: Vec<(f64, f64)> =
            pieces(&[self], span).iter().map(|piece| (self.at(piece.start_s), piece.length_s())).collect();
        stood.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut left_s = span.length_s() / 2.0;
        stood.into_iter().find_map(|(value, lasts_s)| {
            left_s -= lasts_s;
            (left_s <= 0.0).then_some(value)
        })
    }

    /// Times inside the span at which the reading changes.
    pub fn changes(&self, span: TrueSpan) -> impl Iterator<Item = f64> + '_ {
        let first = self.at_s.partition_point(|at_s| *at_s <= span.start_s);
        self.at_s[first..].iter().copied().take_while(move |at_s| *at_s < span.end_s)
    }

    /// Best mean over `over_s` inside the span: it begins or ends at a change, or at the span's end.
    pub fn best_mean(&self, span: TrueSpan, over_s: f64) -> Option<f64> {
        let last_s = span.end_s - over_s;
        let starts = self.changes(span).flat_map(|at_s| [at_s, at_s - over_s]).chain([span.start_s, last_s]);
        let mean = |start_s: f64| self.mean(TrueSpan { start_s, end_s: start_s + over_s });
        starts.filter(|start_s| (span.start_s..=last_s).contains(start_s)).map(mean).reduce(f64::max)
    }
}

/// The span cut wherever one of the readings changes, so that each reads one value in each piece.
pub(super) fn pieces(of: &[&StepFunction], span: TrueSpan) -> Vec<TrueSpan> {
    let mut borders_s: Vec<f64> =
        of.iter().flat_map(|steps| steps.changes(span)).chain([span.start_s, span.end_s]).collect();
    borders_s.sort_by(f64::total_cmp);
    borders_s.windows(2).filter(|b| b[1] > b[0]).map(|b| TrueSpan { start_s: b[0], end_s: b[1] }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reading_stands_until_the_next_and_is_integrated_exactly() {
        let steps = StepFunction::new([(1.0, 100.0), (2.5, 0.0), (4.0, 50.0)].into_iter());
        let span = |start_s, end_s| TrueSpan { start_s, end_s };
        assert_eq!(steps.at(0.5), 0.0);
        assert_eq!(steps.at(2.4), 100.0);
        assert_eq!(steps.integral(span(0.0, 2.0)), 100.0);
        assert_eq!(steps.integral(span(2.0, 5.0)), 50.0 + 50.0);
        assert_eq!(steps.best_mean(span(0.0, 5.0), 1.5), Some(100.0));
        assert_eq!(steps.best_mean(span(0.0, 1.0), 1.5), None);
    }
}
