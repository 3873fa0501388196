//! A whole car tuned, for the comparison with `scipy.optimize`.

use std::ops::ControlFlow;

use num_complex::Complex64;
use serde_json::{Value, json};
use tuning::{
    CarFilter, ChannelValues, Feed, PlaceSeat, Profile, Response, Role, Target, TuneDriver, TuneInput,
    TuneOptions, TunePlace, tune_car,
};

use crate::fits::computing_s;
use crate::question::Question;

/// What a car is tuned to, and the seconds of computing that it took.
pub(crate) fn channels(question: &Question) -> Result<Value, String> {
    let hz = question.row("frequency_hz")?;
    let drivers: Vec<TuneDriver> =
        question.list("drivers")?.iter().map(|driver| read(driver, &hz)).collect::<Result<_, _>>()?;
    let count = drivers.first().map_or(0, |driver| driver.responses.len());
    let places: Vec<TunePlace> =
        (1..=count).map(|number| TunePlace { name: number.to_string(), seat: PlaceSeat::Driver }).collect();
    let profile = Profile::preset(question.word("processor")?).map_err(|error| error.to_string())?;
    let target = Target::preset(question.word("target")?).map_err(|error| error.to_string())?;
    let options = TuneOptions { keep_out: false, ..TuneOptions::default() };
    let input = TuneInput {
        drivers: &drivers,
        places: &places,
        profile: &profile,
        target: &target,
        options: &options,
    };
    let before = computing_s();
    let tune = tune_car(&input, &mut |_| ControlFlow::Continue(())).map_err(|error| error.to_string())?;
    let seconds = computing_s().zip(before).map(|(after, before)| after - before);
    let filter = |filter: Option<CarFilter>| {
        filter.map(|filter| json!([filter.frequency_hz, filter.slope_db_per_octave]))
    };
    Ok(json!({
        "channels": tune.channels.iter().map(|channel| json!({
            "gain_db": channel.gain_db,
            "delay_s": channel.delay_s,
            "inverted": channel.inverted,
            "high_pass": filter(channel.high_pass),
            "low_pass": filter(channel.low_pass),
            "bands": channel.bands.iter()
                .map(|fitted| json!([fitted.band.frequency_hz, fitted.band.gain_db, fitted.band.q]))
                .collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
        "target_db": hz.iter().map(|&hz| target.db_at(hz)).collect::<Vec<f64>>(),
        "evaluations": tune.evaluations,
        "seconds": seconds,
    }))
}

fn read(driver: &Value, hz: &[f64]) -> Result<TuneDriver, String> {
    let bad = |what: &str| format!("a driver's `{what}` cannot be used");
    let word = |what: &str| driver[what].as_str().ok_or_else(|| bad(what));
    let row = |value: &Value| -> Option<Vec<f64>> { value.as_array()?.iter().map(Value::as_f64).collect() };
    let rows = |what: &str| -> Result<Vec<Vec<f64>>, String> {
        driver[what].as_array().and_then(|rows| rows.iter().map(row).collect()).ok_or_else(|| bad(what))
    };
    let response = |(re, im): (&Vec<f64>, &Vec<f64>)| {
        let values: Vec<Complex64> = re.iter().zip(im).map(|(&re, &im)| Complex64::new(re, im)).collect();
        Response {
            frequency_hz: hz.to_vec(),
            magnitude_db: values.iter().map(|value| 20.0 * value.norm().log10()).collect(),
            phase_deg: Some(values.iter().map(|value| value.arg().to_degrees()).collect()),
            coherence: None,
            spread_db: None,
        }
    };
    let usable = row(&driver["usable_hz"]).filter(|ends| ends.len() == 2).ok_or_else(|| bad("usable_hz"))?;
    Ok(TuneDriver {
        channel: word("channel")?.to_owned(),
        role: Role::from_word(word("role")?).ok_or_else(|| bad("role"))?,
        feed: match word("feed")? {
            "left" => Feed::Left,
            "right" => Feed::Right,
            _ => Feed::Both,
        },
        responses: rows("re")?.iter().zip(&rows("im")?).map(response).collect(),
        usable_hz: Some((usable[0], usable[1])),
        protect_hz: None,
        arrival_s: None,
        present: ChannelValues::default(),
    })
}
