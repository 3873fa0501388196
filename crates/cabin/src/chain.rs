//! Everything between the player's samples and the two recorded ones, for one
//! setup: radio, tap, processor, amplifiers, drivers, cabin, microphone.

use std::f64::consts::SQRT_2;

use dsp::bank;
use dsp::biquad::Biquad;
use num_complex::Complex64;

use crate::acoustics::{self, rms_pascals};
use crate::car::{Band, Car, Channel, Driver, MOST_BANDS, Output, Side, band_section};
use crate::delay::{CHUNK, COARSE, FINE, Line, Taps};
use crate::limit::Shaper;
use crate::noise::{White, sigma_for_audio_band};
use crate::rattle::Buzz;
use crate::setup::Setup;

/// How many signals run side by side in a bank.
pub(crate) const LANES: usize = 8;

/// One sample of each.
type Frame = bank::Frame<LANES>;

/// Their sections.
type Bank = bank::Bank<LANES>;

/// The slots of one edge: sections of an order up to 8.
const EDGE_SLOTS: usize = 4;

/// The speed at which the car's engine noise is stated.
const NOMINAL_RPM: f64 = 2000.0;

/// The engine's orders at the microphone, re the loudest (four cylinders; from memory).
const ENGINE_ORDERS: [(f64, f64); 3] = [(2.0, 1.0), (4.0, 0.5), (6.0, 0.25)];

/// What the whole chain makes of a sine, as complex ratios of sample values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChainResponse {
    /// At the microphone's channel.
    pub mic: Complex64,
    /// At the tap's channel.
    pub tap: Complex64,
}

/// The sections of an output, slot by slot, in the same order for every setup.
pub(crate) fn output_sections(
    car: &Car,
    output: &Output,
    step: u32,
    bass_knob_db: f64,
    sample_rate_hz: f64,
) -> Vec<Option<Biquad>> {
    let mut slots = edge_slots(output.high_pass.iter().flat_map(|edge| edge.high_pass(sample_rate_hz)));
    slots.extend(edge_slots(output.low_pass.iter().flat_map(|edge| edge.low_pass(sample_rate_hz))));
    let bands = car.radio.bands(output, step, bass_knob_db);
    slots.extend(bands.iter().map(|band| band.and_then(|band| band_section(&band, sample_rate_hz))));
    slots
}

/// The response of sections in series.
pub(crate) fn cascade_response<'a>(
    sections: impl IntoIterator<Item = &'a Biquad>,
    frequency_hz: f64,
) -> Complex64 {
    sections.into_iter().map(|section| section.response(frequency_hz)).product()
}

fn edge_slots(sections: impl Iterator<Item = Biquad>) -> Vec<Option<Biquad>> {
    let mut slots: Vec<Option<Biquad>> = sections.map(Some).collect();
    slots.resize_with(EDGE_SLOTS, || None);
    slots
}

fn channel_sections(channel: &Channel, sample_rate_hz: f64) -> Vec<Option<Biquad>> {
    let mut slots = edge_slots(channel.high_pass.iter().flat_map(|edge| edge.high_pass(sample_rate_hz)));
    slots.extend(edge_slots(channel.low_pass.iter().flat_map(|edge| edge.low_pass(sample_rate_hz))));
    slots.extend(equalizer_slots(&channel.bands, sample_rate_hz));
    slots
}

/// The slots of an equalizer of the processor.
fn equalizer_slots(bands: &[Band], sample_rate_hz: f64) -> Vec<Option<Biquad>> {
    let mut slots: Vec<Option<Biquad>> =
        bands.iter().map(|band| band_section(band, sample_rate_hz)).collect();
    slots.resize_with(MOST_BANDS, || None);
    slots
}

