//! Every harm in every place where a plugin's code runs.

use sandbox::Sandbox;

use crate::module::Module;
use crate::{LIMIT, Watch, run, say, with};

/// What a harm needs beside the place where it is done.
const EXTRA: &str = r#"
    (import "headrest" "real_fft" (func $fft (param i32 i32 i32) (result i32)))
    (import "headrest" "log" (func $log (param i32 i32)))
    (type $nothing (func))
    (type $other (func (param f32)))
    (table $t 8 funcref)
    (table $grows 1 funcref)
    (elem (table $t) (i32.const 0) func $through $idle)
    (func $idle)
    (func $deeper (local f64 f64 f64 f64) (call $deeper) (call $deeper))
    (func $tail (return_call $tail))
    (func $through (return_call_indirect $t (type $nothing) (i32.const 0)))
    (func $wide (local i64 i64 i64 i64 v128 v128 v128 v128) (call $wide) (call $wide))
    (data $piece "0123456789abcdef")
"#;

/// Each harm, and the code of the finding in which it ends.
const HARMS: &[(&str, &str, &str)] = &[
    ("a loop without end", "(loop $again (br $again))", "plugin-time"),
    (
        "a loop within a loop within a loop",
        "(loop $a (loop $b (loop $c (br_if $c (i32.eqz (i32.const 0))) (br $b)) (br $a)))",
        "plugin-time",
    ),
    ("a loop that always goes on", "(loop $a (br_table $a $a $a (i32.const 7)))", "plugin-time"),
    ("recursion", "(call $deeper)", "plugin-depth"),
    ("recursion with wide frames", "(call $wide)", "plugin-depth"),
    ("calls in a tail without end", "(call $tail)", "plugin-time"),
    ("the same through a table", "(call $through)", "plugin-time"),
    ("calls without end", "(loop $again (call $idle) (br $again))", "plugin-time"),
    (
        "calls through a table without end",
        "(loop $again (call_indirect $t (type $nothing) (i32.const 1)) (br $again))",
        "plugin-time",
    ),
    (
        "memory piece by piece",
        "(loop $again (drop (memory.grow (i32.const 1))) (br $again))",
        "plugin-memory",
    ),
    ("memory at once", "(drop (memory.grow (i32.const 65000)))", "plugin-memory"),
    (
        "a table that grows",
        "(loop $again (drop (table.grow $grows (ref.null func) (i32.const 100))) (br $again))",
        "plugin-memory",
    ),
    (
        "memory filled again and again",
        "(loop $again (memory.fill (i32.const 262144) (i32.const 1) (i32.const 200000)) (br $again))",
        "plugin-time",
    ),
    (
        "all the memory filled again and again",
        "(drop (memory.grow (i32.const 900))) \
         (loop $again (memory.fill (i32.const 262144) (i32.const 1) (i32.const 59000000)) (br $again))",
        "plugin-time",
    ),
    (
        "all the memory moved again and again",
        "(drop (memory.grow (i32.const 900))) \
         (loop $again (memory.copy (i32.const 262144) (i32.const 262149) (i32.const 59000000)) (br $again))",
        "plugin-time",
    ),
    (
        "a piece of data copied again and again",
        "(loop $again (memory.init $piece (i32.const 262144) (i32.const 0) (i32.const 16)) (br $again))",
        "plugin-time",
    ),
    (
        "a table filled again and again",
        "(loop $again (table.fill $t (i32.const 0) (ref.null func) (i32.const 8)) (br $again))",
        "plugin-time",
    ),
    (
        "transforms of a prime length",
        "(loop $again (drop (call $fft (i32.const 0) (i32.const 16381) (i32.const 262144))) (br $again))",
        "plugin-time",
    ),
    (
        "transforms of ever another length",
        "(global.set $n (i32.const 4096)) (loop $again \
         (global.set $n (i32.add (i32.and (i32.add (global.get $n) (i32.const 1)) (i32.const 16383)) (i32.const 2))) \
         (drop (call $fft (i32.const 0) (global.get $n) (i32.const 262144))) (br $again))",
        "plugin-time",
    ),
    (
        "lines for the log without end",
        "(loop $again (call $log (i32.const 0) (i32.const 200000)) (br $again))",
        "plugin-time",
    ),
    (
        "divisions of the slowest kind",
        "(global.set $x (i64.const -1)) (loop $again \
         (global.set $x (i64.div_u (i64.const -3) (i64.or (global.get $x) (i64.const 1)))) (br $again))",
        "plugin-time",
    ),
    (
        "numbers too small to be normal",
        "(global.set $y (f64.const 0x1p-1060)) (loop $again \
         (global.set $y (f64.add (f64.mul (global.get $y) (f64.const 0.5)) (f64.const 0x1p-1070))) (br $again))",
        "plugin-time",
    ),
    ("giving up", "(unreachable)", "plugin-trap"),
    ("a write far outside", "(i64.store (i32.const -1) (i64.const 1))", "plugin-trap"),
    ("a read just outside", "(drop (i64.load (i32.const 524281)))", "plugin-trap"),
    (
        "memory filled beyond its end",
        "(memory.fill (i32.const 9) (i32.const 1) (i32.const -1))",
        "plugin-trap",
    ),
    ("a division by zero", "(drop (i32.rem_u (i32.const 1) (i32.const 0)))", "plugin-trap"),
    (
        "the one division that overflows",
        "(drop (i64.div_s (i64.const 0x8000000000000000) (i64.const -1)))",
        "plugin-trap",
    ),
    ("a number that is none", "(drop (i32.trunc_f64_s (f64.const nan)))", "plugin-trap"),
    ("a call of nothing", "(call_indirect $t (type $nothing) (i32.const 5))", "plugin-trap"),
    ("a call beyond the table", "(call_indirect $t (type $nothing) (i32.const -1))", "plugin-trap"),
    (
        "a call as something else",
        "(call_indirect $t (type $other) (f32.const 0) (i32.const 1))",
        "plugin-trap",
    ),
    (
        "a transform outside its memory",
        "(drop (call $fft (i32.const -8) (i32.const 1024) (i32.const 0)))",
        "plugin-answer",
    ),
    ("a line of the log outside", "(call $log (i32.const -1) (i32.const -1))", "plugin-answer"),
];

