//! A sound card without hardware that follows a script, behind `cpal`'s own interface: what is
//! played is captured one buffer later.
#![expect(unsafe_code, reason = "cpal's `Data` is made from a pointer")]

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    Data, DeviceDescription, DeviceDescriptionBuilder, DeviceId, Error, ErrorKind, FromSample, HostId,
    InputCallbackInfo, InputStreamTimestamp, OutputCallbackInfo, OutputStreamTimestamp, Sample, SampleFormat,
    StreamConfig, StreamInstant, SupportedBufferSize, SupportedStreamConfig, SupportedStreamConfigRange,
};
use testkit::allocations;

/// What happens before the input's buffer of this number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Event {
    /// A buffer is lost, and the card says so.
    Xrun,
    /// So many buffers are lost without a word.
    Skip(u64),
    /// The card is unplugged.
    Gone,
    /// The system moves the stream elsewhere.
    Rerouted,
    /// The system refuses the callbacks their priority.
    NoPriority,
    /// Nothing happens any more.
    Stall,
    /// So many buffers are captured at once.
    InputBurst(u64),
    /// So many buffers are played at once.
    OutputBurst(u64),
}

/// What the card is and does.
#[derive(Debug, Clone)]
pub(super) struct Script {
    pub(super) format: SampleFormat,
    pub(super) channels: u16,
    pub(super) rates_hz: (u32, u32),
    pub(super) events: Vec<(u64, Event)>,
    /// How much faster than asked for each direction's clock runs.
    pub(super) input_ppm: f64,
    pub(super) output_ppm: f64,
    /// How much faster than real time the card runs.
    pub(super) speed: f64,
    /// How long a stream takes to close.
    pub(super) closes_in: Duration,
    /// Whether it is plugged in.
    pub(super) present: bool,
}

impl Default for Script {
    fn default() -> Self {
        Self {
            format: SampleFormat::F32,
            channels: 2,
            rates_hz: (44_100, 96_000),
            events: Vec::new(),
            input_ppm: 0.0,
            output_ppm: 0.0,
            // Fast enough for short tests, slow enough for a busy computer to keep up.
            speed: 3.0,
            closes_in: Duration::ZERO,
            present: true,
        }
    }
}

type InputCallback = Box<dyn FnMut(&Data, &InputCallbackInfo) + Send>;
type OutputCallback = Box<dyn FnMut(&mut Data, &OutputCallbackInfo) + Send>;
type ErrorCallback = Box<dyn FnMut(Error) + Send>;

struct Streaming<C> {
    callback: C,
    on_error: ErrorCallback,
    playing: bool,
}

struct Shared {
    script: Mutex<Script>,
    input: Mutex<Option<Streaming<InputCallback>>>,
    output: Mutex<Option<Streaming<OutputCallback>>>,
    /// All that was ever played.
    played: Mutex<Vec<f32>>,
    allocations: AtomicU64,
    callbacks: AtomicU64,
    /// Tells one run of the card from the next.
    run: AtomicU64,
}

/// A handle on the card, from outside.
#[derive(Clone)]
pub(super) struct Card(Arc<Shared>);

impl Card {
    pub(super) fn new(script: Script) -> Self {
        Self(Arc::new(Shared {
            script: Mutex::new(script),
            input: Mutex::new(None),
            output: Mutex::new(None),
            played: Mutex::new(Vec::new()),
            allocations: AtomicU64::new(0),
            callbacks: AtomicU64::new(0),
            run: AtomicU64::new(0),
        }))
    }

    /// The host that has this card.
    pub(super) fn host(&self) -> cpal::Host {
        cpal::platform::CustomHost::from_host(CardHost(self.clone())).into()
    }

    pub(super) fn change(&self, change: impl FnOnce(&mut Script)) {
        change(&mut self.0.script.lock().unwrap());
    }

    /// All that was played since the last look, interleaved.
    pub(super) fn take_played(&self) -> Vec<f32> {
        std::mem::take(&mut self.0.played.lock().unwrap())
    }

