//! How far a setting is from what is wanted, and how that changes with every value.
//!
//! With `H[c,s,p]` the response of channel `c` at place `p` when input `s` is driven, `G` what is set in
//! it, `K` the power mean over 1/12 octave, `T` the target:
//!
//! ```text
//! P[s,p] = Σ_c H·G        both: P = ½(P_left + P_right)        S = |P|²·Kᵀ
//! L = 10 lg S − T         o = Σ W·L (the one free level)       r = L − o
//! J = Σ W·ρ(r),           ρ(r) = r², for r < −6 dB 6·(−2r − 6)
//! ```
//!
//! and to `J` come: 0.002 times the mean square of each bank's boost and of its mean, squares of what
//! a bank boosts beyond its cap, of what a channel is driven harder than allowed for the same level
//! at the listener, and of what separation falls short of.
//!
//! Backwards, with `t = W·ρ'(r)`, `t ← t − W·Σt`, `q = (t·(10/ln 10)/S)·K`,
//! `A[c,s] = Σ_p H·2q·conj(P)`: `∂J/∂x = Re Σ_f A·G·∂ ln G/∂x`, so that every derivative is one product.
//!
//! References: elimination of the level is G. H. Golub, V. Pereyra, *The differentiation of
//! pseudo-inverses and nonlinear least squares problems whose variables separate*, SIAM J. Numer. Anal.
//! 10(2), 1973 (abstract); that dips are heard less than peaks: R. Bücklein, *The audibility of
//! frequency response irregularities*, JAES 29(3), 1981 (from memory). All weights are our choice.
//! Accuracy: derivatives against differences, `slopes_are_those_of_differences`.

use std::f64::consts::{LN_10, TAU};

use num_complex::Complex64;

use super::problem::Problem;
use super::settings::{Layout, State, Value, Variable};
use super::transfer::Bell;

/// Decibels of a power per neper of it, and of an amplitude.
const POWER_DB: f64 = 10.0 / LN_10;
const AMPLITUDE_DB: f64 = 20.0 / LN_10;
/// From here down a dip counts linearly: it is heard less, and cannot be filled.
const DEEP_DB: f64 = -6.0;
const BOOST_COUNTS: f64 = 2e-3;
const MEAN_COUNTS: f64 = 2e-3;
const CAP_COUNTS: f64 = 20.0;
const DRIVE_COUNTS: f64 = 1.0;
const SEPARATION_COUNTS: f64 = 2.0;
/// So much separation is held while values move, half a decibel more than on the grid.
const SEPARATION_WANTED_DB: f64 = 8.5;
/// Nothing is quieter than this, so that what no one plays has a logarithm.
const SILENCE: f64 = 1e-20;

/// What is held besides the response.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Limits {
    /// The most that the bands of a bank may boost together.
    pub(super) cap_db: f64,
    /// The most that each channel may be driven for the level at the listener.
    pub(super) drive_db: Option<Vec<f64>>,
}

/// Computes costs and their slopes; remembers what did not change since the last time.
#[derive(Debug, Clone)]
pub(super) struct Evaluator<'a> {
    pub(super) problem: &'a Problem,
    pub(super) layout: &'a Layout,
    pub(super) limits: Limits,
    /// How many costs were computed.
    pub(super) evaluations: usize,
    last: Option<State>,
    /// Level, delay, polarity and filters of each channel.
    own: Vec<Vec<Complex64>>,
    bank: Vec<Vec<Complex64>>,
    bank_db: Vec<Vec<f64>>,
    /// Both together, for each channel and input.
    whole: Vec<[Vec<Complex64>; 2]>,
    /// The pressure of each input at each place, and what of it both inputs' channels make.
    pressure: [Vec<Complex64>; 2],
    shared: [Vec<Complex64>; 2],
    /// Smoothed powers of left, right, both, and what is left to the target.
    power: [Vec<f64>; 3],
    residual: [Vec<f64>; 3],
    /// The level at the listener against the target.
    pub(super) offset_db: f64,
    /// How hard each channel is driven for that level, a pink signal at the inputs.
    pub(super) drive_db: Vec<f64>,
    /// Separation by input and octave.
    separation_db: [Vec<f64>; 2],
    /// Buffers of the way back.
    force: [Vec<f64>; 3],
    pull: [Vec<Complex64>; 2],
    shared_pull: [Vec<Complex64>; 2],
    channel_pull: Vec<Vec<Complex64>>,
    bank_pull: Vec<Vec<Complex64>>,
}

