//! A first look at a plugin's file, before anything of it is compiled.
//!
//! Compiling cannot be interrupted, and for some shapes of code it takes far longer
//! than in proportion to their size. So the work that it will be is added up here, and
//! a file that would take longer than about a second is not begun.

use wasmparser::{
    BlockType, CompositeInnerType, ElementItems, ExternalKind, FunctionBody, Operator, Parser, Payload,
    TypeRef,
};

use crate::abi::{
    ABI_VERSION, Entry, HOST_MODULE, MOST_EXPORTS, MOST_FILE_BYTES, MOST_FUNCTION_BYTES, MOST_FUNCTIONS,
    MOST_GLOBALS, MOST_INDIRECT_CALLS, MOST_LISTS, MOST_LONG_INSTRUCTIONS, MOST_LOOPS, MOST_NESTED_LOOPS,
    MOST_NESTING, MOST_TABLE_ENTRIES, MOST_TYPES, MOST_VALUES, MOST_WORK,
};
use crate::fault::{Fault, Kind};

/// What the host offers.
const OFFERED: &[&str] = &["log", "real_fft"];

/// What a plugin must offer beside its memory.
const WANTED: &[Entry] = &[
    Entry::AbiVersion,
    Entry::Alloc,
    Entry::Describe,
    Entry::Begin,
    Entry::Feed,
    Entry::Reading,
    Entry::Finish,
];

/// Looks a file over.
///
/// # Errors
/// When it is none that could be a plugin.
pub(crate) fn vet(bytes: &[u8]) -> Result<(), Fault> {
    if bytes.len() > MOST_FILE_BYTES {
        return Err(unreadable(format!("has {} bytes; at most {MOST_FILE_BYTES} are taken", bytes.len())));
    }
    if !bytes.starts_with(b"\0asm") {
        return Err(unreadable("is not a WebAssembly module".to_owned()));
    }
    let mut exports = Vec::new();
    let mut shapes = Shapes::default();
    let mut work = 0;
    for payload in Parser::new(0).parse_all(bytes) {
        match payload.map_err(damaged)? {
            Payload::Version { encoding, .. } if encoding != wasmparser::Encoding::Module => {
                return Err(unreadable("is a WebAssembly component; a core module is expected".to_owned()));
            }
            Payload::TypeSection(section) => {
                at_most("types", section.count(), MOST_TYPES)?;
                for group in section {
                    for (_, kind) in group.map_err(damaged)?.into_types_and_offsets() {
                        shapes.push(&kind.composite_type.inner)?;
                    }
                }
            }
            Payload::ImportSection(section) => {
                at_most("imports", section.count(), MOST_LISTS)?;
                for import in section.into_imports() {
                    let import = import.map_err(damaged)?;
                    check_import(import.module, import.name, import.ty)?;
                    if let TypeRef::Func(kind) = import.ty {
                        shapes.functions.push(kind);
                    }
                }
            }
            Payload::FunctionSection(section) => {
                at_most("functions", section.count(), MOST_FUNCTIONS)?;
                for kind in section {
                    shapes.functions.push(kind.map_err(damaged)?);
                }
            }
            Payload::ExportSection(section) => {
                at_most("exports", section.count(), MOST_EXPORTS)?;
                for export in section {
                    let export = export.map_err(damaged)?;
                    exports.push((export.name, export.kind));
                }
            }
            Payload::TableSection(section) => at_most("tables", section.count(), MOST_LISTS)?,
            Payload::GlobalSection(section) => at_most("globals", section.count(), MOST_GLOBALS)?,
            Payload::DataSection(section) => at_most("pieces of data", section.count(), MOST_GLOBALS)?,
            Payload::ElementSection(section) => {
                at_most("lists of functions", section.count(), MOST_LISTS)?;
                let mut entries = 0_u32;
                for list in section {
                    entries = entries.saturating_add(match list.map_err(damaged)?.items {
                        ElementItems::Functions(items) => items.count(),
                        ElementItems::Expressions(_, items) => items.count(),
                    });
                }
                at_most("entries in lists of functions", entries, MOST_TABLE_ENTRIES as u32)?;
            }
            Payload::CodeSectionEntry(body) => {
                work += function_work(&body, &shapes)?;
                // In the middle of the file, so that the looking over is short, too.
                if work > MOST_WORK {
                    return Err(unreadable(
                        "is too much code, or of too costly a shape, to be compiled".to_owned(),
                    ));
                }
            }
            _ => {}
        }
    }
    check_exports(&exports)
}