pub(crate) fn driver_sections(driver: &Driver, sample_rate_hz: f64) -> Vec<Option<Biquad>> {
    let mut slots = edge_slots(driver.high_pass.iter().flat_map(|edge| edge.high_pass(sample_rate_hz)));
    slots.extend(edge_slots(driver.low_pass.iter().flat_map(|edge| edge.low_pass(sample_rate_hz))));
    slots.extend(driver.bands.iter().map(|band| band_section(band, sample_rate_hz)));
    slots
}

/// One output of the radio while it runs.
#[derive(Debug, Clone)]
struct OutputStage {
    side: Side,
    gain: f64,
    shaper: Shaper,
    noise: White,
    noise_sigma: f64,
    /// Tones on the output: frequency and peak volts.
    tones: Vec<(f64, f64)>,
}

/// One driver while it runs: its processor channel, amplifier and distortion.
#[derive(Debug, Clone)]
struct DriverStage {
    /// The outputs that feed it, each at this weight.
    inputs: Vec<usize>,
    input_weight: f64,
    /// Whether it gets them through the processor's inputs.
    processed: bool,
    channel_gain: f64,
    output_clip: f64,
    amplifier_gain: f64,
    amplifier_clip: f64,
    /// Harmonic coefficients `k2` and `k3` in `x + k2·x² + k3·x³`, x in volts.
    k2: f64,
    k3: f64,
    /// Pascals at 1 m per volt, with the sign of its wiring; 0 when silenced.
    pascals: f64,
    line: Line,
    direct: Taps,
    /// The way over each wall, in the order of the cabin's walls.
    reflected: Vec<Taps>,
    /// How strongly it excites each mode as heard at the microphone.
    mode_weights: Vec<f64>,
}

/// The whole chain for one setup.
#[derive(Debug, Clone)]
pub(crate) struct Chain {
    sample_rate_hz: f64,
    outputs: Vec<OutputStage>,
    output_bank: Bank,
    tap: usize,
    fs_per_volt: f64,
    /// The processor's full scale at its inputs, in volts, and their equalizers.
    input_clip: f64,
    input_bank: Bank,
    drivers: Vec<DriverStage>,
    channel_banks: Vec<Bank>,
    driver_banks: Vec<Bank>,
    wall_bank: Bank,
    walls: usize,
    mode_banks: Vec<Bank>,
    modes: usize,
    pressurisation: Option<Biquad>,
    /// The engine at the microphone: frequency and peak pascals.
    engine: Vec<(f64, f64)>,
    buzzes: Vec<(usize, Buzz)>,
    scratch: Scratch,
}

/// Room for one chunk at every place of the chain.
#[derive(Debug, Clone)]
struct Scratch {
    outputs: Vec<Frame>,
    inputs: Vec<Frame>,
    drivers: Vec<Vec<Frame>>,
    walls: Vec<Frame>,
    modes: Vec<Vec<Frame>>,
    direct: [f64; CHUNK],
}