    /// How many samples were played since the last look.
    pub(super) fn played(&self) -> usize {
        self.0.played.lock().unwrap().len()
    }

    /// How often memory was touched inside callbacks, and how many callbacks there were.
    pub(super) fn allocations(&self) -> (u64, u64) {
        (self.0.allocations.load(Ordering::Relaxed), self.0.callbacks.load(Ordering::Relaxed))
    }

    fn script(&self) -> Script {
        self.0.script.lock().unwrap().clone()
    }

    fn watch(&self, work: impl FnOnce()) {
        self.0.allocations.fetch_add(allocations(work), Ordering::Relaxed);
        self.0.callbacks.fetch_add(1, Ordering::Relaxed);
    }

    /// Runs the card until its input is closed or it comes to a standstill.
    fn run(&self, run: u64, config: StreamConfig) {
        let script = self.script();
        let cpal::BufferSize::Fixed(frames) = config.buffer_size else {
            panic!("a buffer size is asked for")
        };
        let samples = frames as usize * usize::from(config.channels);
        let period =
            Duration::from_secs_f64(f64::from(frames) / f64::from(config.sample_rate) / script.speed);
        let mut events = script.events.into_iter().peekable();
        let mut captured = vec![0.0; samples];
        let mut clock =
            Clock { config, frames: 0, input_ppm: script.input_ppm, output_ppm: script.output_ppm };
        let mut due = Instant::now();
        let mut delivered = 0;
        while self.0.run.load(Ordering::Relaxed) == run {
            due += period;
            thread::sleep(due.saturating_duration_since(Instant::now()));
            let mut bursts = (1, 1);
            while let Some((_, event)) = events.next_if(|(at, _)| *at <= delivered) {
                match event {
                    Event::Xrun => {
                        clock.frames += u64::from(frames);
                        self.fail(ErrorKind::Xrun);
                    }
                    Event::Skip(buffers) => clock.frames += buffers * u64::from(frames),
                    Event::Gone => {
                        self.change(|script| script.present = false);
                        return self.fail(ErrorKind::DeviceNotAvailable);
                    }
                    Event::Rerouted => self.fail(ErrorKind::DeviceChanged),
                    Event::NoPriority => self.fail(ErrorKind::RealtimeDenied),
                    Event::Stall => return,
                    Event::InputBurst(buffers) => bursts.0 = buffers,
                    Event::OutputBurst(buffers) => bursts.1 = buffers,
                }
            }
            let mut playing = vec![0.0; samples];
            for _ in 0..bursts.1 {
                playing = self.play(samples, &clock);
            }
            for _ in 0..bursts.0 {
                if !self.capture(&captured, &clock) {
                    break;
                }
                clock.frames += u64::from(frames);
                delivered += 1;
            }
            captured = playing;
        }
    }

    fn fail(&self, kind: ErrorKind) {
        if let Some(stream) = self.0.input.lock().unwrap().as_mut() {
            (stream.on_error)(Error::new(kind));
        }
        if kind != ErrorKind::Xrun
            && let Some(stream) = self.0.output.lock().unwrap().as_mut()
        {
            (stream.on_error)(Error::new(kind));
        }
    }

    fn play(&self, samples: usize, clock: &Clock) -> Vec<f32> {
        let format = self.script().format;
        let mut guard = self.0.output.lock().unwrap();
        let Some(stream) = guard.as_mut().filter(|stream| stream.playing) else { return vec![0.0; samples] };
        let info = clock.output();
        let played = match format {
            SampleFormat::I32 => self.call_output::<i32>(&mut stream.callback, samples, &info),
            SampleFormat::I16 => self.call_output::<i16>(&mut stream.callback, samples, &info),
            _ => self.call_output::<f32>(&mut stream.callback, samples, &info),
        };
        self.0.played.lock().unwrap().extend_from_slice(&played);
        played
    }