fn unreadable(why: String) -> Fault {
    Fault::new(Kind::Unreadable, why)
}

fn damaged(error: wasmparser::BinaryReaderError) -> Fault {
    unreadable(format!("is damaged or cut short, at byte {}", error.offset()))
}

fn at_most(what: &str, count: u32, most: u32) -> Result<(), Fault> {
    if count <= most {
        Ok(())
    } else {
        Err(unreadable(format!("has {count} {what}; at most {most} are taken")))
    }
}

/// How many values go into and come out of each type of function, and which type each
/// function has.
#[derive(Default)]
struct Shapes {
    values: Vec<u64>,
    functions: Vec<u32>,
}

impl Shapes {
    fn push(&mut self, kind: &CompositeInnerType) -> Result<(), Fault> {
        let CompositeInnerType::Func(function) = kind else {
            return Err(unreadable("has types that are no functions".to_owned()));
        };
        let values = function.params().len() + function.results().len();
        if values > MOST_VALUES {
            return Err(unreadable(format!(
                "has a function of {values} parameters and results; at most {MOST_VALUES} are taken"
            )));
        }
        self.values.push(values as u64);
        Ok(())
    }

    /// Of a type; an unknown one is found by the compiler.
    fn of_type(&self, index: u32) -> u64 {
        self.values.get(index as usize).copied().unwrap_or(0)
    }

    fn of_function(&self, index: u32) -> u64 {
        self.functions.get(index as usize).map_or(0, |kind| self.of_type(*kind))
    }

    fn of_block(&self, block: BlockType) -> u64 {
        match block {
            BlockType::Empty => 0,
            BlockType::Type(_) => 1,
            BlockType::FuncType(kind) => self.of_type(kind),
        }
    }
}

