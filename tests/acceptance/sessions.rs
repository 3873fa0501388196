//! Recordings of whole sessions, and listening.

use recording::{Audio, read};
use serde_json::Value;
use testkit::{at_most, near};

use crate::material::write_wav;
use crate::program::Desk;

/// The recorder's rate; the tracks are written at another.
const RECORDER_HZ: u32 = 44_100;
/// The recorder's clock against the player's.
const PPM: f64 = 120.0;

/// A session: what the recorder heard of each track that was played, with its gain and the
/// pause after it, and of those who talked and shut doors meanwhile.
fn session(desk: &Desk, played: &[(&str, f64, f64)]) -> (Vec<f32>, Vec<f64>) {
    let mut heard = vec![0.0f64; 2 * RECORDER_HZ as usize];
    let mut begins_s = Vec::new();
    for (name, gain, pause_s) in played {
        let track = read(desk.path().join(format!("stick/{name}.wav"))).unwrap();
        let both: Vec<f32> =
            (0..track.frames()).map(|i| track.channels.iter().map(|channel| channel[i]).sum()).collect();
        // The arrival track has one sound on each side, all others the same on both.
        let gain = if *name == "arrival" { *gain } else { 0.5 * gain };
        let step = f64::from(track.sample_rate_hz) / (f64::from(RECORDER_HZ) * (1.0 + PPM * 1e-6));
        let frames = (both.len() as f64 / step) as usize;
        begins_s.push(heard.len() as f64 / f64::from(RECORDER_HZ));
        heard.extend(dsp::resample::read_at(&both, 0.0, step, frames).into_iter().map(|x| gain * x));
        heard.extend(std::iter::repeat_n(0.0, (pause_s * f64::from(RECORDER_HZ)) as usize));
    }
    let quiet_s = |t: f64| begins_s.iter().zip(played).any(|(s, p)| p.0 == "quiet" && t > *s && t < s + 30.0);
    let mut noise = dsp::noise::WhiteNoise::new(11);
    let samples = heard
        .iter()
        .enumerate()
        .map(|(i, x)| {
            let t = i as f64 / f64::from(RECORDER_HZ);
            // A buzz at a voice's pitch in syllables, and a door now and then.
            let voice = ((117.0 * t).fract() - 0.5) * (9.0 * t).sin().max(0.0) * (0.5 * t).sin().max(0.0);
            let slam = noise.sample() * (-((t % 17.0) / 0.06)).exp();
            let people = if quiet_s(t) { 0.0 } else { 0.02 * voice + 0.1 * slam };
            (x + people + 2e-4 * noise.sample()) as f32
        })
        .collect();
    (samples, begins_s)
}

fn tracks_of(imported: &Value) -> Vec<Value> {
    imported["recordings"][0]["tracks"].as_array().expect("a list of tracks").clone()
}

/// Source: the session is made here; positions, gains, polarity and clock are known.
#[test]
fn a_recorded_session_becomes_captures() {
    let desk = Desk::new();
    desk.run("tracks stick --bits 16").done();
    let played = [
        ("polarity", -0.5, 4.0),
        ("sweep-high", 0.9, 6.0),
        ("bursts", 0.4, 3.0),
        ("quiet", 1.0, 5.0),
        ("arrival", 0.5, 7.0),
    ];
    let (samples, begins_s) = session(&desk, &played);
    let silent = vec![0.0; samples.len()];
    write_wav(&desk.path().join("session.wav"), RECORDER_HZ, &[silent, samples]);
    let quiet = format!("quiet={}-{}", begins_s[3] + 0.2, begins_s[3] + 29.8);
    let arguments = ["job", "import", "car", "session.wav", "--channel", "2", "--at", &quiet, "--json"];
    let imported = desk.run_with(&arguments).done().json();
    assert_eq!(imported["captures"], 5, "{imported:#}");
    for ((row, (name, gain, _)), begins_s) in tracks_of(&imported).iter().zip(played).zip(&begins_s) {
        assert_eq!(row["track"], name);
        let slack_s = if name == "quiet" { 0.25 } else { 0.03 };
        near(&format!("beginning of {name}"), row["from_s"].as_f64().unwrap(), *begins_s, slack_s);
        if name != "quiet" {
            let clock_ppm = row["values"]["clock_ppm"].as_f64().unwrap();
            near(&format!("clock of {name}"), clock_ppm, PPM, if name.contains('-') { 0.5 } else { 20.0 });
        }
        if let Some(polarity) = row["labels"]["polarity"].as_str() {
            assert_eq!(polarity, if gain < 0.0 { "inverted" } else { "normal" }, "{name}");
        }
        // Each is a capture with all channels, and can be computed again.
        let folder = format!("car/captures/{:04}", row["capture"].as_u64().unwrap());
        let kept: Audio = read(desk.path().join(folder).join("audio.wav")).unwrap();
        assert_eq!(kept.channels.len(), 2, "{name}");
    }
    near("noise", tracks_of(&imported)[3]["values"]["rms_dbfs"].as_f64().unwrap(), -71.0, 1.0);
    desk.run("job check car").done();

    // The job knows the recording again; another channel of it is another thing.
    let known = desk.run("job import car session.wav --channel 2").done();
    known.says(&["imported before", "0005", "0 new captures"]);
    desk.run("job import car session.wav --channel 1").not_measured().says(&["No track was found"]);
    // The same as a table, into the same job.
    let table = desk.run("job import car session.wav --channel 2 --again").done();
    table.says(&["polarity inverted", "sweep-high", "bursts", "arrival", "0006", "4 new captures"]);
}

