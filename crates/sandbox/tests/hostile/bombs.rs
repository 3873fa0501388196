//! Files that would take long to compile, and calls to the host that take long.

use std::time::Duration;

use sandbox::Sandbox;

use crate::module::{MANIFEST, Module};
use crate::{LIMIT, Watch, each_ends_in_its_finding, run, with};

const FFT: &str = r#"(import "headrest" "real_fft" (func $fft (param i32 i32 i32) (result i32)))"#;
const LOG: &str = r#"(import "headrest" "log" (func $log (param i32 i32)))"#;

/// A function without a loop is looked at by the clock only where it begins.
#[test]
fn what_the_host_does_is_done_in_the_plugins_time_and_memory() {
    let straight = |call: &str, times: usize| {
        with(|m| {
            m.memory = r#"(memory (export "memory") 1024)"#;
            m.extra = format!("{FFT}{LOG}");
            m.feed = format!("{}(i32.const 1)", call.repeat(times));
        })
    };
    let fft =
        |n: usize| format!("(drop (call $fft (i32.const 1048576) (i32.const {n}) (i32.const 20000000)))");
    let lengths: String = [1 << 20, 1_000_000, 1_029_000, 960_000, 823_543, 921_600].map(fft).concat();
    each_ends_in_its_finding(vec![
        ("transforms of a long prime", straight(&fft(1_048_573), 20), "plugin-memory", "in `feed`"),
        ("hundreds of transforms", straight(&fft(1 << 18), 800), "plugin-time", "`feed`"),
        ("thousands of transforms of a prime", straight(&fft(65_537), 2_000), "plugin-time", "`feed`"),
        ("ever new plans", straight(&lengths, 30), "plugin-memory|plugin-time", "`feed`"),
        (
            "transforms as it describes itself",
            with(|m| {
                m.memory = r#"(memory (export "memory") 1024)"#;
                m.extra = FFT.to_owned();
                m.describe = format!("{}(i64.const 0)", fft(1 << 20).repeat(200));
            }),
            "plugin-time",
            "`describe`",
        ),
    ]);
    // Long lines by the thousand are cut before they are read.
    let log = straight("(call $log (i32.const 0) (i32.const 60000000))", 8_000);
    let watch = Watch::start();
    let _ = run(&Sandbox::new().unwrap(), &log);
    assert!(watch.elapsed() < 2 * LIMIT, "{:?}", watch.elapsed());
}

#[test]
fn a_plugin_whose_every_call_is_just_in_time_falls_behind() {
    // Some 0.1 to 0.4 s each, on the machines of today.
    let busy = "(local $n i32) (loop $again (local.set $n (i32.add (local.get $n) (i32.const 1))) \
                (br_if $again (i32.lt_u (local.get $n) (i32.const 300000000)))) (i32.const 0)";
    let sandbox = Sandbox::new().unwrap();
    let plugin = sandbox.load(&with(|m| m.feed = busy.to_owned()), "t").unwrap();
    let trial = plugin.trial(&plugin.trial_start());
    let watch = Watch::start();
    assert_eq!(trial.fault().expect("it falls behind").code, "plugin-time");
    assert!(watch.elapsed() < 2 * LIMIT);
}

/// Whatever is not compiled is refused in the time of reading it.
#[test]
fn a_file_that_would_take_long_to_compile_is_not_compiled() {
    let sandbox = Sandbox::new().unwrap();
    for (name, extra) in bombs() {
        let bytes = Module { extra, ..Module::default() }.bytes();
        assert!(bytes.len() <= sandbox::MOST_FILE_BYTES, "{name} is refused for its {} bytes", bytes.len());
        let watch = Watch::start();
        let finding = sandbox.load(&bytes, "bomb.wasm").expect_err(name);
        let took = watch.elapsed();
        assert_eq!(finding.code, "plugin-unreadable", "{name}: {}", finding.text);
        assert!(took < Duration::from_millis(500), "{name} took {took:?}");
    }
}

