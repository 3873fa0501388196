//! Where a tune begins: what the alignment gives, what of it may move, and how far.

use std::collections::BTreeSet;

use super::cost::Limits;
use super::problem::Problem;
use super::settings::{ChannelLayout, Corner, Edge, Layout, State, Value, Variable};
use super::transfer::Bell;
use super::{LockedValue, TuneDriver, TuneError, TuneInput};
use crate::car::filter;
use crate::{Band, CarAlignment, CarDriver, CarFilter, CarInput, Equalizer, Feed, Role, align_car};

/// How far delays may move from the arrivals (our choice, no source): what adds up half a period away does
/// so at one frequency only, and the higher a driver plays, the shorter that is. The top of each side stays.
const MID_MOVES_S: f64 = 0.35e-3;
const WOOFER_MOVES_S: f64 = 1.5e-3;
const SUB_MOVES_S: f64 = 6e-3;
const BESIDE_MOVES_S: f64 = 1e-3;
/// A crossover goes no lower than so much below the plan's, and no higher than so much above (our choice).
const CORNER_DOWN: f64 = 1.25;
const CORNER_UP: f64 = 1.8;
/// Above this one hears where a subwoofer stands (common practice, no source).
const SUB_HIGHEST_HZ: f64 = 120.0;
/// A level moves no farther than this from the plan's.
const LEVEL_MOVES_DB: f64 = 24.0;
/// What stands beside the chain and came without a high-pass gets one here at the least (our choice).
const CENTRE_FROM_HZ: f64 = 300.0;
const FILL_FROM_HZ: f64 = 150.0;
const INSIDE: f64 = 1.25;

/// A crossover of the plan.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Junction {
    pub(super) lower: Vec<usize>,
    pub(super) upper: Vec<usize>,
    pub(super) plan_hz: f64,
    pub(super) why: String,
    pub(super) low_hz: f64,
    pub(super) high_hz: f64,
    /// What holds it at its lower end, in words.
    pub(super) floor: &'static str,
    locked: bool,
}

/// A car before it is tuned.
#[derive(Debug, Clone)]
pub(super) struct Start {
    pub(super) alignment: CarAlignment,
    pub(super) layout: Layout,
    pub(super) junctions: Vec<Junction>,
    pub(super) state: State,
    /// How many bands at the front of each bank are locked; `None` where all of the bank is.
    pub(super) held_bands: Vec<Option<usize>>,
    /// The locked bands of each bank, as given.
    pub(super) locked_bands: Vec<Vec<Band>>,
    /// Everything but bands.
    pub(super) variables: Vec<Variable>,
    pub(super) locked_gain: BTreeSet<usize>,
    pub(super) locked_delay: BTreeSet<usize>,
    locked_polarity: BTreeSet<usize>,
}

impl Start {
    pub(super) fn new(
        input: &TuneInput<'_>,
        drivers: &[TuneDriver],
        problem: &Problem,
        place: usize,
    ) -> Result<Self, TuneError> {
        let alignment = aligned(input, drivers, place)?;
        let junctions = junctions(drivers, &alignment);
        let settings = &alignment.drivers;
        let banks = bank_count(input.options.equalizer, drivers.len());
        let edge = |filter: Option<CarFilter>, is_high_pass, corner| {
            filter.and_then(|filter| Edge::new(filter, is_high_pass, corner))
        };
        let channels = (0..drivers.len())
            .map(|index| {
                let (high, low) = fixed_filters(input, &drivers[index]);
                let at = |side: fn(&Junction) -> &Vec<usize>| {
                    junctions.iter().position(|junction| side(junction).contains(&index))
                };
                let (above, below) = (at(|junction| &junction.upper), at(|junction| &junction.lower));
                ChannelLayout {
                    high_pass: match above {
                        Some(junction) => edge(settings[index].high_pass, true, Corner::Junction(junction)),
                        None => edge(high, true, Corner::Fixed),
                    },
                    low_pass: match below {
                        Some(junction) => edge(settings[index].low_pass, false, Corner::Junction(junction)),
                        None => edge(low, false, Corner::Fixed),
                    },
                    banks: banks_of(input.options.equalizer, index),
                }
            })
            .collect();
        let state = State {
            level_db: settings.iter().map(|setting| setting.gain_db).collect(),
            delay_s: settings.iter().map(|setting| setting.delay_s).collect(),
            inverted: settings.iter().map(|setting| setting.invert).collect(),
            corner_log_hz: junctions.iter().map(|junction| junction.plan_hz.ln()).collect(),
            banks: vec![Vec::new(); banks],
        };
        let mut start = Self {
            alignment,
            layout: Layout { channels, plays: Vec::new() },
            junctions,
            state,
            held_bands: vec![Some(0); banks],
            locked_bands: vec![Vec::new(); banks],
            variables: Vec::new(),
            locked_gain: BTreeSet::new(),
            locked_delay: BTreeSet::new(),
            locked_polarity: BTreeSet::new(),
        };
        start.lock(input, drivers);
        start.layout.plays = (0..banks).map(|bank| start.plays(bank, drivers, problem)).collect();
        start.variables = start.variables(drivers);
        Ok(start)
    }

