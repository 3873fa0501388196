//! A list of things to do, each announced, timed and judged.

use std::time::{Duration, Instant};

/// What was done so far.
#[derive(Debug, Default)]
pub(crate) struct Steps {
    done: Vec<Done>,
}

#[derive(Debug)]
struct Done {
    name: String,
    took: Duration,
    failure: Option<String>,
}

impl Steps {
    /// Does one thing. A failure is kept for the end, so that one run shows all
    /// that is wrong; the answer tells whether it went well.
    pub(crate) fn take(&mut self, name: &str, action: impl FnOnce() -> Result<(), String>) -> bool {
        println!("\n== {name}");
        let start = Instant::now();
        let failure = action().err();
        let took = start.elapsed();
        match &failure {
            None => println!("== {name}: done in {}", duration(took)),
            Some(message) => println!("== {name}: FAILED after {}: {message}", duration(took)),
        }
        let went_well = failure.is_none();
        self.done.push(Done { name: name.to_owned(), took, failure });
        went_well
    }

    /// Prints the times, and fails when any step did.
    ///
    /// # Errors
    /// A message that names the steps that failed.
    pub(crate) fn finish(self) -> Result<(), String> {
        println!("\n{}", self.summary());
        let failed: Vec<&str> =
            self.done.iter().filter(|step| step.failure.is_some()).map(|step| step.name.as_str()).collect();
        if failed.is_empty() { Ok(()) } else { Err(format!("these steps failed: {}", failed.join(", "))) }
    }

    fn summary(&self) -> String {
        let mut text = String::new();
        let width = self.done.iter().map(|step| step.name.chars().count()).max().unwrap_or(0);
        for Done { name, took, failure } in &self.done {
            let verdict = if failure.is_none() { "passed" } else { "FAILED" };
            text.push_str(&format!("{name:<width$}  {:>10}  {verdict}\n", duration(*took)));
        }
        let total: Duration = self.done.iter().map(|step| step.took).sum();
        text.push_str(&format!("{:<width$}  {:>10}\n", "together", duration(total)));
        let failed = self.done.iter().filter(|step| step.failure.is_some()).count();
        text.push_str(&format!("steps: {} passed, {failed} failed", self.done.len() - failed));
        text
    }
}

/// Minutes and seconds, as a person says them.
fn duration(took: Duration) -> String {
    let seconds = took.as_secs_f64();
    if seconds < 60.0 {
        format!("{seconds:.1} s")
    } else {
        let whole = seconds.round() as u64;
        format!("{} min {:02} s", whole / 60, whole % 60)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_does_not_stop_the_rest_and_is_told_at_the_end() {
        let mut steps = Steps::default();
        assert!(!steps.take("first", || Err("it is crooked".to_owned())));
        let mut reached = false;
        assert!(steps.take("second", || {
            reached = true;
            Ok(())
        }));
        assert!(reached);
        assert!(steps.summary().ends_with("steps: 1 passed, 1 failed"), "{}", steps.summary());
        assert_eq!(steps.finish(), Err("these steps failed: first".to_owned()));
    }

    #[test]
    fn times_are_written_in_minutes_from_one_minute_on() {
        assert_eq!(duration(Duration::from_millis(12_340)), "12.3 s");
        assert_eq!(duration(Duration::from_millis(125_600)), "2 min 06 s");
    }
}