impl<'a> Evaluator<'a> {
    pub(super) fn new(problem: &'a Problem, layout: &'a Layout, limits: Limits) -> Self {
        let (channels, points) = (problem.feeds.len(), problem.points());
        let complex = vec![Complex64::ZERO; points];
        let places = vec![Complex64::ZERO; points * problem.places];
        let real = vec![0.0; points * problem.places];
        let three = || [real.clone(), real.clone(), real.clone()];
        let two = || [places.clone(), places.clone()];
        let banks = layout.plays.len();
        Self {
            problem,
            layout,
            limits,
            evaluations: 0,
            last: None,
            own: vec![complex.clone(); channels],
            bank: vec![complex.clone(); banks],
            bank_db: vec![vec![0.0; points]; banks],
            whole: vec![[complex.clone(), complex.clone()]; channels],
            pressure: two(),
            shared: two(),
            power: three(),
            residual: three(),
            offset_db: 0.0,
            drive_db: vec![0.0; channels],
            separation_db: [Vec::new(), Vec::new()],
            force: three(),
            pull: two(),
            shared_pull: two(),
            channel_pull: vec![complex.clone(); channels],
            bank_pull: vec![complex; banks],
        }
    }

    /// The cost of a setting.
    pub(super) fn cost(&mut self, state: &State) -> f64 {
        self.evaluations += 1;
        self.set(state);
        self.add_up();
        self.judge();
        self.error() + self.penalties(state)
    }

    /// The cost of the response alone, as it stood at the last cost.
    pub(super) fn error(&self) -> f64 {
        let curves = self.residual.iter().zip(&self.problem.weights);
        curves.flat_map(|(residual, weight)| residual.iter().zip(weight)).map(|(&r, w)| w * rho(r)).sum()
    }

    /// The cost of the response at one place, as a share of all.
    pub(super) fn error_at(&self, place: usize) -> f64 {
        let points = self.problem.points();
        let range = place * points..(place + 1) * points;
        let curves = self.residual.iter().zip(&self.problem.weights);
        curves
            .flat_map(|(residual, weight)| residual[range.clone()].iter().zip(&weight[range.clone()]))
            .map(|(&r, w)| w * rho(r))
            .sum()
    }

    /// The smoothed powers of left, right and both: `[curve][place · points + point]`.
    pub(super) fn powers(&self) -> &[Vec<f64>; 3] {
        &self.power
    }

    /// The least separation of left and right over all octaves; none where nothing is shared.
    pub(super) fn separation_db(&self) -> Option<f64> {
        let least = self.separation_db.iter().flatten().copied().fold(f64::INFINITY, f64::min);
        least.is_finite().then_some(least)
    }

    /// The most that the bands of any bank boost.
    pub(super) fn boost_db(&self) -> f64 {
        self.bank_db.iter().flatten().copied().fold(0.0, f64::max)
    }

    /// Fills in what changed since the last time.
    fn set(&mut self, state: &State) {
        let last = self.last.take();
        let mut changed = vec![last.is_none(); self.bank.len()];
        for (bank, bells) in state.banks.iter().enumerate() {
            if last.as_ref().is_none_or(|last| last.banks[bank] != *bells) {
                changed[bank] = true;
                fill_bank(self.problem, bells, &mut self.bank[bank], &mut self.bank_db[bank]);
            }
        }
        for channel in 0..self.own.len() {
            let own_changed = last.as_ref().is_none_or(|last| self.own_changed(channel, last, state));
            if own_changed {
                self.fill_own(channel, state);
            }
            for side in 0..2 {
                let bank = self.layout.channels[channel].banks[side];
                if own_changed || changed[bank] {
                    let values = self.whole[channel][side].iter_mut().zip(&self.own[channel]);
                    for ((whole, own), bank) in values.zip(&self.bank[bank]) {
                        *whole = own * bank;
                    }
                }
            }
        }
        self.last = Some(match last {
            Some(mut last) => {
                last.clone_from(state);
                last
            }
            None => state.clone(),
        });
    }

