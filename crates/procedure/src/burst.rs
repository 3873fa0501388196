//! A quiet burst on one output, by which a person hears what it is wired to.

use library::Result;
use rig::{CaptureRequest, Length, Next, Play};

use crate::Event;
use crate::capture::WAIT;
use crate::session::Session;

/// How loud it is, peak: well below what hurts an ear or a driver.
const PEAK_DBFS: f64 = -30.0;
/// A tone that every driver but a subwoofer plays.
const TONE_HZ: f64 = 1_000.0;
/// Three short tones with pauses, so that it is told from hum.
const TONE_S: f64 = 0.15;
const PAUSE_S: f64 = 0.15;
const TIMES: usize = 3;

/// Plays a burst on one output, from 0 in the rig's order, and silence on all others. Nothing is kept.
///
/// # Errors
/// When the rig refuses.
pub fn play_burst(session: &mut Session<'_>, output: usize) -> Result<()> {
    let rate_hz = session.rig.sample_rate_hz();
    let rows = (0..=output).map(|row| if row == output { burst(rate_hz) } else { Vec::new() }).collect();
    let run = Some(session.token.clone());
    let length = Length::Playback { tail_s: 0.1 };
    let mut capture =
        session.rig.capture(CaptureRequest { play: Play::Once(rows), length, record_to: None, run })?;
    while capture.next_within(WAIT) != Next::Over {}
    for finding in capture.finish().findings.iter().map(rig::finding) {
        session.emit(Event::Finding(finding));
    }
    Ok(())
}

fn burst(rate_hz: f64) -> Vec<f32> {
    let peak = 10f64.powf(PEAK_DBFS / 20.0);
    let tone_frames = (TONE_S * rate_hz) as usize;
    let pause = std::iter::repeat_n(0.0, (PAUSE_S * rate_hz) as usize);
    let tone = (0..tone_frames).map(move |n| {
        // A half period of sin² rises and falls without a click.
        let rise = (std::f64::consts::PI * n as f64 / tone_frames as f64).sin().powi(2);
        (peak * rise * (std::f64::consts::TAU * TONE_HZ * n as f64 / rate_hz).sin()) as f32
    });
    let once: Vec<f32> = tone.chain(pause).collect();
    once.repeat(TIMES)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: arithmetic: −30 dBFS is 0.0316, three tones and three pauses of 0.15 s are 0.9 s.
    #[test]
    fn a_burst_is_quiet_and_short() {
        let burst = burst(48_000.0);
        assert_eq!(burst.len(), 43_200);
        let peak = burst.iter().fold(0.0f32, |peak, x| peak.max(x.abs()));
        assert!((0.030..=0.0317).contains(&peak), "{peak}");
        assert!(burst[..2].iter().all(|x| x.abs() < 1e-6), "it begins without a click");
    }
}
