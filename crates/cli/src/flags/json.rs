//! The option of every command that can print its answer as JSON.

use clap::Args;

#[derive(Debug, Args)]
pub(crate) struct Json {
    /// Print one JSON document
    #[arg(long)]
    pub(crate) json: bool,
}
