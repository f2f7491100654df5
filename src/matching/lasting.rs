//! How long a move lasts, and sums over its possible beginnings.

use std::marker::PhantomData;

/// Flat density of a duration, in logs, for `from ≤ seconds ≤ to`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Flat {
    pub from: usize,
    pub to: usize,
    pub log_density: f64,
}

/// Density from `from` seconds on, falling by `per_s` nats a second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tail {
    pub from: usize,
    pub log_density: f64,
    pub per_s: f64,
}

/// Density of a duration: flat pieces, each beginning where the one before it ends, then a tail.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Lasting {
    pub flats: Vec<Flat>,
    pub tail: Tail,
}

impl Lasting {
    /// Longer than this no move lasts: e⁻⁶⁰ of the tail is left.
    pub fn most(&self) -> usize {
        self.tail.from + (60.0 / self.tail.per_s) as usize
    }

    pub fn log_density(&self, seconds: usize) -> f64 {
        let flat = self.flats.iter().find(|f| (f.from..=f.to).contains(&seconds)).map(|f| f.log_density);
        let Tail { from, log_density, per_s } = self.tail;
        let tail = || seconds.checked_sub(from).map(|over| log_density - per_s * over as f64);
        flat.or_else(tail).unwrap_or(f64::NEG_INFINITY)
    }
}

/// How weights of ways are put together.
pub(super) trait Weights {
    const NONE: f64;
    const ONE: f64;
    /// Of the likeliest way alone, so that it can be followed back.
    const BEST: bool;
    fn of(log: f64) -> f64;
    fn plus(a: f64, b: f64) -> f64;
    fn times(a: f64, b: f64) -> f64;
    fn over(a: f64, b: f64) -> f64;
    /// Whether a factor is so far from one that what it multiplies should be brought back.
    fn is_far(factor: f64) -> bool;
    /// By which factor weights that add up to this are brought back to one, and the logarithm of their sum.
    fn scale(sum: f64) -> (f64, f64);
}

/// The likeliest way alone: logs.
pub(super) struct Best;

impl Weights for Best {
    const NONE: f64 = f64::NEG_INFINITY;
    const ONE: f64 = 0.0;
    const BEST: bool = true;
    fn of(log: f64) -> f64 {
        log
    }
    fn plus(a: f64, b: f64) -> f64 {
        a.max(b)
    }
    fn times(a: f64, b: f64) -> f64 {
        a + b
    }
    fn over(a: f64, b: f64) -> f64 {
        a - b
    }
    fn is_far(_: f64) -> bool {
        false
    }
    fn scale(_: f64) -> (f64, f64) {
        (0.0, 0.0)
    }
}

/// All ways together: probabilities, scaled.
pub(super) struct All;

impl Weights for All {
    const NONE: f64 = 0.0;
    const ONE: f64 = 1.0;
    const BEST: bool = false;
    fn of(log: f64) -> f64 {
        log.exp()
    }
    fn plus(a: f64, b: f64) -> f64 {
        a + b
    }
    fn times(a: f64, b: f64) -> f64 {
        a * b
    }
    fn over(a: f64, b: f64) -> f64 {
        a / b
    }
    fn is_far(factor: f64) -> bool {
        !(1e-100..=1e100).contains(&factor)
    }
    fn scale(sum: f64) -> (f64, f64) {
        if sum > 0.0 { (1.0 / sum, sum.ln()) } else { (1.0, 0.0) }
    }
}

/// Sums over the possible beginnings of one move, second by second. All beginnings grow alike, so each is kept in units of what
/// one has grown to by now. What leaves a window must not be subtracted (what is left may be smaller by many orders), so each
/// window keeps two stacks: sums from each of its older beginnings on, and one sum of the younger ones.
pub(super) struct Beginnings<W> {
    /// By second.
    begun: Vec<f64>,
    grown: f64,
    windows: Vec<Window>,
    tail: Tail,
    tail_density: f64,
    tail_falls: f64,
    in_tail: f64,
    /// From this second on nothing that began goes on.
    until: usize,
    most: usize,
    how: PhantomData<W>,
}

