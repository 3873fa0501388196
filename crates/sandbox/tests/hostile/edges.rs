//! Files that are just within the limits, and instructions that take long by themselves: each ends within its
//! second, in a reading or in a finding.

use std::time::Duration;

use sandbox::Sandbox;

use crate::module::Module;
use crate::{Watch, run, say, with};

/// How long one may take. The development build compiles several times slower than what people use.
const LIMIT: Duration = Duration::from_secs(if cfg!(debug_assertions) { 8 } else { 1 });

fn functions(count: usize, body: &str) -> String {
    format!("(func {body})").repeat(count)
}

fn within(open: &str, close: &str, depth: usize, core: &str) -> String {
    format!("{}{core}{}", open.repeat(depth), close.repeat(depth))
}

fn locals(count: usize, kind: &str) -> String {
    format!("(local {})", format!("{kind} ").repeat(count))
}

fn set(count: usize) -> String {
    (0..count).map(|n| format!("(local.set {n} (i32.add (local.get {n}) (i32.const 1)))")).collect()
}

/// Functions beside those of a well-behaved plugin.
fn shapes() -> Vec<(&'static str, String)> {
    let chain = |operator: &str, times: usize| {
        format!("(local f64 i64 i32) (local.get 0) {} (drop)", operator.repeat(times))
    };
    let joins = format!("(block (br_if 0 (local.get 0)) {})", set(10));
    let memory = "(i32.store (i32.const 8) (i32.load (i32.const 16)))";
    let wide = format!("(br_table {} (i32.const 0))", "0 ".repeat(60_000));
    let handed = "(block (result i32) (br_if 0 (i32.const 1) (i32.const 2))) (drop)";
    vec![
        ("as many empty functions as are taken", functions(5_800, "")),
        ("one long chain of roots", functions(4, &chain("(f64.sqrt)", 100_000))),
        ("long chains of products", functions(5, &chain("(f64.const 1.5) (f64.mul)", 11_000))),
        ("chains of divisions", {
            let body = "(i64.const 7) (i64.div_s)".repeat(30_000);
            functions(5, &format!("(local i64) (local.get 0) {body} (drop)"))
        }),
        ("chains of roundings", functions(4, &chain("(i32.trunc_sat_f64_s) (f64.convert_i32_s)", 30_000))),
        ("vectors", {
            let body = "(f64x2.mul (local.get 0))".repeat(20_000);
            functions(6, &format!("(local v128) (local.get 0) {body} (drop)"))
        }),
        ("blocks as deep as is taken", functions(280, &within("(block ", ")", 990, ""))),
        ("ifs as deep as is taken", functions(140, &within("(if (i32.const 1) (then ", "))", 990, ""))),
        ("loops as deep as is taken", functions(450, &within("(loop ", ")", 32, ""))),
        ("loops beside each other", functions(18, &"(loop)".repeat(1_000))),
        ("more loops beside each other", functions(9, &"(loop)".repeat(30_000))),
        ("deep loops with many values", {
            let body = within("(loop ", ")", 32, &set(30));
            functions(80, &format!("{}{body}", locals(60, "i32")))
        }),
        ("joins of some values", functions(120, &format!("{}{}", locals(40, "i32"), joins.repeat(40)))),
        ("joins of many values", functions(3, &format!("{}{}", locals(1_000, "i32"), joins.repeat(60)))),
        ("as many locals as are taken", functions(11, &locals(49_000, "i64"))),
        ("as many vectors as are taken", functions(11, &locals(49_000, "v128"))),
        ("as many calls as are taken", format!("(func $c){}", functions(4, &"(call $c)".repeat(29_000)))),
        ("indirect calls", {
            let body = "(call_indirect (i32.const 0))".repeat(1_000);
            format!("(table 1 funcref) {}", functions(9, &body))
        }),
        ("more indirect calls", {
            let body = "(call_indirect (i32.const 0))".repeat(20_000);
            format!("(table 1 funcref) {}", functions(4, &body))
        }),
        ("jumps as wide as are taken", functions(9, &wide)),
        ("values handed out of blocks", functions(5, &handed.repeat(9_000))),
        ("loads and stores", functions(8, &memory.repeat(9_000))),
        ("globals without end", "(global i32 (i32.const 0))".repeat(200_000)),
        ("data in a hundred thousand pieces", "(data \"\\01\")".repeat(100_000)),
        ("lists of functions without end", "(elem func 0 1)".repeat(100_000)),
        ("a list of functions as long as the file", format!("(elem func {})", "0 ".repeat(1_500_000))),
        ("the same import without end", {
            "(import \"headrest\" \"log\" (func (param i32 i32)))".repeat(50_000)
        }),
        ("tables without end", "(table 10 funcref)".repeat(10_000)),
        ("a note as long as the file", format!("(@custom \"x\" \"{}\")", "y".repeat(1_900_000))),
    ]
}