    pub(super) fn limits(input: &TuneInput<'_>) -> Limits {
        let most = input.options.max_boost_db.unwrap_or(input.profile.max_boost_db);
        Limits { cap_db: most.max(0.0), drive_db: None }
    }

    /// Sets what is locked, and brings the rest to it.
    fn lock(&mut self, input: &TuneInput<'_>, drivers: &[TuneDriver]) {
        for lock in &input.options.locked {
            let channel = drivers.iter().position(|driver| driver.channel == lock.channel);
            let bank = match input.options.equalizer {
                Equalizer::Channels => channel,
                Equalizer::Sides => Some(usize::from(lock.channel == "right")),
                Equalizer::One => Some(0),
            };
            match (&lock.value, channel, bank) {
                (LockedValue::Bands(bands), _, Some(bank)) => {
                    self.state.banks[bank] = bands.iter().map(Bell::from).collect();
                    self.locked_bands[bank].clone_from(bands);
                    self.held_bands[bank] = None;
                }
                (LockedValue::Band(band), _, Some(bank)) => {
                    if let Some(held) = &mut self.held_bands[bank] {
                        self.state.banks[bank].push(Bell::from(band));
                        self.locked_bands[bank].push(*band);
                        *held += 1;
                    }
                }
                (LockedValue::Gain(gain_db), Some(channel), _) => {
                    if self.locked_gain.is_empty() {
                        let shift = gain_db - self.state.level_db[channel];
                        self.state.level_db.iter_mut().for_each(|level| *level += shift);
                    }
                    self.state.level_db[channel] = *gain_db;
                    self.locked_gain.insert(channel);
                }
                (LockedValue::Delay(delay_s), Some(channel), _) => {
                    if self.locked_delay.is_empty() {
                        let shift = delay_s - self.state.delay_s[channel];
                        self.state.delay_s.iter_mut().for_each(|delay| *delay = (*delay + shift).max(0.0));
                    }
                    self.state.delay_s[channel] = *delay_s;
                    self.locked_delay.insert(channel);
                }
                (LockedValue::Inverted(inverted), Some(channel), _) => {
                    self.state.inverted[channel] = *inverted;
                    self.locked_polarity.insert(channel);
                }
                (LockedValue::HighPassHz(hz), Some(channel), _) => {
                    self.lock_corner(channel, *hz, true);
                }
                (LockedValue::LowPassHz(hz), Some(channel), _) => {
                    self.lock_corner(channel, *hz, false);
                }
                _ => {}
            }
        }
    }

    fn lock_corner(&mut self, channel: usize, hz: f64, is_high_pass: bool) {
        let layout = &mut self.layout.channels[channel];
        let edge = if is_high_pass { &mut layout.high_pass } else { &mut layout.low_pass };
        match edge.as_mut().map(|edge| (edge.corner, &mut edge.filter)) {
            Some((Corner::Junction(junction), _)) => {
                self.state.corner_log_hz[junction] = hz.ln();
                self.junctions[junction].locked = true;
            }
            Some((Corner::Fixed, filter)) => filter.frequency_hz = hz,
            None => {}
        }
    }

    /// The points at which what a bank drives plays: between the corners of its channels.
    fn plays(&self, bank: usize, drivers: &[TuneDriver], problem: &Problem) -> std::ops::Range<usize> {
        let (mut low_hz, mut high_hz) = (f64::INFINITY, 0.0f64);
        for (driver, channel) in drivers.iter().zip(&self.layout.channels) {
            if !channel.banks.contains(&bank) {
                continue;
            }
            let (from_hz, to_hz) = driver.range_hz();
            let corner = |edge: &Option<Edge>| edge.as_ref().map(|edge| edge.corner_hz(&self.state));
            low_hz = low_hz.min(corner(&channel.high_pass).unwrap_or(from_hz).max(from_hz));
            high_hz = high_hz.max(corner(&channel.low_pass).unwrap_or(to_hz).min(to_hz));
        }
        let (least, most) = super::problem::JUDGED_HZ;
        let hz = &problem.axis.hz;
        let from = hz.partition_point(|&hz| hz < low_hz.max(least)).min(hz.len() - 2);
        from..hz.partition_point(|&hz| hz <= high_hz.min(most)).clamp(from + 1, hz.len())
    }