    fn own_changed(&self, channel: usize, last: &State, state: &State) -> bool {
        last.level_db[channel] != state.level_db[channel]
            || last.delay_s[channel] != state.delay_s[channel]
            || last.inverted[channel] != state.inverted[channel]
            || self.layout.channels[channel].edges().any(|edge| edge.corner_hz(last) != edge.corner_hz(state))
    }

    fn fill_own(&mut self, channel: usize, state: &State) {
        let axis = &self.problem.axis;
        let sign = if state.inverted[channel] { -1.0 } else { 1.0 };
        let amplitude = sign * 10f64.powf(state.level_db[channel] / 20.0);
        let delay_s = state.delay_s[channel];
        let own = &mut self.own[channel];
        for (value, hz) in own.iter_mut().zip(&axis.hz) {
            *value = Complex64::from_polar(amplitude, -TAU * hz * delay_s);
        }
        for edge in self.layout.channels[channel].edges() {
            edge.slope.multiply(axis, edge.corner_hz(state), own);
        }
    }

    /// The pressures of both inputs, and their smoothed powers.
    fn add_up(&mut self) {
        let problem = self.problem;
        let points = problem.points();
        for side in 0..2 {
            self.pressure[side].fill(Complex64::ZERO);
            for channel in (0..self.own.len()).filter(|&channel| problem.feeds(side, channel)) {
                let whole = &self.whole[channel][side];
                for place in 0..problem.places {
                    let pressure = &mut self.pressure[side][place * points..][..points];
                    add_product(pressure, problem.response(channel, place), whole);
                }
            }
            if !problem.in_both.is_empty() {
                self.shared[side].fill(Complex64::ZERO);
                for &channel in &problem.in_both {
                    let whole = &self.whole[channel][side];
                    for place in 0..problem.places {
                        let shared = &mut self.shared[side][place * points..][..points];
                        add_product(shared, problem.response(channel, place), whole);
                    }
                }
            }
        }
        let [left, right] = &self.pressure;
        let [left_power, right_power, both_power] = &mut self.power;
        for place in 0..problem.places {
            let range = place * points..(place + 1) * points;
            let (left, right) = (&left[range.clone()], &right[range.clone()]);
            smooth(left.iter().map(Complex64::norm_sqr), &mut left_power[range.clone()]);
            smooth(right.iter().map(Complex64::norm_sqr), &mut right_power[range.clone()]);
            let sums = left.iter().zip(right).map(|(l, r)| 0.25 * (l + r).norm_sqr());
            smooth(sums, &mut both_power[range]);
        }
    }

    /// The level, and what is left of each curve; drive and separation.
    fn judge(&mut self) {
        let problem = self.problem;
        let points = problem.points();
        let mut offset_db = 0.0;
        for curve in 0..3 {
            let (residual, power) = (&mut self.residual[curve], &self.power[curve]);
            let weights = &problem.weights[curve];
            for (((residual, &power), weight), point) in
                residual.iter_mut().zip(power).zip(weights).zip((0..points).cycle())
            {
                let both = if curve == 2 { problem.both_db[point] } else { 0.0 };
                *residual = POWER_DB * (power + SILENCE).ln() - problem.target_db[point] - both;
                offset_db += weight * *residual;
            }
        }
        self.residual.iter_mut().flatten().for_each(|residual| *residual -= offset_db);
        self.offset_db = offset_db;
        for channel in 0..self.own.len() {
            self.drive_db[channel] = POWER_DB * (self.signal_power(channel) + SILENCE).ln() - offset_db;
        }
        for side in 0..2 {
            let separation: Vec<f64> =
                if problem.in_both.is_empty() { Vec::new() } else { self.separations(side) };
            self.separation_db[side] = separation;
        }
    }

    /// The power of a pink signal behind a channel, the mean of the inputs that feed it.
    fn signal_power(&self, channel: usize) -> f64 {
        let power = |side: usize| -> f64 {
            self.whole[channel][side].iter().zip(&self.problem.pink).map(|(v, w)| w * v.norm_sqr()).sum()
        };
        let fed: Vec<f64> = (0..2).filter(|&side| self.problem.feeds(side, channel)).map(power).collect();
        #[expect(clippy::cast_precision_loss, reason = "one or two")]
        let count = fed.len().max(1) as f64;
        fed.iter().sum::<f64>() / count
    }