impl Chain {
    /// A chain at rest. The setup must have been checked against the car.
    pub(crate) fn new(car: &Car, setup: &Setup, sample_rate_hz: f64) -> Self {
        let outputs: Vec<OutputStage> = car
            .radio
            .outputs
            .iter()
            .enumerate()
            .map(|(index, output)| output_stage(car, setup, index, output, sample_rate_hz))
            .collect();
        let output_lanes: Vec<_> = car
            .radio
            .outputs
            .iter()
            .map(|output| output_sections(car, output, setup.volume_step, setup.bass_knob_db, sample_rate_hz))
            .collect();
        let input_lanes: Vec<_> = car
            .radio
            .outputs
            .iter()
            .map(|output| equalizer_slots(setup.bands_of_input(output), sample_rate_hz))
            .collect();
        let tap = car.radio.outputs.iter().position(|output| output.name == setup.tap_output).unwrap_or(0);

        let flat = Channel::default();
        let channel = |driver: &Driver| setup.processor.get(&driver.name).unwrap_or(&flat).clone();
        let channel_lanes: Vec<_> = car
            .drivers
            .iter()
            .map(|driver| {
                let channel = if driver.processed { channel(driver) } else { flat.clone() };
                channel_sections(&channel, sample_rate_hz)
            })
            .collect();
        let driver_lanes: Vec<_> =
            car.drivers.iter().map(|driver| driver_sections(driver, sample_rate_hz)).collect();
        let banks = |lanes: &[Vec<Option<Biquad>>]| lanes.chunks(LANES).map(Bank::new).collect::<Vec<_>>();

        let modes = car
            .cabin
            .as_ref()
            .map_or_else(Vec::new, |cabin| acoustics::modes(cabin.size_m, car.speed_of_sound(), cabin.modes));
        let mode_lanes: Vec<_> = modes
            .iter()
            .map(|mode| {
                let q = car.cabin.as_ref().map_or(1.0, |cabin| cabin.modes.q);
                vec![Biquad::band_pass(sample_rate_hz, mode.frequency_hz, q).ok()]
            })
            .collect();
        let walls = car.cabin.as_ref().map_or(&[][..], |cabin| &cabin.walls);
        let wall_lanes: Vec<_> = walls
            .iter()
            .map(|wall| {
                let corner_hz = wall.low_pass_hz.min(0.45 * sample_rate_hz);
                vec![Biquad::low_pass_first_order(sample_rate_hz, corner_hz).ok()]
            })
            .collect();
        let drivers: Vec<DriverStage> = car
            .drivers
            .iter()
            .map(|driver| driver_stage(car, setup, driver, &channel(driver), &modes, sample_rate_hz))
            .collect();
        let buzzes = if setup.rattles { buzzes(car, sample_rate_hz) } else { Vec::new() };
        let groups = |lanes: usize| vec![vec![[0.0; LANES]; CHUNK]; lanes.div_ceil(LANES)];
        Self {
            sample_rate_hz,
            output_bank: Bank::new(&output_lanes),
            tap,
            fs_per_volt: 1.0 / car.tap.volts_per_fs(),
            input_clip: input_full_scale_v(car, setup),
            input_bank: Bank::new(&input_lanes),
            channel_banks: banks(&channel_lanes),
            driver_banks: banks(&driver_lanes),
            wall_bank: Bank::new(&wall_lanes),
            walls: walls.len(),
            mode_banks: banks(&mode_lanes),
            modes: modes.len(),
            pressurisation: car.cabin.as_ref().map(|cabin| acoustics::pressurisation(cabin, sample_rate_hz)),
            engine: engine_tones(car, setup, sample_rate_hz),
            buzzes,
            scratch: Scratch {
                outputs: vec![[0.0; LANES]; CHUNK],
                inputs: vec![[0.0; LANES]; CHUNK],
                drivers: groups(drivers.len()),
                walls: vec![[0.0; LANES]; CHUNK],
                modes: groups(modes.len()),
                direct: [0.0; CHUNK],
            },
            outputs,
            drivers,
        }
    }

    /// A chain for another setup that goes on from this one's state.
    pub(crate) fn retuned(&self, car: &Car, setup: &Setup) -> Self {
        let mut next = Self::new(car, setup, self.sample_rate_hz);
        next.output_bank.inherit(&self.output_bank);
        for (new, old) in next.outputs.iter_mut().zip(&self.outputs) {
            new.noise = old.noise.clone();
            new.shaper = old.shaper.clone();
        }
        next.input_bank.inherit(&self.input_bank);
        let pairs = next.channel_banks.iter_mut().zip(&self.channel_banks);
        pairs.chain(next.driver_banks.iter_mut().zip(&self.driver_banks)).for_each(|(n, o)| n.inherit(o));
        for (new, old) in next.drivers.iter_mut().zip(&self.drivers) {
            new.line = old.line.clone();
        }
        next.wall_bank.inherit(&self.wall_bank);
        for (new, old) in next.mode_banks.iter_mut().zip(&self.mode_banks) {
            new.inherit(old);
        }
        next.pressurisation.clone_from(&self.pressurisation);
        next
    }

