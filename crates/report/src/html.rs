//! A paper as one self-contained HTML page.

use std::fmt::Write as _;

use chart::{Drawing, Inks, Size, svg};
use units::text::lines;

use crate::paper::{Block, Cell, ColumnKind, Paper, Section, Table};
use crate::pdf::PageSize;
use crate::{Sheet, Wording};

/// Black on white, large where a number is typed from. No
/// script, font or picture from outside: the page is one file for ever.
const STYLE: &str = "\
:root { color-scheme: light; }
body { font: 11pt/1.4 Inter, 'Segoe UI', Helvetica, Arial, sans-serif; color: #000; background: #fff;
  max-width: 182mm; margin: 0 auto; padding: 6mm; overflow-wrap: anywhere; }
h1 { font-size: 20pt; line-height: 1.15; margin: 0 0 2mm; }
h2 { font-size: 14pt; margin: 7mm 0 2mm; border-bottom: 0.6mm solid #000; break-after: avoid; }
h3 { font-size: 11pt; margin: 4mm 0 1mm; break-after: avoid; }
p, ul, dl, table, figure { margin: 0 0 3mm; }
ul { padding-left: 6mm; }
dl.facts { display: grid; grid-template-columns: max-content minmax(0, 1fr); gap: 0.5mm 5mm; }
dl.facts dt { font-weight: 700; }
dl.facts dd { margin: 0; }
.never { border: 1.2mm solid #000; padding: 4mm; text-align: center; break-inside: avoid; }
.never strong { display: block; font-size: 40pt; line-height: 1.1; }
section.together { break-inside: avoid-page; }
table { border-collapse: collapse; width: 100%; }
caption { text-align: left; font-weight: 700; break-after: avoid; }
table.captioned { break-inside: avoid; }
td.box { width: 9mm; }
th, td { border-bottom: 0.25mm solid #000; padding: 1.2mm 2mm; text-align: left; vertical-align: baseline; }
thead { display: table-header-group; }
th[scope=col] { overflow-wrap: normal; }
tr { break-inside: avoid; }
td.number, th.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
td.typed { font-size: 17pt; font-weight: 700; }
td.why { font-size: 9pt; }
input[type=checkbox] { width: 6mm; height: 6mm; margin: 0; vertical-align: middle; }
figure { break-inside: avoid; }
figure svg { width: 100%; height: auto; }
figcaption { font-size: 9pt; }
figure.picture { margin: 0 auto 3mm; }
.inverted { font-weight: 700; text-decoration: underline; }
.notes { white-space: pre-wrap; }
@media print { body { font-size: 9.5pt; padding: 0; max-width: none; } h1 { font-size: 19pt; } h2 { font-size: 13pt; margin-top: 5mm; }
  td.typed { font-size: 13pt; } td.why, figcaption { font-size: 8pt; } th, td { padding: 0.9mm 2mm; }
  figure svg { max-height: 78mm; } input[type=checkbox] { width: 4mm; height: 4mm; } }
@media screen and (max-width: 40em) { body { padding: 4mm; } td.typed { font-size: 13pt; } th, td { padding: 1mm; }
  table.reasons, table.reasons thead, table.reasons tbody { display: block; }
  table.reasons tr { display: grid; grid-template-columns: 9mm 2em 3.6em 1.3fr 1fr 0.7fr; align-items: baseline;
    border-bottom: 0.25mm solid #000; }
  table.settings tr { grid-template-columns: 9mm 5.4em 1fr; }
  table.reasons th, table.reasons td { border: 0; }
  table.reasons th[scope=col] { font-size: 8pt; padding: 1mm 0; }
  table.reasons td.why { grid-column: 2 / -1; }
  table.reasons td.why:empty, table.reasons thead th:last-child { display: none; } }
";

/// A chart at full size: narrow enough for its words to be read on a phone as well.
const CHART: Size = Size { width: 560.0, height: 340.0 };

/// Writes a paper.
pub(crate) fn write(paper: &Paper, size: PageSize) -> String {
    let title = escape(&paper.name);
    let subtitle = match paper.subtitle.as_str() {
        "" => String::new(),
        line => format!("<p>{}</p>\n", escape(line)),
    };
    let sections: String = paper.sections.iter().map(section).collect();
    format!(
        "<!DOCTYPE html>\n<html lang=\"{}\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <title>{title}</title>\n<style>\n@page {{ size: {}; margin: 14mm; }}\n{STYLE}</style>\n</head>\n<body>\n\
         <header>\n<h1>{}</h1>\n{subtitle}{}</header>\n<main>\n{sections}</main>\n</body>\n</html>\n",
        escape(&paper.language),
        size.css(),
        escape(&paper.title),
        facts(&paper.facts),
    )
}

fn section(section: &Section) -> String {
    let class = if section.together { " class=\"together\"" } else { "" };
    let blocks: String = section.blocks.iter().map(block).collect();
    format!("<section{class}>\n<h2>{}</h2>\n{blocks}</section>\n", escape(&section.heading))
}

fn block(block: &Block) -> String {
    match block {
        Block::Text(text) => format!("<p>{}</p>\n", escape(text)),
        Block::Notes(text) => format!("<p class=\"notes\">{}</p>\n", escape(text)),
        Block::VolumeMark { words, step, remark } => {
            format!("<p class=\"never\">{} <strong>{step}</strong>{}</p>\n", escape(words), escape(remark))
        }
        Block::Facts(lines) => facts(lines),
        Block::List(items) => {
            let items: String = items.iter().map(|item| format!("<li>{}</li>\n", escape(item))).collect();
            format!("<ul>\n{items}</ul>\n")
        }
        Block::Table(content) => table(content),
        Block::Chart { chart, caption } => {
            let picture = svg::write(&Drawing::of(chart, CHART));
            format!("<figure>\n{picture}<figcaption>{}</figcaption>\n</figure>\n", escape(caption))
        }
        Block::Picture(picture, size) => {
            let (svg, width) = (svg::write(&picture.draw(*size, &Inks::PAPER)), size.width);
            format!("<figure class=\"picture\" style=\"max-width: {width}px\">\n{svg}</figure>\n")
        }
    }
}

fn table(table: &Table) -> String {
    // On a narrow screen a reason stands below its row.
    let class = match (table.columns.iter().any(|column| column.kind == ColumnKind::Reason), table.has_head())
    {
        (true, true) => " class=\"reasons\"",
        (true, false) => " class=\"reasons settings\"",
        (false, _) => "",
    };
    let mut html = format!("<table{class}>\n");
    if !table.caption.is_empty() {
        html = format!("<table class=\"captioned\">\n<caption>{}</caption>\n", escape(&table.caption));
    }
    if table.has_head() {
        html += "<thead><tr>";
        for column in &table.columns {
            let title = escape(&column.title);
            html += &match column.kind {
                _ if title.is_empty() => "<td></td>".to_owned(),
                ColumnKind::Number | ColumnKind::EntryNumber => {
                    format!("<th scope=\"col\" class=\"number\">{title}</th>")
                }
                _ => format!("<th scope=\"col\">{title}</th>"),
            };
        }
        html += "</tr></thead>\n";
    }
    html += "<tbody>\n";
    for row in &table.rows {
        let cells: String =
            table.columns.iter().zip(row).map(|(column, one)| cell(column.kind, one)).collect();
        let _ = writeln!(html, "<tr>{cells}</tr>");
    }
    html + "</tbody>\n</table>\n"
}

fn cell(kind: ColumnKind, cell: &Cell) -> String {
    let text = escape(&cell.text);
    let inner = if cell.strong { format!("<span class=\"inverted\">{text}</span>") } else { text };
    match kind {
        ColumnKind::TickBox => {
            format!("<td class=\"box\"><input type=\"checkbox\" aria-label=\"{inner}\"/></td>")
        }
        ColumnKind::Label => format!("<th scope=\"row\">{inner}</th>"),
        ColumnKind::Text => format!("<td>{inner}</td>"),
        ColumnKind::Number => format!("<td class=\"number\">{inner}</td>"),
        ColumnKind::Entry => format!("<td class=\"typed\">{inner}</td>"),
        ColumnKind::EntryNumber => format!("<td class=\"number typed\">{inner}</td>"),
        ColumnKind::Reason => format!("<td class=\"why\">{inner}</td>"),
    }
}

/// Labels and values under each other; nothing without any.
fn facts(facts: &[(String, String)]) -> String {
    let line =
        |(label, value): &(String, String)| format!("<dt>{}</dt><dd>{}</dd>\n", escape(label), escape(value));
    let lines: String = facts.iter().map(line).collect();
    if lines.is_empty() { lines } else { format!("<dl class=\"facts\">\n{lines}</dl>\n") }
}

/// A person's words as they stand, whatever signs are in them. Line breaks stay; what
/// cannot be seen, or turns the writing around, is left out.
fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in lines(text).chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            c => escaped.push(c),
        }
    }
    escaped
}

impl Sheet {
    /// The entry sheet as one self-contained HTML page.
    #[must_use]
    pub fn to_html(&self, size: PageSize) -> String {
        write(&self.entry_sheet(), size)
    }

    /// The customer's report as one self-contained HTML page.
    #[must_use]
    pub fn to_customer_html(&self, size: PageSize, words: &Wording) -> String {
        write(&self.customer_report(words), size)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_cannot_become_markup() {
        assert_eq!(escape("<b a='1'>\"&\u{0}\u{202e}\n"), "&lt;b a=&#39;1&#39;&gt;&quot;&amp;\n");
    }
}
