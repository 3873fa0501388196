//! The examples at the end of every help. Each works as it stands, one after the other in one folder; that of `tune` comes
//! last, because what it puts into a job was not measured yet.

use clap::Command;

/// The words of a command, and what may be typed.
const EXAMPLES: &[(&str, &[&str])] = &[
    ("", &["headrest demo --out JOB", "headrest sheet JOB"]),
    ("demo", &["headrest demo --out JOB"]),
    ("devices", &["headrest devices"]),
    ("tracks", &["headrest tracks STICK"]),
    ("measure", &["headrest measure sweep --simulated", "headrest measure level --simulated --after 2"]),
    ("listen", &["headrest listen --simulated"]),
    ("analyze", &["headrest analyze sweep STICK/sweep-full.wav --track sweep-full --csv response.csv"]),
    ("calibrate", &["headrest calibrate volts --simulated --meter 2.05"]),
    ("calibrate volts", &["headrest calibrate volts --simulated --meter 2.05"]),
    ("calibrate pad", &["headrest calibrate pad 10k 1k --input-ohms 20k"]),
    ("source", &["headrest source headroom --simulated"]),
    ("source headroom", &["headrest source headroom --simulated"]),
    ("source tone", &["headrest source tone --simulated"]),
    ("source noise", &["headrest source noise --simulated --rpm 0,850,2000"]),
    ("gain", &["headrest gain --power 100 --load 4 --source-v 4.1"]),
    (
        "average",
        &["headrest average JOB@before --out before.csv", "headrest average JOB@after --out after.csv"],
    ),
    (
        "compare",
        &[
            "headrest compare JOB@before JOB@after",
            "headrest compare JOB@before JOB@after --match-level --csv difference.csv",
        ],
    ),
    ("target", &["headrest target list"]),
    ("target list", &["headrest target list"]),
    ("target show", &["headrest target show car-medium"]),
    ("target export", &["headrest target export car-medium --out my-target.toml"]),
    ("target import", &["headrest target import my-target.toml --name evening"]),
    ("fit", &["headrest fit before.csv --target car-medium --processor graphic-31 --out bands.csv"]),
    ("align", &["headrest align lower.csv upper.csv"]),
    (
        "timing",
        &["headrest timing --distance left-woofer=0.95 --distance right-woofer=1.35 --distance sub=1.6"],
    ),
    ("preview", &["headrest preview --bands bands.csv --processor graphic-31 --seconds 10 --out tuned.wav"]),
    ("audit", &["headrest audit --job JOB"]),
    ("meaning-of-q", &["headrest meaning-of-q flat.csv with-band.csv --bands one-band.csv"]),
    ("sheet", &["headrest sheet JOB", "headrest sheet JOB --out sheet.pdf --paper letter"]),
    ("report", &["headrest report JOB --out report.pdf"]),
    ("tune", &["headrest tune JOB --seat driver --quick"]),
    ("job", &["headrest job show JOB"]),
    ("job new", &["headrest job new NEW --car \"Blue hatch\""]),
    ("job import", &["headrest job import NEW STICK/sweep-full.wav"]),
    ("job show", &["headrest job show JOB"]),
    ("job list", &["headrest job list ."]),
    ("job check", &["headrest job check JOB"]),
    ("plugins", &["headrest plugins"]),
    ("plugins list", &["headrest plugins list"]),
    ("plugins show", &["headrest plugins show sweep"]),
    ("plugins check", &["headrest plugins check my-plugin.wasm"]),
    ("completions", &["headrest completions bash"]),
    ("man", &["headrest man MAN"]),
];

/// A command and all below it, each with its example at the end of its help.
pub(crate) fn with_examples(command: Command) -> Command {
    below(command, "")
}

fn below(command: Command, words: &str) -> Command {
    let names: Vec<String> = command.get_subcommands().map(|one| one.get_name().to_owned()).collect();
    let command = names.into_iter().fold(command, |command, name| {
        let words = format!("{words} {name}");
        command.mut_subcommand(name, |one| below(one, words.trim_start()))
    });
    let Some((_, examples)) = EXAMPLES.iter().find(|(of, _)| *of == words) else { return command };
    // A command that brings its own, beside what it explains, keeps it.
    if command.get_after_help().is_some_and(|text| text.to_string().contains("Example")) {
        return command;
    }
    let title = if examples.len() == 1 { "Example" } else { "Examples" };
    let lines: Vec<String> = examples.iter().map(|line| format!("  {line}")).collect();
    let shown = format!("{title}:\n{}", lines.join("\n"));
    let above = command.get_after_help().map(|text| format!("{text}\n\n")).unwrap_or_default();
    command.after_help(format!("{above}{shown}"))
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    fn walk<'a>(command: &'a Command, words: &str, all: &mut Vec<(String, &'a Command)>) {
        all.push((words.to_owned(), command));
        for one in command.get_subcommands() {
            walk(one, format!("{words} {}", one.get_name()).trim_start(), all);
        }
    }

    #[test]
    fn every_help_ends_with_an_example_and_none_is_for_a_command_that_is_gone() {
        let command = with_examples(crate::flags::Flags::command());
        let mut all = Vec::new();
        walk(&command, "", &mut all);
        for (words, one) in &all {
            let help = one.get_after_help().map(ToString::to_string).unwrap_or_default();
            let last = help.lines().last().unwrap_or_default();
            assert!(last.starts_with("  headrest "), "`headrest {words} --help` ends with `{last}`");
        }
        for (of, _) in EXAMPLES {
            assert!(all.iter().any(|(words, _)| words == of), "there is no command `{of}`");
        }
    }
}
