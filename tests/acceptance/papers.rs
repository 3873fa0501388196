//! The papers of a job, and what a shell and a manual reader know of the program.

use std::fs;

use crate::program::Desk;

#[test]
fn sheet_and_report_are_written_as_pdf_twice_the_same() {
    let desk = Desk::new();
    desk.run("job new car").done();
    for command in ["sheet car --out", "report car --out", "report car --paper letter --out"] {
        let twice = ["one.pdf", "two.pdf"].map(|name| {
            desk.run(&format!("{command} {name}")).done();
            fs::read(desk.path().join(name)).unwrap()
        });
        assert!(twice[0].starts_with(b"%PDF-1."), "{command}");
        assert_eq!(twice[0], twice[1], "{command}");
    }
    desk.run("sheet car --out sheet.odt").refused(&["sheet.odt", ".pdf"]);
    desk.run("report car --out report.odt").refused(&["report.odt", "FILE.pdf"]);
    assert!(!desk.has("sheet.odt") && !desk.has("report.odt"));
}

#[test]
fn a_report_speaks_in_a_shops_own_words() {
    let desk = Desk::new();
    desk.run("job new car").done();
    desk.write("own.toml", "name = \"Ear and Bench\"\n[words]\ntitle = \"How it sounds now\"\n");
    desk.run("report car --out report.html --words own.toml").done();
    let page = fs::read_to_string(desk.path().join("report.html")).unwrap();
    assert!(page.contains("Ear and Bench") && page.contains("<h1>How it sounds now</h1>"), "{page}");
    desk.write("bad.toml", "[words]\ntitel = \"x\"\n");
    desk.run("report car --out bad.html --words bad.toml").refused(&[
        "bad.toml",
        "2",
        "did you mean `title`",
    ]);
}

#[test]
fn shells_complete_and_every_command_has_a_man_page() {
    let desk = Desk::new();
    for shell in ["bash", "zsh", "fish"] {
        desk.run(&format!("completions {shell}")).done().says(&["headrest", "job"]);
    }
    desk.run("man pages").done();
    assert!(desk.has("pages/headrest.1") && desk.has("pages/headrest-job-import.1"));
    desk.run("man").done().says(&[".TH headrest", "Bridged"]);
}
