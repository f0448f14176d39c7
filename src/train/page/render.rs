//! Blocks of the model page -> Markdown, HTML.

use crate::page::Document;
use maud::{Markup, html as markup};
use std::fmt::Write as _;

/// A piece of the page.
pub(super) enum Block {
    Heading(String),
    Text(String),
    List(Vec<String>),
    Table {
        name: &'static str,
        head: Vec<&'static str>,
        rows: Vec<Vec<String>>,
    },
    /// A drawing and what it shows, for those who cannot see it.
    Drawing {
        drawing: Markup,
        shows: &'static str,
    },
    /// Lines that keep their indentation.
    Lines(Vec<String>),
}

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
            Block::Table { head, rows, .. } => {
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
.sheet{max-width:64rem}.sheet svg{max-width:none}section{margin-top:2.2rem}\
pre{background:var(--desk);padding:.8rem;overflow-x:auto;line-height:1.35;font-size:.85rem}\
th,td{padding:.25rem 1rem .25rem 0}.scroll{margin:1rem 0}\
@media print{.scroll{overflow:visible}.scroll svg{max-width:100%;height:auto}}";

pub(super) fn html(title: &str, blocks: &[Block]) -> String {
    let body = markup! {
        div.sheet {
            header { h1 { (title) } }
            main { @for block in blocks { (part(block)) } }
        }
    };
    Document { title, style: STYLE, body, script: None }.into_page()
}

fn part(block: &Block) -> Markup {
    markup! {
        @match block {
            Block::Heading(text) => h2 { (text) },
            Block::Text(text) => p { (text) },
            Block::List(items) => ul { @for item in items { li { (item) } } },
            Block::Table { name, head, rows } => div.scroll tabindex="0" role="group" aria-label=(name) {
                table {
                    caption { (name) }
                    thead { tr { @for cell in head { th scope="col" { (cell) } } } }
                    tbody { @for row in rows { tr { @for cell in row { td { (cell) } } } } }
                }
            },
            Block::Drawing { drawing, shows } => div.scroll tabindex="0" role="group" aria-label=(shows) { (drawing) },
            Block::Lines(lines) => pre tabindex="0" { (lines.join("\n")) },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_cannot_leave_their_place() {
        let blocks = [
            Block::Text("<script>a|b</script>".into()),
            Block::Table { name: "n", head: vec!["a"], rows: vec![vec!["x|y\n<b>".into()]] },
        ];
        let page = html("<b>\"'", &blocks);
        assert!(!page.contains("<script>") && !page.contains("<b>"));
        let text = markdown("a\n# b", &blocks);
        assert!(text.contains("x\\|y &lt;b>") && text.starts_with("# a # b\n"));
    }
}
