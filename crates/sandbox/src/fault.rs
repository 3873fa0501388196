//! What a plugin did wrong, and how it is told.

use measure::Finding;
use wasmtime::Trap;

use crate::abi::{Entry, MOST_MEMORY_BYTES};

/// What went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// The file is no module that can be loaded.
    Unreadable,
    /// It wants something that is not offered.
    Imports,
    /// It does not offer what it must.
    Exports,
    /// It was written for another version of the interface.
    Abi,
    /// Its description of itself cannot be used.
    Manifest,
    /// It took too long.
    Time,
    /// It wanted too much memory.
    Memory,
    /// Its calls were nested too deep.
    Depth,
    /// It broke off.
    Trap,
    /// What it returned cannot be read.
    Answer,
    /// Its reading breaks the contract.
    Reading,
    /// It refused to begin and did not say why.
    Refused,
}

/// Something that a plugin did wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Fault {
    pub(crate) kind: Kind,
    text: String,
}

impl Fault {
    /// A fault, told as a clause that follows "the plugin …".
    pub(crate) fn new(kind: Kind, text: impl Into<String>) -> Self {
        Self { kind, text: text.into() }
    }

    /// What made a call end early.
    pub(crate) fn of_call(entry: Entry, limit_s: f64, error: &wasmtime::Error) -> Self {
        let name = match entry {
            Entry::Initialize => "its start".to_owned(),
            entry => format!("`{}`", entry.name()),
        };
        if let Some(refusal) = error.downcast_ref::<Refusal>() {
            return match refusal {
                Refusal::Memory => Self::new(
                    Kind::Memory,
                    format!("wanted more than {} MiB of memory in {name}", MOST_MEMORY_BYTES >> 20),
                ),
                Refusal::Table => Self::new(Kind::Memory, format!("wanted too large a table in {name}")),
                Refusal::Outside(function) => Self::new(
                    Kind::Answer,
                    format!("gave `{function}` a place outside its own memory, in {name}"),
                ),
            };
        }
        match error.downcast_ref::<Trap>() {
            Some(Trap::Interrupt) => {
                Self::new(Kind::Time, format!("took longer than {limit_s:.2} s in {name} and was stopped"))
            }
            Some(Trap::StackOverflow) => {
                Self::new(Kind::Depth, format!("nested its calls too deep in {name}"))
            }
            Some(trap) => Self::new(Kind::Trap, format!("broke off in {name} ({})", words(*trap))),
            None => Self::new(Kind::Trap, format!("broke off in {name}")),
        }
    }

    /// As everyone else's remark; `who` is the plugin's name or its file.
    pub(crate) fn finding(&self, who: &str) -> Finding {
        let text = |advice: &str| format!("The plugin {who} {}. {advice}", self.text);
        let author = "The recording is kept; report this to the plugin's author.";
        let fetch = "Get the file again from its author.";
        match self.kind {
            Kind::Unreadable => Finding::stop("plugin-unreadable", text(fetch)),
            Kind::Imports => Finding::stop(
                "plugin-imports",
                text("It was not built for Headrest, or with a library that needs an operating system."),
            ),
            Kind::Exports => Finding::stop(
                "plugin-exports",
                text("It was not built for Headrest, or its functions are not exported under these names."),
            ),
            Kind::Abi => Finding::stop("plugin-abi", text("Get a version of it that suits this Headrest.")),
            Kind::Manifest => Finding::stop("plugin-manifest", text("Report this to the plugin's author.")),
            Kind::Time => Finding::stop("plugin-time", text(author)),
            Kind::Memory => Finding::stop("plugin-memory", text(author)),
            Kind::Depth => Finding::stop("plugin-depth", text(author)),
            Kind::Trap => Finding::stop("plugin-trap", text(author)),
            Kind::Answer => Finding::stop("plugin-answer", text(author)),
            Kind::Reading => Finding::stop("plugin-reading", text(author)),
            Kind::Refused => Finding::stop("plugin-refused", text(author)),
        }
    }
}

/// Why a function of the host ended the call of a plugin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(crate) enum Refusal {
    /// Memory beyond the limit.
    #[error("the limit of memory is reached")]
    Memory,
    /// A table beyond the limit.
    #[error("the limit of tables is reached")]
    Table,
    /// A place outside the plugin's memory, given to this function.
    #[error("`{0}` was given a place outside the memory")]
    Outside(&'static str),
}

fn words(trap: Trap) -> &'static str {
    match trap {
        Trap::MemoryOutOfBounds => "it reached outside its memory",
        Trap::TableOutOfBounds | Trap::IndirectCallToNull | Trap::BadSignature => {
            "it called a function that is not there"
        }
        Trap::IntegerOverflow | Trap::BadConversionToInteger => "a number did not fit",
        Trap::IntegerDivisionByZero => "it divided by zero",
        Trap::UnreachableCodeReached => "it gave up, as a failed check of its own does",
        _ => "a fault of its own",
    }
}
