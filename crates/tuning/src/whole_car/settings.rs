//! What can be set on a car, as values that move and those that do not.

use super::transfer::{Bell, Slope};
use crate::CarFilter;

/// Where a filter's corner stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Corner {
    /// At a junction, which moves.
    Junction(usize),
    /// Where it is.
    Fixed,
}

/// One filter of a channel.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Edge {
    pub(super) slope: Slope,
    pub(super) filter: CarFilter,
    pub(super) corner: Corner,
}

impl Edge {
    pub(super) fn new(filter: CarFilter, is_high_pass: bool, corner: Corner) -> Option<Self> {
        Some(Self { slope: Slope::new(&filter, is_high_pass)?, filter, corner })
    }

    pub(super) fn corner_hz(&self, state: &State) -> f64 {
        match self.corner {
            Corner::Junction(junction) => state.corner_log_hz[junction].exp(),
            Corner::Fixed => self.filter.frequency_hz,
        }
    }
}

/// The filters of a channel and the banks of bands that its signal goes through, by input.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ChannelLayout {
    pub(super) high_pass: Option<Edge>,
    pub(super) low_pass: Option<Edge>,
    pub(super) banks: [usize; 2],
}

impl ChannelLayout {
    pub(super) fn edges(&self) -> impl Iterator<Item = &Edge> {
        self.high_pass.iter().chain(&self.low_pass)
    }
}

/// What is fixed while values move.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Layout {
    pub(super) channels: Vec<ChannelLayout>,
    /// For each bank the points of the axis at which what it drives plays.
    pub(super) plays: Vec<std::ops::Range<usize>>,
}

/// One way to set the car.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct State {
    pub(super) level_db: Vec<f64>,
    pub(super) delay_s: Vec<f64>,
    pub(super) inverted: Vec<bool>,
    /// The natural logarithm of each junction's frequency.
    pub(super) corner_log_hz: Vec<f64>,
    pub(super) banks: Vec<Vec<Bell>>,
}

/// Something that moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Value {
    Level(usize),
    Delay(usize),
    Corner(usize),
    /// Bank, band, and which of log frequency, gain and log Q.
    Band(usize, usize, usize),
}

/// Something that moves within bounds, counted in units that matter about alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Variable {
    pub(super) value: Value,
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) unit: f64,
}

impl State {
    pub(super) fn get(&self, value: Value) -> f64 {
        match value {
            Value::Level(channel) => self.level_db[channel],
            Value::Delay(channel) => self.delay_s[channel],
            Value::Corner(junction) => self.corner_log_hz[junction],
            Value::Band(bank, band, which) => {
                let bell = &self.banks[bank][band];
                [bell.log_hz, bell.gain_db, bell.log_q][which]
            }
        }
    }

    pub(super) fn set(&mut self, value: Value, to: f64) {
        match value {
            Value::Level(channel) => self.level_db[channel] = to,
            Value::Delay(channel) => self.delay_s[channel] = to,
            Value::Corner(junction) => self.corner_log_hz[junction] = to,
            Value::Band(bank, band, which) => {
                let bell = &mut self.banks[bank][band];
                *[&mut bell.log_hz, &mut bell.gain_db, &mut bell.log_q][which] = to;
            }
        }
    }

    /// The values of the variables, each in its unit.
    pub(super) fn values(&self, variables: &[Variable]) -> Vec<f64> {
        variables.iter().map(|variable| self.get(variable.value) / variable.unit).collect()
    }

    pub(super) fn set_values(&mut self, variables: &[Variable], values: &[f64]) {
        for (variable, value) in variables.iter().zip(values) {
            self.set(variable.value, value * variable.unit);
        }
    }
}