    fn call_output<T>(
        &self,
        callback: &mut OutputCallback,
        samples: usize,
        info: &OutputCallbackInfo,
    ) -> Vec<f32>
    where
        T: cpal::SizedSample,
        f32: FromSample<T>,
    {
        let mut buffer = vec![T::EQUILIBRIUM; samples];
        // SAFETY: pointer, length and format are those of `buffer`, which outlives `data`.
        let mut data = unsafe { Data::from_parts(buffer.as_mut_ptr().cast(), samples, T::FORMAT) };
        self.watch(|| callback(&mut data, info));
        buffer.into_iter().map(f32::from_sample).collect()
    }

    fn capture(&self, captured: &[f32], clock: &Clock) -> bool {
        let format = self.script().format;
        let mut guard = self.0.input.lock().unwrap();
        let Some(stream) = guard.as_mut() else { return false };
        if !stream.playing {
            return false;
        }
        let info = clock.input();
        match format {
            SampleFormat::I32 => self.call_input::<i32>(&mut stream.callback, captured, &info),
            SampleFormat::I16 => self.call_input::<i16>(&mut stream.callback, captured, &info),
            _ => self.call_input::<f32>(&mut stream.callback, captured, &info),
        }
        true
    }

    fn call_input<T>(&self, callback: &mut InputCallback, captured: &[f32], info: &InputCallbackInfo)
    where
        T: cpal::SizedSample + FromSample<f32>,
    {
        let mut buffer: Vec<T> = captured.iter().map(|&x| T::from_sample(x)).collect();
        // SAFETY: pointer, length and format are those of `buffer`, which outlives `data`.
        let data = unsafe { Data::from_parts(buffer.as_mut_ptr().cast(), buffer.len(), T::FORMAT) };
        self.watch(|| callback(&data, info));
    }
}

/// The card's own time: frames that have passed, lost ones included.
struct Clock {
    config: StreamConfig,
    frames: u64,
    input_ppm: f64,
    output_ppm: f64,
}

impl Clock {
    fn at(&self, ppm: f64, ahead_s: f64) -> StreamInstant {
        let true_hz = f64::from(self.config.sample_rate) * (1.0 + ppm * 1e-6);
        let s = 1.0 + self.frames as f64 / true_hz + ahead_s;
        StreamInstant::new(s as u64, (s.fract() * 1e9) as u32)
    }

    fn input(&self) -> InputCallbackInfo {
        let capture = self.at(self.input_ppm, 0.0);
        InputCallbackInfo::new(InputStreamTimestamp { callback: self.at(self.input_ppm, 0.02), capture })
    }

    fn output(&self) -> OutputCallbackInfo {
        let callback = self.at(self.output_ppm, 0.0);
        OutputCallbackInfo::new(OutputStreamTimestamp { callback, playback: self.at(self.output_ppm, 0.02) })
    }
}

struct CardHost(Card);

impl HostTrait for CardHost {
    type Devices = std::vec::IntoIter<CardDevice>;
    type Device = CardDevice;

    fn is_available() -> bool {
        true
    }

    fn devices(&self) -> Result<Self::Devices, Error> {
        let present = self.0.script().present;
        Ok(present.then(|| CardDevice(self.0.clone())).into_iter().collect::<Vec<_>>().into_iter())
    }

    fn default_input_device(&self) -> Option<CardDevice> {
        self.devices().ok()?.next()
    }

    fn default_output_device(&self) -> Option<CardDevice> {
        self.devices().ok()?.next()
    }
}

#[derive(Clone)]
struct CardDevice(Card);

impl PartialEq for CardDevice {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0.0, &other.0.0)
    }
}

impl Eq for CardDevice {}

impl std::hash::Hash for CardDevice {
    fn hash<H: std::hash::Hasher>(&self, state: &mut H) {
        Arc::as_ptr(&self.0.0).hash(state);
    }
}

impl std::fmt::Debug for CardDevice {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("scripted card")
    }
}

impl std::fmt::Display for CardDevice {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("scripted card")
    }
}

impl CardDevice {
    fn range(&self) -> SupportedStreamConfigRange {
        let script = self.0.script();
        let buffer = SupportedBufferSize::Range { min: 64, max: 8_192 };
        let (low, high) = script.rates_hz;
        SupportedStreamConfigRange::new(script.channels, low, high, buffer, script.format)
    }

