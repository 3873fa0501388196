//! A computer, or a limit that somebody set, that gives the program too little memory.

use std::process::Output;

use crate::program::Desk;

/// Runs the program with at most so many kilobytes of address space.
fn limited(desk: &Desk, kilobytes: u32, arguments: &str) -> Output {
    let program = desk.command();
    let mut shell = std::process::Command::new("sh");
    shell.args(["-c", &format!("ulimit -v {kilobytes} && exec \"$HEADREST\" {arguments}")]);
    shell.current_dir(desk.path()).env("HEADREST", program.get_program());
    for (name, value) in program.get_envs() {
        shell.env(name, value.unwrap_or_default());
    }
    shell.output().expect("a shell")
}

/// However little there is, the program ends in order: with its result, or with status 2 and words that say what to do, and
/// with `--json` the document that says so.
#[test]
fn too_little_memory_is_said_in_words() {
    let desk = Desk::new();
    desk.run("tracks tracks").done();
    // What the program itself takes to start differs from build to build.
    let starts = |kilobytes: &u32| limited(&desk, *kilobytes, "--version").status.success();
    let least = (1..).map(|step| 10_000 * step).find(starts).unwrap();
    let (mut refused, mut done) = (0, 0);
    for more in [5_000, 15_000, 30_000, 45_000, 60_000, 90_000, 150_000, 400_000, 800_000] {
        for json in ["", " --json"] {
            let arguments = format!("analyze sweep tracks/sweep-high.wav --track sweep-high{json}");
            let output = limited(&desk, least + more, &arguments);
            let (result, said) =
                (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
            match output.status.code() {
                Some(0) => done += 1,
                Some(2) => {
                    refused += 1;
                    assert!(said.contains("not enough memory") && said.contains("ulimit -v"), "{said}");
                    if !json.is_empty() {
                        let document: serde_json::Value =
                            serde_json::from_str(&result).expect("one document");
                        let text = document["error"]["text"].as_str().unwrap();
                        assert!(said.contains(text), "{said}\n{result}");
                    }
                }
                other => panic!("{more} KB more ended with {other:?}: {said}"),
            }
        }
    }
    assert!(refused > 0 && done > 0, "{refused} were refused, {done} done");
}
