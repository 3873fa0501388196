//! The window's typeface, so that paper and screen look alike.

use ttf_parser::{Face, Tag};

/// The files of the typeface: regular and bold.
const FILES: [&[u8]; 2] = [
    include_bytes!("../../../window/assets/fonts/B612-Regular.otf"),
    include_bytes!("../../../window/assets/fonts/B612-Bold.otf"),
];

/// Which of the two.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    Regular,
    Bold,
}

/// The typeface in its two weights.
pub(super) struct Faces([Option<Face<'static>>; 2]);

/// What a PDF says of a face, in thousandths of an em.
#[derive(Debug, Clone, Copy)]
pub(super) struct Metrics {
    pub(super) ascender: f32,
    pub(super) descender: f32,
    pub(super) cap_height: f32,
    pub(super) bounds: [f32; 4],
}

impl Faces {
    pub(super) fn new() -> Self {
        Self(FILES.map(|file| Face::parse(file, 0).ok()))
    }

    fn face(&self, weight: Weight) -> Option<&Face<'static>> {
        self.0[weight as usize].as_ref()
    }

    /// The number of a character's glyph; 0, the empty box, without one.
    pub(super) fn glyph(&self, weight: Weight, c: char) -> u16 {
        // A blank that does not break looks like any other.
        let c = if matches!(c, '\u{a0}' | '\u{202f}') { ' ' } else { c };
        self.face(weight).and_then(|face| face.glyph_index(c)).map_or(0, |glyph| glyph.0)
    }

    /// The width of a glyph in thousandths of an em.
    pub(super) fn advance(&self, weight: Weight, glyph: u16) -> f32 {
        let Some(face) = self.face(weight) else { return 0.0 };
        let units = f32::from(face.units_per_em());
        f32::from(face.glyph_hor_advance(ttf_parser::GlyphId(glyph)).unwrap_or(0)) * 1000.0 / units
    }

    /// The width of a text in points, at this size.
    pub(super) fn width(&self, weight: Weight, size: f32, text: &str) -> f32 {
        text.chars().map(|c| self.advance(weight, self.glyph(weight, c))).sum::<f32>() * size / 1000.0
    }

    /// The outlines as a PDF embeds them: the table `CFF ` (OpenType 1.9).
    pub(super) fn outlines(&self, weight: Weight) -> &'static [u8] {
        self.face(weight).and_then(|face| face.raw_face().table(Tag::from_bytes(b"CFF "))).unwrap_or_default()
    }

    pub(super) fn metrics(&self, weight: Weight) -> Metrics {
        let Some(face) = self.face(weight) else {
            return Metrics { ascender: 0.0, descender: 0.0, cap_height: 0.0, bounds: [0.0; 4] };
        };
        let scale = 1000.0 / f32::from(face.units_per_em());
        let scaled = |units: i16| f32::from(units) * scale;
        let bounds = face.global_bounding_box();
        Metrics {
            ascender: scaled(face.ascender()),
            descender: scaled(face.descender()),
            cap_height: scaled(face.capital_height().unwrap_or(face.ascender())),
            bounds: [bounds.x_min, bounds.y_min, bounds.x_max, bounds.y_max].map(scaled),
        }
    }

    /// The lines into which a text is broken so that none is wider: at blanks, and inside a word
    /// only where a word alone is too wide. There is at least one.
    pub(super) fn wrapped(&self, weight: Weight, size: f32, text: &str, width: f32) -> Vec<String> {
        let mut lines = Vec::new();
        let mut line = String::new();
        for word in text.split(' ').filter(|word| !word.is_empty()) {
            let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
            if self.width(weight, size, &longer) <= width {
                line = longer;
                continue;
            }
            if !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            for c in word.chars() {
                line.push(c);
                if self.width(weight, size, &line) > width && line.chars().nth(1).is_some() {
                    line.pop();
                    lines.push(std::mem::take(&mut line));
                    line.push(c);
                }
            }
        }
        if !line.is_empty() || lines.is_empty() {
            lines.push(line);
        }
        lines
    }

    /// A text cut so that it is no wider, with an ellipsis where something is missing.
    pub(super) fn shortened(&self, weight: Weight, size: f32, text: &str, width: f32) -> String {
        if self.width(weight, size, text) <= width {
            return text.to_owned();
        }
        let mut short: String = text.to_owned();
        while short.pop().is_some() {
            let shown = format!("{}…", short.trim_end());
            if self.width(weight, size, &shown) <= width {
                return shown;
            }
        }
        String::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_typeface_is_whole() {
        let faces = Faces::new();
        for weight in [Weight::Regular, Weight::Bold] {
            assert!(faces.outlines(weight).len() > 10_000);
            for c in "Aä−’“”•…·½Ωµ°×≤".chars() {
                assert_ne!(faces.glyph(weight, c), 0, "{c}");
            }
        }
        assert_eq!(faces.glyph(Weight::Regular, '車'), 0);
    }

    #[test]
    fn no_line_is_wider_and_no_word_is_lost() {
        let faces = Faces::new();
        let text = "Doppelkupplungsgetriebesteuergerät hangs  on the same fuse as the radio ".repeat(3);
        for width in [1.0, 30.0, 80.0, 200.0] {
            let lines = faces.wrapped(Weight::Regular, 9.5, &text, width);
            let joined: String = lines.concat().split(' ').collect();
            assert_eq!(joined, text.split(' ').collect::<String>());
            for line in lines.iter().filter(|line| line.chars().count() > 1) {
                assert!(faces.width(Weight::Regular, 9.5, line) <= width, "{line} at {width}");
            }
        }
        assert_eq!(faces.wrapped(Weight::Bold, 9.5, "", 10.0), [""]);
    }
}
