//! What stands on a paper, as rows of a given width.

use std::rc::Rc;

use chart::{Drawing, Ink, Inks, Picture, Size};
use units::text::one_line;

use crate::paper::{Block, Cell, ColumnKind, Paper, Section, Table};

use super::face::{Faces, Weight};
use super::pages::{Mark, Row};

const BLACK: Ink = Ink(0, 0, 0);
/// Sizes of type, in points.
const BODY: f32 = 9.5;
const SMALL: f32 = 8.0;
const TITLE: f32 = 19.0;
const HEADING: f32 = 13.0;
const TYPED: f32 = 13.0;
const MARK: f32 = 44.0;
/// From base line to base line, as a share of the size.
const LEADING: f32 = 1.36;
/// From the top of a line to its base line, as a share of the size.
const RISE: f32 = 1.02;
/// Room between two blocks.
const BETWEEN: f32 = 7.0;
/// Room within a cell of a table, at its sides and above.
const CELL: (f32, f32) = (5.0, 3.6);
/// The side of a box to be ticked.
const TICK: f32 = 12.0;
/// What follows the name of a section whose table goes on.
const CONTINUED: &str = ", continued";
/// The width of a chart, in pixels at full size.
const CHART: f32 = 760.0;
/// The least width to which a column of words is squeezed.
const LEAST: f32 = 84.0;

/// The rows of a paper, from its title on.
pub(super) fn rows(paper: &Paper, faces: &Faces, width: f32) -> Vec<Row> {
    let mut rows = lines(faces, Weight::Bold, TITLE, &paper.title, 0.0, width);
    rows.push(Row::gap(3.0));
    if !paper.subtitle.is_empty() {
        rows.extend(lines(faces, Weight::Regular, BODY, &paper.subtitle, 0.0, width));
        rows.push(Row::gap(BETWEEN));
    }
    rows.extend(facts(faces, &paper.facts, width));
    for part in &paper.sections {
        rows.extend(section(faces, part, width));
    }
    rows.extend(missing(faces, &rows, width));
    rows
}

/// What stands at the foot of a page.
pub(super) fn footer(name: &str, page: usize, of: usize, faces: &Faces, width: f32) -> Vec<Mark> {
    let number = format!("Page {page} of {of}");
    let right = width - faces.width(Weight::Regular, SMALL, &number);
    let name = faces.shortened(Weight::Regular, SMALL, &one_line(name), right - 20.0);
    [(0.0, name), (right, number)].map(|(x, text)| words(x, 24.0, Weight::Regular, SMALL, text)).to_vec()
}

fn words(x: f32, y: f32, weight: Weight, size: f32, text: String) -> Mark {
    Mark::Text { x, y, size, weight, ink: BLACK, text }
}

/// A text wrapped to a width; its first two and its last two lines stay together.
fn lines(faces: &Faces, weight: Weight, size: f32, text: &str, left: f32, width: f32) -> Vec<Row> {
    let lines = faces.wrapped(weight, size, &one_line(text), width - left);
    let count = lines.len();
    let row = |(index, line)| Row {
        height: size * LEADING,
        marks: vec![words(left, size * RISE, weight, size, line)],
        keep: index + 1 < count && (index == 0 || index + 2 == count),
        ..Row::default()
    };
    lines.into_iter().enumerate().map(row).collect()
}

