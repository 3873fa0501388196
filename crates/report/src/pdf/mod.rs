//! A paper as PDF: laid out in rows, broken into pages, written with the window's typeface inside.
//!
//! The layout is ours, because the papers need little of one: words wrapped at blanks, tables
//! that break between rows and repeat their head, and what must stay together on one page.

mod face;
mod file;
mod layout;
mod pages;

use crate::paper::Paper;
use crate::{Sheet, Wording};

use face::Faces;

/// The paper that a page is printed on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum PageSize {
    /// 210 × 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 × 11 in (ANSI/ASME Y14.1, size A).
    Letter,
}

impl PageSize {
    /// Its name in a style sheet.
    pub(crate) fn css(self) -> &'static str {
        match self {
            Self::A4 => "A4",
            Self::Letter => "letter",
        }
    }

    /// Width and height in points, 72 to the inch.
    fn points(self) -> (f32, f32) {
        match self {
            Self::A4 => (595.28, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

impl Sheet {
    /// The entry sheet as PDF: text that can be searched, typefaces embedded, the same bytes for
    /// the same sheet.
    #[must_use]
    pub fn to_pdf(&self, size: PageSize) -> Vec<u8> {
        write(&self.entry_sheet(), size)
    }

    /// The customer's report as PDF.
    #[must_use]
    pub fn to_customer_pdf(&self, size: PageSize, words: &Wording) -> Vec<u8> {
        write(&self.customer_report(words), size)
    }
}

fn write(paper: &Paper, size: PageSize) -> Vec<u8> {
    let faces = Faces::new();
    let (width, height) = size.points();
    let frame = pages::Frame::of(width, height);
    let rows = layout::rows(paper, &faces, frame.width());
    let pages =
        pages::broken(rows, &frame, |page, of| layout::footer(&paper.name, page, of, &faces, frame.width()));
    file::write(&pages, &frame, &faces, paper)
}
