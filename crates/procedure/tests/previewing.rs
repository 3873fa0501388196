//! The preview from outside: the same sound through a simulated car with the virtual processor in its path and
//! without it.

use engine::{CaptureRequest, Length, Play, preview_path};
use procedure::PreviewTuning;
use rig::{OpenRig, RigChoice};
use testkit::{all_near, near};
use tuning::{Band, Response, bands_db};

/// The response of the simulated car from its left and right input to the microphone, by
/// the same sweep with and without a virtual processor in the path.
fn swept(with: Option<bool>, heard: &PreviewTuning) -> Response {
    let mut rig = OpenRig::open(RigChoice::fast_car("")).expect("the car");
    rig.set(|setup| {
        setup.noise = false;
        setup.volume_step = 12;
    })
    .expect("it is set");
    let rate_hz = f64::from(rig.spec().sample_rate_hz);
    let frames = dsp::noise::periodic_len(96_000);
    let noise = dsp::noise::periodic_pink(frames, 20.0, 20_000.0, rate_hz, 7);
    let row: Vec<f32> = noise.iter().map(|x| 0.02 * *x as f32).collect();
    let request = CaptureRequest {
        play: Play::Endless(vec![row.clone(), row]),
        length: Length::Seconds(3.2 * frames as f64 / rate_hz),
        record_to: None,
        run: None,
    };
    let mut capture = match with {
        None => rig.capture(request),
        Some(with) => {
            let chain = heard.chain(rig.spec(), with).expect("a chain");
            rig.capture_through(preview_path(chain).1, request)
        }
    }
    .expect("a capture");
    let mut samples: Vec<f64> = Vec::new();
    while let Some(block) = capture.next_block() {
        samples.extend(block.channels[0].iter().map(|&x| f64::from(x)));
    }
    // One whole period, when everything has settled: its lines have no leakage.
    let spectrum = dsp::fft::rfft(&samples[2 * frames..3 * frames], frames);
    let bin_hz = rate_hz / frames as f64;
    let grid = dsp::response::log_grid(40.0, 16_000.0, 24.0);
    let power: Vec<f64> = spectrum.iter().map(|bin| bin.norm_sqr()).collect();
    let level = dsp::smoothing::smooth_power(&power, bin_hz, 48.0, &grid);
    Response::new(grid, level.iter().map(|power| 10.0 * power.log10()).collect()).expect("a response")
}

/// Source: analytic: what the preview adds is the bands' own response, less the gain that
/// matches the levels. The width of 1/48 octave and what the radio's limiter does differently
/// at another level are within 0.2 dB.
#[test]
fn a_capture_with_the_preview_on_differs_by_what_the_bands_predict() {
    let bands = vec![
        (String::new(), Band::peak(80.0, -6.0, 2.0)),
        (String::new(), Band::peak(1_000.0, 4.0, 1.4)),
        (String::new(), Band::high_shelf(6_000.0, -3.0, 0.7)),
    ];
    let heard = PreviewTuning { bands: bands.clone(), ..PreviewTuning::default() };
    let spec = OpenRig::open(RigChoice::fast_car("")).expect("the car").spec().clone();
    let louder_db = heard.louder_db(&spec).expect("it can be heard");
    let (off, on) = (swept(Some(false), &heard), swept(Some(true), &heard));
    let bands: Vec<Band> = bands.into_iter().map(|(_, band)| band).collect();
    let predicted = bands_db(&bands, &off.frequency_hz, 48_000.0);
    for (at, (off, on)) in off.magnitude_db.iter().zip(&on.magnitude_db).enumerate() {
        near("on less off in dB", on - off, predicted[at] - louder_db, 0.2);
    }
    let wire = swept(None, &heard);
    all_near("switched off it is a wire", &off.magnitude_db, &wire.magnitude_db, 0.01);
}