fn section(faces: &Faces, section: &Section, width: f32) -> Vec<Row> {
    let mut rows = vec![Row { keep: true, ..Row::gap(14.0) }];
    let mut heading = lines(faces, Weight::Bold, HEADING, &section.heading, 0.0, width);
    if let Some(last) = heading.last_mut() {
        last.marks.push(Mark::Rule { x: 0.0, y: last.height + 1.0, width, thickness: 1.4 });
        last.height += 6.0;
    }
    rows.extend(heading.into_iter().map(|row| Row { keep: true, ..row }));
    let mut first = true;
    for part in &section.blocks {
        if !std::mem::take(&mut first) {
            rows.push(Row::gap(BETWEEN));
        }
        rows.extend(block(faces, part, width));
    }
    // A page that begins within a table says of what it is.
    let room = width - faces.width(Weight::Bold, BODY, CONTINUED);
    let title = faces.shortened(Weight::Bold, BODY, &one_line(&section.heading), room) + CONTINUED;
    let line = words(0.0, BODY * RISE, Weight::Bold, BODY, title);
    for row in &mut rows {
        if let Some(head) = &row.head {
            let below = BODY * LEADING;
            let moved = head.marks.iter().cloned().map(|mark| mark.moved(0.0, below));
            let marks = std::iter::once(line.clone()).chain(moved).collect();
            row.head = Some(Rc::new(Row { height: head.height + below, marks, ..Row::default() }));
        }
    }
    let count = rows.len();
    if section.together {
        rows.iter_mut().take(count - 1).for_each(|row| row.together = true);
    }
    rows
}

fn block(faces: &Faces, block: &Block, width: f32) -> Vec<Row> {
    match block {
        Block::Text(text) => lines(faces, Weight::Regular, BODY, text, 0.0, width),
        Block::Notes(text) => {
            text.lines().flat_map(|line| lines(faces, Weight::Regular, BODY, line, 0.0, width)).collect()
        }
        Block::VolumeMark { words, step, remark } => vec![volume_mark(faces, words, *step, remark, width)],
        Block::Facts(lines) => facts(faces, lines, width),
        Block::List(items) => items.iter().flat_map(|item| list_item(faces, item, width)).collect(),
        Block::Table(content) => table(faces, content, width),
        Block::Chart { chart, caption } => {
            let drawing = Drawing::of(chart, Size { width: CHART, height: 340.0 });
            let scale = width / drawing.size.width;
            let height = drawing.size.height * scale + 2.0;
            let picture = Mark::Picture { x: 0.0, y: 0.0, scale, drawing: Rc::new(drawing) };
            let mut rows = vec![Row { height, marks: vec![picture], keep: true, ..Row::default() }];
            rows.extend(lines(faces, Weight::Regular, SMALL, caption, 0.0, width));
            rows
        }
        Block::Picture(picture, size) => vec![small(picture, *size, width)],
    }
}

/// A small picture in the middle, by the scale by which a chart fills the width.
fn small(picture: &Picture, size: Size, width: f32) -> Row {
    let scale = width / CHART;
    let drawing = Rc::new(picture.draw(size, &Inks::PAPER));
    let x = (width - size.width * scale) / 2.0;
    Row {
        height: size.height * scale + 2.0,
        marks: vec![Mark::Picture { x, y: 0.0, scale, drawing }],
        ..Row::default()
    }
}

fn list_item(faces: &Faces, item: &str, width: f32) -> Vec<Row> {
    let mut rows = lines(faces, Weight::Regular, BODY, item, 14.0, width);
    if let Some(first) = rows.first_mut() {
        first.marks.insert(0, words(3.0, BODY * RISE, Weight::Regular, BODY, "•".to_owned()));
    }
    if let Some(last) = rows.last_mut() {
        last.height += 2.0;
    }
    rows
}

fn volume_mark(faces: &Faces, above: &str, step: u32, remark: &str, width: f32) -> Row {
    let step = step.to_string();
    let mut y = 16.0;
    let mut marks = Vec::new();
    let mut line = |weight: Weight, size: f32, text: &str| {
        for text in faces.wrapped(weight, size, &one_line(text), width - 24.0) {
            let x = (width - faces.width(weight, size, &text)) / 2.0;
            y += size * RISE;
            marks.push(words(x, y, weight, size, text));
            y += size * (LEADING - RISE);
        }
    };
    line(Weight::Regular, 12.0, above);
    line(Weight::Bold, MARK, &step);
    if !remark.is_empty() {
        line(Weight::Regular, BODY, remark);
    }
    let height = y + 10.0;
    marks.push(Mark::Box { x: 1.5, y: 4.0, width: width - 3.0, height: height - 4.0, thickness: 3.0 });
    Row { height: height + 4.0, marks, ..Row::default() }
}

