//! What a person does with the workspace as a whole: `cargo xtask COMMAND`.

#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a program for the terminal")]

mod bench;
mod command;
mod conformance;
mod demo;
mod deny;
mod dist;
mod docs;
mod faults;
mod fuzz;
mod hostile;
mod instructions;
mod licence_texts;
mod pictures;
mod plugins;
mod python;
mod reference;
mod soak;
mod steps;
mod system;
mod test;
mod tidy;
mod workspace;

use std::env;
use std::process::ExitCode;

const USAGE: &str = "\
cargo xtask COMMAND

  demo [ARGUMENTS]   the whole tuning job on the simulated car, printed stage by stage;
                     ARGUMENTS are those of `headrest demo`
  test [STEP]...     everything that must hold before a change lands, or the named steps alone
                     (`test full`: the batteries of random cases at full size, an hour of a processor or more)
  tidy               the rules of the workspace: who may import whom, the pages against the code
  bench [ARGUMENTS]  the benchmarks of the hot kernels; ARGUMENTS are those of `cargo bench`
  faults [KILLS]     kills the release build at 200 moments of its work, and sees that nothing is lost
  hostile            every hostile plugin of the tests in release mode: how many there are, and the slowest
  instructions [--accept]
                     how many instructions the hot kernels take, counted by valgrind, against their bars in
                     tests/loads/instructions.txt; `--accept` makes what is counted the new bars
  fuzz [SECONDS]     every reader and decoder on mutated input, 60 seconds each, on the nightly toolchain
  soak [MINUTES]     30 minutes of listening through an audio server: memory, descriptors, threads, losses
  deny               licences, bans, sources and known weaknesses of every dependency, by cargo-deny
  conformance        docs/conformance.md, from what the tests measured
  dist [check]       a Debian package and a relocatable archive, in target/packages; `dist check` installs
                     the package in a clean root and runs it there; `dist --program FILE` packs a
                     program that was built already
  docs [links]       the pages as a book with a search, by mdBook, with the page of commands made from the
                     program; `docs --program FILE` asks a program that was built already; with `links`
                     only the links of the pages are checked
  pictures           the pictures of docs/images, taken anew from the running window
  plugins            the example plugins of crates/guest, built anew from their sources
  reference [--time|--commands|--fit|--tune]
                     the comparison with numpy and scipy; with --time also the speeds, with --commands what
                     whole commands and long recordings take, with --fit and --tune the fit and the tune of
                     a whole car against scipy.optimize (some 45 minutes); all write docs/performance.md

`demo` and `test` first install what the system lacks, and say so.";

fn main() -> ExitCode {
    let mut arguments = env::args().skip(1);
    let command = arguments.next();
    let rest: Vec<String> = arguments.collect();
    let outcome = match command.as_deref() {
        Some("demo") => demo::run(&rest),
        Some("test") => test::run(&rest),
        Some("tidy") => tidy::run(),
        Some("bench") => bench::run(&rest),
        Some("faults") => faults::run(&rest),
        Some("hostile") => hostile::run(),
        Some("instructions") => instructions::run(&rest),
        Some("fuzz") => fuzz::run(&rest),
        Some("soak") => soak::run(&rest),
        Some("deny") => deny::run(),
        Some("conformance") => conformance::run(),
        Some("dist") => dist::run(&rest),
        Some("docs") => docs::run(&rest),
        Some("pictures") => pictures::run(),
        Some("plugins") => plugins::run(&rest),
        Some("reference") => reference::run(&rest),
        None | Some("help" | "--help" | "-h") => {
            println!("{USAGE}");
            return ExitCode::SUCCESS;
        }
        Some(other) => {
            eprintln!("xtask: there is no command `{other}`\n\n{USAGE}");
            return ExitCode::from(2);
        }
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("\nxtask: {message}");
            ExitCode::FAILURE
        }
    }
}
