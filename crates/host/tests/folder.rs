//! The plugin folder: what is found there, and what is said of what cannot be used.

use std::fs;
use std::path::Path;

use host::Registry;
use measure::StimulusWanted;

/// A plugin that describes itself so and does nothing else.
fn plugin(manifest: &str) -> Vec<u8> {
    let quoted: String = manifest.bytes().map(|byte| format!("\\{byte:02x}")).collect();
    let place = |at: u64, length: usize| (at << 32) | length as u64;
    wat::parse_str(format!(
        r#"(module (memory (export "memory") 4) (data (i32.const 16) "{quoted}") (data (i32.const 8192) "{{}}")
        (func (export "abi_version") (result i32) (i32.const 1))
        (func (export "alloc") (param i32) (result i32) (i32.const 65536))
        (func (export "describe") (result i64) (i64.const {}))
        (func (export "begin") (param i32 i32) (result i32) (i32.const 0))
        (func (export "feed") (param i32 i32 i32 i64 i32) (result i32) (i32.const 0))
        (func (export "reading") (result i64) (i64.const {}))
        (func (export "finish") (result i64) (i64.const {})))"#,
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
