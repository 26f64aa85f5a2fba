//! The document as one HTML file: styles, pictures and attachments within it, no script, nothing fetched.

use super::{Attachment, Block, Document, LogoKind};
use askama::Template;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;

#[derive(Template)]
#[template(
    ext = "html",
    source = r##"<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>{{ document.title }} {{ document.id }}</title>
<style>
:root { color-scheme: light; }
body { font: 15px/1.45 "DejaVu Sans", Verdana, sans-serif; color: #1a1a1a; background: #fff; margin: 0 auto; padding: 1.2rem; max-width: 62rem; }
header { display: flex; flex-wrap: wrap; justify-content: space-between; gap: 1rem; border-bottom: 2px solid #1d4f73; padding-bottom: .8rem; }
header img { max-height: 4.5rem; max-width: 12rem; object-fit: contain; }
header p { margin: 0; } header p:first-child { font-weight: bold; font-size: 1.1rem; }
h1 { font-size: 1.6rem; margin: 1.2rem 0 .2rem; } h2 { font-size: 1.15rem; margin: 1.8rem 0 .5rem; color: #1d4f73; border-bottom: 1px solid #c9d6e0; padding-bottom: .15rem; } h3 { font-size: 1rem; margin: 1.2rem 0 .4rem; }
p, dd, dt, figcaption, h1, h2, h3 { overflow-wrap: anywhere; } td, th { overflow-wrap: break-word; max-width: 24rem; }
.mark { border: 2px solid #8a1c00; color: #8a1c00; font-weight: bold; padding: .5rem .8rem; margin: .8rem 0; }
.stated { border: 2px solid #1d4f73; border-left-width: 8px; padding: .7rem 1rem; margin: .8rem 0; break-inside: avoid; }
.stated .line { font-size: 1.45rem; font-weight: bold; } .stated .more { color: #444; font-size: .9rem; }
.standing { font-weight: bold; } .outside { color: #8a1c00; }
dl { display: grid; grid-template-columns: minmax(9rem, 15rem) 1fr; gap: .15rem 1rem; margin: .4rem 0; } dt { color: #555; } dd { margin: 0; }
.wide { overflow-x: auto; } table.many { min-width: 42rem; } table { border-collapse: collapse; font-size: .88rem; margin: .4rem 0 .8rem; width: 100%; } th, td { text-align: left; vertical-align: top; padding: .2rem .55rem; border-bottom: 1px solid #dde4ea; min-width: 2.5rem; } th { border-bottom: 2px solid #7b93a5; overflow-wrap: normal; } td.number, th.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
figure { margin: .8rem 0; break-inside: avoid; } figure svg { width: 100%; height: auto; } figcaption { color: #444; font-size: .88rem; }
footer { margin-top: 2rem; border-top: 1px solid #c9d6e0; padding-top: .6rem; font-size: .82rem; color: #444; overflow-wrap: anywhere; }
@media (max-width: 34rem) { dl { grid-template-columns: 1fr; gap: 0; } dd { margin-bottom: .4rem; } body { padding: .7rem; } .stated .line { font-size: 1.2rem; } }
@media print { html { font-size: 11px; } body { max-width: none; font-size: 10pt; padding: 0; } .wide { overflow: visible; } tr, dt, dd { break-inside: avoid; } thead { display: table-header-group; } h2, h3 { break-after: avoid; } }
</style>
</head>
<body>
{% if !document.header.lines.is_empty() || !logo.is_empty() %}<header><div>{% for line in document.header.lines %}<p>{{ line }}</p>{% endfor %}</div>{% if !logo.is_empty() %}<img alt="" src="{{ logo }}">{% endif %}</header>
{% endif %}<h1>{{ document.title }}</h1>
<p>{{ document.subtitle }}</p>
<p>report {{ document.id }}</p>
{% if !document.mark.is_empty() %}<p class="mark">{{ document.mark }}</p>
{% endif %}{% for block in document.blocks %}{% match block %}{% when Block::Heading { order, words } %}{% if *order == 1 %}<h2>{{ words }}</h2>{% else %}<h3>{{ words }}</h3>{% endif %}
{% when Block::Words(words) %}<p>{{ words }}</p>
{% when Block::Stated { what, line, more, standing } %}<div class="stated"><div>{{ what }}</div><div class="line">{{ line }}</div>{% for words in more %}<div class="more">{{ words }}</div>{% endfor %}{% if let Some(standing) = standing %}<div class="standing{% if !standing.passes %} outside{% endif %}">{% if standing.passes %}✓ {% else %}✗ {% endif %}{{ standing.words }}</div>{% endif %}</div>
{% when Block::Pairs(pairs) %}<dl>{% for pair in pairs %}<dt>{{ pair.0 }}</dt><dd>{{ pair.1 }}</dd>{% endfor %}</dl>
{% when Block::Table(table) %}<div class="wide"><table{% if table.columns.len() > 4 %} class="many"{% endif %}><thead><tr>{% for column in table.columns %}<th{% if column.align.is_right() %} class="number"{% endif %}>{{ column.head }}</th>{% endfor %}</tr></thead><tbody>
{% for row in table.rows %}<tr>{% for cell in row %}<td{% if table.is_right(loop.index0) %} class="number"{% endif %}>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}</tbody></table></div>
{% when Block::Figure(figure) %}<figure role="img" aria-label="{{ figure.caption }}">{{ figure.drawn.svg|safe }}<figcaption>{{ figure.caption }}</figcaption></figure>
{% endmatch %}{% endfor %}{% if !attachments.is_empty() %}<h2>What it carries with it</h2>
<ul>{% for link in attachments %}<li><a download="{{ link.name }}" href="{{ link.href }}">{{ link.name }}</a>: {{ link.what }}</li>
{% endfor %}</ul>
{% endif %}<footer>{% if !document.mark.is_empty() %}<p>{{ document.mark }}</p>{% endif %}<p>report {{ document.id }}</p><p>{{ document.anchor }}</p></footer>
</body>
</html>"##
)]
struct Page<'a> {
    document: &'a Document,
    logo: String,
    attachments: Vec<Link<'a>>,
}

struct Link<'a> {
    name: &'a str,
    what: &'a str,
    href: String,
}

/// The document with its attachments as links that hold them.
///
/// # Errors
/// In words; the template is checked when the program is built.
pub fn html(document: &Document, attachments: &[Attachment]) -> Result<String, String> {
    let data = |media: &str, bytes: &[u8]| format!("data:{media};base64,{}", STANDARD.encode(bytes));
    let logo = document.header.logo.as_ref().map_or_else(String::new, |logo| match logo.kind {
        LogoKind::Png => data("image/png", &logo.bytes),
        LogoKind::Jpeg => data("image/jpeg", &logo.bytes),
    });
    let attachments = attachments
        .iter()
        .map(|a| Link { name: &a.name, what: &a.what, href: data(a.media, &a.bytes) })
        .collect();
    Page { document, logo, attachments }.render().map_err(|e| format!("the page cannot be written: {e}"))
}

/// An attachment of a page of ours.
pub(super) fn attachment(page: &str, name: &str) -> Option<Vec<u8>> {
    let (_, rest) = page.split_once(&format!("<a download=\"{name}\" href=\"data:"))?;
    let (_, rest) = rest.split_once(";base64,")?;
    STANDARD.decode(rest.split('"').next()?).ok()
}

/// The words of a page, without its tags and what they hold.
pub(super) fn words(page: &str) -> String {
    let body = page.split_once("<body>").map_or(page, |(_, body)| body);
    let mut words = String::new();
    let mut inside = false;
    for c in body.chars() {
        match c {
            '<' => inside = true,
            '>' if inside => inside = false,
            c if !inside => words.push(c),
            _ => {}
        }
    }
    for (entity, c) in [
        ("&#60;", "<"),
        ("&#62;", ">"),
        ("&#34;", "\""),
        ("&#39;", "'"),
        ("&lt;", "<"),
        ("&gt;", ">"),
        ("&#38;", "&"),
        ("&amp;", "&"),
    ] {
        words = words.replace(entity, c);
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_special_in_html_is_written_out_and_attachments_come_back() {
        let mut document = Document { title: "<script>alert(1)</script>".to_owned(), ..Document::default() };
        document.words("a & b \" ' <img src=x onerror=alert(1)> \u{202e}");
        let attachment_in = Attachment {
            name: "ledger.jsonl".to_owned(),
            what: "rows".to_owned(),
            media: "application/jsonl",
            bytes: vec![0, 255, 13],
        };
        let page = html(&document, std::slice::from_ref(&attachment_in)).unwrap();
        assert!(!page.contains("<script") && !page.contains("<img src=x") && !page.contains('\u{202e}'));
        assert_eq!(attachment(&page, "ledger.jsonl"), Some(attachment_in.bytes));
        assert!(words(&page).contains("a & b \" ' <img src=x onerror=alert(1)> <U+202E>"));
    }
}
