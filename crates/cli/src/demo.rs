//! The whole job on the simulated car, printed as it goes.

use demonstration::DemoOrder;

use crate::outcome::{Ended, Outcome};
use crate::progress::Progress;
use crate::{flags, output, runner};

pub(crate) fn run(flags: &flags::Demo) -> Outcome {
    let order = DemoOrder { out: flags.out.clone(), car: flags.car.clone() };
    let token = runner::interruptible()?;
    let progress = Progress::new();
    let json = flags.json.json;
    let summary =
        demonstration::demo(&order, &token, &mut |what, share| progress.show(what, share), &mut |line| {
            // With --json, standard output holds the one document alone.
            if !json {
                progress.print(line);
            }
        })?;
    drop(progress);
    if json {
        output::json(&summary)?;
    }
    if summary.missed.is_empty() { Ok(()) } else { Err(Ended::NoResult) }
}
