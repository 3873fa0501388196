//! Recordings in which samples were lost or came twice: between the copies of a sweep, inside
//! one, or in a silence. They are put back, or told, or too few to matter; they are never taken
//! for a clock.
//!
//! The suite tries a few; `HEADREST_THOROUGH=1` tries 150.

use dsp::biquad::Cascade;
use dsp::crossover::{Family, high_pass, low_pass};
use dsp::noise::WhiteNoise;
use measure::{Block, Cell, FindingLevel, Reading, Signal, Start, Stimulus};
use measurements::built_ins;
use measurements::signals::{render, track};

const RATE: f64 = 48_000.0;
const CASES: [usize; 2] = [10, 150];

fn cases() -> usize {
    CASES[usize::from(std::env::var_os("HEADREST_THOROUGH").is_some())]
}

fn read(id: &str, stimulus: &Stimulus, samples: &[f32]) -> Reading {
    let mut all = built_ins();
    let measurement = all.iter_mut().find(|one| one.manifest().id == id).unwrap();
    let mut start =
        Start { sample_rate_hz: RATE, channels: 1, stimulus: Some(stimulus.clone()), ..Start::default() };
    start.parameters = measurement.manifest().defaults();
    measurement.start(&start).unwrap();
    measurement.feed(&Block { first_frame: 0, channels: &[samples], gap: false });
    measurement.finish()
}

/// A track as it was before there were marks.
fn without_marks(stimulus: &Stimulus) -> Stimulus {
    let mut old = stimulus.clone();
    for segment in &mut old.segments {
        if matches!(segment.signal, Signal::Sweep { .. }) && segment.duration_s < 0.5 {
            segment.signal = Signal::Silence;
        }
    }
    old
}

/// What the sound passes through, none of which turns the polarity.
fn system(kind: usize, chance: &mut WhiteNoise) -> (&'static str, Cascade, Vec<(usize, f64)>) {
    let butterworth = Family::Butterworth;
    let high = |hz: f64| high_pass(RATE, butterworth, 2, hz).unwrap();
    let low = |hz: f64| low_pass(RATE, butterworth, 2, hz).unwrap();
    let echoes = |chance: &mut WhiteNoise, count: usize| {
        (0..count)
            .map(|_| {
                let at = (0.001 + 0.012 * chance.uniform()) * RATE;
                (at as usize, 0.4 * (2.0 * chance.uniform() - 1.0))
            })
            .collect()
    };
    match kind {
        0 => ("sweep-full", Cascade::default(), Vec::new()),
        1 => ("sweep-full", high(60.0), echoes(chance, 4)),
        2 => {
            let mut chain = high(150.0);
            chain.append(low(4_000.0));
            ("sweep-mid", chain, echoes(chance, 3))
        }
        3 => ("sweep-high", high(2_500.0), echoes(chance, 3)),
        _ => {
            let mut chain = high(25.0);
            chain.append(low(90.0));
            ("sweep-sub", chain, Vec::new())
        }
    }
}

/// What was recorded on a clock, before anything was lost.
fn recorded(
    stimulus: &Stimulus,
    chain: &Cascade,
    echoes: &[(usize, f64)],
    ppm: f64,
    snr_db: f64,
    seed: u64,
) -> Vec<f32> {
    let mut dry: Vec<f64> = vec![0.0; (0.7 * RATE) as usize];
    dry.extend(render(stimulus, RATE * (1.0 + ppm * 1e-6)).iter().map(|x| f64::from(*x)));
    dry.extend(vec![0.0; (0.5 * RATE) as usize]);
    let mut chain = chain.clone();
    chain.process_in_place(&mut dry);
    let rms = (dry.iter().map(|x| x * x).sum::<f64>() / dry.len() as f64).sqrt();
    let sigma = rms * 10f64.powf(-snr_db / 20.0);
    let mut noise = WhiteNoise::new(seed);
    (0..dry.len())
        .map(|i| {
            let later: f64 =
                echoes.iter().filter(|(at, _)| *at <= i).map(|(at, gain)| gain * dry[i - at]).sum();
            (0.4 * (dry[i] + later + sigma * noise.sample())) as f32
        })
        .collect()
}

