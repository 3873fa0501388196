//! `cargo xtask hostile`: all hostile plugins, as slow as they are for people.

use std::time::Duration;

use crate::command::{self, cargo};

/// How many of the slowest are named.
const NAMED: usize = 5;

/// Runs the tests `hostile` of `sandbox` in release mode, each harm in each place among them, and says what took longest.
///
/// # Errors
/// When a plugin did not end in its finding within its second.
pub(crate) fn run() -> Result<(), String> {
    let test = |arguments: &[&str]| {
        let mut test = cargo();
        test.args(["test", "--release", "--package", "sandbox", "--test", "hostile"]).args(arguments);
        test
    };
    command::run(&mut test(&["--no-run"]))?;
    // One after the other, so that none waits for another.
    let mut all = test(&["--quiet", "--", "--nocapture", "--test-threads=1"]);
    let mut times = times(&command::output(all.env("HEADREST_THOROUGH", "1"))?);
    times.sort_by(|one, other| other.cmp(one));
    println!("{} plugins; the slowest:", times.len());
    for (took, name) in times.iter().take(NAMED) {
        println!("{:6} ms  {name}", took.as_millis());
    }
    Ok(())
}

/// What each plugin took, from the lines that the tests print: `   517 ms  its name: how it ended`.
fn times(printed: &str) -> Vec<(Duration, String)> {
    let of = |line: &str| {
        let (took, name) = line.split_once(" ms  ")?;
        // The runner's dots may stand before it.
        let took = took.trim_start_matches(['.', ' ']).parse().ok()?;
        Some((Duration::from_millis(took), name.to_owned()))
    };
    printed.lines().filter_map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_among_other_lines() {
        let printed =
            "\nrunning 2 tests\n   517 ms  a loop, in `feed`: plugin-time\n.     2 ms  b: it is taken\n.\n";
        let ms = Duration::from_millis;
        assert_eq!(
            times(printed),
            [(ms(517), "a loop, in `feed`: plugin-time".to_owned()), (ms(2), "b: it is taken".to_owned())]
        );
    }
}