    /// The powers of a side's own channels and of those that both feed, over an octave.
    fn octave_powers(&self, side: usize, octave: &std::ops::Range<usize>) -> (f64, f64) {
        let points = self.problem.points();
        let (mut own, mut shared) = (SILENCE, SILENCE);
        for place in 0..self.problem.places {
            for point in octave.clone() {
                let at = place * points + point;
                let both = self.shared[side][at];
                own += (self.pressure[side][at] - both).norm_sqr();
                shared += both.norm_sqr();
            }
        }
        (own, shared)
    }

    fn separations(&self, side: usize) -> Vec<f64> {
        self.problem
            .octaves
            .iter()
            .map(|octave| {
                let (own, shared) = self.octave_powers(side, octave);
                POWER_DB * (own / shared).ln()
            })
            .collect()
    }

    fn penalties(&self, state: &State) -> f64 {
        let mut sum = 0.0;
        for (bank, bells) in state.banks.iter().enumerate() {
            if !bells.is_empty() {
                let plays = &self.bank_db[bank][self.layout.plays[bank].clone()];
                let mean_db = mean(plays);
                sum += MEAN_COUNTS * mean_db * mean_db;
                sum += BOOST_COUNTS * mean_of(plays, |db| db.max(0.0).powi(2));
                sum += CAP_COUNTS
                    * mean_of(&self.bank_db[bank], |db| (db - self.limits.cap_db).max(0.0).powi(2));
            }
        }
        if let Some(limits) = &self.limits.drive_db {
            let over = self.drive_db.iter().zip(limits).map(|(drive, limit)| (drive - limit).max(0.0));
            sum += DRIVE_COUNTS * over.map(|over| over * over).sum::<f64>();
        }
        let short = |db: &f64| (SEPARATION_WANTED_DB - db).max(0.0).powi(2);
        let separations = || self.separation_db.iter().flatten();
        #[expect(clippy::cast_precision_loss, reason = "a few octaves")]
        let count = separations().count().max(1) as f64;
        sum + SEPARATION_COUNTS * separations().map(short).sum::<f64>() / count
    }

    /// The derivative of the last cost by each variable, in its unit.
    pub(super) fn slopes(&mut self, state: &State, variables: &[Variable], slopes: &mut [f64]) {
        self.pull_back(state);
        let axis = &self.problem.axis;
        // The three derivatives of a band are computed at once.
        let mut last = None;
        for (slope, variable) in slopes.iter_mut().zip(variables) {
            let by_value = match variable.value {
                Value::Level(channel) => {
                    let pull = &self.channel_pull[channel];
                    pull.iter().map(|pull| pull.re).sum::<f64>() / AMPLITUDE_DB
                }
                Value::Delay(channel) => {
                    // Re(pull · (−j2πf)) = 2πf · Im(pull).
                    let pull = &self.channel_pull[channel];
                    TAU * pull.iter().zip(&axis.hz).map(|(pull, hz)| hz * pull.im).sum::<f64>()
                }
                Value::Corner(junction) => self.corner_pull(junction, state),
                Value::Band(bank, band, which) => match last {
                    Some((same, pulls)) if same == (bank, band) => {
                        let pulls: [f64; 3] = pulls;
                        pulls[which]
                    }
                    _ => {
                        let pulls = state.banks[bank][band].pull(axis, &self.bank_pull[bank]);
                        last = Some(((bank, band), pulls));
                        pulls[which]
                    }
                },
            };
            *slope = by_value * variable.unit;
        }
    }

    fn corner_pull(&self, junction: usize, state: &State) -> f64 {
        let moves = super::settings::Corner::Junction(junction);
        let channels = self.layout.channels.iter().zip(&self.channel_pull);
        channels
            .flat_map(|(channel, pull)| channel.edges().map(move |edge| (edge, pull)))
            .filter(|(edge, _)| edge.corner == moves)
            .map(|(edge, pull)| edge.slope.pull(&self.problem.axis, edge.corner_hz(state), pull))
            .sum()
    }

