//! Plain tables: no frames, columns two blanks apart, as wide as the terminal.

use comfy_table::{CellAlignment, ContentArrangement, Table, TableStyle};

/// A table with these headings; `right` lists the columns that hold numbers.
pub(super) fn new(headings: &[&str], right: &[usize]) -> Table {
    let mut table = Table::new();
    table
        .load_style(TableStyle::new())
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(width());
    table.set_header(headings.to_vec());
    for column in right {
        if let Some(column) = table.column_mut(*column) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table
}

/// The table as text without trailing blanks.
pub(super) fn text(table: &Table) -> String {
    table.lines().map(|line| line.trim_end().to_owned()).collect::<Vec<_>>().join("\n")
}

/// Width of the terminal: `COLUMNS`, else what the terminal says, else 100.
pub(super) fn width() -> u16 {
    let told = std::env::var("COLUMNS").ok().and_then(|columns| columns.parse().ok());
    let asked = || {
        let size = rustix::termios::tcgetwinsize(std::io::stdout())
            .or_else(|_| rustix::termios::tcgetwinsize(std::io::stderr()));
        size.ok().map(|size| size.ws_col)
    };
    told.or_else(asked).filter(|columns| *columns >= 40).unwrap_or(100)
}

/// Text broken at blanks to the width of the terminal; every line after the first is indented.
pub(super) fn wrap(text: &str, indent: usize) -> String {
    let width = usize::from(width()).max(40);
    let mut out = String::with_capacity(text.len() + 64);
    let mut column = 0;
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        let length = word.chars().count();
        if column > 0 && column + 1 + length > width {
            out.push('\n');
            out.extend(std::iter::repeat_n(' ', indent));
            column = indent;
        } else if column > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
    }
    out
}