    /// Runs up to [`CHUNK`] frames: stereo samples in; pascals at the
    /// microphone and sample values at the tap out.
    ///
    /// # Real-time
    /// Allocates nothing.
    pub(crate) fn run(&mut self, first_frame: u64, input: &[[f64; 2]], mic: &mut [f64], tap: &mut [f64]) {
        let frames = input.len();
        self.run_outputs(first_frame, input);
        for (tap, frame) in tap.iter_mut().zip(&self.scratch.outputs) {
            *tap = frame[self.tap] * self.fs_per_volt;
        }
        self.run_electronics(frames);
        for (bank, group) in self.driver_banks.iter_mut().zip(&mut self.scratch.drivers) {
            bank.run(&mut group[..frames]);
        }
        mic.fill(0.0);
        self.run_space(frames, mic);
        if let Some(section) = &mut self.pressurisation {
            section.process_in_place(mic);
        }
        for &(hz, peak) in &self.engine {
            for (n, sum) in (first_frame..).zip(mic.iter_mut()) {
                *sum += peak * acoustics::phase(n, hz, self.sample_rate_hz).sin();
            }
        }
        for (driver, buzz) in &mut self.buzzes {
            let (group, lane) = (*driver / LANES, *driver % LANES);
            let silent = self.drivers[*driver].pascals == 0.0;
            for (sum, frame) in mic.iter_mut().zip(&self.scratch.drivers[group]) {
                *sum += buzz.process(if silent { 0.0 } else { frame[lane] });
            }
        }
    }

    fn run_outputs(&mut self, first_frame: u64, input: &[[f64; 2]]) {
        let fs = self.sample_rate_hz;
        let frames = &mut self.scratch.outputs[..input.len()];
        for (frame, &[left, right]) in frames.iter_mut().zip(input) {
            for (lane, output) in self.outputs.iter().enumerate() {
                let source = match output.side {
                    Side::Left => left,
                    Side::Right => right,
                    Side::Mono => 0.5 * (left + right),
                };
                frame[lane] = source * output.gain;
            }
        }
        self.output_bank.run(frames);
        for (lane, output) in self.outputs.iter_mut().enumerate() {
            for frame in frames.iter_mut() {
                frame[lane] = output.shaper.process(frame[lane], fs);
            }
            if output.noise_sigma > 0.0 {
                for frame in frames.iter_mut() {
                    frame[lane] += output.noise_sigma * output.noise.sample();
                }
            }
            for &(hz, peak_v) in &output.tones {
                for (n, frame) in (first_frame..).zip(frames.iter_mut()) {
                    frame[lane] += peak_v * acoustics::phase(n, hz, fs).sin();
                }
            }
        }
    }

    /// Processor and amplifiers: from the outputs' volts to pascals at 1 m,
    /// still without the driver's own band.
    fn run_electronics(&mut self, frames: usize) {
        let outputs = &self.scratch.outputs[..frames];
        let inputs = &mut self.scratch.inputs[..frames];
        for (input, output) in inputs.iter_mut().zip(outputs) {
            *input = output.map(|volts| volts.clamp(-self.input_clip, self.input_clip));
        }
        self.input_bank.run(inputs);
        for (index, driver) in self.drivers.iter().enumerate() {
            let (group, lane) = (index / LANES, index % LANES);
            let sources = if driver.processed { &*inputs } else { outputs };
            for (frame, source) in self.scratch.drivers[group].iter_mut().zip(sources) {
                let volts: f64 = driver.inputs.iter().map(|&i| source[i]).sum();
                frame[lane] = volts * driver.input_weight;
            }
        }
        for (bank, group) in self.channel_banks.iter_mut().zip(&mut self.scratch.drivers) {
            bank.run(&mut group[..frames]);
        }
        for (index, driver) in self.drivers.iter().enumerate() {
            let (group, lane) = (index / LANES, index % LANES);
            for frame in &mut self.scratch.drivers[group][..frames] {
                let line = frame[lane] * driver.channel_gain;
                let line = line.clamp(-driver.output_clip, driver.output_clip);
                let volts = line * driver.amplifier_gain;
                let x = volts.clamp(-driver.amplifier_clip, driver.amplifier_clip);
                frame[lane] = driver.pascals * (x + x * x * (driver.k2 + driver.k3 * x));
            }
        }
    }