    /// Fills `channel_pull` and `bank_pull`: what each value of `ln G` does to the cost.
    fn pull_back(&mut self, state: &State) {
        self.forces();
        self.pull_of_pressures();
        self.pull_of_separation();
        let problem = self.problem;
        let points = problem.points();
        self.channel_pull.iter_mut().chain(&mut self.bank_pull).for_each(|pull| pull.fill(Complex64::ZERO));
        let mut backward = vec![Complex64::ZERO; points];
        for channel in 0..self.own.len() {
            let in_both = problem.in_both.contains(&channel);
            let driven = self.drive_force(channel);
            for side in (0..2).filter(|&side| problem.feeds(side, channel)) {
                backward.fill(Complex64::ZERO);
                for place in 0..problem.places {
                    let range = place * points..(place + 1) * points;
                    let response = problem.response(channel, place);
                    add_product(&mut backward, response, &self.pull[side][range.clone()]);
                    if in_both {
                        add_product(&mut backward, response, &self.shared_pull[side][range]);
                    }
                }
                let bank = self.layout.channels[channel].banks[side];
                for (point, (backward, whole)) in backward.iter().zip(&self.whole[channel][side]).enumerate()
                {
                    let pull = backward * whole + driven * problem.pink[point] * whole.norm_sqr();
                    self.channel_pull[channel][point] += pull;
                    self.bank_pull[bank][point] += pull;
                }
            }
        }
        self.pull_of_bands(state);
    }

    /// How much each smoothed power weighs: `q` before the smoothing is taken back, in `force`.
    fn forces(&mut self) {
        let problem = self.problem;
        // What the level gains is taken from all; a channel that is driven too hard wants it higher.
        let mut total = 0.0;
        for curve in 0..3 {
            let values = self.residual[curve].iter().zip(&problem.weights[curve]);
            for (force, (&residual, weight)) in self.force[curve].iter_mut().zip(values) {
                *force = weight * rho_slope(residual);
                total += *force;
            }
        }
        if let Some(limits) = &self.limits.drive_db {
            for (drive, limit) in self.drive_db.iter().zip(limits) {
                total += DRIVE_COUNTS * 2.0 * (drive - limit).max(0.0);
            }
        }
        for curve in 0..3 {
            let values = self.power[curve].iter().zip(&problem.weights[curve]);
            for (force, (power, weight)) in self.force[curve].iter_mut().zip(values) {
                *force = (*force - weight * total) * POWER_DB / (power + SILENCE);
            }
        }
    }

    /// `2q·conj(P)` for both inputs, both together carried over to each.
    fn pull_of_pressures(&mut self) {
        let points = self.problem.points();
        let [left, right] = &self.pressure;
        let mut smoothed = vec![0.0; points];
        for place in 0..self.problem.places {
            let range = place * points..(place + 1) * points;
            for curve in 0..3 {
                smooth_back(&self.force[curve][range.clone()], &mut smoothed);
                for ((at, q), _) in range.clone().zip(&smoothed).zip(0..points) {
                    if curve < 2 {
                        self.pull[curve][at] = 2.0 * q * self.pressure[curve][at].conj();
                    } else {
                        // P = ½(P_left + P_right), and each moves it by half.
                        let both = 0.5 * q * (left[at] + right[at]).conj();
                        self.pull[0][at] += both;
                        self.pull[1][at] += both;
                    }
                }
            }
        }
    }

    /// `∂/∂P` of what separation costs: on a side's own channels, and against it on those of both.
    fn pull_of_separation(&mut self) {
        if self.problem.in_both.is_empty() {
            return;
        }
        let points = self.problem.points();
        #[expect(clippy::cast_precision_loss, reason = "a few octaves")]
        let count = self.separation_db.iter().flatten().count().max(1) as f64;
        for side in 0..2 {
            self.shared_pull[side].fill(Complex64::ZERO);
            for (octave, separation_db) in self.problem.octaves.iter().zip(&self.separation_db[side]) {
                let short = (SEPARATION_WANTED_DB - separation_db).max(0.0);
                if short == 0.0 {
                    continue;
                }
                let force = -2.0 * SEPARATION_COUNTS * short / count * POWER_DB;
                let (own, shared) = self.octave_powers(side, octave);
                for place in 0..self.problem.places {
                    for point in octave.clone() {
                        let at = place * points + point;
                        let both = self.shared[side][at];
                        let of_own = 2.0 * force / own * (self.pressure[side][at] - both).conj();
                        // All channels are pulled by what pulls a side's own; those of both have that taken back.
                        self.pull[side][at] += of_own;
                        self.shared_pull[side][at] -= of_own + 2.0 * force / shared * both.conj();
                    }
                }
            }
        }
    }