fn lose(samples: &mut Vec<f32>, at: usize, frames: i64) {
    if frames > 0 {
        samples.drain(at..(at + frames as usize).min(samples.len()));
    } else {
        let again: Vec<f32> = samples[at..(at + frames.unsigned_abs() as usize).min(samples.len())].to_vec();
        samples.splice(at..at, again);
    }
}

/// A recording in which samples were lost or doubled somewhere.
struct Loss {
    seed: u64,
    name: &'static str,
    chain: Cascade,
    echoes: Vec<(usize, f64)>,
    ppm: f64,
    snr_db: f64,
    frames: i64,
    at_s: f64,
}

impl Loss {
    fn drawn(case: usize, chance: &mut WhiteNoise) -> Self {
        let (name, chain, echoes) = system(case % 5, chance);
        let (ppm, snr_db) = (400.0 * (chance.uniform() - 0.5), 35.0 + 30.0 * chance.uniform());
        let frames = (48_000f64.powf(chance.uniform())) as i64 * if chance.uniform() < 0.3 { -1 } else { 1 };
        // Anywhere from the first mark to the last.
        let at_s = 0.7 + 0.7 + (track(name).unwrap().duration_s() - 1.6) * chance.uniform();
        Self { seed: case as u64, name, chain, echoes, ppm, snr_db, frames, at_s }
    }

    fn read(&self) -> Reading {
        let stimulus = track(self.name).unwrap();
        let mut samples = recorded(&stimulus, &self.chain, &self.echoes, self.ppm, self.snr_db, self.seed);
        lose(&mut samples, (self.at_s * RATE) as usize, self.frames);
        read("sweep", &stimulus, &samples)
    }
}

/// When the second copy of a sweep track begins and ends.
fn second_copy_s(stimulus: &Stimulus) -> (f64, f64) {
    let until = |segment: usize| stimulus.segments[..segment].iter().map(|part| part.duration_s).sum();
    (until(7), until(8))
}

fn is_told(reading: &Reading) -> bool {
    let codes = [
        "samples-lost",
        "copies-apart",
        "clock-doubtful",
        "copies-differ",
        "copies-disagree",
        "cut",
        "not-found",
    ];
    reading.findings.iter().any(|f| f.level != FindingLevel::Note && codes.contains(&f.code.as_str()))
}

fn holds(reading: &Reading, code: &str) -> bool {
    reading.findings.iter().any(|finding| finding.code == code)
}

/// The largest turn of the phase beside a delay, in degrees, over the inner part of the band.
fn phase_off_deg(reading: &Reading) -> f64 {
    let curve = &reading.curves["response"];
    let points: Vec<(f64, f64)> =
        curve["frequency_hz"].iter().copied().zip(curve["phase_deg"].iter().copied()).collect();
    let inner: Vec<(f64, f64)> =
        points.iter().copied().filter(|(f, _)| (40.0..18_000.0).contains(f)).collect();
    // Unwrapped from the lowest point on, then without its line.
    let mut turned = vec![inner[0].1];
    for pair in inner.windows(2) {
        let step = pair[1].1 - pair[0].1;
        turned.push(turned[turned.len() - 1] + step - 360.0 * (step / 360.0).round());
    }
    let slope = inner.iter().zip(&turned).map(|((f, _), p)| f * p).sum::<f64>()
        / inner.iter().map(|(f, _)| f * f).sum::<f64>();
    inner.iter().zip(&turned).map(|((f, _), p)| (p - slope * f).abs()).fold(0.0, f64::max)
}

