//! The parts that every page shares: escaping, the frame, the look.

use std::fmt::Write as _;

use units::text::lines;

/// Black on white, large where a number is typed from, laid out for A4. No
/// script, font or picture from outside: the page is one file for ever.
const STYLE: &str = "\
@page { size: A4; margin: 14mm; }
:root { color-scheme: light; }
body { font: 11pt/1.4 Inter, 'Segoe UI', Helvetica, Arial, sans-serif; color: #000; background: #fff;
  max-width: 182mm; margin: 0 auto; padding: 6mm; }
@media print { body { padding: 0; max-width: none; } }
h1 { font-size: 20pt; line-height: 1.15; margin: 0 0 2mm; }
h2 { font-size: 14pt; margin: 7mm 0 2mm; border-bottom: 0.6mm solid #000; break-after: avoid; }
h3 { font-size: 11pt; margin: 4mm 0 1mm; break-after: avoid; }
p, ul, dl, table, figure { margin: 0 0 3mm; }
ul { padding-left: 6mm; }
dl.facts { display: grid; grid-template-columns: max-content 1fr; gap: 0.5mm 5mm; }
dl.facts dt { font-weight: 700; }
dl.facts dd { margin: 0; }
.never { border: 1.2mm solid #000; padding: 4mm; text-align: center; break-inside: avoid; }
.never strong { display: block; font-size: 40pt; line-height: 1.1; }
section.channel { break-inside: avoid-page; }
table { border-collapse: collapse; width: 100%; }
caption { text-align: left; font-weight: 700; break-after: avoid; }
table.together { break-inside: avoid; }
td.box { width: 9mm; }
th, td { border-bottom: 0.25mm solid #000; padding: 1.2mm 2mm; text-align: left; vertical-align: baseline; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
td.number, th.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
td.typed { font-size: 17pt; font-weight: 700; }
td.why { font-size: 9pt; }
input[type=checkbox] { width: 6mm; height: 6mm; margin: 0; vertical-align: middle; }
figure { break-inside: avoid; }
figure svg { width: 100%; height: auto; }
figcaption { font-size: 9pt; }
.inverted { font-weight: 700; text-decoration: underline; }
.notes { white-space: pre-wrap; }
";

/// A whole page around a body.
pub(crate) fn page(title: &str, body: &str) -> String {
    let title = escape(title);
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <title>{title}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n{body}</body>\n</html>\n"
    )
}

/// A person's words as they stand, whatever signs are in them. Line breaks stay; what
/// cannot be seen, or turns the writing around, is left out.
pub(crate) fn escape(text: &str) -> String {
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

/// Labels and values under each other.
pub(crate) fn facts<'a>(facts: impl IntoIterator<Item = (&'a str, String)>) -> String {
    let mut html = String::new();
    for (label, value) in facts {
        let _ = writeln!(html, "<dt>{}</dt><dd>{}</dd>", escape(label), escape(&value));
    }
    if html.is_empty() { html } else { format!("<dl class=\"facts\">\n{html}</dl>\n") }
}

/// A heading with a list, or nothing without items.
pub(crate) fn section_list<T: AsRef<str>>(heading: &str, items: impl IntoIterator<Item = T>) -> String {
    let mut html = String::new();
    for item in items {
        let _ = writeln!(html, "<li>{}</li>", escape(item.as_ref()));
    }
    if html.is_empty() {
        html
    } else {
        format!("<section>\n<h2>{}</h2>\n<ul>\n{html}</ul>\n</section>\n", escape(heading))
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
