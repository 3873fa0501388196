//! Plugins that do every harm that could be thought of: each ends in a finding of
//! its own within a second, and nothing else happens.

mod bombs;
mod edges;
mod matrix;
mod module;

use std::time::{Duration, Instant};

use measure::{Block, Feed, Finding, Reading, Start};
use module::{MANIFEST, Module};
use sandbox::Sandbox;

/// A loop without end.
const FOR_EVER: &str = "(loop $again (br $again)) (unreachable)";

/// How long a hostile plugin may hold up whoever runs it.
const LIMIT: Duration = Duration::from_secs(1);

/// What something takes: of the clock, or of the processor where that is less, since other programs may be at work.
struct Watch {
    begun: Instant,
    computed: Option<Duration>,
}

impl Watch {
    fn start() -> Self {
        Self { begun: Instant::now(), computed: computed() }
    }

    fn elapsed(&self) -> Duration {
        let computed = self.computed.zip(computed()).map(|(before, now)| now.saturating_sub(before));
        computed.map_or(self.begun.elapsed(), |computed| computed.min(self.begun.elapsed()))
    }
}

/// What this process has computed so far, where the system says it: in hundredths of a second, as proc_pid_stat(5) says.
fn computed() -> Option<Duration> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    // Behind the name, which may hold anything, the 12th and the 13th number.
    let mut numbers = stat.rsplit_once(')')?.1.split_whitespace().skip(11);
    let (user, system): (u64, u64) = (numbers.next()?.parse().ok()?, numbers.next()?.parse().ok()?);
    Some(Duration::from_millis(10 * (user + system)))
}

/// Loads a plugin and runs it over a tenth of a second, as the host would.
fn run(sandbox: &Sandbox, bytes: &[u8]) -> Result<Reading, Finding> {
    let plugin = sandbox.load(bytes, "test.wasm")?;
    let mut measurement = plugin.measurement();
    let start = Start {
        sample_rate_hz: 48_000.0,
        channels: 1,
        parameters: plugin.manifest().defaults(),
        ..Start::default()
    };
    measurement.start(&start)?;
    let samples = [0.25_f32; 4_800];
    measurement.feed(&Block { first_frame: 0, channels: &[&samples], gap: false });
    measurement.reading();
    let reading = measurement.finish();
    match reading.stopped() {
        Some(finding) => Err(finding.clone()),
        None => Ok(reading),
    }
}

/// Runs each and compares the finding's code, or one of two with `|` between, and a part of its text.
fn each_ends_in_its_finding(cases: Vec<(&str, Vec<u8>, &str, &str)>) {
    let sandbox = Sandbox::new().unwrap();
    for (name, bytes, code, part) in cases {
        let watch = Watch::start();
        let finding = run(&sandbox, &bytes).expect_err(name);
        let took = watch.elapsed();
        say(name, took, Some(&finding.code));
        assert!(code.split('|').any(|code| code == finding.code), "{name}: {finding:?} is not `{code}`");
        assert!(finding.text.contains(part), "{name}: {}", finding.text);
        assert!(took < LIMIT, "{name} took {took:?}");
        // The sandbox is none the worse for it.
        assert_eq!(run(&sandbox, &Module::default().bytes()).unwrap().values["level_db"], -3.5, "{name}");
    }
}

/// One line for whoever looks at the times: `cargo xtask hostile` reads it.
#[expect(clippy::print_stdout, reason = "the times are what is looked at")]
fn say(name: &str, took: Duration, why: Option<&str>) {
    println!("{:6.0} ms  {name}: {}", 1e3 * took.as_secs_f64(), why.unwrap_or("it is taken"));
}

/// A module of which one thing was changed.
fn with(change: impl FnOnce(&mut Module)) -> Vec<u8> {
    let mut module = Module::default();
    change(&mut module);
    module.bytes()
}

fn told(reading: &str) -> Vec<u8> {
    with(|module| module.told = reading.as_bytes().to_vec())
}

fn described(manifest: &str) -> Vec<u8> {
    with(|module| module.manifest = manifest.as_bytes().to_vec())
}