/// Samples lost between the copies were a clock of up to 1,700 ppm and an inverted polarity
/// of confidence 1. Source: the recordings are made so; ±20 ppm and 45° are the design's bar
/// for what is too small to matter.
#[test]
fn lost_samples_are_no_clock() {
    let mut wrong = Vec::new();
    let mut chance = WhiteNoise::new(1_001);
    let (mut corrected, mut stopped, mut told) = (0, 0, 0);
    for case in 0..cases() {
        let loss = Loss::drawn(case, &mut chance);
        let reading = loss.read();
        let Loss { name, ppm, snr_db, frames, at_s, .. } = loss;
        let what =
            format!("case {case}: {name}, {ppm:.1} ppm, {snr_db:.0} dB, {frames} samples at {at_s:.3} s");
        if reading.stopped().is_some() {
            stopped += 1;
            if is_told(&reading) {
                continue;
            }
            wrong.push(format!("{what}: {:?}", reading.findings));
            continue;
        }
        told += usize::from(is_told(&reading));
        let off_ppm = (reading.values.get("clock_ppm").copied().unwrap_or(1e9) - ppm).abs();
        let is_right = off_ppm < 20.0;
        corrected += usize::from(is_right);
        let inverted = (is_right || !is_told(&reading))
            && reading.labels.get("polarity").is_some_and(|polarity| polarity == "inverted");
        let turned =
            if case % 5 == 0 && is_right && !is_told(&reading) { phase_off_deg(&reading) } else { 0.0 };
        if (!is_right && !is_told(&reading)) || (inverted && case % 5 != 4) || turned > 45.0 {
            wrong.push(format!(
                "{what}: off by {off_ppm:.1} ppm, {:?}, turned {turned:.0} deg, {:?}",
                reading.labels, reading.findings
            ));
        }
    }
    let seen = format!("{corrected} with the right clock, {stopped} stopped, {told} told");
    assert!(wrong.is_empty(), "{} of {} wrong ({seen}):\n{}", wrong.len(), cases(), wrong.join("\n"));
}

/// Where in a sweep track samples are lost: all places at which something else is beside the loss.
const PLACES: [&str; 7] = [
    "in the first copy",
    "at the end of the first copy",
    "between the copies",
    "in the mark between",
    "at the beginning of the second copy",
    "in the second copy",
    "at the end of the second copy",
];

/// A moment of a track in one of these places.
fn moment_s(stimulus: &Stimulus, place: usize, chance: &mut WhiteNoise) -> f64 {
    let until = |segment: usize| stimulus.segments[..segment].iter().map(|part| part.duration_s).sum::<f64>();
    let (from_s, to_s) = match place {
        0 => (until(3), until(4)),
        1 => (until(4) - 0.5, until(4) + 0.03),
        2 => (until(4), until(7)),
        3 => (until(5), until(6)),
        4 => (until(7), until(7) + 0.3),
        5 => (until(7), until(8)),
        _ => (until(8) - 0.5, until(8) + 0.03),
    };
    from_s + (to_s - from_s) * chance.uniform()
}

/// How far a reading is from that of the recording before anything was lost, where it says that it can be trusted.
fn misread(reading: &Reading, whole: &Reading) -> Option<String> {
    if reading.stopped().is_some() {
        return (!is_told(reading)).then(|| "stopped for another reason".to_owned());
    }
    let is_doubtful = holds(reading, "clock-doubtful") || holds(reading, "clock-unconfirmed");
    let off_ppm = (reading.values.get("clock_ppm")? - whole.values["clock_ppm"]).abs();
    if off_ppm > 20.0 && !is_doubtful {
        return Some(format!("clock off by {off_ppm:.1} ppm"));
    }
    let polarity = |reading: &Reading| reading.labels.get("polarity").cloned().unwrap_or_default();
    let turned = [polarity(reading), polarity(whole)];
    if turned.contains(&"normal".to_owned()) && turned.contains(&"inverted".to_owned()) {
        return Some("polarity turned".to_owned());
    }
    let curve = |reading: &Reading, name: &str| reading.curves["response"][name].clone();
    let floor = &whole.curves["noise_floor"];
    let of = |reading: &Reading| {
        (curve(reading, "frequency_hz"), curve(reading, "magnitude_db"), curve(reading, "phase_deg"))
    };
    let ((f, own_db, own_deg), (whole_f, whole_db, whole_deg)) = (of(reading), of(whole));
    let points: Vec<(f64, f64, f64)> = f
        .iter()
        .enumerate()
        .filter_map(|(i, f)| {
            let j = whole_f.iter().position(|g| (g / f - 1.0).abs() < 1e-6)?;
            let k = floor["frequency_hz"].iter().position(|g| (g / f - 1.0).abs() < 1e-6)?;
            let is_clear = whole_db[j] > floor["magnitude_db"][k] + 25.0;
            let apart_deg = own_deg[i] - whole_deg[j];
            let is_inner = (whole_f[0] * 1.12..whole_f[whole_f.len() - 1] / 1.12).contains(f);
            (is_clear && is_inner).then_some((
                *f,
                own_db[i] - whole_db[j],
                apart_deg - 360.0 * (apart_deg / 360.0).round(),
            ))
        })
        .collect();
    let (at_hz, off_db, _) = *points.iter().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
    if off_db.abs() > 1.5 && !holds(reading, "copies-differ") {
        return Some(format!("level off by {off_db:.1} dB at {at_hz:.0} Hz"));
    }
    // Beside a delay, which is where the impulse's peak was taken to be.
    let turned = |delay_s: f64| {
        points.iter().map(move |(f, _, deg)| {
            let left = deg + 360.0 * f * delay_s;
            (*f, (left - 360.0 * (left / 360.0).round()).abs())
        })
    };
    let top_hz = points.last()?.0;
    let step_s = 0.02 / top_hz;
    let best = (-200..=200).map(|i| f64::from(i) * step_s).min_by(|a, b| {
        let cost = |d: f64| turned(d).map(|(_, deg)| deg).sum::<f64>();
        cost(*a).total_cmp(&cost(*b))
    })?;
    let (at_hz, most_deg) = turned(best).max_by(|a, b| a.1.total_cmp(&b.1))?;
    (most_deg > 45.0 && !is_doubtful).then(|| format!("phase off by {most_deg:.0} deg at {at_hz:.0} Hz"))
}