    fn run_space(&mut self, frames: usize, mic: &mut [f64]) {
        let scratch = &mut self.scratch;
        scratch.walls[..frames].fill([0.0; LANES]);
        for group in &mut scratch.modes {
            group[..frames].fill([0.0; LANES]);
        }
        let mut path = [0.0; CHUNK];
        for (index, driver) in self.drivers.iter_mut().enumerate() {
            let (group, lane) = (index / LANES, index % LANES);
            driver.line.push(scratch.drivers[group][..frames].iter().map(|frame| frame[lane]));
            let direct = &mut scratch.direct[..frames];
            direct.fill(0.0);
            driver.line.add_through(&driver.direct, direct);
            for (sum, &sample) in mic.iter_mut().zip(&*direct) {
                *sum += sample;
            }
            for (wall, taps) in driver.reflected.iter().enumerate() {
                path[..frames].fill(0.0);
                driver.line.add_through(taps, &mut path[..frames]);
                for (frame, &sample) in scratch.walls.iter_mut().zip(&path[..frames]) {
                    frame[wall] += sample;
                }
            }
            for (modes, weights) in scratch.modes.iter_mut().zip(driver.mode_weights.chunks(LANES)) {
                for (frame, &sample) in modes.iter_mut().zip(&*direct) {
                    for (mode, &weight) in frame.iter_mut().zip(weights) {
                        *mode += weight * sample;
                    }
                }
            }
        }
        if self.walls > 0 {
            self.wall_bank.run(&mut scratch.walls[..frames]);
            add_lanes(&scratch.walls, self.walls, mic);
        }
        for (index, (bank, group)) in self.mode_banks.iter_mut().zip(&mut scratch.modes).enumerate() {
            bank.run(&mut group[..frames]);
            add_lanes(group, (self.modes - index * LANES).min(LANES), mic);
        }
    }

    /// The response of the linear part to a sine that has these weights in the
    /// two channels; microphone in pascals.
    pub(crate) fn response(&self, left: f64, right: f64, frequency_hz: f64) -> ChainResponse {
        let z1 = self.z1(frequency_hz);
        let outputs: Vec<Complex64> = self
            .outputs
            .iter()
            .enumerate()
            .map(|(lane, output)| {
                let source = match output.side {
                    Side::Left => left,
                    Side::Right => right,
                    Side::Mono => 0.5 * (left + right),
                };
                self.output_bank.response(lane, z1) * (source * output.gain)
            })
            .collect();
        let inputs: Vec<Complex64> =
            (0..outputs.len()).map(|lane| outputs[lane] * self.input_bank.response(lane, z1)).collect();
        let mic = self
            .drivers
            .iter()
            .enumerate()
            .map(|(index, driver)| {
                let sources = if driver.processed { &inputs } else { &outputs };
                let volts: Complex64 = driver.inputs.iter().map(|&i| sources[i]).sum();
                let bank = &self.channel_banks[index / LANES];
                let gain = driver.input_weight * driver.channel_gain * driver.amplifier_gain;
                volts * gain * bank.response(index % LANES, z1) * self.acoustic_response(index, z1)
            })
            .sum();
        ChainResponse { mic, tap: outputs[self.tap] * self.fs_per_volt }
    }

    /// From volts at a driver's terminals to pascals at the microphone.
    pub(crate) fn driver_response(&self, driver: usize, frequency_hz: f64) -> Complex64 {
        self.acoustic_response(driver, self.z1(frequency_hz))
    }

    fn z1(&self, frequency_hz: f64) -> Complex64 {
        Complex64::from_polar(1.0, -std::f64::consts::TAU * frequency_hz / self.sample_rate_hz)
    }

