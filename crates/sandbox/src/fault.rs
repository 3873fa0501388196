//! What a plugin did wrong, and how it is told.

use measure::Finding;
use units::text::one_line;
use wasmtime::Trap;

use crate::abi::{Entry, MOST_MEMORY_BYTES};
use crate::text::tamed;

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
    /// The machine has not what it needs, which is no fault of its own.
    Machine,
}

/// Said of a plugin that refuses to begin without a reason.
pub(crate) const UNEXPLAINED: &str = "refused to begin and did not say why";

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

    /// What made a call end early; `too_long` is said of one that took more time than
    /// it may.
    pub(crate) fn of_call(entry: Entry, too_long: &str, error: &wasmtime::Error) -> Self {
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
                Refusal::Time => Self::new(Kind::Time, format!("{too_long} in {name} and was stopped")),
                Refusal::Machine => Self::machine("memory"),
            };
        }
        match error.downcast_ref::<Trap>() {
            Some(Trap::Interrupt) => Self::new(Kind::Time, format!("{too_long} in {name} and was stopped")),
            Some(Trap::StackOverflow) => {
                Self::new(Kind::Depth, format!("nested its calls too deep in {name}"))
            }
            Some(trap) => Self::new(Kind::Trap, format!("broke off in {name} ({})", words(*trap))),
            // Whatever the plugin itself does ends in a trap.
            None => Self::machine(&tamed(&error.to_string(), 120)),
        }
    }

    fn machine(lacks: &str) -> Self {
        Self::new(Kind::Machine, format!("could not be run, as this machine has not enough left ({lacks})"))
    }

    /// As everyone else's remark; `who` is the plugin's name or its file.
    pub(crate) fn finding(&self, who: &str) -> Finding {
        let text = |advice: &str| format!("The plugin {} {}. {advice}", one_line(who), self.text);
        let author = "Report this to the plugin's author.";
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
            Kind::Manifest => Finding::stop("plugin-manifest", text(author)),
            Kind::Time => Finding::stop("plugin-time", text(author)),
            Kind::Memory => Finding::stop("plugin-memory", text(author)),
            Kind::Depth => Finding::stop("plugin-depth", text(author)),
            Kind::Trap => Finding::stop("plugin-trap", text(author)),
            Kind::Answer => Finding::stop("plugin-answer", text(author)),
            Kind::Reading => Finding::stop("plugin-reading", text(author)),
            Kind::Refused => Finding::stop("plugin-refused", text(author)),
            Kind::Machine => Finding::stop(
                "plugins-unavailable",
                text("Close other programs, or give this one more memory, and try again."),
            ),
        }
    }

    /// As everyone else's remark, while there is a recording that nothing happens to.
    pub(crate) fn finding_of_run(&self, who: &str) -> Finding {
        let finding = self.finding(who);
        Finding { text: format!("{} The recording is kept.", finding.text), ..finding }
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
    /// The time of the call is over.
    #[error("the time is over")]
    Time,
    /// The machine has no memory to give, although the plugin may have it.
    #[error("this machine has no memory left")]
    Machine,
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