/// Samples lost near the end of a copy were "set right" with the top octave wrong by 30 dB and 170°, or in the middle of a mark
/// were told of the copy before it. Source: the recordings are made so, and what is right is what the same recording gives before
/// anything was lost; a level within 1.5 dB (one copy alone has its noise), a phase within 45° beside a delay.
#[test]
fn wherever_samples_are_lost_it_is_set_right_or_told() {
    const CASES: [usize; 2] = [14, 420];
    let mut chance = WhiteNoise::new(3_001);
    let mut wrong = Vec::new();
    let count = CASES[usize::from(std::env::var_os("HEADREST_THOROUGH").is_some())];
    let mut stopped = 0;
    for case in 0..count {
        let place = case % PLACES.len();
        let mut loss = Loss::drawn(case / PLACES.len(), &mut chance);
        let stimulus = track(loss.name).unwrap();
        loss.snr_db = 25.0 + 40.0 * chance.uniform();
        loss.at_s = 0.7 + moment_s(&stimulus, place, &mut chance);
        let whole = recorded(&stimulus, &loss.chain, &loss.echoes, loss.ppm, loss.snr_db, loss.seed);
        let whole = read("sweep", &stimulus, &whole);
        let reading = loss.read();
        stopped += usize::from(reading.stopped().is_some());
        if is_told(&whole) {
            wrong.push(format!("case {case}: nothing was lost: {:?}", whole.findings));
        }
        if let Some(what) = misread(&reading, &whole) {
            wrong.push(format!(
                "case {case}: {} {}, {:.1} ppm, {:.0} dB, {} samples at {:.4} s: {what}, {:?}",
                loss.name, PLACES[place], loss.ppm, loss.snr_db, loss.frames, loss.at_s, reading.findings
            ));
        }
    }
    assert!(wrong.is_empty(), "{} of {count} wrong, {stopped} stopped:\n{}", wrong.len(), wrong.join("\n"));
    // A loss in one place leaves one copy whole, and in most cases that is found out.
    assert!(10 * stopped < 2 * count, "{stopped} of {count} stopped");
}

/// 1,512 samples lost in the first copy of `sweep-mid`: the rest of it was taken for a whole `sweep-woofer`, which runs through
/// the same band nearly as fast.
#[test]
fn a_sweep_that_lost_samples_is_not_taken_for_another() {
    let mut chance = WhiteNoise::new(1_001);
    let loss = (0..=92).map(|case| Loss::drawn(case, &mut chance)).last().unwrap();
    assert_eq!((loss.name, loss.frames), ("sweep-mid", 1_512));
    let reading = loss.read();
    assert!(is_told(&reading) && !holds(&reading, "wrong-track"), "{:?}", reading.findings);
}

