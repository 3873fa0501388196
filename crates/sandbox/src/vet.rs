//! A first look at a plugin's file, before anything of it is compiled.
//!
//! Compiling cannot be interrupted, and it takes longer than in proportion for
//! a large function. So size and shape are bounded here.

use wasmparser::{ExternalKind, Parser, Payload, TypeRef};

use crate::abi::{ABI_VERSION, Entry, HOST_MODULE, MOST_FILE_BYTES, MOST_FUNCTION_BYTES, MOST_FUNCTIONS};
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
    let unreadable = |why: String| Fault::new(Kind::Unreadable, why);
    if bytes.len() > MOST_FILE_BYTES {
        return Err(unreadable(format!("has {} bytes; at most {MOST_FILE_BYTES} are taken", bytes.len())));
    }
    if !bytes.starts_with(b"\0asm") {
        return Err(unreadable("is not a WebAssembly module".to_owned()));
    }
    let mut exports = Vec::new();
    let mut functions = 0;
    for payload in Parser::new(0).parse_all(bytes) {
        let damaged = |error: wasmparser::BinaryReaderError| {
            unreadable(format!("is damaged or cut short, at byte {}", error.offset()))
        };
        match payload.map_err(damaged)? {
            Payload::Version { encoding, .. } if encoding != wasmparser::Encoding::Module => {
                return Err(unreadable("is a WebAssembly component; a core module is expected".to_owned()));
            }
            Payload::ImportSection(section) => {
                for import in section.into_imports() {
                    let import = import.map_err(damaged)?;
                    check_import(import.module, import.name, import.ty)?;
                }
            }
            Payload::ExportSection(section) => {
                for export in section {
                    let export = export.map_err(damaged)?;
                    exports.push((export.name, export.kind));
                }
            }
            Payload::CodeSectionStart { count, .. } => functions = count,
            Payload::CodeSectionEntry(body) if body.range().len() > MOST_FUNCTION_BYTES => {
                return Err(unreadable(format!(
                    "has a function of {} bytes; at most {MOST_FUNCTION_BYTES} are taken",
                    body.range().len()
                )));
            }
            _ => {}
        }
    }
    if functions > MOST_FUNCTIONS {
        return Err(unreadable(format!("has {functions} functions; at most {MOST_FUNCTIONS} are taken")));
    }
    check_exports(&exports)
}

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
