//! The simulated car while it runs: block in, block out.

use std::f64::consts::PI;

use num_complex::Complex64;

use crate::car::Car;
use crate::chain::{Chain, ChainResponse};
use crate::delay::CHUNK;
use crate::microphone::MicrophoneStage;
use crate::player::{Player, Stick, StickError};
use crate::setup::{Setup, SetupError};

/// How long a change of the setup is faded.
const FADE_S: f64 = 0.03;

/// Why a simulated car cannot run.
#[derive(Debug, Clone, PartialEq)]
pub enum CabinError {
    /// The sample rate is outside 8 kHz to 192 kHz.
    SampleRate(f64),
}

impl std::fmt::Display for CabinError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::SampleRate(hz) => {
                write!(f, "the simulated car runs at 8000 to 192000 Hz, not at {hz} Hz")
            }
        }
    }
}

impl std::error::Error for CabinError {}

/// A simulated car.
///
/// Stereo samples of the player go in, the microphone's and the tap's samples
/// come out, as many as went in. The same car, setups and input give the same
/// output to the bit, however the input is cut into blocks.
///
/// # Real-time
/// [`Cabin::process`] allocates and frees nothing. [`Cabin::apply`] and
/// [`Cabin::insert_stick`] do.
#[derive(Debug, Clone)]
pub struct Cabin {
    car: Car,
    setup: Setup,
    sample_rate_hz: f64,
    frame: u64,
    player: Player,
    /// The chain of the present setup, and before it those that it fades out.
    chains: Vec<Fading>,
    /// So many of them are faded out; they stay until [`Cabin::apply`] may free them.
    silent: usize,
    microphone: MicrophoneStage,
}

/// A chain and how far it is faded in, in frames.
#[derive(Debug, Clone)]
struct Fading {
    chain: Chain,
    at: u32,
}

impl Cabin {
    /// The car as it was found.
    ///
    /// # Errors
    /// When the sample rate is outside 8 kHz to 192 kHz.
    pub fn new(car: &Car, sample_rate_hz: f64) -> Result<Self, CabinError> {
        if !(8_000.0..=192_000.0).contains(&sample_rate_hz) {
            return Err(CabinError::SampleRate(sample_rate_hz));
        }
        let setup = car.setup();
        Ok(Self {
            chains: vec![Fading { chain: Chain::new(car, &setup, sample_rate_hz), at: 0 }],
            silent: 0,
            microphone: MicrophoneStage::new(car, sample_rate_hz),
            player: Player::new(sample_rate_hz),
            car: car.clone(),
            setup,
            sample_rate_hz,
            frame: 0,
        })
    }

    /// The car.
    #[must_use]
    pub fn car(&self) -> &Car {
        &self.car
    }

    /// How it is set.
    #[must_use]
    pub fn setup(&self) -> &Setup {
        &self.setup
    }

    /// Sets it otherwise, without a click: what sounds is faded from the old
    /// to the new within 30 ms. Before the first block it takes effect at once.
    ///
    /// # Errors
    /// When the setup does not fit the car; then nothing changes.
    pub fn apply(&mut self, setup: &Setup) -> Result<(), SetupError> {
        setup.check(&self.car)?;
        self.player.set_live_clock(setup.live_clock_ppm);
        if self.frame == 0 {
            self.chains = vec![Fading { chain: Chain::new(&self.car, setup, self.sample_rate_hz), at: 0 }];
        } else if *setup != self.setup
            && let Some(now) = self.chains.last()
        {
            let chain = now.chain.retuned(&self.car, setup);
            self.chains.drain(..self.silent);
            self.silent = 0;
            self.chains.push(Fading { chain, at: 0 });
        }
        self.setup = setup.clone();
        Ok(())
    }

    /// Plays a memory stick instead of the live input from now on.
    ///
    /// # Errors
    /// When the track's numbers cannot be used.
    pub fn insert_stick(&mut self, stick: Stick) -> Result<(), StickError> {
        stick.check()?;
        self.player.insert(stick);
        Ok(())
    }

    /// Plays the live input again.
    pub fn eject_stick(&mut self) {
        self.player.eject();
    }

    /// How often a live player with its own clock had to jump because the
    /// clocks had run apart; each is a click in the sound.
    #[must_use]
    pub fn slips(&self) -> u64 {
        self.player.slips()
    }

    /// Runs: interleaved left and right in, interleaved microphone and tap out.
    ///
    /// # Panics
    /// When the two differ in length or hold half a frame.
    ///
    /// # Real-time
    /// Allocates and frees nothing.
    pub fn process(&mut self, input: &[f32], output: &mut [f32]) {
        assert_eq!(input.len(), output.len(), "as many samples must go in as come out");
        assert!(input.len().is_multiple_of(2), "a frame has two samples");
        for (input, output) in input.chunks(2 * CHUNK).zip(output.chunks_mut(2 * CHUNK)) {
            self.run(input, output);
        }
    }

    fn run(&mut self, input: &[f32], output: &mut [f32]) {
        let frames = input.len() / 2;
        let mut played = [[0.0; 2]; CHUNK];
        for (frame, samples) in played.iter_mut().zip(input.chunks_exact(2)) {
            // What is not a number must not live on in the filters.
            let live = [samples[0], samples[1]].map(|x| if x.is_finite() { f64::from(x) } else { 0.0 });
            *frame = self.player.next(live);
        }
        let played = &played[..frames];
        let mut room = [[0.0; CHUNK]; 4];
        let [mic, tap, new_mic, new_tap] = &mut room;
        let (mic, tap) = (&mut mic[..frames], &mut tap[..frames]);
        let (new_mic, new_tap) = (&mut new_mic[..frames], &mut new_tap[..frames]);

        let length = self.fade_frames();
        let mut chains = self.chains[self.silent..].iter_mut();
        if let Some(first) = chains.next() {
            first.chain.run(self.frame, played, mic, tap);
        }
        for fading in chains {
            fading.chain.run(self.frame, played, new_mic, new_tap);
            for n in 0..frames {
                fading.at = (fading.at + 1).min(length);
                if fading.at == length {
                    // Exactly the new one, as it will be once the old is gone.
                    (mic[n], tap[n]) = (new_mic[n], new_tap[n]);
                    continue;
                }
                let weight = 0.5 - 0.5 * (PI * f64::from(fading.at) / f64::from(length)).cos();
                mic[n] += weight * (new_mic[n] - mic[n]);
                tap[n] += weight * (new_tap[n] - tap[n]);
            }
        }
        if let Some(done) = self.chains.iter().rposition(|fading| fading.at == length) {
            self.silent = done;
        }
        self.microphone.run(self.setup.noise, mic, tap);
        self.frame += frames as u64;
        for ((samples, &mic), &tap) in output.chunks_exact_mut(2).zip(&*mic).zip(&*tap) {
            #[expect(clippy::cast_possible_truncation, reason = "streams carry f32")]
            {
                samples[0] = mic as f32;
                samples[1] = tap as f32;
            }
        }
    }

    fn fade_frames(&self) -> u32 {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few thousand frames")]
        let frames = (FADE_S * self.sample_rate_hz) as u32;
        frames
    }

    /// What the present setup makes of a sine that has these weights in the
    /// left and right channel, without noise, clipping and distortion.
    #[must_use]
    pub fn response(&self, left: f64, right: f64, frequency_hz: f64) -> ChainResponse {
        let Some(now) = self.chains.last() else {
            return ChainResponse { mic: Complex64::ZERO, tap: Complex64::ZERO };
        };
        let mut response = now.chain.response(left, right, frequency_hz);
        response.mic *= self.microphone.response(frequency_hz);
        response
    }
}