/// Nothing was lost: nothing is said, whatever the clock, and with marks or without.
#[test]
fn a_clock_is_no_loss() {
    let mut chance = WhiteNoise::new(1_002);
    let mut wrong = Vec::new();
    for case in 0..cases() {
        let (name, chain, echoes) = system(case % 5, &mut chance);
        let stimulus = track(name).unwrap();
        let ppm = 600.0 * (chance.uniform() - 0.5);
        let old = case % 2 == 1;
        // Marks are heard down to 18 dB; two copies alone tell a clock from a loss where there is less noise.
        let snr_db = if old { 30.0 } else { 18.0 } + 30.0 * chance.uniform();
        let played = if old { without_marks(&stimulus) } else { stimulus.clone() };
        let samples = recorded(&played, &chain, &echoes, ppm, snr_db, 7_000 + case as u64);
        let reading = read("sweep", &stimulus, &samples);
        let off_ppm = (reading.values.get("clock_ppm").copied().unwrap_or(1e9) - ppm).abs();
        if reading.stopped().is_some()
            || is_told(&reading)
            || holds(&reading, "level-control")
            || (!old && holds(&reading, "clock-unconfirmed"))
            || off_ppm > 0.5
        {
            wrong.push(format!(
                "case {case}: {name}, {ppm:.1} ppm, {snr_db:.0} dB, old {old}: off by {off_ppm:.3} ppm, {:?}",
                reading.findings
            ));
        }
    }
    assert!(wrong.is_empty(), "{} of {} wrong:\n{}", wrong.len(), cases(), wrong.join("\n"));
}

/// Clocks of 23,000 ppm were told. Source: the recordings are made so; a recorder of 450 ppm is taken, with the marks as
/// witness, one of 550 is not: no quartz is so far off.
#[test]
fn no_clock_is_farther_off_than_clocks_are() {
    let stimulus = track("sweep-mid").unwrap();
    for ppm in [-450.0, 450.0, -550.0, 550.0] {
        let samples = recorded(&stimulus, &Cascade::default(), &[], ppm, 50.0, 17);
        let reading = read("sweep", &stimulus, &samples);
        let what = format!("{ppm} ppm: {:?} {:?}", reading.values.get("clock_ppm"), reading.findings);
        match reading.stopped() {
            None => assert!((reading.values["clock_ppm"] - ppm).abs() < 0.5 && ppm.abs() < 500.0, "{what}"),
            Some(stop) => assert!(stop.code == "copies-apart" && ppm.abs() > 500.0, "{what}"),
        }
    }
}

/// An automatic level control bent the response by decibels while the copies repeated to hundredths, and nothing was
/// said: it does the same to both. Source: the control is made here, with an attack of 5 ms and a release of 0.1 to 0.5 s,
/// limiting or compressing by 2 or more, from 4 to 12 dB below the loudest on.
#[test]
fn a_level_control_shows_in_the_marks() {
    let mut chance = WhiteNoise::new(1_004);
    let mut wrong = Vec::new();
    for case in 0..cases() {
        // Not the tweeter's: its three inner half octaves are levelled as a whole.
        let (name, chain, echoes) = system([1, 2, 4][case % 3], &mut chance);
        let stimulus = track(name).unwrap();
        let snr_db = 40.0 + 20.0 * chance.uniform();
        let mut samples = recorded(&stimulus, &chain, &echoes, 0.0, snr_db, 11_000 + case as u64);
        let release_s = 0.1 + 0.4 * chance.uniform();
        let exponent = [0.5, 0.75, 1.0][(3.0 * chance.uniform()) as usize];
        let loudest = samples.iter().fold(0.0f32, |most, x| most.max(x.abs()));
        let limit = f64::from(loudest) * 10f64.powf(-(4.0 + 8.0 * chance.uniform()) / 20.0);
        let coefficient = |time_s: f64| (-1.0 / (time_s * RATE)).exp();
        let (attack, release) = (coefficient(0.005), coefficient(release_s));
        let mut envelope = 0.0;
        for sample in &mut samples {
            let size = f64::from(sample.abs());
            let coefficient = if size > envelope { attack } else { release };
            envelope = size + coefficient * (envelope - size);
            *sample = (f64::from(*sample) * (limit / envelope.max(limit)).powf(exponent)) as f32;
        }
        let reading = read("sweep", &stimulus, &samples);
        if !holds(&reading, "level-control") && !is_told(&reading) {
            wrong.push(format!(
                "case {case}: {name}, release {release_s:.2} s, exponent {exponent}, {:.1} dB",
                20.0 * (f64::from(loudest) / limit).log10()
            ));
        }
    }
    assert!(wrong.is_empty(), "{} of {} wrong:\n{}", wrong.len(), cases(), wrong.join("\n"));
}

