//! Pages written as a file (ISO 32000-1, PDF 1.7), without a date, so that the same pages give
//! the same bytes.

use std::collections::{BTreeMap, BTreeSet};

use chart::{Anchor, Drawing, Ink, Path, Shape, Spot, Text};
use pdf_writer::types::{CidFontType, FontFlags, LineJoinStyle, SystemInfo, UnicodeCmap};
use pdf_writer::{Content, Filter, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

use crate::paper::Paper;

use super::face::{Faces, Weight};
use super::pages::{Frame, Mark};

/// Characters are written as numbers of glyphs.
const GLYPHS: SystemInfo<'_> =
    SystemInfo { registry: Str(b"Adobe"), ordering: Str(b"Identity"), supplement: 0 };

/// The two weights with the names under which a page uses and a reader lists them.
const WEIGHTS: [(Weight, &[u8], &[u8]); 2] =
    [(Weight::Regular, b"F0", b"B612-Regular"), (Weight::Bold, b"F1", b"B612-Bold")];

/// How hard the file is packed, of 10.
const PACKING: u8 = 6;

pub(super) fn write(pages: &[Vec<Mark>], frame: &Frame, faces: &Faces, paper: &Paper) -> Vec<u8> {
    let mut used = Used::default();
    let contents: Vec<Vec<u8>> = pages
        .iter()
        .map(|marks| {
            let mut pen = Pen { content: Content::new(), height: frame.page.1, faces, used: &mut used };
            marks.iter().for_each(|mark| pen.mark(mark));
            pen.content.finish().into_vec()
        })
        .collect();

    let mut next = 0;
    let mut id = || {
        next += 1;
        Ref::new(next)
    };
    let (catalog, tree, info) = (id(), id(), id());
    let sheets: Vec<(Ref, Ref)> = pages.iter().map(|_| (id(), id())).collect();
    let fonts = WEIGHTS.map(|weight| (weight, id()));
    let covers: Vec<(u8, Ref)> = used.covers.iter().map(|&percent| (percent, id())).collect();

    let mut pdf = Pdf::new();
    let mut root = pdf.catalog(catalog);
    root.pages(tree).lang(TextStr(&paper.language));
    root.viewer_preferences().display_doc_title(true);
    root.finish();
    pdf.document_info(info).title(TextStr(&paper.name)).creator(TextStr("Headrest"));
    let count = i32::try_from(sheets.len()).unwrap_or(i32::MAX);
    pdf.pages(tree).kids(sheets.iter().map(|(page, _)| *page)).count(count);
    for ((page, stream), content) in sheets.iter().zip(contents) {
        let mut dictionary = pdf.page(*page);
        dictionary.parent(tree).contents(*stream).media_box(Rect::new(0.0, 0.0, frame.page.0, frame.page.1));
        let mut resources = dictionary.resources();
        let mut names = resources.fonts();
        for ((_, name, _), font) in &fonts {
            names.pair(Name(name), font);
        }
        names.finish();
        let mut states = resources.ext_g_states();
        for (percent, state) in &covers {
            states.pair(Name(cover(*percent).as_bytes()), state);
        }
        states.finish();
        resources.finish();
        dictionary.finish();
        packed(&mut pdf, *stream, &content);
    }
    for (percent, state) in &covers {
        let share = f32::from(*percent) / 100.0;
        pdf.ext_graphics(*state).stroking_alpha(share).non_stroking_alpha(share);
    }
    for ((weight, _, name), font) in fonts {
        let parts = [id(), id(), id(), id()];
        embedded(&mut pdf, faces, &used, weight, name, font, parts);
    }
    pdf.finish()
}

/// What the pages use: characters by glyph, in each weight, and shares of covering in percent.
#[derive(Default)]
struct Used {
    glyphs: [BTreeMap<u16, char>; 2],
    covers: BTreeSet<u8>,
}

fn cover(percent: u8) -> String {
    format!("G{percent}")
}

fn packed(pdf: &mut Pdf, id: Ref, bytes: &[u8]) {
    let bytes = miniz_oxide::deflate::compress_to_vec_zlib(bytes, PACKING);
    pdf.stream(id, &bytes).filter(Filter::FlateDecode);
}

/// A face with its outlines, its widths, and the way back from glyphs to characters.
fn embedded(
    pdf: &mut Pdf,
    faces: &Faces,
    used: &Used,
    weight: Weight,
    name: &[u8],
    font: Ref,
    [cid, descriptor, outlines, characters]: [Ref; 4],
) {
    pdf.type0_font(font)
        .base_font(Name(name))
        .encoding_predefined(Name(b"Identity-H"))
        .descendant_font(cid)
        .to_unicode(characters);
    let mut dictionary = pdf.cid_font(cid);
    dictionary
        .subtype(CidFontType::Type0)
        .base_font(Name(name))
        .system_info(GLYPHS)
        .font_descriptor(descriptor)
        .default_width(0.0);
    let mut widths = dictionary.widths();
    for &glyph in used.glyphs[weight as usize].keys() {
        widths.consecutive(glyph, [faces.advance(weight, glyph)]);
    }
    widths.finish();
    dictionary.finish();
    let metrics = faces.metrics(weight);
    let [left, low, right, high] = metrics.bounds;
    pdf.font_descriptor(descriptor)
        .name(Name(name))
        .flags(FontFlags::SYMBOLIC)
        .bbox(Rect::new(left, low, right, high))
        .italic_angle(0.0)
        .ascent(metrics.ascender)
        .descent(metrics.descender)
        .cap_height(metrics.cap_height)
        // A guess that matters only to a reader that cannot show the outlines.
        .stem_v(if weight == Weight::Bold { 140.0 } else { 80.0 })
        .font_file3(outlines);
    let bytes = miniz_oxide::deflate::compress_to_vec_zlib(faces.outlines(weight), PACKING);
    let mut stream = pdf.stream(outlines, &bytes);
    stream.filter(Filter::FlateDecode);
    stream.pair(Name(b"Subtype"), Name(b"CIDFontType0C"));
    stream.finish();
    let mut cmap = UnicodeCmap::new(Name(b"Custom"), GLYPHS);
    for (&glyph, &c) in &used.glyphs[weight as usize] {
        if glyph != 0 {
            cmap.pair(glyph, c);
        }
    }
    packed(pdf, characters, &cmap.finish());
}

/// Draws the marks of one page. Here `y` is counted from above, in a file from below.
struct Pen<'a> {
    content: Content,
    height: f32,
    faces: &'a Faces,
    used: &'a mut Used,
}