/// Labels with their values beside them.
fn facts(faces: &Faces, facts: &[(String, String)], width: f32) -> Vec<Row> {
    let label_width = |label: &str| faces.width(Weight::Bold, BODY, &one_line(label));
    let left = facts.iter().map(|(label, _)| label_width(label)).fold(0.0, f32::max).min(width * 0.4) + 14.5;
    let mut rows = Vec::new();
    for (label, value) in facts {
        let label = lines(faces, Weight::Bold, BODY, label, 0.0, left - 14.0);
        let mut value = lines(faces, Weight::Regular, BODY, value, left, width);
        let missing = label.len().saturating_sub(value.len());
        value.extend((0..missing).map(|_| Row::gap(BODY * LEADING)));
        for (row, label) in value.iter_mut().zip(label) {
            row.marks.splice(0..0, label.marks);
        }
        if let Some(last) = value.last_mut() {
            last.height += 2.0;
        }
        rows.extend(value);
    }
    rows
}

/// How a cell of a column is set.
fn style(kind: ColumnKind) -> (Weight, f32) {
    match kind {
        ColumnKind::Label => (Weight::Bold, BODY),
        ColumnKind::Entry | ColumnKind::EntryNumber => (Weight::Bold, TYPED),
        ColumnKind::Reason => (Weight::Regular, SMALL),
        ColumnKind::TickBox | ColumnKind::Text | ColumnKind::Number => (Weight::Regular, BODY),
    }
}

fn is_number(kind: ColumnKind) -> bool {
    matches!(kind, ColumnKind::Number | ColumnKind::EntryNumber)
}

fn table(faces: &Faces, table: &Table, width: f32) -> Vec<Row> {
    let widths = column_widths(faces, table, width);
    let mut rows = Vec::new();
    if !table.caption.is_empty() {
        let caption = lines(faces, Weight::Bold, BODY, &table.caption, 0.0, width);
        rows.extend(caption.into_iter().map(|row| Row { keep: true, ..row }));
    }
    let head = table.has_head().then(|| {
        let cells =
            table.columns.iter().map(|column| (column.kind, (Weight::Bold, BODY), column.title.as_str()));
        let mut row = table_row(faces, cells, &widths, width);
        row.keep = true;
        Rc::new(row)
    });
    rows.extend(head.as_deref().cloned());
    for cells in &table.rows {
        let cells = table.columns.iter().zip(cells);
        let strong = |kind: ColumnKind, cell: &Cell| {
            let (weight, size) = style(kind);
            (if cell.strong { Weight::Bold } else { weight }, size)
        };
        let cells = cells.map(|(column, cell)| {
            let text = if column.kind == ColumnKind::TickBox { "" } else { cell.text.as_str() };
            (column.kind, strong(column.kind, cell), text)
        });
        let mut row = table_row(faces, cells, &widths, width);
        for (index, column) in table.columns.iter().enumerate() {
            if column.kind == ColumnKind::TickBox {
                let x = widths[..index].iter().sum::<f32>() + CELL.0;
                let y = (row.height - TICK) / 2.0;
                row.marks.insert(0, Mark::Box { x, y, width: TICK, height: TICK, thickness: 1.0 });
            }
        }
        row.head = head.clone();
        rows.push(row);
    }
    rows
}