/// Samples lost far inside a copy lie farther off than a copy is compared with the marks: their bands are
/// missing there. 164 ms lost at the end of the second copy of a plain wire were corrected as if they were
/// between the copies, and the polarity read inverted.
#[test]
fn more_lost_inside_a_copy_than_is_looked_at_is_told() {
    let stimulus = track("sweep-full").unwrap();
    let mut wrong = Vec::new();
    for (from_end_s, lost_s) in [(1.2, 0.164), (0.8, 0.164), (0.6, 0.2), (0.5, 0.3)] {
        let mut samples = recorded(&stimulus, &Cascade::default(), &[], 30.0, 45.0, 3);
        lose(
            &mut samples,
            ((0.7 + second_copy_s(&stimulus).1 - from_end_s) * RATE) as usize,
            (lost_s * RATE) as i64,
        );
        let reading = read("sweep", &stimulus, &samples);
        let inverted = reading.labels.get("polarity").is_some_and(|polarity| polarity == "inverted");
        if !is_told(&reading) || inverted {
            wrong.push(format!(
                "{lost_s} s, {from_end_s} s before the end: {:?} {:?}",
                reading.labels, reading.findings
            ));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A driver that is nothing but noisy raised "one copy differs near 18755 Hz": more values were believed
/// to be averaged than there are. Drivers of any band down to 15 dB over the noise; some in the quick run, 150 in the
/// thorough one. None may be called disturbed, and a drop-out of 20 ms where the driver plays 40 dB over its noise must be.
#[test]
fn noise_is_no_disturbance_and_a_drop_out_is() {
    let mut chance = WhiteNoise::new(1_003);
    let mut wrong = Vec::new();
    for case in 0..cases() {
        let stimulus = track("sweep-full").unwrap();
        let between =
            |chance: &mut WhiteNoise, low: f64, high: f64| low * (high / low).powf(chance.uniform());
        let mut chain = high_pass(RATE, Family::Butterworth, 2, between(&mut chance, 20.0, 400.0)).unwrap();
        chain
            .append(low_pass(RATE, Family::Butterworth, 2, between(&mut chance, 3_000.0, 22_000.0)).unwrap());
        let snr_db = 15.0 + 45.0 * chance.uniform();
        let mut samples =
            recorded(&stimulus, &chain, &[], 100.0 * chance.sample(), snr_db, 9_000 + case as u64);
        let reading = read("sweep", &stimulus, &samples);
        let what = format!("case {case}, {snr_db:.0} dB");
        if reading.stopped().is_some() || is_told(&reading) {
            let findings: Vec<&str> = reading.findings.iter().map(|finding| finding.text.as_str()).collect();
            wrong.push(format!("{what}: nothing happened: {findings:?}"));
        }
        // In the middle of the second copy, about 600 Hz to 1.3 kHz, which every one of these drivers plays.
        let (from_s, to_s) = second_copy_s(&stimulus);
        let at = ((0.7 + from_s + (0.5 + 0.1 * chance.uniform()) * (to_s - from_s)) * RATE) as usize;
        samples[at..at + (0.02 * RATE) as usize].fill(0.0);
        if snr_db > 40.0 && !is_told(&read("sweep", &stimulus, &samples)) {
            wrong.push(format!("{what}: 20 ms were silent"));
        }
    }
    assert!(wrong.is_empty(), "{} of {} wrong:\n{}", wrong.len(), cases(), wrong.join("\n"));
}

/// The smallest cases that were found: a plain wire with 18.75 ms lost between the copies, a
/// mid with 4 to 6.25 ms, a tweeter with 1 ms; each with marks and without.
#[test]
fn a_buffer_lost_between_the_copies_inverts_nothing() {
    let mut chance = WhiteNoise::new(5);
    for (kind, lost_s) in [(0, 0.018_75), (1, 0.006_25), (2, 0.004), (2, 0.006_25), (3, 0.001)] {
        let (name, chain, _) = system(kind, &mut chance);
        let stimulus = track(name).unwrap();
        let sweep_s = stimulus.segments[3].duration_s;
        for old in [false, true] {
            let played = if old { without_marks(&stimulus) } else { stimulus.clone() };
            let mut samples = recorded(&played, &chain, &[], 0.0, 60.0, 3);
            let at = ((0.7 + 1.0 + sweep_s + 0.4) * RATE) as usize;
            lose(&mut samples, at, (lost_s * RATE) as i64);
            // The others begin as a sweep's analysis does.
            let ids: &[&str] = if kind == 3 { &["sweep", "polarity", "arrival"] } else { &["sweep"] };
            for id in ids {
                let reading = read(id, &stimulus, &samples);
                let what = format!(
                    "{name}, {lost_s} s lost, {id}, old {old}: {:?} {:?}",
                    reading.values, reading.findings
                );
                let unconfirmed = reading.findings.iter().any(|finding| finding.code == "clock-unconfirmed");
                assert!(is_told(&reading) || (old && unconfirmed), "{what}");
                assert_ne!(reading.labels.get("polarity").map(String::as_str), Some("inverted"), "{what}");
                if !old {
                    let ppm = reading.values["clock_ppm"];
                    assert!(ppm.abs() < 0.5, "{what}");
                }
            }
        }
    }
}

/// A column of the table of bursts.
fn column(reading: &Reading, name: &str) -> Vec<Option<f64>> {
    let table = &reading.tables["bursts"];
    let index = table.columns.iter().position(|column| column == name).unwrap();
    let number = |cell: &Cell| if let Cell::Number(x) = cell { Some(*x) } else { None };
    table.rows.iter().map(|row| number(&row[index])).collect()
}

/// Samples that were lost moved all later bursts, whose lateness was read as the car's, or hid the octaves on the other
/// side. Source: the recordings are made so. Within an octave any loss is seen and undone, between two octaves one of
/// more than a car can do.
#[test]
fn lost_samples_are_told_and_are_no_lateness_of_bursts() {
    let mut chance = WhiteNoise::new(1_005);
    let stimulus = track("bursts").unwrap();
    let mut wrong = Vec::new();
    for case in 0..cases() {
        let ppm = 300.0 * (chance.uniform() - 0.5);
        let whole = recorded(&stimulus, &Cascade::default(), &[], ppm, 50.0, 13_000 + case as u64);
        // Between the second and the third burst of an octave from 500 Hz to 4 kHz, or in the silence after its last.
        let group = 4 + (4.0 * chance.uniform()) as usize;
        let is_within = case % 2 == 0;
        let (after_s, frames) = if is_within {
            (0.8, (40.0 * 150f64.powf(chance.uniform())) as i64)
        } else {
            (2.1, 3_000 + (12_000.0 * chance.uniform()) as i64)
        };
        let frames = if case % 3 == 2 { -frames } else { frames };
        let mut samples = whole.clone();
        lose(&mut samples, ((0.7 + 0.5 + 2.5 * group as f64 + after_s) * RATE) as usize, frames);
        let (reading, undisturbed) = (read("bursts", &stimulus, &samples), read("bursts", &stimulus, &whole));
        let off_ppm = (reading.values["clock_ppm"] - undisturbed.values["clock_ppm"]).abs();
        // A burst's moment is known to some hundredths of its length: its own, and that of those beside the loss.
        let span_s = |group: usize| 6.5 / (31.5 * 2f64.powi(group as i32));
        let is_off = |(own, (late_s, wanted_s)): (usize, (Option<f64>, Option<f64>))| match (late_s, wanted_s)
        {
            (Some(late_s), Some(wanted_s)) => {
                (late_s - wanted_s).abs() > 0.06 * span_s(group) + 0.015 * span_s(own)
            }
            (None, Some(_)) => is_within,
            _ => true,
        };
        let late = column(&reading, "late_s").into_iter().zip(column(&undisturbed, "late_s"));
        let late_is_off = late.enumerate().any(is_off);
        let is_heard = !column(&reading, "level_dbfs").contains(&None);
        if !holds(&reading, "samples-lost")
            || holds(&undisturbed, "samples-lost")
            || off_ppm > 20.0
            || late_is_off
            || !is_heard
        {
            wrong.push(format!(
                "case {case}: {frames} samples in group {group}: {off_ppm:.1} ppm, heard {is_heard}, late off {late_is_off}, {:?}, {:?}, {:?}",
                column(&reading, "late_s"), column(&undisturbed, "late_s"), reading.findings
            ));
        }
    }
    assert!(wrong.is_empty(), "{} of {} wrong:\n{}", wrong.len(), cases(), wrong.join("\n"));
}