impl Pen<'_> {
    fn mark(&mut self, mark: &Mark) {
        match mark {
            Mark::Text { x, y, size, weight, ink, text } => {
                self.words(*weight, *size, *ink, [1.0, 0.0, 0.0, 1.0, *x, self.height - y], text);
            }
            Mark::Rule { x, y, width, thickness } => {
                let y = self.height - y;
                self.content.set_line_width(*thickness).move_to(*x, y).line_to(x + width, y).stroke();
            }
            Mark::Box { x, y, width, height, thickness } => {
                let low = self.height - y - height;
                self.content.set_line_width(*thickness).rect(*x, low, *width, *height).stroke();
            }
            Mark::Picture { x, y, scale, drawing } => self.picture(*x, *y, *scale, drawing),
        }
    }

    fn words(&mut self, weight: Weight, size: f32, Ink(red, green, blue): Ink, place: [f32; 6], text: &str) {
        let mut bytes = Vec::with_capacity(2 * text.len());
        for c in text.chars() {
            let glyph = self.faces.glyph(weight, c);
            self.used.glyphs[weight as usize].entry(glyph).or_insert(c);
            bytes.extend(glyph.to_be_bytes());
        }
        let (_, name, _) = WEIGHTS[weight as usize];
        let [red, green, blue] = [red, green, blue].map(|part| f32::from(part) / 255.0);
        self.content
            .begin_text()
            .set_fill_rgb(red, green, blue)
            .set_font(Name(name), size)
            .set_text_matrix(place)
            .show(Str(&bytes))
            .end_text();
    }

    fn picture(&mut self, x: f32, y: f32, scale: f32, drawing: &Drawing) {
        self.content.save_state().transform([scale, 0.0, 0.0, scale, x, self.height - y]);
        let outer = std::mem::replace(&mut self.height, 0.0);
        drawing.shapes.iter().for_each(|shape| self.shape(shape));
        self.height = outer;
        self.content.restore_state();
    }

    /// A shape of a picture whose upper left corner is the origin.
    fn shape(&mut self, shape: &Shape) {
        match shape {
            Shape::Path(path) => self.path(path),
            Shape::Text(text) => self.label(text),
            Shape::Circle { centre, radius, fill, edge } => self.circle(*centre, *radius, *fill, *edge),
            Shape::Clipped { corner, size, shapes } => {
                self.content
                    .save_state()
                    .rect(corner.x, -corner.y - size.height, size.width, size.height)
                    .clip_nonzero()
                    .end_path();
                shapes.iter().for_each(|shape| self.shape(shape));
                self.content.restore_state();
            }
        }
    }

    fn path(&mut self, path: &Path) {
        let Some((first, rest)) = path.spots.split_first() else { return };
        self.content.save_state();
        let percent = (path.opacity.clamp(0.0, 1.0) * 100.0).round() as u8;
        if percent < 100 {
            self.used.covers.insert(percent);
            self.content.set_parameters(Name(cover(percent).as_bytes()));
        }
        if let Some(ink) = path.fill {
            self.fill_with(ink);
        }
        if let Some((width, ink)) = path.stroke {
            self.content.set_line_width(width).set_line_join(LineJoinStyle::RoundJoin);
            self.stroke_with(ink);
            self.content.set_dash_pattern(path.dashes.iter().copied(), 0.0);
        }
        self.content.move_to(first.x, -first.y);
        for spot in rest {
            self.content.line_to(spot.x, -spot.y);
        }
        if path.closed {
            self.content.close_path();
        }
        match (path.fill, path.stroke) {
            (Some(_), Some(_)) => self.content.fill_nonzero_and_stroke(),
            (Some(_), None) => self.content.fill_nonzero(),
            (None, Some(_)) => self.content.stroke(),
            (None, None) => self.content.end_path(),
        };
        self.content.restore_state();
    }

    fn circle(&mut self, centre: Spot, r: f32, fill: Ink, edge: Ink) {
        // Four Bézier curves; the handles' length leaves the circle by less than 0.03 % of its radius.
        let (x, y, k) = (centre.x, -centre.y, 0.552_3 * r);
        self.content.save_state().set_line_width(1.0);
        self.fill_with(fill);
        self.stroke_with(edge);
        self.content
            .move_to(x + r, y)
            .cubic_to(x + r, y + k, x + k, y + r, x, y + r)
            .cubic_to(x - k, y + r, x - r, y + k, x - r, y)
            .cubic_to(x - r, y - k, x - k, y - r, x, y - r)
            .cubic_to(x + k, y - r, x + r, y - k, x + r, y)
            .close_path()
            .fill_nonzero_and_stroke()
            .restore_state();
    }

    fn label(&mut self, text: &Text) {
        let weight = if text.bold { Weight::Bold } else { Weight::Regular };
        let width = self.faces.width(weight, text.size, &text.text);
        let back = match text.anchor {
            Anchor::Start => 0.0,
            Anchor::Middle => width / 2.0,
            Anchor::End => width,
        };
        let Spot { x, y } = text.at;
        let place = if text.upward {
            [0.0, 1.0, -1.0, 0.0, x, -y - back]
        } else {
            [1.0, 0.0, 0.0, 1.0, x - back, -y]
        };
        self.words(weight, text.size, text.ink, place, &text.text);
    }

    fn fill_with(&mut self, Ink(red, green, blue): Ink) {
        let [red, green, blue] = [red, green, blue].map(|part| f32::from(part) / 255.0);
        self.content.set_fill_rgb(red, green, blue);
    }

    fn stroke_with(&mut self, Ink(red, green, blue): Ink) {
        let [red, green, blue] = [red, green, blue].map(|part| f32::from(part) / 255.0);
        self.content.set_stroke_rgb(red, green, blue);
    }
}