#[test]
fn an_endless_loop_is_stopped_wherever_it_is() {
    each_ends_in_its_finding(vec![
        (
            "in the start of the module",
            with(|m| m.extra = format!("(func $s {FOR_EVER}) (start $s)")),
            "plugin-time",
            "its start",
        ),
        (
            "in _initialize",
            with(|m| m.extra = format!("(func (export \"_initialize\") {FOR_EVER})")),
            "plugin-time",
            "its start",
        ),
        ("in abi_version", with(|m| m.abi_version = FOR_EVER.to_owned()), "plugin-time", "`abi_version`"),
        ("in describe", with(|m| m.describe = FOR_EVER.to_owned()), "plugin-time", "`describe`"),
        ("in alloc", with(|m| m.alloc = FOR_EVER.to_owned()), "plugin-time", "`alloc`"),
        ("in begin", with(|m| m.begin = FOR_EVER.to_owned()), "plugin-time", "`begin`"),
        ("in feed", with(|m| m.feed = FOR_EVER.to_owned()), "plugin-time", "`feed`"),
        ("in reading", with(|m| m.reading = FOR_EVER.to_owned()), "plugin-time", "`reading`"),
        ("in finish", with(|m| m.finish = FOR_EVER.to_owned()), "plugin-time", "`finish`"),
        (
            "of calls to the host",
            with(|m| {
                m.extra = "(import \"headrest\" \"real_fft\" (func $fft (param i32 i32 i32) (result i32)))"
                    .to_owned();
                m.feed = "(loop $again (drop (call $fft (i32.const 0) (i32.const 8192) (i32.const 0))) \
                          (br $again)) (unreachable)"
                    .to_owned();
            }),
            "plugin-time",
            "`feed`",
        ),
    ]);
}

#[test]
fn what_takes_memory_or_breaks_off_is_stopped() {
    let grow = "(loop $again (drop (memory.grow (i32.const 16))) (br $again)) (unreachable)";
    each_ends_in_its_finding(vec![
        (
            "memory without bounds",
            with(|m| m.feed = grow.to_owned()),
            "plugin-memory",
            "64 MiB of memory in `feed`",
        ),
        (
            "a gigabyte at once",
            with(|m| m.begin = "(memory.grow (i32.const 16384))".to_owned()),
            "plugin-memory",
            "in `begin`",
        ),
        (
            "two gigabytes from the beginning",
            with(|m| m.memory = "(memory (export \"memory\") 32768)"),
            "plugin-memory",
            "its start",
        ),
        (
            "a giant table",
            with(|m| m.extra = "(table 4000000 funcref)".to_owned()),
            "plugin-memory",
            "too large a table",
        ),
        (
            "deep recursion",
            with(|m| {
                m.feed = "(i32.add (i32.const 1) (call $feed (local.get 0) (local.get 1) (local.get 2) \
                          (local.get 3) (local.get 4)))"
                    .to_owned();
            }),
            "plugin-depth",
            "too deep in `feed`",
        ),
        ("a trap", with(|m| m.feed = "(unreachable)".to_owned()), "plugin-trap", "it gave up"),
        (
            "a write outside",
            with(|m| m.begin = "(i32.store (i32.const -4) (i32.const 1)) (i32.const 0)".to_owned()),
            "plugin-trap",
            "it reached outside its memory",
        ),
        (
            "a division by zero",
            with(|m| m.finish = "(i64.div_u (i64.const 1) (i64.const 0))".to_owned()),
            "plugin-trap",
            "it divided by zero",
        ),
        (
            "a call into nothing",
            with(|m| {
                m.extra = "(table 1 funcref)".to_owned();
                m.feed = "(call_indirect (result i32) (i32.const 0))".to_owned();
            }),
            "plugin-trap",
            "not there",
        ),
    ]);
}