/// How much work it is to compile a function, in operators of the plainest kind.
fn function_work(body: &FunctionBody<'_>, shapes: &Shapes) -> Result<u64, Fault> {
    let bytes = body.range().len();
    if bytes > MOST_FUNCTION_BYTES {
        return Err(unreadable(format!(
            "has a function of {bytes} bytes; at most {MOST_FUNCTION_BYTES} are taken"
        )));
    }
    let mut locals = 0_u64;
    for declared in body.get_locals_reader().map_err(damaged)? {
        locals += u64::from(declared.map_err(damaged)?.0);
    }
    let mut work = 100 + locals;
    let mut operators = 0_u64;
    let mut joins = 0_u64;
    let mut long = 0_usize;
    // For each block that is open, whether it is a loop.
    let mut open: Vec<bool> = Vec::new();
    let mut open_loops = 0_usize;
    let mut loops = 0_usize;
    let mut indirect = 0_usize;
    for operator in body.get_operators_reader().map_err(damaged)? {
        let operator = operator.map_err(damaged)?;
        work += 1;
        operators += 1;
        match operator {
            Operator::Block { blockty } | Operator::If { blockty } => {
                work += shapes.of_block(blockty);
                joins += 1;
                open.push(false);
            }
            Operator::Loop { blockty } => {
                work += LOOP + shapes.of_block(blockty);
                joins += 1;
                open.push(true);
                open_loops += 1;
                loops += 1;
            }
            Operator::End => open_loops -= usize::from(open.pop() == Some(true)),
            Operator::Call { function_index } | Operator::ReturnCall { function_index } => {
                work += CALL + shapes.of_function(function_index);
            }
            Operator::CallIndirect { type_index, .. } | Operator::ReturnCallIndirect { type_index, .. } => {
                work += INDIRECT_CALL + shapes.of_type(type_index);
                indirect += 1;
            }
            Operator::BrTable { targets } => work += u64::from(targets.len()),
            Operator::MemoryFill { .. }
            | Operator::MemoryCopy { .. }
            | Operator::MemoryInit { .. }
            | Operator::TableFill { .. }
            | Operator::TableCopy { .. }
            | Operator::TableInit { .. } => long += 1,
            _ => {}
        }
        if open.len() > MOST_NESTING || open_loops > MOST_NESTED_LOOPS {
            return Err(unreadable(format!(
                "has blocks nested more than {MOST_NESTING} deep, or loops more than {MOST_NESTED_LOOPS}"
            )));
        }
    }
    if loops > MOST_LOOPS {
        return Err(unreadable(format!("has a function with {loops} loops; at most {MOST_LOOPS} are taken")));
    }
    if indirect > MOST_INDIRECT_CALLS {
        return Err(unreadable(format!(
            "has a function with {indirect} calls through a table; at most {MOST_INDIRECT_CALLS} are taken"
        )));
    }
    if long > MOST_LONG_INSTRUCTIONS {
        return Err(unreadable(format!(
            "has a function with {long} instructions that fill or copy memory; at most {MOST_LONG_INSTRUCTIONS} are taken"
        )));
    }
    let loops = loops as u64;
    let beyond_proportion = operators * operators / TWICE_THE_WORK + loops * loops / TWICE_THE_LOOPS * LOOP;
    Ok(work + beyond_proportion + joins * locals / JOINS_PER_OPERATOR)
}

/// A function of so many operators takes twice as long as in proportion: registers are given out
/// over the whole of it. A hundred thousand square roots in a row took half a second and more.
const TWICE_THE_WORK: u64 = 50_000;

/// The same for loops: eighteen functions of a thousand of them took more than a second.
const TWICE_THE_LOOPS: u64 = 1_000;

/// What a call costs beside its values.
const CALL: u64 = 4;

/// What a call through a table costs beside its values.
const INDIRECT_CALL: u64 = 60;

/// What a loop costs.
const LOOP: u64 = 30;

/// At each place where ways through the code join, each local may need a value of its
/// own; so many of them are as much work as one operator.
const JOINS_PER_OPERATOR: u64 = 16;

fn check_import(module: &str, name: &str, kind: TypeRef) -> Result<(), Fault> {
    if module == HOST_MODULE && OFFERED.contains(&name) && matches!(kind, TypeRef::Func(_)) {
        return Ok(());
    }
    let name = crate::text::quoted(&format!("{module}.{name}"));
    Err(Fault::new(
        Kind::Imports,
        format!(
            "asks for {name}, which is not offered (there are {HOST_MODULE}.log and {HOST_MODULE}.real_fft)"
        ),
    ))
}

fn check_exports(exports: &[(&str, ExternalKind)]) -> Result<(), Fault> {
    let lacks = |what: String| Err(Fault::new(Kind::Exports, format!("does not export {what}")));
    // Without this one, it is a module for something else altogether.
    if !exports.contains(&(Entry::AbiVersion.name(), ExternalKind::Func)) {
        return lacks(format!("`{}`, by which a plugin for Headrest is known", Entry::AbiVersion.name()));
    }
    if !exports.contains(&("memory", ExternalKind::Memory)) {
        return lacks("its `memory`".to_owned());
    }
    match WANTED.iter().find(|entry| !exports.contains(&(entry.name(), ExternalKind::Func))) {
        // A plugin for another version may export other functions.
        Some(entry) => {
            lacks(format!("the function `{}` of version {ABI_VERSION} of the interface", entry.name()))
        }
        None => Ok(()),
    }
}