/// Functions beside those of a well-behaved plugin, each set far beyond what may be compiled.
fn bombs() -> Vec<(&'static str, String)> {
    let functions = |count: usize, body: &str| format!("(func {body})").repeat(count);
    let within = |open: &str, close: &str, depth: usize, core: &str| {
        format!("{}{core}{}", open.repeat(depth), close.repeat(depth))
    };
    let locals = |count: usize, kind: &str| format!("(local {})", format!("{kind} ").repeat(count));
    let set = |count: usize| -> String {
        (0..count).map(|n| format!("(local.set {n} (i32.add (local.get {n}) (i32.const 1)))")).collect()
    };
    let joins = format!("(block (br_if 0 (local.get 0)) {})", set(40));
    let results = "i32 ".repeat(40);
    vec![
        ("many locals in each of many functions", functions(100, &locals(49_000, "i64"))),
        ("many vectors in each of many functions", functions(100, &locals(49_000, "v128"))),
        (
            "nested loops",
            functions(3, &format!("{}{}", locals(100, "i32"), within("(loop ", ")", 5_000, &set(100)))),
        ),
        ("deep blocks", functions(4, &within("(block ", ")", 20_000, ""))),
        ("deep ifs", functions(4, &within("(if (i32.const 1) (then ", "))", 9_000, ""))),
        ("a crowd of calls", format!("(func $c){}", functions(15, &"(call $c)".repeat(50_000)))),
        ("joins of many values", functions(20, &format!("{}{}", locals(2_000, "i32"), joins.repeat(300)))),
        (
            "loops beside each other with many values",
            functions(20, &format!("{}{}", locals(1_000, "i32"), format!("(loop {})", set(30)).repeat(300))),
        ),
        ("wide jumps", functions(20, &format!("(br_table {} (i32.const 0))", "0 ".repeat(100_000)))),
        (
            "calls that hand on many values",
            format!(
                "(func $w (param {results}) (result {results}) {}) (func (param {results}) (result {results}) {} {})",
                (0..40).map(|n| format!("(local.get {n})")).collect::<String>(),
                (0..40).map(|n| format!("(local.get {n})")).collect::<String>(),
                "(call $w)".repeat(30_000)
            ),
        ),
        ("a function of a thousand values", format!("(func (param {}))", "i64 ".repeat(1_000))),
        (
            "a crowd of types",
            (0..20_000)
                .map(|n| {
                    format!("(type (func (param {})))", ["i32 ", "i64 ", "f32 "][n % 3].repeat(n % 61 + 1))
                })
                .collect(),
        ),
        ("a crowd of exports", (0..5_000).map(|n| format!("(export \"e{n}\" (func $feed))")).collect()),
    ]
}

#[test]
fn what_cannot_be_seen_is_left_out_of_titles_and_texts() {
    let hidden = "\u{200b}\u{200f}\u{61c}\u{e0041}\u{feff}\u{2064}";
    let manifest =
        MANIFEST.replace("\"Test\"", &format!("\"Te{hidden}st\"")).replace("For", &format!("{hidden}For"));
    let told = format!(
        "{{\"labels\":{{\"a\":\"b{hidden}c\"}},\"tables\":{{\"t\":{{\"columns\":[\"x\"],\"rows\":[[\"{hidden}d\"]]}}}},\"findings\":[{{\"level\":\"note\",\"code\":\"a\",\"text\":\"e{hidden}f\"}}]}}"
    );
    let bytes = with(|m| (m.manifest, m.told) = (manifest.into_bytes(), told.into_bytes()));
    let sandbox = Sandbox::new().unwrap();
    let plugin = sandbox.load(&bytes, "t").unwrap();
    assert_eq!(
        (plugin.manifest().title.as_str(), plugin.manifest().summary.as_str()),
        ("Test", "For tests.")
    );
    let reading = run(&sandbox, &bytes).unwrap();
    assert_eq!(reading.labels["a"], "bc");
    assert_eq!(reading.tables["t"].rows[0][0], measure::Cell::Text("d".to_owned()));
    assert_eq!(reading.findings[0].text, "ef");
}

#[test]
fn a_check_fails_where_the_plugin_refuses_to_begin() {
    let sandbox = Sandbox::new().unwrap();
    let refuses =
        |told: &str| with(|m| (m.begin, m.told) = ("(i32.const 1)".to_owned(), told.as_bytes().to_vec()));
    let code = |bytes: &[u8]| {
        let plugin = sandbox.load(bytes, "t").unwrap();
        let fault = plugin.trial(&plugin.trial_start()).fault().expect("it refused").clone();
        // There is no recording in a check.
        assert!(!fault.text.contains("recording"), "{}", fault.text);
        fault.code
    };
    assert_eq!(code(&refuses("{}")), "plugin-refused");
    assert_eq!(
        code(&refuses(r#"{"findings":[{"level":"stop","code":"too-dull","text":"Too dull."}]}"#)),
        "too-dull"
    );
}