#[test]
fn what_is_just_within_the_limits_is_compiled_in_its_second() {
    let sandbox = Sandbox::new().unwrap();
    for (name, extra) in shapes() {
        let bytes = Module { extra, ..Module::default() }.bytes();
        let watch = Watch::start();
        let result = run(&sandbox, &bytes);
        let took = watch.elapsed();
        say(name, took, result.as_ref().err().map(|finding| finding.text.as_str()));
        assert!(took < LIMIT, "{name} took {took:?}");
    }
}

/// The clock looks where a function begins and where a loop turns; between, one instruction may fill all the memory.
#[test]
fn instructions_that_take_long_are_few_in_a_row() {
    let sandbox = Sandbox::new().unwrap();
    let straight = |instruction: &str, times: usize| {
        with(|m| {
            m.memory = r#"(memory (export "memory") 1024)"#;
            m.extra = "(table $t 20000 funcref) (func $f) (elem declare func $f)".to_owned();
            m.feed = format!("{}(i32.const 0)", instruction.repeat(times));
        })
    };
    let called = |times: usize| {
        let bytes = "(i32.const 262144) (i32.const 1) (i32.const 60000000)";
        with(|m| {
            m.memory = r#"(memory (export "memory") 1024)"#;
            m.extra = format!("(func $fill (memory.fill {bytes}))");
            m.feed = format!("{}(i32.const 0)", "(call $fill)".repeat(times));
        })
    };
    let fill = "(memory.fill (i32.const 262144) (i32.const 1) (i32.const 60000000))";
    let copy = "(memory.copy (i32.const 262144) (i32.const 300000) (i32.const 60000000))";
    let table = "(table.fill $t (i32.const 0) (ref.func $f) (i32.const 20000))";
    for (name, bytes) in [
        ("thousands of fills in a row", straight(fill, 7_000)),
        ("thousands of copies in a row", straight(copy, 7_000)),
        ("thousands of tables filled in a row", straight(table, 7_000)),
        ("as many fills in a row as are taken", straight(fill, 48)),
        ("as many copies in a row as are taken", straight(copy, 48)),
        ("fills in thousands of calls", called(5_000)),
        (
            "a tail of calls without end",
            with(|m| {
                m.extra = "(func $again (return_call $again))".to_owned();
                m.feed = "(call $again) (i32.const 0)".to_owned();
            }),
        ),
    ] {
        let watch = Watch::start();
        let result = run(&sandbox, &bytes);
        let took = watch.elapsed();
        say(name, took, result.as_ref().err().map(|finding| finding.text.as_str()));
        assert!(took < Duration::from_millis(1_500), "{name} took {took:?}");
        if !name.contains("are taken") {
            let code = result.expect_err(name).code;
            assert!(["plugin-unreadable", "plugin-time"].contains(&code.as_str()), "{name}: {code}");
        }
    }
}