/// Where the code of a plugin runs.
const PLACES: &[&str] =
    &["start", "_initialize", "abi_version", "describe", "alloc", "begin", "feed", "reading", "finish"];

/// How many of the pairs are tried unless all of them are asked for: every so many.
const EVERY: usize = 19;

fn does(harm: &str, place: &str) -> Vec<u8> {
    // Behind an instruction that is never reached, any function holds together.
    let body = format!("{harm} (unreachable)");
    with(|m| {
        m.extra = format!(
            "{EXTRA}(global $n (mut i32) (i32.const 0)) (global $x (mut i64) (i64.const 0)) (global $y (mut f64) (f64.const 0))"
        );
        match place {
            "start" => m.extra += &format!("(func $s {body}) (start $s)"),
            "_initialize" => m.extra += &format!("(func (export \"_initialize\") {body})"),
            "abi_version" => m.abi_version = body,
            "describe" => m.describe = body,
            "alloc" => m.alloc = body,
            "begin" => m.begin = body,
            "feed" => m.feed = body,
            "reading" => m.reading = body,
            "finish" => m.finish = body,
            other => panic!("there is no place `{other}`"),
        }
    })
}

#[test]
fn every_harm_in_every_place_ends_in_its_finding() {
    let sandbox = Sandbox::new().unwrap();
    let all = std::env::var_os("HEADREST_THOROUGH").is_some();
    // The second is a bar on a machine that does nothing else; the limits within are far below it.
    let limit = if all { LIMIT } else { 8 * LIMIT };
    let pairs = HARMS.iter().flat_map(|harm| PLACES.iter().map(move |place| (harm, place)));
    let mut count = 0;
    for ((name, harm, code), place) in pairs.step_by(if all { 1 } else { EVERY }) {
        let bytes = does(harm, place);
        let watch = Watch::start();
        let finding = run(&sandbox, &bytes).expect_err(name);
        let took = watch.elapsed();
        let name = format!("{name}, in `{place}`");
        say(&name, took, Some(&finding.code));
        assert_eq!(finding.code, *code, "{name}: {}", finding.text);
        assert!(took < limit, "{name} took {took:?}");
        count += 1;
    }
    assert!(count >= HARMS.len() * PLACES.len() / if all { 1 } else { EVERY });
    // The sandbox is none the worse for all of it.
    assert_eq!(run(&sandbox, &Module::default().bytes()).unwrap().values["level_db"], -3.5);
}
