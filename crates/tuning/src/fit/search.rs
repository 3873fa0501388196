//! The fewest bands: greedy placement with joint refinement, exchanges to get out
//! of dead ends, and removal while nothing to speak of is lost.

use super::placement::{Dictionary, fixed_bands, overlap};
use super::problem::Problem;
use super::solver::{CEILING_WEIGHT, FreeBand, Settling, Solver, sum_of};
use crate::{Band, BandKind, BandLayout, Profile};

/// What the search may use.
#[derive(Debug, Clone, Copy)]
pub(super) struct Means<'a> {
    /// The bands that stay as they are.
    pub(super) locked: &'a [Band],
    /// So many bands beside them.
    pub(super) max_bands: usize,
    pub(super) max_boost_db: f64,
}

/// The bands before they are brought to the profile's grid: sets of as many, of which the best on
/// the grid is to be taken.
pub(super) fn search(problem: &Problem, profile: &Profile, means: Means<'_>) -> Vec<Vec<FreeBand>> {
    if means.max_bands == 0 {
        return vec![Vec::new()];
    }
    let coarse = problem.coarse();
    let mut search = Search {
        problem: &coarse,
        dictionary: Dictionary::new(&coarse, profile, means.max_boost_db),
        solver: Solver::new(Settling::SEARCH),
        found: Vec::new(),
    };
    let mut sets = match profile.bands {
        BandLayout::Parametric { count, .. } => {
            let most = count.saturating_sub(means.locked.len());
            search.parametric(means.max_bands.min(most), most)
        }
        BandLayout::Fixed(_) => {
            let bands = fixed_bands(&coarse, profile, means.locked, means.max_boost_db);
            vec![search.fixed(bands, means.max_bands)]
        }
    };
    for bands in &mut sets {
        // None ends where nothing plays, to take back there what others do.
        if !matches!(profile.bands, BandLayout::Fixed(_)) {
            bands.retain(|band| band.kind != BandKind::Peak || coarse.plays_at(band.value[0].exp()));
        }
        Solver::new(Settling::LAST).solve(problem, bands, |_| true, 40);
    }
    sets
}

/// An error that no one hears and that is not worth a band.
const GOOD_ENOUGH_DB: f64 = 0.09;

/// How much error may be accepted for the sake of fewer bands: 0.1 dB RMS more, a little of
/// it left to the grid, and less where the fit is so good that 0.1 dB would spoil it.
fn acceptable(best_rms_db: f64) -> f64 {
    (best_rms_db + (0.3 * best_rms_db).min(0.09)).max(GOOD_ENOUGH_DB)
}

/// An error is as small as another up to so many times that: as in [`acceptable`].
const AS_NEAR: f64 = 1.3;

/// A band more is looked at from here on: what the paths promise is often bettered.
fn worth_a_look(best_rms_db: f64) -> f64 {
    (best_rms_db + (0.2 * best_rms_db).min(0.05)).max(GOOD_ENOUGH_DB)
}

/// Fixed bands are all there, so a flat one saves no more than a little typing.
const FIXED_LOSS_DB: f64 = 0.02;
/// Bands undo each other when some take back so much of what others do.
const UNDOING_DB: f64 = 0.5;
/// One band is the better choice although more error remains, when that is small beside its gain: as a share
/// of it in RMS, and at most, or nowhere more than so much. A smooth bump, which no band has the shape of, is
/// then one band, and not two or three that paint its shape. (Our choice, no published source: of 400 such bumps the worst
/// leaves 5.3 % and 15 %; a second band that is there leaves more than 20 %.)
const SHAPE_RMS_SHARE: f64 = 0.06;
const SHAPE_MOST_SHARE: f64 = 0.2;
const SHAPE_MOST_DB: f64 = 1.0;
/// So many bands are exchanged one by one in search of something better; with more of them
/// that is no longer worth its time.
const MOST_EXCHANGED: usize = 12;
/// Of so many bands three neighbours are exchanged for one.
const MOST_IN_THREES: usize = 8;
/// With so few bands, more starts are tried.
const FEW: usize = 5;
/// So many bands most processors have: paths are followed as far at least, so that a profile with more begins where one
/// with fewer does.
const USUAL_BANDS: usize = 10;
/// Paths from other first bands are followed so far.
const MOST_ON_OTHER_PATHS: usize = 8;

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
    /// Starts for each number of bands, from none on.
    found: Vec<Vec<State>>,
}