    /// `∂/∂ ln|G|` of what drive costs, per share of the signal's power.
    fn drive_force(&self, channel: usize) -> f64 {
        let Some(limits) = &self.limits.drive_db else { return 0.0 };
        let over = (self.drive_db[channel] - limits[channel]).max(0.0);
        if over == 0.0 {
            return 0.0;
        }
        let fed = (0..2).filter(|&side| self.problem.feeds(side, channel)).count().max(1);
        #[expect(clippy::cast_precision_loss, reason = "one or two")]
        let fed = fed as f64;
        DRIVE_COUNTS * 2.0 * over * 2.0 * POWER_DB / (fed * (self.signal_power(channel) + SILENCE))
    }

    fn pull_of_bands(&mut self, state: &State) {
        for (bank, bells) in state.banks.iter().enumerate() {
            if bells.is_empty() {
                continue;
            }
            let plays = self.layout.plays[bank].clone();
            #[expect(clippy::cast_precision_loss, reason = "some hundred points")]
            let (all, inside) = (self.bank_db[bank].len() as f64, plays.len().max(1) as f64);
            let mean_db = mean(&self.bank_db[bank][plays.clone()]);
            for (point, &db) in self.bank_db[bank].iter().enumerate() {
                let mut force = CAP_COUNTS * 2.0 * (db - self.limits.cap_db).max(0.0) / all;
                if plays.contains(&point) {
                    force += (BOOST_COUNTS * 2.0 * db.max(0.0) + MEAN_COUNTS * 2.0 * mean_db) / inside;
                }
                self.bank_pull[bank][point] += force * AMPLITUDE_DB;
            }
        }
    }
}

fn rho(residual: f64) -> f64 {
    if residual >= DEEP_DB { residual * residual } else { DEEP_DB * (2.0 * residual - DEEP_DB) }
}

fn rho_slope(residual: f64) -> f64 {
    2.0 * residual.max(DEEP_DB)
}

fn fill_bank(problem: &Problem, bells: &[Bell], values: &mut [Complex64], db: &mut [f64]) {
    values.fill(Complex64::ONE);
    for bell in bells {
        bell.multiply(&problem.axis, values);
    }
    for (db, value) in db.iter_mut().zip(values.iter()) {
        *db = if bells.is_empty() { 0.0 } else { POWER_DB * value.norm_sqr().ln() };
    }
}

fn add_product(sum: &mut [Complex64], a: &[Complex64], b: &[Complex64]) {
    for ((sum, a), b) in sum.iter_mut().zip(a).zip(b) {
        *sum += a * b;
    }
}

/// The power mean over a twelfth of an octave at 24 points an octave: half a cell of each neighbour.
fn smooth(powers: impl Iterator<Item = f64>, to: &mut [f64]) {
    for (to, power) in to.iter_mut().zip(powers) {
        *to = power;
    }
    let last = to.len() - 1;
    let mut before = to[0];
    for point in 0..=last {
        let here = to[point];
        let after = to[(point + 1).min(last)];
        to[point] = 0.5 * here + 0.25 * (before + after);
        before = here;
    }
}

/// The transpose of [`smooth`].
fn smooth_back(from: &[f64], to: &mut [f64]) {
    let last = from.len() - 1;
    for point in 0..=last {
        let neighbours = from[point.saturating_sub(1)] + from[(point + 1).min(last)];
        to[point] = 0.5 * from[point] + 0.25 * neighbours;
    }
}

fn mean(values: &[f64]) -> f64 {
    mean_of(values, |value| value)
}

fn mean_of(values: &[f64], of: impl Fn(f64) -> f64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "some hundred points")]
    let count = values.len().max(1) as f64;
    values.iter().map(|&value| of(value)).sum::<f64>() / count
}