    fn variables(&self, drivers: &[TuneDriver]) -> Vec<Variable> {
        let mut variables = Vec::new();
        for (channel, driver) in drivers.iter().enumerate() {
            if !self.locked_gain.contains(&channel) {
                let level = self.state.level_db[channel];
                variables.push(Variable {
                    value: Value::Level(channel),
                    low: level - LEVEL_MOVES_DB,
                    high: level + LEVEL_MOVES_DB,
                    unit: 3.0,
                });
            }
            let moves_s = self.delay_moves_s(channel, driver.role);
            if moves_s > 0.0 && !self.locked_delay.contains(&channel) {
                let delay = self.state.delay_s[channel];
                let least = if self.locked_delay.is_empty() { f64::NEG_INFINITY } else { 0.0 };
                variables.push(Variable {
                    value: Value::Delay(channel),
                    low: (delay - moves_s).max(least),
                    high: delay + moves_s,
                    unit: moves_s / 4.0,
                });
            }
        }
        for (number, junction) in self.junctions.iter().enumerate() {
            let moves = self.layout.channels.iter().flat_map(ChannelLayout::edges);
            let moves = moves.filter(|edge| edge.corner == Corner::Junction(number)).count() > 0;
            if moves && !junction.locked {
                variables.push(Variable {
                    value: Value::Corner(number),
                    low: junction.low_hz.ln(),
                    high: junction.high_hz.ln(),
                    unit: 0.2,
                });
            }
        }
        variables
    }

    fn delay_moves_s(&self, channel: usize, role: Role) -> f64 {
        match role {
            Role::Centre | Role::Fill => BESIDE_MOVES_S,
            _ if !self.junctions.iter().any(|junction| junction.lower.contains(&channel)) => 0.0,
            Role::Sub => SUB_MOVES_S,
            Role::Woofer => WOOFER_MOVES_S,
            Role::Mid | Role::Tweeter | Role::FullRange => MID_MOVES_S,
        }
    }

    /// The starts that differ in polarity: as aligned, and with subwoofers, woofers, mids turned over.
    pub(super) fn polarities(&self, drivers: &[TuneDriver]) -> Vec<State> {
        let turned = |roles: &[Role]| {
            let mut state = self.state.clone();
            for (channel, driver) in drivers.iter().enumerate() {
                let lower = self.junctions.iter().any(|junction| junction.lower.contains(&channel));
                if roles.contains(&driver.role) && lower && !self.locked_polarity.contains(&channel) {
                    state.inverted[channel] ^= true;
                }
            }
            state
        };
        let mut states = vec![self.state.clone()];
        for roles in [&[Role::Sub][..], &[Role::Woofer], &[Role::Mid], &[Role::Sub, Role::Woofer]] {
            let state = turned(roles);
            if !states.contains(&state) {
                states.push(state);
            }
        }
        states
    }
}

fn bank_count(equalizer: Equalizer, channels: usize) -> usize {
    match equalizer {
        Equalizer::Channels => channels,
        Equalizer::Sides => 2,
        Equalizer::One => 1,
    }
}

fn banks_of(equalizer: Equalizer, channel: usize) -> [usize; 2] {
    match equalizer {
        Equalizer::Channels => [channel, channel],
        Equalizer::Sides => [0, 1],
        Equalizer::One => [0, 0],
    }
}

fn aligned(input: &TuneInput<'_>, drivers: &[TuneDriver], place: usize) -> Result<CarAlignment, TuneError> {
    let drivers: Vec<CarDriver> = drivers
        .iter()
        .map(|driver| CarDriver {
            name: driver.channel.clone(),
            role: Some(driver.role),
            feed: Some(driver.feed),
            response: driver.responses[place].clone(),
            distance_m: None,
            arrival_s: driver.arrival_s,
        })
        .collect();
    Ok(align_car(&CarInput {
        drivers: &drivers,
        profile: input.profile,
        crossovers_hz: &[],
        filtered: false,
        temperature_c: input.options.temperature_c,
    })?)
}

