//! Dynamic programming over segments: the cheapest sequence of moves and filler for the whole ride.
//!
//! Between two phases the search is in the state "last phase was p", so that what may come next in order is
//! exact; within a phase, in one of its moves. A segment's cost is a difference of running sums plus a
//! piecewise-straight cost of its length. Each piece looks at a sliding window of possible starts, whose
//! minimum a monotone queue keeps, so a second costs a constant time per move.

use std::collections::VecDeque;

use super::moves::{LinearPiece, Move, ScoredPhases};

/// One stretch assigned to a plan entry.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Segment {
    pub entry: usize,
    /// Grid seconds where its moves begin, then where the last one ends.
    pub bounds: Vec<usize>,
    /// Index of the pin that put it there.
    pub forced: Option<usize>,
}

impl Segment {
    pub fn from(&self) -> usize {
        self.bounds[0]
    }

    pub fn to(&self) -> usize {
        self.bounds[self.bounds.len() - 1]
    }
}

/// What a lap at a boundary is worth, in seconds of misfit: it decides between places that fit alike and never makes a
/// wrong place right.
pub(super) const LAP: f64 = 4.0;

/// What a boundary costs at each second, in seconds of misfit.
pub(super) struct EdgeCosts {
    /// Of any entry, by second.
    any: Vec<f64>,
    /// Of entries for which something was recorded or typed by name.
    own: Vec<Option<Vec<f64>>>,
}

impl EdgeCosts {
    pub fn none(entries: usize, seconds: usize) -> Self {
        Self { any: vec![0.0; seconds + 1], own: vec![None; entries] }
    }

    fn at(&self, entry: usize, second: usize) -> f64 {
        self.own[entry].as_ref().unwrap_or(&self.any)[second]
    }

    /// How surely somebody marked a boundary at this second, 0 to 1.
    fn marked(&self, entry: usize, second: usize) -> f64 {
        (-self.at(entry, second) / LAP).min(1.0)
    }

    /// Lowers the cost at a second, of one entry or of all.
    pub fn lower(&mut self, entry: Option<usize>, second: usize, to: f64) {
        let lower = |costs: &mut Vec<f64>| costs[second] = costs[second].min(to);
        match entry {
            Some(entry) => lower(self.own[entry].get_or_insert_with(|| self.any.clone())),
            None => {
                lower(&mut self.any);
                self.own.iter_mut().flatten().for_each(lower);
            }
        }
    }
}

/// An entry that a person put at seconds `from..to`.
#[derive(Debug, Clone, Copy)]
pub(super) struct PinnedSegment {
    pub entry: usize,
    pub from: usize,
    pub to: usize,
}

/// Sliding minima over the possible starts of one move.
struct StartMinima<'a> {
    pieces: &'a [LinearPiece],
    queues: Vec<VecDeque<(usize, f64)>>,
}

impl<'a> StartMinima<'a> {
    fn of(lasts: &'a [LinearPiece]) -> Self {
        Self { pieces: lasts, queues: lasts.iter().map(|_| VecDeque::new()).collect() }
    }

    /// The cheapest way to end the move at second `to`, and where it then began. To be called for each second in
    /// order; `open(i)` is the cost of beginning the move at `i < to` less the running sum there, `sum` that at `to`.
    fn at(&mut self, to: usize, open: impl Fn(usize) -> f64, sum: f64) -> (f64, usize) {
        let mut best = (f64::INFINITY, 0);
        for (piece, queue) in self.pieces.iter().zip(&mut self.queues) {
            if let Some(from) = to.checked_sub(piece.from)
                && let open = open(from)
                && open.is_finite()
            {
                let key = open - piece.slope * from as f64;
                while queue.back().is_some_and(|&(_, other)| other > key) {
                    queue.pop_back();
                }
                // Of a window without an end the cheapest start stays the cheapest.
                if piece.to < usize::MAX || queue.is_empty() {
                    queue.push_back((from, key));
                }
            }
            while queue.front().is_some_and(|&(from, _)| to - from > piece.to) {
                queue.pop_front();
            }
            if let Some(&(from, key)) = queue.front() {
                let cost = key + sum + piece.at + piece.slope * (to as f64 - piece.from as f64);
                if cost < best.0 {
                    best = (cost, from);
                }
            }
        }
        best
    }
}

/// Costs and ways back of all moves, second by second: what is looked at together lies together.
struct MoveCosts {
    /// What beginning at a second costs, less the running sum there.
    open: Vec<f64>,
    /// Where the move that ends at a second began.
    began: Vec<u32>,
    /// First move of each entry, then their number.
    first: Vec<usize>,
}

