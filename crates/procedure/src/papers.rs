//! The entry sheet and the customer's report.

use std::path::Path;

use job::Job;
pub use report::PageSize;
use report::{Sheet, Wording};

use library::files::write_bytes;
use library::{Error, Result};

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
    /// Pages to be printed.
    Pdf,
}

/// The forms of the customer's report.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReportForm {
    /// One page to be read or printed.
    Html,
    /// Pages to be printed.
    Pdf,
}

/// The entry sheet of a job, as a file of this form holds it.
///
/// # Errors
/// When the folder is no job.
pub fn sheet(job: &Path, form: SheetForm, size: PageSize) -> Result<Vec<u8>> {
    let sheet = Sheet::from_job(&Job::open_to_read(job)?);
    Ok(match form {
        SheetForm::Text => sheet.to_text().into_bytes(),
        SheetForm::Csv => sheet.to_csv().into_bytes(),
        SheetForm::Json => sheet.to_json().into_bytes(),
        SheetForm::Html => sheet.to_html(size).into_bytes(),
        SheetForm::Pdf => sheet.to_pdf(size),
    })
}

/// The form in which a sheet is written to a file of this name.
///
/// # Errors
/// When the file's ending names no form.
pub fn sheet_form(out: &Path) -> Result<SheetForm> {
    match ending(out).as_deref() {
        Some("txt") => Ok(SheetForm::Text),
        Some("csv") => Ok(SheetForm::Csv),
        Some("json") => Ok(SheetForm::Json),
        Some("html" | "htm") => Ok(SheetForm::Html),
        Some("pdf") => Ok(SheetForm::Pdf),
        _ => Err(Error::input(format!(
            "{}: the ending says nothing about the form; end the name with .txt, .csv, .json, .html or .pdf, or add \
             --format",
            out.display()
        ))),
    }
}

/// The ending of a file's name in small letters, without its point.
fn ending(path: &Path) -> Option<String> {
    path.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase())
}

/// The words of the customer's report: those of a file, of one's own folder `reports` by name, or,
/// without a name, those that come with the program.
///
/// # Errors
/// When the file cannot be read, or says something that cannot be: its name, the line, what to do.
pub fn wording(name_or_file: Option<&str>) -> Result<Wording> {
    let Some(name) = name_or_file else { return Ok(Wording::plain()) };
    match library::text("reports", name, name == "plain")? {
        Some((text, name)) => Ok(Wording::parse(&text, &name)?),
        None if name == "plain" => Ok(Wording::plain()),
        None => Err(Error::input(format!("there are no words `{name}`; name a file, or `plain`"))),
    }
}

/// Writes the customer's report of a job, as HTML or PDF by the ending of the file.
///
/// # Errors
/// When the folder is no job, or the file's ending names no form.
pub fn write_report(job: &Path, out: &Path, size: PageSize, words: &Wording) -> Result<()> {
    let form = match ending(out).as_deref() {
        Some("html" | "htm") => ReportForm::Html,
        Some("pdf") => ReportForm::Pdf,
        _ => {
            let text = format!("{}: a report is written as FILE.html or FILE.pdf", out.display());
            return Err(Error::input(text));
        }
    };
    write_bytes(out, &report(job, form, size, words)?)
}

/// The customer's report of a job, as a file of this form holds it.
///
/// # Errors
/// When the folder is no job.
pub fn report(job: &Path, form: ReportForm, size: PageSize, words: &Wording) -> Result<Vec<u8>> {
    let sheet = Sheet::from_job(&Job::open_to_read(job)?);
    Ok(match form {
        ReportForm::Html => sheet.to_customer_html(size, words).into_bytes(),
        ReportForm::Pdf => sheet.to_customer_pdf(size, words),
    })
}