/// The plan's crossovers, left and right as one, each with the bounds within which it may move.
fn junctions(drivers: &[TuneDriver], alignment: &CarAlignment) -> Vec<Junction> {
    let index = |name: &String| drivers.iter().position(|driver| driver.channel == *name);
    let mut junctions: Vec<Junction> = Vec::new();
    for crossover in &alignment.crossovers {
        let lower = crossover.lower.iter().filter_map(index);
        let upper = crossover.upper.iter().filter_map(index);
        match junctions.iter_mut().find(|junction| junction.plan_hz == crossover.frequency_hz) {
            Some(junction) => {
                junction.lower.extend(lower);
                junction.upper.extend(upper);
            }
            None => junctions.push(Junction {
                lower: lower.collect(),
                upper: upper.collect(),
                plan_hz: crossover.frequency_hz,
                why: crossover.why.clone(),
                low_hz: 0.0,
                high_hz: f64::INFINITY,
                floor: "",
                locked: false,
            }),
        }
    }
    let plan: Vec<f64> = junctions.iter().map(|junction| junction.plan_hz).collect();
    for (number, junction) in junctions.iter_mut().enumerate() {
        let most = |of: &dyn Fn(&TuneDriver) -> f64| {
            junction.upper.iter().map(|&upper| of(&drivers[upper])).fold(0.0, f64::max)
        };
        let protect_hz = most(&|driver| driver.protect_hz.unwrap_or(0.0));
        let usable_hz = most(&|driver| driver.range_hz().0);
        let ends_hz =
            junction.lower.iter().map(|&lower| drivers[lower].range_hz().1).fold(f64::INFINITY, f64::min);
        let plan_hz = junction.plan_hz.max(protect_hz);
        // Neighbouring crossovers keep apart.
        let below = number.checked_sub(1).map_or(0.0, |below| (plan[below] * plan[number]).sqrt());
        let above = plan.get(number + 1).map_or(f64::INFINITY, |above| (above * plan[number]).sqrt());
        let floor_hz = protect_hz.max(usable_hz).max(plan_hz / CORNER_DOWN).max(below);
        junction.floor = if floor_hz == protect_hz {
            "the protection of the driver above"
        } else if floor_hz == usable_hz {
            "what the driver above can play"
        } else {
            "the distance that is kept from the middle of what both play"
        };
        let is_sub = junction.lower.iter().all(|&lower| drivers[lower].role == Role::Sub);
        let ceiling = if is_sub { SUB_HIGHEST_HZ } else { f64::INFINITY };
        junction.low_hz = floor_hz.min(plan_hz).max(protect_hz);
        junction.high_hz = ends_hz.min(plan_hz * CORNER_UP).min(above).min(ceiling).max(plan_hz);
        junction.plan_hz = plan_hz;
    }
    junctions
}

/// The filters of a channel that no crossover sets: those it has, and for what stands beside the chain or
/// must be protected one that it lacks.
fn fixed_filters(input: &TuneInput<'_>, driver: &TuneDriver) -> (Option<CarFilter>, Option<CarFilter>) {
    const GENTLE_DB_PER_OCTAVE: u32 = 12;
    let least_hz = match driver.role {
        Role::Centre => Some(CENTRE_FROM_HZ.max(driver.range_hz().0 * INSIDE)),
        Role::Fill => Some(FILL_FROM_HZ.max(driver.range_hz().0 * INSIDE)),
        _ => None,
    };
    let wanted_hz = match (least_hz, driver.protect_hz) {
        (Some(least_hz), protect_hz) => Some(least_hz.max(protect_hz.unwrap_or(0.0))),
        (None, protect_hz) => protect_hz,
    };
    let high = driver.present.high_pass.or_else(|| {
        wanted_hz.and_then(|hz| filter(input.profile, GENTLE_DB_PER_OCTAVE, crate::car::two_digits(hz)))
    });
    let low = if driver.role.is_in_chain() { None } else { driver.present.low_pass };
    (high, low)
}

/// The name of an input's equalizer.
pub(super) fn bank_feed(equalizer: Equalizer, bank: usize) -> Feed {
    match (equalizer, bank) {
        (Equalizer::Sides, 0) => Feed::Left,
        (Equalizer::Sides, _) => Feed::Right,
        _ => Feed::Both,
    }
}