impl MoveCosts {
    fn new(plan: &ScoredPhases) -> Self {
        let mut first = vec![0];
        first.extend(plan.entries.iter().scan(0, |sum, entry| {
            *sum += entry.moves.len();
            Some(*sum)
        }));
        let cells = first[plan.entries.len()] * (plan.seconds + 1);
        Self { open: vec![f64::INFINITY; cells], began: vec![0; cells], first }
    }

    fn width(&self) -> usize {
        self.first[self.first.len() - 1]
    }

    fn at(&self, entry: usize, of: usize, second: usize) -> usize {
        second * self.width() + self.first[entry] + of
    }
}

/// How the state "last phase was p" was reached at a second.
#[derive(Clone, Copy)]
enum BackPointer {
    Start,
    Filler,
    PhaseEnded,
    Forced,
}

/// The cheapest explanation of the ride, in order of time, after its cost. `edges` is what a boundary costs.
pub(super) fn cheapest(plan: &ScoredPhases, edges: &EdgeCosts, forced: &[PinnedSegment]) -> (f64, Vec<Segment>) {
    let seconds = plan.seconds;
    // State 0 is "nothing yet", state e + 1 is "entry e was last"; `between` holds their costs at this second.
    let states = plan.entries.len() + 1;
    let mut between = vec![f64::INFINITY; states];
    between[0] = 0.0;
    let mut steps = vec![BackPointer::Filler; states * (seconds + 1)];
    steps[0] = BackPointer::Start;
    let mut came_after = vec![0_u32; states * (seconds + 1)];
    let mut tracks = MoveCosts::new(plan);
    let mut ends: Vec<Vec<StartMinima>> =
        plan.entries.iter().map(|e| e.moves.iter().map(|m| StartMinima::of(&m.lasts)).collect()).collect();
    let mut pinned_until = 0;
    let mut before_pin = vec![(f64::INFINITY, 0); forced.len()];

    for t in 0..=seconds {
        let steps = &mut steps[t * states..(t + 1) * states];
        for (e, entry) in plan.entries.iter().enumerate().filter(|_| t > 0) {
            let last = entry.moves.len() - 1;
            for (m, ends) in ends[e].iter_mut().enumerate() {
                let open = |from: usize| tracks.open[tracks.at(e, m, from)];
                let (cost, began) = ends.at(t, open, entry.sum(m, t));
                let here = tracks.at(e, m, t);
                tracks.began[here] = began as u32;
                let cost = cost + edges.at(e, t);
                if m < last {
                    tracks.open[here + 1] = cost - entry.sum(m + 1, t);
                } else if cost < between[e + 1] {
                    let cost = cost + entry.ending(t, edges.marked(e, t));
                    if cost < between[e + 1] {
                        (between[e + 1], steps[e + 1]) = (cost, BackPointer::PhaseEnded);
                    }
                }
            }
        }
        if let Some(pin) = forced.iter().position(|f| f.to == t) {
            between[forced[pin].entry + 1] = before_pin[pin].0;
            steps[forced[pin].entry + 1] = BackPointer::Forced;
        }
        if let Some(pin) = forced.iter().position(|f| f.from == t) {
            // Nothing may run into a pin or across it.
            before_pin[pin] = least(&between);
            between.fill(f64::INFINITY);
            clear(&mut ends, &mut tracks, t);
            pinned_until = forced[pin].to;
        }
        if t < pinned_until {
            continue;
        }
        let cheapest = least(&between);
        let second = least_but(&between, cheapest.1);
        for (e, entry) in plan.entries.iter().enumerate() {
            let other = if cheapest.1 == e + 1 { second } else { cheapest };
            let mut best = (other.0 + plan.jump, other.1);
            if between[e + 1] + plan.again < best.0 {
                best = (between[e + 1] + plan.again, e + 1);
            }
            for state in entry.free_after.iter().map(|after| after.map_or(0, |a| a + 1)) {
                if between[state] <= best.0 {
                    best = (between[state], state);
                }
            }
            came_after[t * states + e + 1] = best.1 as u32;
            let beginning = edges.at(e, t) + entry.beginning(t, edges.marked(e, t));
            let here = tracks.at(e, 0, t);
            tracks.open[here] = best.0 + beginning - entry.sum(0, t);
        }
    }

    let (cost, state) = least(&between);
    let reached = StatesReached { steps, came_after, states, tracks, before_pin };
    (cost, reached.way_back(plan, forced, state))
}

/// How each state was reached at each second.
struct StatesReached {
    /// By second, then by state.
    steps: Vec<BackPointer>,
    /// The state before the phase that a state has as its last began.
    came_after: Vec<u32>,
    states: usize,
    tracks: MoveCosts,
    /// Cost and state before each pin.
    before_pin: Vec<(f64, usize)>,
}