#[test]
fn a_session_without_tracks_gives_no_result() {
    let desk = Desk::new();
    desk.run("tracks stick --bits 16").done();
    let (talk, _) = session(&desk, &[("quiet", 1.0, 5.0)]);
    write_wav(&desk.path().join("talk.wav"), RECORDER_HZ, &[talk]);
    let outcome = desk.run("job import car talk.wav").not_measured();
    outcome.says(&["No track was found", "--channel"]);
    let json = desk.run("job import car talk.wav --json").not_measured().json();
    assert_eq!(json["captures"], 0);
    // A track that was broken off is named, and is no result either.
    let (samples, _) = session(&desk, &[("sweep-high", 0.8, 1.0)]);
    write_wav(&desk.path().join("part.wav"), RECORDER_HZ, &[samples[..10 * RECORDER_HZ as usize].to_vec()]);
    desk.run("job import car part.wav").not_measured().says(&["sweep-high", "Play the whole track again"]);
}

#[test]
fn what_cannot_be_imported_is_refused_and_nothing_is_changed() {
    let desk = Desk::new();
    write_wav(&desk.path().join("short.wav"), RECORDER_HZ, &[vec![0.0; RECORDER_HZ as usize]]);
    desk.write("words.wav", "these are words");
    desk.run("job import car").refused(&["RECORDING"]);
    desk.run("job import car nothing.wav").refused(&["nothing.wav"]);
    desk.run("job import car words.wav").refused(&["words.wav"]);
    desk.run("job import car short.wav --channel 2").refused(&["--channel 2", "short.wav"]);
    desk.run("job import car short.wav --stimulus words.wav").refused(&["words.wav", "tracks.json"]);
    desk.run("job import car short.wav --at quiet").refused(&["--at", "TRACK=FROM-TO"]);
    desk.run("job import car short.wav --at quiet=9-3").refused(&["quiet=9-3", "TRACK=FROM-TO"]);
    desk.run("job import car short.wav --at quit=0-1").refused(&["quit", "did you mean `quiet`"]);
    desk.run("job import car short.wav --at quiet=0:00-0:30").refused(&["quiet", "short.wav", "0:01.0"]);
    desk.run("job import car short.wav short.wav --at quiet=0-1").refused(&["quiet", "2 recordings"]);
    assert!(!desk.has("car"), "a refused import made a job");
}

/// The simulated rig plays what it listens to.
#[test]
fn what_is_played_while_listening_is_measured() {
    let desk = Desk::new();
    let arguments = "listen --simulated --play polarity --play sweep-mid --tracks 2 --job car --json";
    let heard = desk.run(arguments).done().json();
    let tracks = heard["tracks"].as_array().unwrap();
    let names: Vec<&str> = tracks.iter().map(|track| track["track"].as_str().unwrap()).collect();
    assert_eq!(names, ["polarity", "sweep-mid"]);
    let polarity = &tracks[0]["reading"];
    assert_eq!(polarity["measurement"], "polarity");
    let confidence = polarity["values"]["polarity_confidence"].as_f64().unwrap();
    assert!((0.0..=1.0).contains(&confidence), "{confidence}");
    at_most(
        "the clocks' difference in ppm",
        tracks[1]["reading"]["values"]["clock_ppm"].as_f64().unwrap().abs(),
        500.0,
    );
    assert_eq!(desk.run("job show car --json").done().json()["captures"].as_array().map(Vec::len), Some(2));
}

#[test]
fn listening_to_nothing_gives_no_result() {
    let desk = Desk::new();
    let outcome = desk.run("listen --simulated --play quiet --for 5").not_measured();
    assert!(outcome.stderr.contains("No track was heard"), "{}", outcome.stderr);
    desk.run("listen --simulated --play sweep-fool").refused(&["--play sweep-fool", "sweep-full"]);
    desk.run("listen --simulated --for 0").refused(&["--for"]);
    desk.run("listen --rig missing.toml").refused(&["missing.toml"]);
}
