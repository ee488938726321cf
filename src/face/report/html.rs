//! HTML by hand, with one door for foreign text.

use crate::face::drawing::Door;
pub use crate::face::drawing::escape;

/// A growing HTML text. Tags and classes are ours, `'static`; everything else goes through the [`Door`].
#[derive(Debug, Default)]
pub(super) struct Html {
    out: String,
    door: Door,
}

impl Html {
    /// An empty one.
    pub(super) fn new(door: Door) -> Self {
        Self { out: String::new(), door }
    }

    /// Markup of our own.
    pub(super) fn raw(&mut self, markup: &'static str) -> &mut Self {
        self.out.push_str(markup);
        self
    }

    /// Foreign text.
    pub(super) fn text(&mut self, text: &str) -> &mut Self {
        self.out.push_str(&self.door.text(text));
        self
    }

    /// `<tag>text</tag>`; `tag` may carry attributes (`td class="n"`).
    pub(super) fn element(&mut self, tag: &'static str, text: &str) -> &mut Self {
        self.out.push('<');
        self.out.push_str(tag);
        self.out.push('>');
        self.text(text);
        self.close(tag)
    }

    /// `</tag>`, attributes in `tag` left out.
    pub(super) fn close(&mut self, tag: &'static str) -> &mut Self {
        self.out.push_str("</");
        self.out.push_str(tag.split(' ').next().unwrap_or(tag));
        self.out.push('>');
        self
    }

    /// A heading of a section with an anchor.
    pub(super) fn section(&mut self, id: &'static str, title: &'static str) -> &mut Self {
        self.out.push_str("\n<section id=\"");
        self.out.push_str(id);
        self.out.push_str("\"><h2>");
        self.text(title).raw("</h2>\n")
    }

    /// A finished part (an SVG drawing, a data block).
    pub(super) fn part(&mut self, part: Part) -> &mut Self {
        self.out.push_str(&part.0);
        self
    }

    /// A row of a table: the first cell is the row's heading; cells from `numbers_from` on are numbers.
    pub(super) fn row(&mut self, cells: &[String], numbers_from: usize) -> &mut Self {
        self.raw("<tr>");
        for (i, cell) in cells.iter().enumerate() {
            let tag = match i {
                0 => "th scope=\"row\"",
                i if i >= numbers_from => "td class=\"n\"",
                _ => "td",
            };
            self.element(tag, cell);
        }
        self.raw("</tr>\n")
    }

    /// The head of a table, with a caption unless that is empty.
    pub(super) fn table(&mut self, caption: &str, columns: &[&str], numbers_from: usize) -> &mut Self {
        self.raw("<table>");
        if !caption.is_empty() {
            self.element("caption", caption);
        }
        self.raw("<thead><tr>");
        for (i, column) in columns.iter().enumerate() {
            let tag = if i >= numbers_from { "th scope=\"col\" class=\"n\"" } else { "th scope=\"col\"" };
            self.element(tag, column);
        }
        self.raw("</tr></thead><tbody>\n")
    }

    /// Ends a table.
    pub(super) fn end_table(&mut self) -> &mut Self {
        self.raw("</tbody></table>\n")
    }

    /// The text.
    pub(super) fn finish(self) -> String {
        self.out
    }
}

/// Markup that was built with every foreign text escaped.
#[derive(Debug)]
pub(super) struct Part(pub(super) String);