    fn acoustic_response(&self, index: usize, z1: Complex64) -> Complex64 {
        let driver = &self.drivers[index];
        let direct = driver.direct.response(z1);
        let walls: Complex64 = driver
            .reflected
            .iter()
            .enumerate()
            .map(|(wall, taps)| taps.response(z1) * self.wall_bank.response(wall, z1))
            .sum();
        let modes: Complex64 = driver
            .mode_weights
            .iter()
            .enumerate()
            .map(|(mode, &weight)| self.mode_banks[mode / LANES].response(mode % LANES, z1) * weight)
            .sum();
        let pressurisation = self.pressurisation.as_ref().map_or(Complex64::ONE, |section| {
            let (b, a) = (section.b(), section.a());
            (b[0] + z1 * (b[1] + z1 * b[2])) / (1.0 + z1 * (a[0] + z1 * a[1]))
        });
        let own = self.driver_banks[index / LANES].response(index % LANES, z1) * driver.pascals;
        own * (direct * (1.0 + modes) + walls) * pressurisation
    }
}

fn add_lanes(frames: &[Frame], lanes: usize, sum: &mut [f64]) {
    for (sum, frame) in sum.iter_mut().zip(frames) {
        for &sample in &frame[..lanes] {
            *sum += sample;
        }
    }
}

fn output_stage(car: &Car, setup: &Setup, index: usize, output: &Output, sample_rate_hz: f64) -> OutputStage {
    let sign = if output.inverted { -1.0 } else { 1.0 };
    let mut tones = Vec::new();
    if setup.engine_rpm > 0.0 && output.whine_v > 0.0 {
        let volts = SQRT_2 * output.whine_v * setup.engine_rpm / NOMINAL_RPM;
        tones.extend(
            car.radio.whine.iter().map(|line| {
                (line.order * setup.engine_rpm / 60.0, volts * 10f64.powf(line.relative_db / 20.0))
            }),
        );
    }
    if let Some(mains_hz) = setup.mains_hz
        && output.hum_v > 0.0
    {
        // Rectified mains hums at the mains' frequency and at twice that.
        tones.push((mains_hz, SQRT_2 * output.hum_v));
        tones.push((2.0 * mains_hz, 0.5 * SQRT_2 * output.hum_v));
    }
    tones.retain(|&(hz, _)| hz < 0.45 * sample_rate_hz);
    let noise_v = if setup.noise { output.noise_v } else { 0.0 };
    OutputStage {
        side: output.side,
        gain: sign * SQRT_2 * output.full_volume_v * car.radio.step_gain(setup.volume_step),
        shaper: Shaper::new(output),
        noise: White::new(car.seed, 16 + index as u64),
        noise_sigma: sigma_for_audio_band(noise_v, sample_rate_hz),
        tones,
    }
}

/// The peak voltage that reaches full scale at the processor's inputs.
fn input_full_scale_v(car: &Car, setup: &Setup) -> f64 {
    setup.processor_input_full_scale_v.unwrap_or(car.processor.input_full_scale_v)
}