impl Search<'_> {
    /// The fewest bands, at most so many of those that the profile has.
    ///
    /// What is found for a number of bands depends on smaller numbers only, and on paths that
    /// are the same whatever may be used. So a larger number can only be chosen when it is better,
    /// and the same number comes with the same bands.
    fn parametric(&mut self, max_bands: usize, profile_bands: usize) -> Vec<Vec<FreeBand>> {
        self.follow_paths(profile_bands);
        let last = max_bands.min(self.found.len() - 1);
        let promised = self.found[..=last].iter().flatten().map(|state| state.rms_db);
        let mut best_db = promised.fold(f64::INFINITY, f64::min);
        let mut best: Vec<State> = vec![State { bands: Vec::new(), rms_db: self.rms(&[]) }];
        while best.len() <= last && best[best.len() - 1].rms_db > worth_a_look(best_db) {
            let next = self.with_one_more(best.len(), &best[best.len() - 1]);
            best_db = best_db.min(next.rms_db);
            best.push(next);
        }
        for state in &mut best {
            if let Some(bands) = self.dictionary.widened(&state.bands) {
                let wider = self.refined(bands, 15);
                if wider.rms_db < state.rms_db {
                    best_db = best_db.min(wider.rms_db);
                    *state = wider;
                }
            }
        }
        // It ends early where what only the paths promised is reached, and late where it is not:
        // then the fewest that are good enough are chosen among all.
        let limit = acceptable(best_db);
        let enough = self.enough(&best, limit);
        let mut chosen = self.one_fewer(best[enough].clone(), limit);
        if let Some(fewer) = self.three_for_one(&chosen) {
            chosen = fewer;
        }
        if let Some(one) = best.get(1).filter(|one| self.is_simpler(one, &chosen)) {
            return vec![one.bands.clone()];
        }
        let mut sets = vec![chosen.bands];
        for other in [&best[sets[0].len()], &best[enough]] {
            if !sets.contains(&other.bands) {
                sets.push(other.bands.clone());
            }
        }
        sets
    }

    /// The fewest bands of these that are good enough: what they cost is within the limit, or no one hears what is left and
    /// more bands come no nearer. What those would do is to boost less, and of two answers as near the one with fewer
    /// bands is wanted.
    fn enough(&self, best: &[State], limit: f64) -> usize {
        let error_db =
            |state: &State| self.problem.held_error_db(&sum_of(self.problem, &state.bands), CEILING_WEIGHT);
        let least_db = best.iter().map(error_db).fold(f64::INFINITY, f64::min);
        let nearest_db = (AS_NEAR * least_db).min(GOOD_ENOUGH_DB);
        let is_enough = |state: &State| state.rms_db <= limit || error_db(state) <= nearest_db;
        best.iter().position(is_enough).unwrap_or(best.len() - 1)
    }

    /// Whether one band is the better choice although more error remains.
    fn is_simpler(&self, one: &State, than: &State) -> bool {
        let &[band] = &one.bands[..] else { return false };
        if than.bands.len() < 2 {
            return false;
        }
        let gain_db = band.gain_db().abs();
        let sum = sum_of(self.problem, &one.bands);
        let offset = self.problem.offset_for(&sum);
        let left = self.problem.need_db.iter().zip(&sum).zip(&self.problem.weight);
        let counts = left.filter(|(_, weight)| **weight > 0.0);
        let most_db = counts.map(|((need, sum), _)| (need + offset - sum).abs()).fold(0.0, f64::max);
        one.rms_db <= SHAPE_RMS_SHARE * gain_db && most_db <= (SHAPE_MOST_SHARE * gain_db).max(SHAPE_MOST_DB)
    }

    /// The most that some of the bands take back of what others do, anywhere.
    fn undone_db(&self, bands: &[FreeBand]) -> f64 {
        let (mut up, mut down) = (vec![0.0; self.problem.len()], vec![0.0; self.problem.len()]);
        let mut db = vec![0.0; self.problem.len()];
        for band in bands {
            band.curve(self.problem.sample_rate_hz).write_db(&self.problem.axis, &mut db);
            let side = if band.gain_db() > 0.0 { &mut up } else { &mut down };
            side.iter_mut().zip(&db).for_each(|(side, db)| *side += db.abs());
        }
        up.into_iter().zip(down).map(|(up, down): (f64, f64)| up.min(down)).fold(0.0, f64::max)
    }

    /// Finds starts for each number of bands: greedily from the band that helps most, from the next
    /// best and from shelves, which a peak as wide as a shelf often hides; and by taking bands away
    /// from the longest.
    fn follow_paths(&mut self, most: usize) {
        let mut known = self.forward(&[], most.max(USUAL_BANDS), &[]);
        self.found = vec![Vec::new(); known.len() + 1];
        // From the longest of those that most processors have, and from the longest of all.
        let mut least = 1;
        for longest in [known.len().min(USUAL_BANDS), known.len()] {
            if longest <= least {
                continue;
            }
            let mut state = self.refined(known[longest - 1].bands.clone(), 25);
            while state.bands.len() > least {
                let Some(fewer) = self.without_one(&state, 3) else { break };
                self.found[state.bands.len()].push(std::mem::replace(&mut state, fewer));
            }
            least = longest;
        }
        let flat = vec![0.0; self.problem.len()];
        let first = self.dictionary.ranked(self.problem, &flat, 3).into_iter().skip(1);
        let mut starts: Vec<Vec<FreeBand>> = first.map(|band| vec![band]).collect();
        let shelf = |kind| self.dictionary.best_of(self.problem, &flat, kind);
        let (low, high) = (shelf(BandKind::LowShelf), shelf(BandKind::HighShelf));
        starts.extend([low, high].into_iter().flatten().map(|band| vec![band]));
        starts.extend(low.zip(high).map(|(low, high)| vec![low, high]));
        for start in starts {
            let path = self.forward(&start, MOST_ON_OTHER_PATHS.min(self.found.len() - 1), &known);
            known.extend(path);
        }
        for state in known {
            self.found[state.bands.len()].push(state);
        }
    }

    /// The best with one band more than the best so far.
    fn with_one_more(&mut self, count: usize, best: &State) -> State {
        let mut bands = best.bands.clone();
        let sum = sum_of(self.problem, &bands);
        let mut starts = self.found[count].clone();
        if let Some(next) = self.dictionary.best(self.problem, &sum) {
            bands.push(next);
            starts.push(self.refined(bands, 5));
        }
        starts.sort_by(|one, other| one.rms_db.total_cmp(&other.rms_db));
        let mut next: Option<State> = None;
        for start in starts.into_iter().take(if count <= FEW { 6 } else { 3 }) {
            let trial = self.refined(start.bands, 15);
            if next.as_ref().is_none_or(|next| trial.rms_db < next.rms_db) {
                next = Some(trial);
            }
        }
        match next {
            Some(next) if count <= MOST_EXCHANGED => self.exchanged(next, 1),
            Some(next) => next,
            None => best.clone(),
        }
    }

    /// Adds band after band where it helps most, refining on the way; the states
    /// from one band on. The first bands may be given. Nothing where it joins a known path.
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
            if trial.rms_db > limit || trial.bands.is_empty() {
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

    /// Takes three neighbours out and puts the best single band in their place, where some bands undo
    /// what others do: what a shelf does is else painted by a shelf of the other kind and peaks
    /// beside it. The best of it, if its error is as good; what it boosts more is not counted against two
    /// bands less.
    fn three_for_one(&mut self, state: &State) -> Option<State> {
        if !(4..=MOST_IN_THREES).contains(&state.bands.len()) || self.undone_db(&state.bands) < UNDOING_DB {
            return None;
        }
        let mut order: Vec<usize> = (0..state.bands.len()).collect();
        order.sort_by(|&a, &b| state.bands[a].value[0].total_cmp(&state.bands[b].value[0]));
        let mut best: Option<State> = None;
        for three in order.windows(3) {
            let left = (0..state.bands.len()).filter(|index| !three.contains(index));
            let bands: Vec<FreeBand> = left.map(|index| state.bands[index]).collect();
            let sum = sum_of(self.problem, &bands);
            let shelf = |kind| self.dictionary.best_of(self.problem, &sum, kind);
            let nexts = [shelf(BandKind::LowShelf), shelf(BandKind::HighShelf)];
            for next in nexts.into_iter().flatten() {
                let mut bands = bands.clone();
                bands.push(next);
                let trial = self.refined(bands, 12);
                if best.as_ref().is_none_or(|best| trial.rms_db < best.rms_db) {
                    best = Some(trial);
                }
            }
        }
        let best = self.refined(best?.bands, 15);
        let error_db = |state: &State| self.problem.error_db(&sum_of(self.problem, &state.bands));
        (error_db(&best) <= acceptable(error_db(state))).then_some(best)
    }

    /// Fixed bands: all gains at once by bounded least squares, then the least of
    /// them flat until no more are used than allowed, and as long as that costs nothing to speak of.
    fn fixed(&mut self, bands: Vec<FreeBand>, max_bands: usize) -> Vec<FreeBand> {
        let mut state = self.refined(bands, 60);
        let limit = state.rms_db + FIXED_LOSS_DB;
        while let Some(&least) = self.least_first(&state.bands).first() {
            let mut bands = state.bands.clone();
            bands.remove(least);
            let fewer = self.refined(bands, 10);
            if state.bands.len() <= max_bands && fewer.rms_db > limit {
                break;
            }
            state = fewer;
        }
        state.bands
    }
}
