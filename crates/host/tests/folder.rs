//! The plugin folder: what is found there, and what is said of what cannot be used.

use std::fs;
use std::path::Path;
use std::time::Instant;

use host::Registry;
use measure::StimulusWanted;

/// A plugin that describes itself so and does nothing else.
fn plugin(manifest: &str) -> Vec<u8> {
    with_functions(manifest, "", "")
}

/// One that does this before it describes itself.
fn described(manifest: &str, before: &str) -> Vec<u8> {
    with_functions(manifest, "", before)
}

/// One that has these functions besides.
fn with_functions(manifest: &str, functions: &str, before: &str) -> Vec<u8> {
    let quoted: String = manifest.bytes().map(|byte| format!("\\{byte:02x}")).collect();
    let place = |at: u64, length: usize| (at << 32) | length as u64;
    wat::parse_str(format!(
        r#"(module (memory (export "memory") 4) (data (i32.const 16) "{quoted}") (data (i32.const 8192) "{{}}")
        (func (export "abi_version") (result i32) (i32.const 1))
        (func (export "alloc") (param i32) (result i32) (i32.const 65536))
        (func (export "describe") (result i64) {before} (i64.const {}))
        (func (export "begin") (param i32 i32) (result i32) (i32.const 0))
        (func (export "feed") (param i32 i32 i32 i64 i32) (result i32) (i32.const 0))
        (func (export "reading") (result i64) (i64.const {}))
        (func (export "finish") (result i64) (i64.const {})) {functions})"#,
        place(16, manifest.len()),
        place(8192, 2),
        place(8192, 2),
    ))
    .unwrap()
}

fn manifest(id: &str, more: &str) -> String {
    format!(r#"{{"id":"{id}","title":"T","version":1,"summary":"S."{more}}}"#)
}

fn write(folder: &Path, name: &str, bytes: &[u8]) {
    fs::write(folder.join(name), bytes).unwrap();
}

#[test]
fn a_file_in_the_folder_is_a_measurement_like_any_other() {
    let folder = tempfile::tempdir().unwrap();
    let track = r#","stimulus":{"suggested":{"name":"pink","segments":[]}}"#;
    write(folder.path(), "b.wasm", &plugin(&manifest("shop.score", track)));
    write(folder.path(), "notes.txt", b"not looked at");
    let registry = Registry::built_in().with_plugins(folder.path());
    let card = registry.manifest("shop.score").unwrap();
    // The name of a track became the track.
    assert!(matches!(&card.stimulus, StimulusWanted::Suggested(pink) if pink.duration_s() > 1.0));
    assert_eq!(registry.measurement("shop.score").unwrap().manifest(), *card);
    assert_eq!(registry.plugin("shop.score").unwrap().hash().len(), 64);
    assert!(registry.plugin("level").is_none());
    assert!(registry.measurement("level").is_ok());
    let message = registry.manifest("shop.scor").unwrap_err().to_string();
    assert!(message.contains("did you mean `shop.score`?"), "{message}");
}

#[test]
fn what_cannot_be_used_is_named_and_harms_nothing() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), "a.wasm", &plugin(&manifest("shop.score", "")));
    write(folder.path(), "b.wasm", &plugin(&manifest("shop.score", ",\"channels\":2")));
    write(folder.path(), "c.wasm", b"random");
    let track = r#","stimulus":{"known":{"name":"pinc","segments":[]}}"#;
    write(folder.path(), "d.wasm", &plugin(&manifest("shop.other", track)));
    let registry = Registry::built_in().with_plugins(folder.path());
    let told: Vec<(String, String)> = registry
        .files()
        .iter()
        .filter_map(|file| file.plugin.as_ref().err())
        .map(|finding| (finding.code.clone(), finding.text.clone()))
        .collect();
    let expected = [
        ("plugin-double", "a.wasm"),
        ("plugin-unreadable", "c.wasm"),
        ("plugin-manifest", "did its author mean `pink`?"),
    ];
    assert_eq!(told.len(), expected.len(), "{told:?}");
    for ((code, text), (expected, part)) in told.iter().zip(expected) {
        assert!(code == expected && text.contains(part), "{code}: {text}");
    }
    // The first of two is the one that is used.
    assert_eq!(registry.manifest("shop.score").unwrap().channels, 1);
}

/// Twenty files that never end describing themselves stand before the one that is wanted. Each is stopped after
/// a quarter of a second, so one after the other they would take five.
#[test]
fn a_bad_file_delays_no_other() {
    let folder = tempfile::tempdir().unwrap();
    for number in 0..20 {
        // Each another file, so that each is loaded.
        let endless = format!("(i32.const {number}) (drop) (loop $again (br $again)) (unreachable)");
        write(folder.path(), &format!("a{number:02}.wasm"), &described("", &endless));
    }
    write(folder.path(), "z.wasm", &plugin(&manifest("shop.score", "")));
    let begun = Instant::now();
    let all = Registry::built_in().with_plugins(folder.path());
    testkit::at_most("side by side, in s", begun.elapsed().as_secs_f64(), 2.5);
    assert!(all.manifest("shop.score").is_ok());
    let codes: Vec<&str> = all.files().iter().filter_map(|f| Some(&*f.plugin.as_ref().err()?.code)).collect();
    assert_eq!(codes, ["plugin-time"; 20]);
    // Whoever wants one plugin waits for no file after it.
    write(folder.path(), "0.wasm", &plugin(&manifest("shop.first", "")));
    let registry = Registry::built_in().with_plugin(folder.path(), "shop.first");
    assert!(registry.measurement("shop.first").is_ok());
    assert!(registry.files().len() < all.files().len(), "{} files", registry.files().len());
}

/// Which one of two of the same name is used does not depend on which is loaded first.
#[test]
fn the_first_of_two_is_used_although_the_second_is_loaded_sooner() {
    let folder = tempfile::tempdir().unwrap();
    // Some time of compiling.
    let large: String = (0..150).map(|n| format!("(func (result i32) (i32.const {n}))")).collect();
    let answer = manifest("shop.score", ",\"channels\":2");
    write(folder.path(), "a.wasm", &with_functions(&answer, &large, ""));
    write(folder.path(), "b.wasm", &plugin(&manifest("shop.score", "")));
    let registry = Registry::built_in().with_plugin(folder.path(), "shop.score");
    assert_eq!(registry.manifest("shop.score").unwrap().channels, 2);
}

#[test]
fn a_folder_that_is_not_there_holds_nothing() {
    let registry = Registry::built_in().with_plugins(Path::new("no/such/folder"));
    assert_eq!(registry.manifests().count(), Registry::built_in().manifests().count());
}

/// The examples of this kind in the page for authors.
fn examples(kind: &str) -> Vec<String> {
    let page = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/measurements.md");
    let text = fs::read_to_string(page).unwrap();
    let begins = format!("```{kind}\n");
    text.split(&begins).skip(1).map(|rest| rest.split("```").next().unwrap().to_owned()).collect()
}

#[test]
fn the_manifest_of_the_page_for_authors_is_accepted() {
    let folder = tempfile::tempdir().unwrap();
    let examples = examples("json");
    assert_eq!(examples.len(), 2);
    write(folder.path(), "a.wasm", &plugin(&examples[0]));
    let registry = Registry::built_in().with_plugins(folder.path());
    let card = registry.manifest("shop.peak").unwrap_or_else(|_| panic!("{:?}", registry.files()));
    assert_eq!(card.parameters.len(), 4);
}