    fn close_after(&self) -> Duration {
        self.0.script().closes_in
    }
}

impl DeviceTrait for CardDevice {
    type SupportedInputConfigs = std::iter::Once<SupportedStreamConfigRange>;
    type SupportedOutputConfigs = std::iter::Once<SupportedStreamConfigRange>;
    type Stream = CardStream;

    fn description(&self) -> Result<DeviceDescription, Error> {
        Ok(DeviceDescriptionBuilder::new("scripted card").build())
    }

    fn id(&self) -> Result<DeviceId, Error> {
        Ok(DeviceId::new(HostId::Custom, "card"))
    }

    fn supported_input_configs(&self) -> Result<Self::SupportedInputConfigs, Error> {
        Ok(std::iter::once(self.range()))
    }

    fn supported_output_configs(&self) -> Result<Self::SupportedOutputConfigs, Error> {
        Ok(std::iter::once(self.range()))
    }

    fn default_input_config(&self) -> Result<SupportedStreamConfig, Error> {
        Ok(self.range().with_max_sample_rate())
    }

    fn default_output_config(&self) -> Result<SupportedStreamConfig, Error> {
        Ok(self.range().with_max_sample_rate())
    }

    fn build_input_stream_raw<D, E>(
        &self,
        config: StreamConfig,
        _: SampleFormat,
        callback: D,
        on_error: E,
        _: Option<Duration>,
    ) -> Result<CardStream, Error>
    where
        D: FnMut(&Data, &InputCallbackInfo) + Send + 'static,
        E: FnMut(Error) + Send + 'static,
    {
        let streaming =
            Streaming { callback: Box::new(callback) as _, on_error: Box::new(on_error), playing: false };
        *self.0.0.input.lock().unwrap() = Some(streaming);
        Ok(CardStream { card: self.0.clone(), config, input: true, closes_in: self.close_after() })
    }

    fn build_output_stream_raw<D, E>(
        &self,
        config: StreamConfig,
        _: SampleFormat,
        callback: D,
        on_error: E,
        _: Option<Duration>,
    ) -> Result<CardStream, Error>
    where
        D: FnMut(&mut Data, &OutputCallbackInfo) + Send + 'static,
        E: FnMut(Error) + Send + 'static,
    {
        let streaming =
            Streaming { callback: Box::new(callback) as _, on_error: Box::new(on_error), playing: false };
        *self.0.0.output.lock().unwrap() = Some(streaming);
        Ok(CardStream { card: self.0.clone(), config, input: false, closes_in: self.close_after() })
    }
}

struct CardStream {
    card: Card,
    config: StreamConfig,
    input: bool,
    closes_in: Duration,
}

impl StreamTrait for CardStream {
    fn play(&self) -> Result<(), Error> {
        if self.input {
            self.card.0.input.lock().unwrap().as_mut().unwrap().playing = true;
            let run = self.card.0.run.fetch_add(1, Ordering::Relaxed) + 1;
            let (card, config) = (self.card.clone(), self.config);
            thread::Builder::new().name("card".to_owned()).spawn(move || card.run(run, config)).unwrap();
        } else {
            self.card.0.output.lock().unwrap().as_mut().unwrap().playing = true;
        }
        Ok(())
    }

    fn pause(&self) -> Result<(), Error> {
        Ok(())
    }

    fn buffer_size(&self) -> Result<cpal::FrameCount, Error> {
        match self.config.buffer_size {
            cpal::BufferSize::Fixed(frames) => Ok(frames),
            cpal::BufferSize::Default => Err(Error::new(ErrorKind::UnsupportedOperation)),
        }
    }

    fn now(&self) -> StreamInstant {
        StreamInstant::ZERO
    }
}

impl Drop for CardStream {
    fn drop(&mut self) {
        thread::sleep(self.closes_in);
        if self.input {
            self.card.0.run.fetch_add(1, Ordering::Relaxed);
            *self.card.0.input.lock().unwrap() = None;
        } else {
            *self.card.0.output.lock().unwrap() = None;
        }
    }
}
