//! PDF, which is not written yet.

use std::fmt;

/// The answer to a wish for PDF.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PdfNotYet;

impl fmt::Display for PdfNotYet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(
            "PDF cannot be written yet; ask for HTML instead and print it to a PDF file from a browser, for \
             which the page is laid out (A4)",
        )
    }
}

impl std::error::Error for PdfNotYet {}