#[test]
fn a_lie_about_places_lengths_and_numbers_is_not_believed() {
    let pair = |at: u64, length: u64| format!("(i64.const {})", ((at << 32) | length).cast_signed());
    each_ends_in_its_finding(vec![
        (
            "a manifest of 100 MB",
            with(|m| m.describe = pair(16, 100 << 20)),
            "plugin-answer",
            "104857600 bytes",
        ),
        (
            "a reading of 100 MB",
            with(|m| m.reading = pair(8192, 100 << 20)),
            "plugin-answer",
            "from `reading`",
        ),
        (
            "a reading of 4 GiB",
            with(|m| m.finish = pair(0, u64::from(u32::MAX))),
            "plugin-answer",
            "from `finish`",
        ),
        (
            "a reading outside",
            with(|m| m.finish = pair(500_000, 100_000)),
            "plugin-answer",
            "outside its own memory",
        ),
        (
            "a reading at the very end",
            with(|m| m.finish = pair(u64::from(u32::MAX), 100)),
            "plugin-answer",
            "outside its own memory",
        ),
        ("no memory for a block", with(|m| m.alloc = "(i32.const 0)".to_owned()), "plugin-memory", "`alloc`"),
        (
            "a block outside",
            with(|m| m.alloc = "(i32.const 524280)".to_owned()),
            "plugin-answer",
            "outside its own memory from `alloc`",
        ),
        (
            "a crooked place",
            with(|m| m.alloc = "(i32.const 1001)".to_owned()),
            "plugin-answer",
            "multiple of 8",
        ),
        (
            "a strange answer to a block",
            with(|m| m.feed = "(i32.const -7)".to_owned()),
            "plugin-answer",
            "returned -7",
        ),
        (
            "a strange answer to the beginning",
            with(|m| m.begin = "(i32.const 2)".to_owned()),
            "plugin-answer",
            "returned 2 from `begin`",
        ),
        (
            "a refusal without a reason",
            with(|m| m.begin = "(i32.const 1)".to_owned()),
            "plugin-refused",
            "did not say why",
        ),
        (
            "a transform outside",
            with(|m| {
                m.extra = "(import \"headrest\" \"real_fft\" (func $fft (param i32 i32 i32) (result i32)))"
                    .to_owned();
                m.feed = "(call $fft (i32.const 524000) (i32.const 1024) (i32.const 0))".to_owned();
            }),
            "plugin-answer",
            "gave `real_fft` a place outside",
        ),
        (
            "a log line outside",
            with(|m| {
                m.extra = "(import \"headrest\" \"log\" (func $log (param i32 i32)))".to_owned();
                m.begin = "(call $log (i32.const 0) (i32.const -1)) (i32.const 0)".to_owned();
            }),
            "plugin-answer",
            "gave `log` a place outside",
        ),
    ]);
}