fn table_row<'a>(
    faces: &Faces,
    cells: impl Iterator<Item = (ColumnKind, (Weight, f32), &'a str)>,
    widths: &[f32],
    width: f32,
) -> Row {
    let mut left = 0.0;
    let set: Vec<_> = cells
        .zip(widths)
        .map(|((kind, (weight, size), text), &width)| {
            let lines = faces.wrapped(weight, size, &one_line(text), width - 2.0 * CELL.0);
            let place = left;
            left += width;
            (kind, weight, size, lines, place, width)
        })
        .collect();
    let height = |size: f32, lines: &[String]| size * LEADING * lines.len() as f32;
    let tallest = set.iter().map(|(_, _, size, lines, ..)| height(*size, lines)).fold(0.0, f32::max);
    let row_height = tallest + 2.0 * CELL.1;
    let mut marks = Vec::new();
    for (kind, weight, size, lines, left, width) in set {
        let mut y = (row_height - height(size, &lines)) / 2.0;
        for line in lines.into_iter().filter(|line| !line.is_empty()) {
            let aside =
                if is_number(kind) { width - CELL.0 - faces.width(weight, size, &line) } else { CELL.0 };
            marks.push(words(left + aside, y + size * RISE, weight, size, line));
            y += size * LEADING;
        }
    }
    marks.push(Mark::Rule { x: 0.0, y: row_height, width, thickness: 0.5 });
    Row { height: row_height, marks, ..Row::default() }
}

/// The widths of a table's columns: as wide as their widest cell, where that fits; else the
/// columns of words are squeezed, and as a last resort all of them. Room to spare goes to the
/// reasons, or else to the labels.
fn column_widths(faces: &Faces, table: &Table, width: f32) -> Vec<f32> {
    let natural = |index: usize, kind: ColumnKind, title: &str| {
        let (weight, size) = style(kind);
        let cells = table.rows.iter().map(|row| {
            let weight = if row[index].strong { Weight::Bold } else { weight };
            let text = if kind == ColumnKind::TickBox { "" } else { row[index].text.as_str() };
            faces.width(weight, size, &one_line(text))
        });
        let head = faces.width(Weight::Bold, BODY, &one_line(title));
        let least = if kind == ColumnKind::TickBox { TICK } else { 0.0 };
        cells.fold(head.max(least), f32::max) + 2.0 * CELL.0 + 0.1
    };
    let columns = table.columns.iter().enumerate();
    let mut widths: Vec<f32> =
        columns.map(|(index, column)| natural(index, column.kind, &column.title)).collect();
    let spare = |widths: &[f32]| width - widths.iter().sum::<f32>();
    if spare(&widths) < 0.0 {
        let give: Vec<f32> = widths
            .iter()
            .zip(&table.columns)
            .map(|(&natural, column)| {
                let fixed = is_number(column.kind) || column.kind == ColumnKind::TickBox;
                if fixed { 0.0 } else { (natural - LEAST).max(0.0) }
            })
            .collect();
        let all: f32 = give.iter().sum();
        let share = if all > 0.0 { (-spare(&widths) / all).min(1.0) } else { 0.0 };
        widths.iter_mut().zip(give).for_each(|(width, give)| *width -= share * give);
    }
    let left_over = spare(&widths);
    if left_over < -0.01 {
        let scale = width / (width - left_over);
        widths.iter_mut().for_each(|width| *width *= scale);
    } else {
        let takes = |kind: ColumnKind| table.columns.iter().position(|column| column.kind == kind);
        let taker = takes(ColumnKind::Reason)
            .or_else(|| takes(ColumnKind::Entry))
            .or_else(|| takes(ColumnKind::Label));
        if let Some(index) = taker {
            widths[index] += left_over;
        }
    }
    widths
}

/// A remark about characters that the typeface lacks; nothing when it has them all.
fn missing(faces: &Faces, rows: &[Row], width: f32) -> Vec<Row> {
    let mut missing: Vec<char> = Vec::new();
    for mark in rows.iter().flat_map(|row| &row.marks) {
        if let Mark::Text { weight, text, .. } = mark {
            missing.extend(text.chars().filter(|&c| faces.glyph(*weight, c) == 0));
        }
    }
    missing.sort_unstable();
    missing.dedup();
    if missing.is_empty() {
        return Vec::new();
    }
    let codes: Vec<String> = missing.iter().map(|c| format!("U+{:04X}", u32::from(*c))).collect();
    let text = format!(
        "This page's typeface has no shape for these characters: {}. The same page in HTML shows them.",
        codes.join(", ")
    );
    let mut rows = vec![Row::gap(14.0)];
    rows.extend(lines(faces, Weight::Regular, SMALL, &text, 0.0, width));
    rows
}
