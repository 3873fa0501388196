//! A disk that fills up while something is recorded.

use std::process::Output;

use crate::program::Desk;

/// Runs a script of the shell on a disk of so many bytes, with the program as `headrest`; nothing, with a word, where
/// such a disk cannot be had.
fn on_a_disk_of(bytes: usize, desk: &Desk, script: &str) -> Option<Output> {
    std::fs::create_dir(desk.path().join("disk")).unwrap();
    let program = desk.command();
    let run = |script: &str| {
        let mut command = std::process::Command::new("unshare");
        // A mount of its own, seen by nobody else and gone with the last process.
        command.args(["--user", "--map-root-user", "--mount", "sh", "-ec"]);
        command.arg(format!("mount -t tmpfs -o size={bytes} tmpfs disk\ncd disk\n{script}"));
        command.current_dir(desk.path()).env("HEADREST", program.get_program());
        for (name, value) in program.get_envs() {
            command.env(name, value.unwrap_or_default());
        }
        command.output()
    };
    if run("mount -o remount,size=40m .").is_ok_and(|output| output.status.success()) {
        let script = format!("headrest() {{ \"$HEADREST\" \"$@\"; }}\n{script}");
        return Some(run(&script).expect("it ran before"));
    }
    #[expect(clippy::print_stderr, reason = "whoever reads the test's output is told that it was left out")]
    {
        eprintln!("left out: this system gives no disk of a size of its own (unshare, tmpfs)");
    }
    None
}

/// A sweep of 24 s and two channels needs 9 MB. The message says that the recording broke off and when; what
/// there is can be read, and is set right once there is room.
#[test]
fn a_disk_that_fills_up_says_at_which_second_the_recording_broke_off() {
    let desk = Desk::new();
    let script = "status=0; headrest measure sweep --simulated --job car 2>../said >../result || status=$?\n\
                  echo measured $status\n\
                  cat ../said\n\
                  headrest job show car || echo unreadable\n\
                  status=0; headrest analyze level car/captures/0001/audio.wav --json >../level 2>&1 || status=$?\n\
                  echo analyzed $status\n\
                  mount -o remount,size=40m .\n\
                  status=0; headrest job check car || status=$?\n\
                  echo checked $status\n\
                  headrest job check car\n\
                  headrest job show car";
    let Some(output) = on_a_disk_of(6 << 20, &desk, script) else { return };
    let (said, errors) = (
        String::from_utf8_lossy(&output.stdout).into_owned(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    );
    let after = said.split("broke off after ").nth(1).and_then(|rest| rest.split(' ').next());
    let after_s: f64 = after.and_then(|word| word.parse().ok()).unwrap_or_else(|| panic!("{said}\n{errors}"));
    // Six mebibytes, less some pages for the job's own files, in frames of 8 bytes at 48 kHz.
    testkit::near("seconds on the disk", after_s, 6.0 * 1_048_576.0 / 8.0 / 48_000.0, 0.3);
    assert!(output.status.success(), "{said}\n{errors}");
    for words in ["measured 1", "analyzed 0", "checked 0", "(interrupted)"] {
        assert!(said.contains(words), "no `{words}` in {said}\n{errors}");
    }
    assert!(!said.contains("unreadable") && !said.contains("panicked"), "{said}\n{errors}");
}
