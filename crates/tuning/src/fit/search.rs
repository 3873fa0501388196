//! The fewest bands: greedy placement with joint refinement, exchanges to get out
//! of dead ends, and removal while nothing to speak of is lost.

use super::placement::{Dictionary, fixed_bands, overlap};
use super::problem::Problem;
use super::solver::{FreeBand, Settling, Solver, sum_of};
use crate::{BandKind, BandLayout, Profile};

/// What the search may use.
#[derive(Debug, Clone, Copy)]
pub(super) struct Means {
    pub(super) max_bands: usize,
    pub(super) max_boost_db: f64,
}

/// The bands before they are brought to the profile's grid.
pub(super) fn search(problem: &Problem, profile: &Profile, means: Means) -> Vec<FreeBand> {
    if means.max_bands == 0 {
        return Vec::new();
    }
    let coarse = problem.coarse();
    let mut search = Search {
        problem: &coarse,
        dictionary: Dictionary::new(&coarse, profile, means.max_boost_db),
        solver: Solver::new(Settling::SEARCH),
        max_bands: means.max_bands,
    };
    let mut bands = match profile.bands {
        BandLayout::Parametric { .. } => search.parametric(),
        BandLayout::Fixed(_) => search.fixed(fixed_bands(profile, means.max_boost_db)),
    };
    Solver::new(Settling::LAST).solve(problem, &mut bands, |_| true, 40);
    bands
}

/// An error that no one hears and that is not worth a band.
const GOOD_ENOUGH_DB: f64 = 0.09;

/// How much error may be accepted for the sake of fewer bands: 0.1 dB RMS more, and
/// less where the fit is so good that 0.1 dB would spoil it.
fn acceptable(best_rms_db: f64) -> f64 {
    (best_rms_db + (0.3 * best_rms_db).min(0.1)).max(GOOD_ENOUGH_DB)
}

/// What a few steps of the search left at so many times the limit is worth refining.
const NEARLY: f64 = 2.0;
/// What stands refined at so many times the limit is worth exchanging bands.
const NEARER: f64 = 1.5;
/// What an exchange left at so many times the error after a few steps will not be better.
const HOPELESS: f64 = 1.1;

/// Whether two sets of bands would end as one if they were refined.
fn are_alike(one: &[FreeBand], other: &[FreeBand]) -> bool {
    let alike = |a: &FreeBand, b: &FreeBand| {
        let near = |which: usize, by: f64| (a.value[which] - b.value[which]).abs() < by;
        a.kind == b.kind && near(0, 0.1) && near(1, 0.6) && near(2, 0.25)
    };
    one.len() == other.len() && one.iter().all(|a| other.iter().any(|b| alike(a, b)))
}

/// Bands and the square root of what they cost, in dB.
#[derive(Debug, Clone)]
struct State {
    bands: Vec<FreeBand>,
    rms_db: f64,
}

struct Search<'a> {
    problem: &'a Problem,
    dictionary: Dictionary,
    solver: Solver,
    max_bands: usize,
}

