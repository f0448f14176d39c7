//! Blocks of the model page -> Markdown, HTML.

use super::Block;
use std::fmt::Write as _;

pub(super) fn markdown(title: &str, blocks: &[Block]) -> String {
    let mut out = format!("# {}\n", plain(title));
    for block in blocks {
        out.push('\n');
        match block {
            Block::Heading(text) => {
                let _ = writeln!(out, "## {}", plain(text));
            }
            Block::Text(text) => {
                let _ = writeln!(out, "{}", plain(text));
            }
            Block::List(items) => items.iter().for_each(|i| {
                let _ = writeln!(out, "- {}", plain(i));
            }),
            Block::Table { head, rows } => {
                let _ = writeln!(out, "| {} |\n|{}", head.join(" | "), "---|".repeat(head.len()));
                for row in rows {
                    let cells: Vec<String> = row.iter().map(|c| plain(c).replace('|', "\\|")).collect();
                    let _ = writeln!(out, "| {} |", cells.join(" | "));
                }
            }
            Block::Drawing { shows, .. } => {
                let _ = writeln!(out, "({} See the HTML page.)", plain(shows));
            }
            Block::Lines(lines) => {
                let _ = writeln!(out, "```text\n{}\n```", lines.join("\n").replace("```", "'''"));
            }
        }
    }
    out
}

/// Names may hold anything: no line breaks, no tags.
fn plain(text: &str) -> String {
    text.replace(['\n', '\r'], " ").replace('<', "&lt;")
}

const STYLE: &str = "\
:root{color-scheme:light dark;--ink:#1c2227;--page:#fff;--rule:#b8c0c6;--soft:#f1f4f6;--s:#0b62a4;--t:#b04a00;--u:#68737c}\
@media(prefers-color-scheme:dark){:root{--ink:#e4e9ed;--page:#14181b;--rule:#48525a;--soft:#20262b;--s:#7cc0f5;--t:#f5a35c;--u:#a3afb8}}\
body{font:16px/1.5 system-ui,sans-serif;color:var(--ink);background:var(--page);max-width:62rem;margin:2rem auto;padding:0 1rem}\
h1{font-size:1.6rem}h2{font-size:1.2rem;margin-top:2.2rem;border-bottom:1px solid var(--rule);padding-bottom:.2rem}\
table{border-collapse:collapse;margin:1rem 0;font-variant-numeric:tabular-nums}\
th,td{border-bottom:1px solid var(--rule);padding:.25rem .8rem .25rem 0;text-align:left;vertical-align:top}\
.wide{overflow-x:auto;margin:1rem 0}pre{background:var(--soft);padding:.8rem;overflow-x:auto;line-height:1.35;font-size:.85rem}\
svg text{fill:var(--ink);font:12px system-ui,sans-serif}svg .line{stroke:var(--rule);fill:none}svg .ask{fill:var(--soft);stroke:var(--rule)}\
svg .sheared{stroke:var(--s)}svg .tensile{stroke:var(--t)}svg .unclear{stroke:var(--u);stroke-dasharray:5 3}\
svg .end{fill:var(--page);stroke-width:2.5}svg .dot{fill:var(--s);stroke:none}svg .curve{stroke:var(--s);fill:none;stroke-width:2}\
@media print{body{max-width:none;margin:0}.wide{overflow:visible}}";

pub(super) fn html(title: &str, blocks: &[Block]) -> String {
    let title = escape(title);
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
         <title>{title}</title><style>{STYLE}</style></head>\n<body><main><h1>{title}</h1>\n"
    );
    for block in blocks {
        html_block(&mut out, block);
    }
    out.push_str("</main></body></html>\n");
    out
}

fn html_block(out: &mut String, block: &Block) {
    let _ = match block {
        Block::Heading(text) => writeln!(out, "<h2>{}</h2>", escape(text)),
        Block::Text(text) => writeln!(out, "<p>{}</p>", escape(text)),
        Block::List(items) => {
            let items: String = items.iter().map(|i| format!("<li>{}</li>", escape(i))).collect();
            writeln!(out, "<ul>{items}</ul>")
        }
        Block::Table { head, rows } => {
            let head: String = head.iter().map(|h| format!("<th scope=\"col\">{}</th>", escape(h))).collect();
            let row = |r: &Vec<String>| -> String { r.iter().map(|c| format!("<td>{}</td>", escape(c))).collect() };
            let rows: String = rows.iter().map(|r| format!("<tr>{}</tr>\n", row(r))).collect();
            writeln!(
                out,
                "<div class=\"wide\" tabindex=\"0\"><table><thead><tr>{head}</tr></thead><tbody>\n{rows}</tbody></table></div>"
            )
        }
        Block::Drawing { svg, .. } => writeln!(out, "<div class=\"wide\" tabindex=\"0\">{svg}</div>"),
        Block::Lines(lines) => writeln!(out, "<pre tabindex=\"0\">{}</pre>", escape(&lines.join("\n"))),
    };
}

/// Text that is safe between tags and in quoted attributes.
pub(super) fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;").replace('\'', "&#39;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_cannot_leave_their_place() {
        let blocks = [
            Block::Text("<script>a|b</script>".into()),
            Block::Table { head: vec!["a"], rows: vec![vec!["x|y\n<b>".into()]] },
        ];
        let page = html("<b>\"'", &blocks);
        assert!(!page.contains("<script>") && !page.contains("<b>"));
        let text = markdown("a\n# b", &blocks);
        assert!(text.contains("x\\|y &lt;b>") && text.starts_with("# a # b\n"));
    }
}
