//! The entry sheet and the customer's report.

use std::path::Path;

use job::Job;
use report::Sheet;

use crate::{Error, Result, write_text};

/// The forms of the entry sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SheetForm {
    /// Plain text.
    Text,
    /// Comma-separated.
    Csv,
    /// JSON.
    Json,
    /// One page to be printed.
    Html,
    /// Not written yet.
    Pdf,
}

/// The entry sheet of a job.
///
/// # Errors
/// When the folder is no job, or the form is not written yet.
pub fn sheet(job: &Path, form: SheetForm) -> Result<String> {
    let sheet = Sheet::from_job(&Job::open_to_read(job)?);
    match form {
        SheetForm::Text => Ok(sheet.to_text()),
        SheetForm::Csv => Ok(sheet.to_csv()),
        SheetForm::Json => Ok(sheet.to_json()),
        SheetForm::Html => Ok(sheet.to_html()),
        SheetForm::Pdf => Err(Error::input(report::PdfNotYet.to_string())),
    }
}

/// Writes the customer's report of a job.
///
/// # Errors
/// When the folder is no job, or the file's ending names no form.
pub fn write_report(job: &Path, out: &Path) -> Result<()> {
    match out.extension().and_then(|extension| extension.to_str()) {
        Some("html") => write_text(out, &Sheet::from_job(&Job::open_to_read(job)?).to_customer_html()),
        Some("pdf") => Err(Error::input(report::PdfNotYet.to_string())),
        _ => Err(Error::input(format!("{}: a report is written as FILE.html", out.display()))),
    }
}
