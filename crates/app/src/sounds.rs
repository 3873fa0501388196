//! The sounds that a person hears without looking.

use std::f64::consts::TAU;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use engine::CueOutput;

/// A sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sound {
    /// A second of the countdown.
    Tick,
    /// One capture is done.
    Done,
    /// All that was to be captured is.
    AllDone,
    /// It did not work.
    Refused,
    /// The first step that is not clean.
    Unclean,
}

/// A sound on its way to the output for cues.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cued {
    pub(super) sound: Sound,
    pub(super) output: CueOutput,
    pub(super) peak_dbfs: f64,
}

/// How many sounds may wait; one more is not worth hearing late.
const DEPTH: usize = 4;

/// Begins a thread that plays sounds, and gives the way to it. Without outputs
/// everything else works as before.
pub(super) fn speaker() -> SyncSender<Cued> {
    let (to, cued) = sync_channel(DEPTH);
    let thread = std::thread::Builder::new().name("app-sounds".to_owned());
    if let Err(error) = thread.spawn(move || play_all(&cued)) {
        tracing::warn!(%error, "no thread for sounds");
    }
    to
}

fn play_all(cued: &Receiver<Cued>) {
    // Outputs that refused once are not asked again at every tick.
    let mut refused: Option<CueOutput> = None;
    while let Ok(Cued { sound, output, peak_dbfs }) = cued.recv() {
        if refused.as_ref() == Some(&output) {
            continue;
        }
        let samples = rendered(sound, f64::from(output.sample_rate_hz()), peak_dbfs);
        if let Err(error) = output.play(&samples) {
            tracing::info!(%error, "sounds are not heard");
            refused = Some(output);
        }
    }
}

/// The notes of a sound: how long and how high; 0 Hz is a pause.
fn notes(sound: Sound) -> &'static [(f64, f64)] {
    match sound {
        Sound::Tick => &[(0.06, 880.0)],
        Sound::Done => &[(0.09, 880.0), (0.16, 1320.0)],
        Sound::AllDone => &[(0.09, 880.0), (0.09, 1100.0), (0.2, 1320.0)],
        Sound::Refused => &[(0.14, 440.0), (0.22, 330.0)],
        Sound::Unclean => &[(0.08, 660.0), (0.05, 0.0), (0.08, 660.0), (0.05, 0.0), (0.14, 495.0)],
    }
}

/// The samples of a sound: sines with raised-cosine ends of 10 ms.
fn rendered(sound: Sound, rate_hz: f64, peak_dbfs: f64) -> Vec<f32> {
    let peak = units::amplitude_from_db(peak_dbfs);
    let fade = 0.01 * rate_hz;
    let mut samples = Vec::new();
    for &(seconds, frequency_hz) in notes(sound) {
        let frames = (seconds * rate_hz).round() as usize;
        samples.extend((0..frames).map(|n| {
            let edge = n.min(frames - 1 - n) as f64 / fade;
            let gain = if edge < 1.0 { 0.5 * (1.0 - (0.5 * TAU * edge).cos()) } else { 1.0 };
            (peak * gain * (TAU * frequency_hz * n as f64 / rate_hz).sin()) as f32
        }));
    }
    samples
}

#[cfg(test)]
mod tests {
    use testkit::{at_most, near};

    use super::*;

    #[test]
    fn sounds_are_short_soft_at_their_ends_and_as_loud_as_asked() {
        for sound in [Sound::Tick, Sound::Done, Sound::AllDone, Sound::Refused, Sound::Unclean] {
            let samples = rendered(sound, 48_000.0, -20.0);
            at_most("seconds", samples.len() as f64 / 48_000.0, 0.45);
            let peak = samples.iter().fold(0.0_f32, |peak, x| peak.max(x.abs()));
            near("peak", f64::from(peak), 0.1, 1e-3);
            at_most("first", f64::from(samples[0].abs()), 1e-3);
            at_most("last", f64::from(samples[samples.len() - 1].abs()), 1e-3);
            let steepest = samples.windows(2).map(|two| (two[1] - two[0]).abs()).fold(0.0, f32::max);
            // Source: analytic: the slope of a sine of 1320 Hz, 2πf·A/fs.
            at_most("steepest step", f64::from(steepest), 0.1 * TAU * 1320.0 / 48_000.0 * 1.05);
        }
    }
}