impl StatesReached {
    /// What was ridden up to a state at the ride's end, in order of time.
    fn way_back(&self, plan: &ScoredPhases, forced: &[PinnedSegment], mut state: usize) -> Vec<Segment> {
        let mut instances = Vec::new();
        let mut t = plan.seconds;
        loop {
            match self.steps[t * self.states + state] {
                BackPointer::Start => break,
                BackPointer::Filler => t -= 1,
                BackPointer::PhaseEnded => {
                    let entry = state - 1;
                    let mut bounds = vec![t];
                    for of in (0..plan.entries[entry].moves.len()).rev() {
                        t = self.tracks.began[self.tracks.at(entry, of, t)] as usize;
                        bounds.push(t);
                    }
                    bounds.reverse();
                    state = self.came_after[t * self.states + state] as usize;
                    instances.push(Segment { entry, bounds, forced: None });
                }
                BackPointer::Forced => {
                    let pin = forced.iter().position(|f| f.to == t).expect("only a pin's end is forced");
                    let PinnedSegment { entry, from, to } = forced[pin];
                    let bounds = within(&plan.entries[entry].moves, from, to);
                    instances.push(Segment { entry, bounds, forced: Some(pin) });
                    (t, state) = (from, self.before_pin[pin].1);
                }
            }
        }
        instances.reverse();
        instances
    }
}

fn clear(ends: &mut [Vec<StartMinima>], tracks: &mut MoveCosts, until: usize) {
    for queue in ends.iter_mut().flatten().flat_map(|e| &mut e.queues) {
        queue.clear();
    }
    // What was begun stays out of reach: queues take up starts later than they are written.
    let passed = (until + 1) * tracks.width();
    tracks.open[..passed].fill(f64::INFINITY);
}

fn least(costs: &[f64]) -> (f64, usize) {
    least_but(costs, usize::MAX)
}

/// The least cost and its place, one place left out.
fn least_but(costs: &[f64], but: usize) -> (f64, usize) {
    let others = costs.iter().enumerate().filter(|&(i, _)| i != but);
    others.fold((f64::INFINITY, 0), |best, (i, &c)| if c < best.0 { (c, i) } else { best })
}

/// The cheapest division of seconds `from..to` among moves that must fill it; in equal parts where it is far too short
/// or long for them.
pub(super) fn within(moves: &[Move], from: usize, to: usize) -> Vec<usize> {
    let mut begin = vec![f64::INFINITY; to + 1];
    begin[from] = 0.0;
    let sums: Vec<&[f64]> = moves.iter().map(|m| m.sums.as_slice()).collect();
    let (costs, began) = run(moves, &sums, begin, to);
    if costs[to].is_finite() {
        return back(&began, to);
    }
    (0..=moves.len()).map(|part| from + part * (to - from) / moves.len()).collect()
}

/// The cheapest single stretch anywhere in the ride that keeps off the seconds where `taken` holds; with its cost.
pub(super) fn closest(moves: &[Move], taken: &[bool]) -> Option<(Vec<usize>, f64)> {
    // Far above what any stretch can cost.
    const TAKEN: f64 = 1e6;
    let sums: Vec<Vec<f64>> = moves
        .iter()
        .map(|m| {
            let mut extra = 0.0;
            let mut sums = m.sums.clone();
            for (sum, &taken) in sums.iter_mut().skip(1).zip(taken) {
                extra += if taken { TAKEN } else { 0.0 };
                *sum += extra;
            }
            sums
        })
        .collect();
    let sums: Vec<&[f64]> = sums.iter().map(Vec::as_slice).collect();
    let (ends, began) = run(moves, &sums, vec![0.0; taken.len() + 1], taken.len());
    let (cost, to) = least(&ends);
    (cost < TAKEN / 2.0).then(|| (back(&began, to), cost))
}

/// Costs of ending the last move at each second up to `to`, and where each move then began.
fn run(moves: &[Move], sums: &[&[f64]], begin: Vec<f64>, to: usize) -> (Vec<f64>, Vec<Vec<usize>>) {
    let mut costs = begin;
    let mut began = Vec::with_capacity(moves.len());
    for (step, sums) in moves.iter().zip(sums) {
        let mut ends = StartMinima::of(&step.lasts);
        costs.iter_mut().zip(*sums).for_each(|(cost, sum)| *cost -= sum);
        let (next, starts) = (0..=to).map(|t| ends.at(t, |from| costs[from], sums[t])).unzip();
        costs = next;
        began.push(starts);
    }
    (costs, began)
}

fn back(began: &[Vec<usize>], to: usize) -> Vec<usize> {
    let mut bounds = vec![to];
    let mut t = to;
    for starts in began.iter().rev() {
        t = starts[t];
        bounds.push(t);
    }
    bounds.reverse();
    bounds
}
