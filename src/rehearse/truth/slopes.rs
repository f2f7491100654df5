//! Slopes of the error: on the level of power, on time, on temperature.

use crate::protocol::Ring;

use super::super::span::TrueSpan;
use super::number::Number;
use super::readings::{Means, TOTAL, TrueReadings};
use super::ridden::TrueRidden;

impl TrueReadings {
    /// Slope of the unit's level on the ideal instrument's, less one, %.
    pub(super) fn linearity(&self, windows: &[TrueSpan]) -> Option<Number> {
        let levels: Vec<Means> = windows.iter().filter_map(|window| self.means(TOTAL, *window)).collect();
        let n = levels.len() as f64;
        let (unit_w, ideal_w) =
            (levels.iter().map(|l| l.unit_w).sum::<f64>() / n, levels.iter().map(|l| l.ideal_w).sum::<f64>() / n);
        let squares: f64 = levels.iter().map(|l| (l.ideal_w - ideal_w) * (l.ideal_w - ideal_w)).sum();
        // The slope of the error is that of the level less one, and exactly zero where there is no error.
        let slope: f64 =
            levels.iter().map(|l| (l.ideal_w - ideal_w) * (l.unit_w - l.ideal_w - (unit_w - ideal_w))).sum::<f64>()
                / squares;
        (levels.len() >= 3 && squares > 1.0).then(|| Number::plain(slope * 100.0))
    }

    /// Slope of the error in the steady blocks, W for each of `over`, with a level for each ring and a gain beside it.
    pub(super) fn slope(&self, steady: &[&TrueRidden], over: impl Fn(TrueSpan) -> f64) -> Option<f64> {
        const CHUNK_S: f64 = 30.0;
        let mut rows: Vec<[f64; 5]> = vec![];
        for block in steady {
            // What is left at the end of a block counts from half a chunk on: a second in which the unit is late says nothing.
            let chunks = (block.window.length_s() / CHUNK_S).round() as usize;
            for n in 0..chunks {
                let start_s = block.window.start_s + n as f64 * CHUNK_S;
                let chunk = TrueSpan { start_s, end_s: (start_s + CHUNK_S).min(block.window.end_s) };
                let Some(Means { unit_w, ideal_w }) = self.means(TOTAL, chunk) else { continue };
                let small = if block.ring == Ring::Small { 1.0 } else { 0.0 };
                rows.push([1.0, small, ideal_w, over(chunk), unit_w - ideal_w]);
            }
        }
        last_coefficient(&rows)
    }
}

/// Least squares of the last column on the others, by the normal equations: the last one's coefficient. A column
/// that never changes beside the first is left out; `None` where the last can't be told from the others.
fn last_coefficient(rows: &[[f64; 5]]) -> Option<f64> {
    let n = rows.len() as f64;
    let means: [f64; 5] = std::array::from_fn(|c| rows.iter().map(|row| row[c]).sum::<f64>() / n);
    let product = |a: usize, b: usize| rows.iter().map(|row| (row[a] - means[a]) * (row[b] - means[b])).sum::<f64>();
    let columns: Vec<usize> = (1..4).filter(|&c| product(c, c) > 1e-9).collect();
    if columns.last() != Some(&3) || rows.len() < 8 {
        return None;
    }
    let mut system: Vec<Vec<f64>> =
        columns.iter().map(|&a| columns.iter().chain(&[4]).map(|&b| product(a, b)).collect()).collect();
    for i in 0..system.len() {
        let own = product(columns[i], columns[i]);
        if system[i][i] <= 1e-6 * own {
            return None;
        }
        let (above, below) = system.split_at_mut(i + 1);
        for row in below {
            let share = row[i] / above[i][i];
            row.iter_mut().zip(&above[i]).for_each(|(value, pivot)| *value -= share * pivot);
        }
    }
    let last = system.last()?;
    Some(last[last.len() - 1] / last[last.len() - 2])
}