#[test]
fn a_reading_that_breaks_the_contract_is_refused() {
    let many: Vec<String> = (0..300).map(|i| format!("\"v{i}\":1")).collect();
    let rows = vec!["[0]"; 20_000].join(",");
    let deep = "[".repeat(100_000);
    let invalid_utf8 = with(|m| m.told = b"{\"labels\":{\"a\":\"\xff\xfe\"}}".to_vec());
    let big = with(|m| {
        m.memory = "(memory (export \"memory\") 64)";
        m.told = format!("{{\"labels\":{{\"a\":\"{}\"}}}}", "x".repeat(200_000)).into_bytes();
        m.alloc = "(i32.const 1048576)".to_owned();
    });
    each_ends_in_its_finding(vec![
        ("not UTF-8", invalid_utf8, "plugin-answer", "not UTF-8"),
        ("not a number", told(r#"{"values":{"a_db":NaN}}"#), "plugin-reading", "not of the form"),
        ("infinite", told(r#"{"values":{"a_db":1e999}}"#), "plugin-reading", "not of the form"),
        (
            "infinite in a curve",
            told(r#"{"curves":{"c":{"x":[1,-2e400]}}}"#),
            "plugin-reading",
            "not of the form",
        ),
        ("not a number in words", told(r#"{"values":{"a_db":"nan"}}"#), "plugin-reading", "not of the form"),
        ("random text", told("once upon a time"), "plugin-reading", "not of the form"),
        ("nothing", told(""), "plugin-reading", "not of the form"),
        (
            "deep nesting",
            with(|m| {
                m.told = deep.into_bytes();
                m.memory = "(memory (export \"memory\") 16)";
            }),
            "plugin-reading",
            "not of the form",
        ),
        ("a key that is not ours", told(r#"{"sample_rate_hz":1}"#), "plugin-reading", "unknown field"),
        (
            "300 values",
            told(&format!("{{\"values\":{{{}}}}}", many.join(","))),
            "plugin-reading",
            "300 values",
        ),
        (
            "20,000 rows",
            with(|m| {
                m.told =
                    format!("{{\"tables\":{{\"t\":{{\"columns\":[\"a\"],\"rows\":[{rows}]}}}}}}").into_bytes()
            }),
            "plugin-reading",
            "20000 rows",
        ),
        ("a giant label", big, "plugin-reading", "longer than 200"),
        (
            "uneven columns",
            told(r#"{"curves":{"c":{"x_s":[1,2],"y_db":[1]}}}"#),
            "plugin-reading",
            "differ in length",
        ),
        (
            "a short row",
            told(r#"{"tables":{"t":{"columns":["a","b"],"rows":[[1]]}}}"#),
            "plugin-reading",
            "not as long as its header",
        ),
        ("an escape sequence", told("{\"labels\":{\"a\":\"\\u001b[2J\"}}"), "plugin-reading", "U+001B"),
        (
            "a finding of the host's",
            told(r#"{"findings":[{"level":"stop","code":"plugin-time","text":"a"}]}"#),
            "plugin-reading",
            "the host's to make",
        ),
    ]);
}

#[test]
fn a_manifest_that_lies_is_refused() {
    let changed = |from: &str, to: &str| {
        assert!(MANIFEST.contains(from));
        described(&MANIFEST.replace(from, to))
    };
    each_ends_in_its_finding(vec![
        ("a built-in one's name", changed("test.plugin", "level"), "plugin-manifest", "not a dotted name"),
        ("a path for a name", changed("test.plugin", "../../x.y"), "plugin-manifest", "not a dotted name"),
        (
            "a default out of range",
            changed("\"default\":1", "\"default\":3"),
            "plugin-manifest",
            "its default",
        ),
        ("an infinite range", changed("\"max\":2", "\"max\":2e999"), "plugin-manifest", "not of the form"),
        ("a range without a bound", changed(",\"max\":2", ""), "plugin-manifest", "not of the form"),
        ("version 0", changed("\"version\":1", "\"version\":0"), "plugin-manifest", "count from 1"),
        (
            "absurd channels",
            changed("\"version\":1", "\"version\":1,\"channels\":4000000000"),
            "plugin-manifest",
            "4000000000 channels",
        ),
        (
            "a stimulus that would burn a tweeter",
            changed(
                "\"version\":1",
                r#""version":1,"stimulus":{"suggested":{"name":"x","segments":[{"duration_s":1,"peak_dbfs":40,
                "signal":{"kind":"sine","frequency_hz":1000}}]}}"#,
            ),
            "plugin-manifest",
            "louder than full scale",
        ),
        (
            "a stimulus of a week",
            changed(
                "\"version\":1",
                r#""version":1,"stimulus":{"known":{"name":"x","segments":[{"duration_s":604800,"signal":{"kind":"silence"}}]}}"#,
            ),
            "plugin-manifest",
            "longer than 300 s",
        ),
        (
            "an unknown key",
            changed("\"version\":1", "\"version\":1,\"root\":true"),
            "plugin-manifest",
            "unknown field",
        ),
        ("no manifest", described("{}"), "plugin-manifest", "missing field"),
    ]);
}

#[test]
fn a_file_that_is_no_plugin_is_refused() {
    let whole = Module::default().bytes();
    let cut = whole[..whole.len() - 20].to_vec();
    let random: Vec<u8> = (0..5_000_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    let garbage_after_header = [b"\0asm\x01\0\0\0".as_slice(), &random].concat();
    let component = b"\0asm\x0d\0\x01\0".to_vec();
    let nops = format!("(func {})", "(nop)".repeat(200_000));
    each_ends_in_its_finding(vec![
        ("an empty file", vec![], "plugin-unreadable", "is not a WebAssembly module"),
        ("random bytes", random, "plugin-unreadable", "is not a WebAssembly module"),
        ("a header and random bytes", garbage_after_header, "plugin-unreadable", "damaged"),
        ("a truncated file", cut, "plugin-unreadable", "damaged or cut short"),
        (
            "a function that does not hold together",
            with(|m| m.feed = "(i64.const 0)".to_owned()),
            "plugin-unreadable",
            "cannot be compiled",
        ),
        ("a component", component, "plugin-unreadable", "component"),
        ("a giant file", vec![0; 3 << 20], "plugin-unreadable", "3145728 bytes"),
        ("a giant function", with(|m| m.extra = nops), "plugin-unreadable", "a function of"),
        (
            "an older interface",
            with(|m| m.abi_version = "(i32.const 0)".to_owned()),
            "plugin-abi",
            "an older one",
        ),
        (
            "a newer interface",
            with(|m| m.abi_version = "(i32.const 2)".to_owned()),
            "plugin-abi",
            "a newer one",
        ),
        (
            "a module for something else",
            wat::parse_str("(module)").unwrap(),
            "plugin-exports",
            "`abi_version`",
        ),
        (
            "a function of another form",
            with(|m| {
                m.extra = "(func (export \"_initialize\") (param i32))".to_owned();
                m.abi_version = "(i32.const 3)".to_owned();
            }),
            "plugin-abi",
            "version 3",
        ),
        (
            "a wish for the file system",
            with(|m| {
                m.extra = "(import \"wasi_snapshot_preview1\" \"fd_write\" (func (param i32) (result i32)))"
                    .to_owned()
            }),
            "plugin-imports",
            "wasi_snapshot_preview1.fd_write",
        ),
        (
            "a wish for the log in another form",
            with(|m| m.extra = "(import \"headrest\" \"log\" (func (param f64)))".to_owned()),
            "plugin-imports",
            "another form",
        ),
    ]);
}

#[test]
fn an_export_of_another_form_is_refused() {
    let text = r#"(module (memory (export "memory") 1)
        (func (export "abi_version") (result i32) (i32.const 1))
        (func (export "alloc") (param f32) (result i32) (i32.const 8))
        (func (export "describe") (result i64) (i64.const 0))
        (func (export "begin") (result i32) (i32.const 0))
        (func (export "feed") (result i32) (i32.const 0))
        (func (export "reading") (result i64) (i64.const 0))
        (func (export "finish") (result i64) (i64.const 0)))"#;
    each_ends_in_its_finding(vec![(
        "alloc takes a float",
        wat::parse_str(text).unwrap(),
        "plugin-exports",
        "exports `alloc` with other arguments",
    )]);
}

#[test]
fn after_a_fault_a_plugin_is_never_called_again() {
    let sandbox = Sandbox::new().unwrap();
    let plugin = sandbox.load(&with(|m| m.feed = FOR_EVER.to_owned()), "t").unwrap();
    let mut measurement = plugin.measurement();
    let start = Start { sample_rate_hz: 48_000.0, channels: 1, ..Start::default() };
    measurement.start(&start).unwrap();
    let samples = [0.0_f32; 100];
    let block = Block { first_frame: 0, channels: &[&samples], gap: false };
    assert_eq!(measurement.feed(&block), Feed::Enough);
    // Another half second each, if it were asked.
    let watch = Watch::start();
    for _ in 0..100 {
        assert_eq!(measurement.feed(&block), Feed::Enough);
        assert_eq!(measurement.reading().stopped().unwrap().code, "plugin-time");
    }
    assert_eq!(measurement.finish().stopped().unwrap().code, "plugin-time");
    assert!(watch.elapsed() < Duration::from_millis(200));
    // It may be started again, in a memory of its own.
    assert!(measurement.start(&start).is_ok());
}

/// The memory of this process in use, in bytes.
#[cfg(target_os = "linux")]
fn resident_bytes() -> usize {
    let pages = std::fs::read_to_string("/proc/self/statm").unwrap();
    pages.split_whitespace().nth(1).unwrap().parse::<usize>().unwrap() * 4_096
}

#[cfg(target_os = "linux")]
#[test]
fn the_memory_of_a_plugin_returns_when_it_has_ended() {
    // It takes 60 MiB and writes to all of it before it breaks off.
    let greedy = with(|m| {
        m.feed = "(drop (memory.grow (i32.const 950))) \
                  (memory.fill (i32.const 0) (i32.const 1) (i32.const 62000000)) (unreachable)"
            .to_owned();
    });
    let sandbox = Sandbox::new().unwrap();
    assert_eq!(run(&sandbox, &greedy).unwrap_err().code, "plugin-trap");
    let before = resident_bytes();
    for _ in 0..8 {
        assert_eq!(run(&sandbox, &greedy).unwrap_err().code, "plugin-trap");
    }
    let grown = resident_bytes().saturating_sub(before);
    // Sixteen times as much passed through.
    assert!(grown < 30 << 20, "{grown} bytes more");
}
