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
    let given = std::env::var("COLUMNS").ok().and_then(|columns| columns.parse().ok());
    let asked = || {
        let size = terminal_size::terminal_size_of(std::io::stdout());
        size.or_else(|| terminal_size::terminal_size_of(std::io::stderr())).map(|(width, _)| width.0)
    };
    given.or_else(asked).filter(|columns| *columns >= 40).unwrap_or(100)
}

/// Text broken at blanks to the width of the terminal, blanks before it kept; every line after the first is indented.
pub(super) fn wrap(text: &str, indent: usize) -> String {
    let width = usize::from(width()).max(40);
    let mut out = String::with_capacity(text.len() + 64);
    let leading = text.len() - text.trim_start_matches(' ').len();
    out.extend(std::iter::repeat_n(' ', leading));
    let mut column = leading;
    let mut begun = false;
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        let length = word.chars().count();
        if begun && column + 1 + length > width {
            out.push('\n');
            out.extend(std::iter::repeat_n(' ', indent));
            column = indent;
        } else if begun {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
        begun = true;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::wrap;

    #[test]
    fn blanks_before_the_text_stay() {
        assert_eq!(wrap("  two  words", 4), "  two words");
        let long = format!("    {}", "word ".repeat(60));
        let lines: Vec<String> = wrap(&long, 6).lines().map(str::to_owned).collect();
        assert!(lines.len() > 1 && lines[0].starts_with("    word"), "{lines:?}");
        assert!(lines[1..].iter().all(|line| line.starts_with("      word")), "{lines:?}");
    }
}