fn driver_stage(
    car: &Car,
    setup: &Setup,
    driver: &Driver,
    channel: &Channel,
    modes: &[acoustics::Mode],
    sample_rate_hz: f64,
) -> DriverStage {
    let inputs: Vec<usize> = driver
        .inputs
        .iter()
        .filter_map(|name| car.radio.outputs.iter().position(|output| &output.name == name))
        .collect();
    #[expect(clippy::cast_precision_loss, reason = "at most eight outputs")]
    let input_weight = 1.0 / inputs.len().max(1) as f64;
    let amplifier_db = channel.amplifier_gain_db.unwrap_or(driver.amplifier_gain_db);
    let active = if setup.is_active(&driver.name) { 1.0 } else { 0.0 };
    let sign = if driver.reversed { -active } else { active };
    let per_volt = rms_pascals(driver.sensitivity_db);
    // A sine of this peak voltage makes 94 dB at 1 m.
    let reference_v = SQRT_2 * 10f64.powf((94.0 - driver.sensitivity_db) / 20.0);

    let processor = &car.processor;
    let (channel_gain, output_clip, processing_s) = if driver.processed {
        let polarity = if channel.invert { -1.0 } else { 1.0 };
        let full_scale = processor.output_full_scale_v / input_full_scale_v(car, setup);
        let gain = polarity * 10f64.powf(channel.gain_db / 20.0) * full_scale;
        (gain, processor.output_full_scale_v, channel.delay_s + processor.latency_s)
    } else {
        (1.0, f64::INFINITY, 0.0)
    };
    let delay_to = |distance_m: f64| (distance_m / car.speed_of_sound() + processing_s) * sample_rate_hz;
    let here = car.position(&setup.mic_position).unwrap_or_default();
    let (direct, reflected, mode_weights) = match &car.cabin {
        None => (Taps::new(delay_to(0.0), FINE), Vec::new(), Vec::new()),
        Some(cabin) => {
            let distance_m = acoustics::distance(driver.at_m, here);
            let direct = Taps::new(delay_to(distance_m), FINE).scaled(1.0 / distance_m);
            let reflected = cabin.walls.iter().map(|wall| {
                let way_m = acoustics::distance(acoustics::image(driver.at_m, wall.side, cabin.size_m), here);
                Taps::new(delay_to(way_m), COARSE).scaled(wall.reflection / way_m)
            });
            let weights = modes.iter().map(|mode| {
                cabin.modes.strength * mode.shape(driver.at_m, cabin.size_m) * mode.shape(here, cabin.size_m)
            });
            (direct, reflected.collect(), weights.collect())
        }
    };
    // Room for the longest delay at any position, so that a line can be
    // handed on from setup to setup.
    let room_m = car.cabin.as_ref().map_or(0.0, |cabin| 3.0 * cabin.size_m.iter().sum::<f64>());
    let longest_s = processor.longest_delay_s + processor.latency_s + room_m / car.speed_of_sound();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a fraction of a second")]
    let longest = (longest_s * sample_rate_hz).ceil() as usize + 2 * FINE;
    DriverStage {
        inputs,
        input_weight,
        processed: driver.processed,
        channel_gain,
        output_clip,
        amplifier_gain: 10f64.powf(amplifier_db / 20.0),
        amplifier_clip: driver.amplifier_clip_v.unwrap_or(f64::INFINITY),
        k2: 2.0 * driver.second_harmonic_percent / 100.0 / reference_v,
        k3: 4.0 * driver.third_harmonic_percent / 100.0 / (reference_v * reference_v),
        pascals: sign * per_volt,
        line: Line::new(longest),
        direct,
        reflected,
        mode_weights,
    }
}

fn buzzes(car: &Car, sample_rate_hz: f64) -> Vec<(usize, Buzz)> {
    car.rattles
        .iter()
        .enumerate()
        .filter_map(|(index, rattle)| {
            let driver = car.drivers.iter().position(|driver| driver.name == rattle.driver)?;
            Some((driver, Buzz::new(rattle, car.seed, 64 + index as u64, sample_rate_hz)))
        })
        .collect()
}

fn engine_tones(car: &Car, setup: &Setup, sample_rate_hz: f64) -> Vec<(f64, f64)> {
    let Some(db_spl) = car.cabin.as_ref().and_then(|cabin| cabin.engine_db_spl) else { return Vec::new() };
    let peak = SQRT_2 * rms_pascals(db_spl) * setup.engine_rpm / NOMINAL_RPM;
    ENGINE_ORDERS
        .iter()
        .map(|&(order, part)| (order * setup.engine_rpm / 60.0, peak * part))
        .filter(|&(hz, peak)| peak > 0.0 && hz < 0.45 * sample_rate_hz)
        .collect()
}