impl Search<'_> {
    fn parametric(&mut self) -> Vec<FreeBand> {
        let path = self.forward(&[], self.max_bands, &[]);
        let Some(last) = path.last() else { return Vec::new() };
        let mut best = self.refined(last.bands.clone(), 25);
        if best.bands.len() == self.max_bands {
            best = self.exchanged(best, 1);
        }
        let limit = acceptable(best.rms_db);
        let mut fewest = self.reduced(best, limit);
        // An earlier stage of the path may do with fewer, once it is refined.
        let early =
            path.iter().find(|s| s.rms_db <= 1.3 * limit && s.bands.len() < fewest.bands.len()).cloned();
        if let Some(early) = early {
            let refined = self.refined(early.bands, 25);
            let early = if refined.rms_db <= limit { refined } else { self.exchanged(refined, 1) };
            if early.rms_db <= limit && early.bands.len() < fewest.bands.len() {
                fewest = self.reduced(early, limit);
            }
        }
        fewest = self.other_starts(fewest, limit, path);
        fewest = self.one_fewer(fewest, limit);
        fewest.bands
    }

    /// Adds band after band where it helps most, refining on the way; the states
    /// from one band on. The first bands may be given. Ends where it joins a known path.
    fn forward(&mut self, start: &[FreeBand], max_bands: usize, known: &[State]) -> Vec<State> {
        let mut path: Vec<State> = Vec::new();
        let mut bands: Vec<FreeBand> = Vec::new();
        let mut start = start.iter().take(max_bands);
        let mut idle = 0;
        let mut rms_db = self.rms(&bands);
        while bands.len() < max_bands && idle < 2 {
            let sum = sum_of(self.problem, &bands);
            let next = start.next().copied().or_else(|| self.dictionary.best(self.problem, &sum));
            let Some(next) = next else { break };
            bands.push(next);
            let around = |index: usize, bands: &[FreeBand]| overlap(&bands[index], &next);
            let moving: Vec<bool> = (0..bands.len()).map(|i| around(i, &bands)).collect();
            self.solver.solve(self.problem, &mut bands, |i| moving[i], 5);
            if bands.len().is_multiple_of(4) {
                self.solver.solve(self.problem, &mut bands, |_| true, 3);
            }
            let now = self.rms(&bands);
            // Noise yields about one percent to each band; that is not worth a band.
            idle = if now > 0.98 * rms_db { idle + 1 } else { 0 };
            rms_db = now;
            path.push(State { bands: bands.clone(), rms_db });
            if known.iter().any(|state| are_alike(&state.bands, &bands)) {
                return Vec::new();
            }
        }
        path.truncate(path.len() - idle);
        path
    }

    fn rms(&self, bands: &[FreeBand]) -> f64 {
        self.solver.cost(self.problem, bands, &sum_of(self.problem, bands)).sqrt()
    }

    fn refined(&mut self, mut bands: Vec<FreeBand>, iterations: usize) -> State {
        let cost = self.solver.solve(self.problem, &mut bands, |_| true, iterations);
        State { bands, rms_db: cost.sqrt() }
    }

    /// Takes out each of the bands that matter least and puts a new one where it now
    /// helps most, as long as that lowers the error.
    fn exchanged(&mut self, mut state: State, rounds: usize) -> State {
        for _ in 0..rounds {
            let before = state.rms_db;
            for index in self.least_first(&state.bands).into_iter().take(4) {
                let mut bands = state.bands.clone();
                if index >= bands.len() {
                    continue;
                }
                bands.remove(index);
                let mut bands = self.refined(bands, 3).bands;
                let sum = sum_of(self.problem, &bands);
                let Some(next) = self.dictionary.best(self.problem, &sum) else { continue };
                bands.push(next);
                let trial = self.refined(bands, 4);
                if trial.rms_db > HOPELESS * state.rms_db {
                    continue;
                }
                let trial = self.refined(trial.bands, 6);
                if trial.rms_db < 0.998 * state.rms_db {
                    state = trial;
                }
            }
            if state.rms_db > 0.99 * before {
                break;
            }
        }
        state
    }

    /// The bands by what is lost without them, before the others make up for it.
    fn least_first(&self, bands: &[FreeBand]) -> Vec<usize> {
        let sum = sum_of(self.problem, bands);
        let mut without = vec![0.0; self.problem.len()];
        let mut losses: Vec<(usize, f64)> = bands
            .iter()
            .enumerate()
            .map(|(index, band)| {
                band.curve(self.problem.sample_rate_hz).write_db(&self.problem.axis, &mut without);
                without.iter_mut().zip(&sum).for_each(|(band, sum)| *band = sum - *band);
                (index, self.problem.cost(&without, 0.0))
            })
            .collect();
        losses.sort_by(|a, b| a.1.total_cmp(&b.1));
        losses.into_iter().map(|(index, _)| index).collect()
    }

    /// Removes bands while the error stays within the limit.
    fn reduced(&mut self, mut state: State, limit: f64) -> State {
        while state.bands.len() > 1 {
            let Some(best) = self.without_one(&state, 3) else { break };
            let trial = if best.rms_db <= limit { best } else { self.refined(best.bands, 20) };
            if trial.rms_db > limit {
                break;
            }
            state = trial;
        }
        if state.bands.len() == 1 && self.rms(&[]) <= limit {
            return State { bands: Vec::new(), rms_db: self.rms(&[]) };
        }
        state
    }

    /// The best state with one band less, of the bands that matter least.
    fn without_one(&mut self, state: &State, tries: usize) -> Option<State> {
        let order = self.least_first(&state.bands);
        let mut best: Option<State> = None;
        for index in order.into_iter().take(tries) {
            let mut bands = state.bands.clone();
            bands.remove(index);
            let trial = self.refined(bands, 5);
            if best.as_ref().is_none_or(|b| trial.rms_db < b.rms_db) {
                best = Some(trial);
            }
        }
        best
    }

    /// Begins again from the next best first bands and from shelves, which a peak as wide
    /// as a shelf often hides; keeps what needs fewer, or has less error with as many.
    fn other_starts(&mut self, mut fewest: State, limit: f64, mut known: Vec<State>) -> State {
        let flat = vec![0.0; self.problem.len()];
        let mut starts: Vec<Vec<FreeBand>> = self
            .dictionary
            .ranked(self.problem, &flat, 3)
            .into_iter()
            .skip(1)
            .map(|band| vec![band])
            .collect();
        let shelf = |kind| self.dictionary.best_of(self.problem, &flat, kind);
        let (low, high) = (shelf(BandKind::LowShelf), shelf(BandKind::HighShelf));
        starts.extend([low, high].into_iter().flatten().map(|band| vec![band]));
        starts.extend(low.zip(high).map(|(low, high)| vec![low, high]));
        for start in starts {
            if !(2..=12).contains(&fewest.bands.len()) {
                break;
            }
            let path = self.forward(&start, fewest.bands.len(), &known);
            let Some(last) = path.last() else { continue };
            known.extend(path.iter().cloned());
            if last.rms_db <= NEARLY * limit {
                let trial = self.refined(last.bands.clone(), 20);
                if trial.rms_db <= limit && trial.rms_db < 0.98 * fewest.rms_db {
                    fewest = self.reduced(trial, limit);
                }
            }
            let shorter = path.into_iter().rev().find(|state| state.bands.len() < fewest.bands.len());
            if let Some(shorter) = shorter.filter(|state| state.rms_db <= NEARLY * limit) {
                let trial = self.refined(shorter.bands, 20);
                let may_do = trial.rms_db > limit && trial.rms_db <= NEARER * limit;
                let trial = if may_do { self.exchanged(trial, 1) } else { trial };
                if trial.rms_db <= limit {
                    fewest = self.reduced(trial, limit);
                }
            }
        }
        fewest
    }

    /// Tries hard to do with one band less: every band out, with an exchange after it.
    fn one_fewer(&mut self, mut fewest: State, limit: f64) -> State {
        while (2..=12).contains(&fewest.bands.len()) {
            let tries = fewest.bands.len();
            let Some(trial) = self.without_one(&fewest, tries) else { break };
            let trial = self.refined(trial.bands, 15);
            // Few bands are tried out soon, and one exchange may change everything.
            let hopeful = if tries <= 5 { 2.5 } else { 1.3 };
            if trial.rms_db > hopeful * limit {
                break;
            }
            let trial = self.exchanged(trial, 2);
            let trial = if trial.rms_db <= limit || trial.rms_db > NEARER * limit {
                trial
            } else {
                self.two_for_one(&fewest)
            };
            if trial.rms_db > limit {
                break;
            }
            fewest = trial;
        }
        fewest
    }

    /// Takes two neighbours out and puts the best single band in their place, for each
    /// pair of neighbours; the best of it.
    fn two_for_one(&mut self, state: &State) -> State {
        let mut order: Vec<usize> = (0..state.bands.len()).collect();
        order.sort_by(|&a, &b| state.bands[a].value[0].total_cmp(&state.bands[b].value[0]));
        let mut best = State { bands: Vec::new(), rms_db: f64::INFINITY };
        for pair in order.windows(2) {
            let left = |index: usize| !pair.contains(&index);
            let mut bands: Vec<FreeBand> =
                (0..state.bands.len()).filter(|&index| left(index)).map(|index| state.bands[index]).collect();
            let sum = sum_of(self.problem, &bands);
            let Some(next) = self.dictionary.best(self.problem, &sum) else { continue };
            bands.push(next);
            let trial = self.refined(bands, 12);
            if trial.rms_db < best.rms_db {
                best = trial;
            }
        }
        if best.bands.is_empty() { best } else { self.refined(best.bands, 15) }
    }

    /// Fixed bands: all gains at once by bounded least squares, then the least of
    /// them flat until no more are used than allowed.
    fn fixed(&mut self, bands: Vec<FreeBand>) -> Vec<FreeBand> {
        let mut state = self.refined(bands, 30);
        while state.bands.len() > self.max_bands {
            let Some(&least) = self.least_first(&state.bands).first() else { break };
            state.bands.remove(least);
            state = self.refined(state.bands, 10);
        }
        state.bands
    }
}