struct Window {
    piece: Flat,
    density: f64,
    /// Of beginnings from `oldest` up to `turned`, oldest last.
    sums: Vec<f64>,
    oldest: usize,
    turned: usize,
    /// Of those from `turned` up to `next`.
    young: f64,
    next: usize,
}

impl<W: Weights> Beginnings<W> {
    /// For a ride of so many seconds.
    pub fn of(lasting: &Lasting, seconds: usize) -> Self {
        let Lasting { flats, tail } = lasting;
        let window = |piece: &Flat| Window {
            piece: *piece,
            density: W::of(piece.log_density),
            sums: vec![],
            oldest: 0,
            turned: 0,
            young: W::NONE,
            next: 0,
        };
        Self {
            begun: Vec::with_capacity(seconds + 1),
            grown: W::ONE,
            windows: flats.iter().map(window).collect(),
            tail: *tail,
            tail_density: W::of(tail.log_density),
            tail_falls: W::of(-tail.per_s),
            in_tail: W::NONE,
            until: 0,
            most: lasting.most(),
            how: PhantomData,
        }
    }

    /// Nothing that began so far goes on.
    pub fn clear(&mut self) {
        self.begun.fill(W::NONE);
        self.until = 0;
    }

    /// What beginning at the next second weighs.
    pub fn begin(&mut self, weight: f64) {
        let at = self.begun.len();
        if weight == W::NONE {
            return self.begun.push(weight);
        }
        if at >= self.until {
            // Nothing went on, so nothing before this second is looked at any more.
            (self.grown, self.in_tail) = (W::ONE, W::NONE);
            for window in &mut self.windows {
                (window.oldest, window.turned, window.next, window.young) = (at, at, at, W::NONE);
                window.sums.clear();
            }
        }
        self.until = at + self.most;
        self.begun.push(W::over(weight, self.grown));
    }

    /// What ending weighs one second after the last beginning, in which all that began `grew`.
    pub fn end(&mut self, grew: f64) -> f64 {
        let t = self.begun.len();
        if t >= self.until {
            return W::NONE;
        }
        self.grown = W::times(self.grown, grew);
        if W::is_far(self.grown) {
            self.bring_back();
        }
        self.in_tail = W::times(self.in_tail, self.tail_falls);
        if let Some(i) = t.checked_sub(self.tail.from) {
            self.in_tail = W::plus(self.in_tail, W::times(self.begun[i], self.tail_density));
        }
        let sum =
            self.windows.iter_mut().fold(self.in_tail, |sum, window| W::plus(sum, window.end::<W>(t, &self.begun)));
        W::times(sum, self.grown)
    }

    fn bring_back(&mut self) {
        let by = std::mem::replace(&mut self.grown, W::ONE);
        let kept = self.begun.len().saturating_sub(self.tail.from);
        let sums = self.windows.iter_mut().flat_map(|w| w.sums.iter_mut().chain(std::iter::once(&mut w.young)));
        let rest = self.begun[kept..].iter_mut();
        rest.chain(sums).chain(std::iter::once(&mut self.in_tail)).for_each(|weight| *weight = W::times(*weight, by));
    }
}

impl Window {
    fn end<W: Weights>(&mut self, t: usize, begun: &[f64]) -> f64 {
        if self.next + self.piece.from <= t {
            self.young = W::plus(self.young, begun[self.next]);
            self.next += 1;
        }
        if self.oldest + self.piece.to < t {
            if self.oldest == self.turned {
                self.sums.clear();
                let mut sum = W::NONE;
                for weight in begun[self.turned..self.next].iter().rev() {
                    sum = W::plus(sum, *weight);
                    self.sums.push(sum);
                }
                (self.turned, self.young) = (self.next, W::NONE);
            }
            self.oldest += 1;
            self.sums.pop();
        }
        W::times(W::plus(self.sums.last().copied().unwrap_or(W::NONE), self.young), self.density)
    }
}
