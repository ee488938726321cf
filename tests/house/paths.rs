//! Which file of `src` uses which, read from the text: enough of Rust's grammar for paths, imports and items.
//!
//! What plain text does not show is not seen: a method called on a value, and what a macro writes.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// A name bound by `use`: the path it stands for, and whether it is handed on (`pub use`).
struct Import {
    name: String,
    path: Vec<String>,
    public: bool,
}

/// One source file.
pub(super) struct Source {
    /// Its path as a module, without `crate`.
    module: Vec<String>,
    items: BTreeSet<String>,
    imports: Vec<Import>,
    /// Paths of two names and more, outside of `use`.
    paths: Vec<Vec<String>>,
    /// Every name, outside of `use`.
    names: BTreeSet<String>,
}

/// Names and marks of a text, without comments, texts and test code; `::` is one mark.
pub(super) fn tokens(text: &str) -> Vec<String> {
    let chars: Vec<char> = text.chars().collect();
    let mut found: Vec<String> = Vec::new();
    let mut at = 0;
    let begins = |at: usize, word: &str| word.chars().enumerate().all(|(i, c)| chars.get(at + i) == Some(&c));
    while at < chars.len() {
        let c = chars[at];
        if begins(at, "//") {
            while at < chars.len() && chars[at] != '\n' {
                at += 1;
            }
        } else if begins(at, "/*") {
            while at < chars.len() && !begins(at, "*/") {
                at += 1;
            }
            at += 2;
        } else if c == '"' {
            // A text with hashes is raw: it ends at a quote with as many.
            let hashes = found.iter().rev().take_while(|token| *token == "#").count();
            let raw = found.iter().rev().nth(hashes).is_some_and(|token| token == "r" || token == "br");
            let end = format!("\"{}", "#".repeat(if raw { hashes } else { 0 }));
            at += 1;
            while at < chars.len() && !begins(at, &end) {
                at += if chars[at] == '\\' && !raw { 2 } else { 1 };
            }
            at += end.len();
            found.push("text".to_owned());
        } else if c == '\'' {
            // A character, or the name of a lifetime.
            if chars.get(at + 1) == Some(&'\\') {
                at += 3;
                while at < chars.len() && chars[at] != '\'' {
                    at += 1;
                }
                at += 1;
            } else if chars.get(at + 2) == Some(&'\'') {
                at += 3;
            } else {
                at += 1;
            }
        } else if c.is_alphanumeric() || c == '_' {
            let from = at;
            while at < chars.len() && (chars[at].is_alphanumeric() || chars[at] == '_') {
                at += 1;
            }
            found.push(chars[from..at].iter().collect());
        } else if begins(at, "::") {
            found.push("::".to_owned());
            at += 2;
        } else {
            if !c.is_whitespace() {
                found.push(c.to_string());
            }
            at += 1;
        }
    }
    without_tests(&found)
}

/// The place after the bracket that closes the one at `at`.
fn after_bracket(tokens: &[String], at: usize) -> usize {
    let mut depth = 0usize;
    for (index, token) in tokens.iter().enumerate().skip(at) {
        match token.as_str() {
            "{" | "[" | "(" => depth += 1,
            "}" | "]" | ")" => {
                depth -= 1;
                if depth == 0 {
                    return index + 1;
                }
            }
            _ => {}
        }
    }
    tokens.len()
}

/// Attributes go, and with `#[cfg(test)]` the item that it stands before.
fn without_tests(tokens: &[String]) -> Vec<String> {
    let mut kept = Vec::new();
    let mut at = 0;
    while at < tokens.len() {
        let open = if tokens.get(at + 1).is_some_and(|t| t == "!") { at + 2 } else { at + 1 };
        if tokens[at] != "#" || tokens.get(open).is_none_or(|t| t != "[") {
            kept.push(tokens[at].clone());
            at += 1;
            continue;
        }
        let test = tokens[open..].starts_with(&["[", "cfg", "(", "test", ")", "]"].map(str::to_owned));
        at = after_bracket(tokens, open);
        if test {
            while at < tokens.len() && tokens[at] != "{" && tokens[at] != ";" {
                at = if tokens[at] == "(" || tokens[at] == "[" { after_bracket(tokens, at) } else { at + 1 };
            }
            at = if tokens.get(at).is_some_and(|t| t == "{") { after_bracket(tokens, at) } else { at + 1 };
        }
    }
    kept
}

/// Reads one tree of a `use` from `at`; the place after it.
fn read_use(
    tokens: &[String],
    mut at: usize,
    before: &[String],
    public: bool,
    to: &mut Vec<Import>,
) -> usize {
    let mut path = before.to_vec();
    let mut name = None;
    while let Some(token) = tokens.get(at) {
        match token.as_str() {
            "{" => {
                at += 1;
                while tokens.get(at).is_some_and(|t| t != "}") {
                    at = read_use(tokens, at, &path, public, to);
                    if tokens.get(at).is_some_and(|t| t == ",") {
                        at += 1;
                    }
                }
                return at + 1;
            }
            "," | "}" | ";" => break,
            "::" => {}
            "as" => {
                at += 1;
                name = tokens.get(at).cloned();
            }
            "self" if !path.is_empty() => {}
            word => path.push(word.to_owned()),
        }
        at += 1;
    }
    let name = name.or_else(|| path.last().cloned()).unwrap_or_default();
    to.push(Import { name, path, public });
    at
}

fn is_name(token: &str) -> bool {
    token.chars().next().is_some_and(|c| c.is_alphabetic() || c == '_')
}

impl Source {
    fn read(module: Vec<String>, text: &str) -> Self {
        let tokens = tokens(text);
        let mut source =
            Self { module, items: BTreeSet::new(), imports: vec![], paths: vec![], names: BTreeSet::new() };
        let (mut at, mut depth, mut public) = (0, 0i32, false);
        while at < tokens.len() {
            let next = tokens.get(at + 1).map_or("", String::as_str);
            match tokens[at].as_str() {
                "pub" => {
                    public = true;
                    at = if next == "(" { after_bracket(&tokens, at + 1) } else { at + 1 };
                    continue;
                }
                "use" => {
                    at = read_use(&tokens, at + 1, &[], public, &mut source.imports) + 1;
                    public = false;
                    continue;
                }
                "mod" if tokens.get(at + 2).is_some_and(|t| t == ";") => {
                    at += 3;
                    public = false;
                    continue;
                }
                "fn" | "struct" | "enum" | "trait" | "type" | "const" | "static" | "mod"
                    if depth == 0 && is_name(next) && next != "fn" =>
                {
                    source.items.insert(next.to_owned());
                }
                "{" | "(" | "[" => depth += 1,
                "}" | ")" | "]" => depth -= 1,
                word if is_name(word) => {
                    let mut path = vec![word.to_owned()];
                    while tokens.get(at + 1).is_some_and(|t| t == "::")
                        && tokens.get(at + 2).is_some_and(|t| is_name(t))
                    {
                        path.push(tokens[at + 2].clone());
                        at += 2;
                    }
                    source.names.insert(path[0].clone());
                    if path.len() > 1 {
                        source.paths.push(path);
                    }
                }
                _ => {}
            }
            public = false;
            at += 1;
        }
        source
    }
}

/// All files of a crate.
pub(super) struct Crate {
    files: BTreeMap<String, Source>,
    /// Module path to file.
    modules: BTreeMap<Vec<String>, String>,
}

impl Crate {
    /// Reads these files, whose names are paths below `root`.
    pub(super) fn read(root: &Path, files: &[PathBuf]) -> Self {
        let texts = files.iter().map(|file| {
            let name = file.strip_prefix(root).unwrap().display().to_string();
            (name, std::fs::read_to_string(file).unwrap())
        });
        Self::of(texts)
    }

    /// A crate of these names and texts.
    pub(super) fn of(texts: impl IntoIterator<Item = (String, String)>) -> Self {
        let (mut files, mut modules) = (BTreeMap::new(), BTreeMap::new());
        for (name, text) in texts {
            let mut module: Vec<String> =
                name.trim_end_matches(".rs").split('/').map(str::to_owned).collect();
            if module.last().is_some_and(|last| ["mod", "lib"].contains(&last.as_str())) {
                module.pop();
            }
            modules.insert(module.clone(), name.clone());
            files.insert(name, Source::read(module, &text));
        }
        Self { files, modules }
    }

    /// The path from the root of the crate that a path in a file means; `None` when it leaves the crate.
    fn absolute(&self, source: &Source, path: &[String]) -> Option<Vec<String>> {
        let mut base = source.module.clone();
        let mut rest = path;
        match path.first()?.as_str() {
            "crate" => (base, rest) = (vec![], &path[1..]),
            "self" => rest = &path[1..],
            "super" => {
                while rest.first().is_some_and(|word| word == "super") {
                    base.pop();
                    rest = &rest[1..];
                }
            }
            first => {
                let child = [base.as_slice(), &[first.to_owned()]].concat();
                if !self.modules.contains_key(&child) {
                    let import = source.imports.iter().find(|import| import.name == first)?;
                    if import.path.first() == path.first() {
                        return None;
                    }
                    base = self.absolute(source, &import.path)?;
                    rest = &path[1..];
                }
            }
        }
        base.extend_from_slice(rest);
        Some(base)
    }

    /// The file that defines what stands at this path from the root; `None` for a module as such.
    fn defines(&self, path: &[String], depth: u8) -> Option<&str> {
        let mut length = path.len();
        while !self.modules.contains_key(&path[..length]) {
            length = length.checked_sub(1)?;
        }
        let file = self.modules.get(&path[..length])?;
        let source = self.files.get(file)?;
        let name = path.get(length)?;
        if source.items.contains(name) || depth == 0 {
            return Some(file);
        }
        for import in source.imports.iter().filter(|import| import.name == *name || import.name == "*") {
            let Some(mut target) = self.absolute(source, &import.path) else { continue };
            if import.name == "*" {
                target.pop();
                target.push(name.clone());
            }
            target.extend_from_slice(&path[length + 1..]);
            if let Some(found) = self.defines(&target, depth - 1) {
                return Some(found);
            }
        }
        Some(file)
    }

    /// Each file with those that it uses, and one name that it uses of each.
    pub(super) fn uses(&self) -> BTreeMap<&str, BTreeMap<&str, &str>> {
        let mut all = BTreeMap::new();
        for (file, source) in &self.files {
            // What is only handed on is not used.
            let imports = source.imports.iter().filter(|i| !i.public || source.names.contains(&i.name));
            let paths = imports.map(|import| &import.path).chain(&source.paths);
            let used = paths
                .filter_map(|path| {
                    Some((self.defines(&self.absolute(source, path)?, 8)?, path.last()?.as_str()))
                })
                .filter(|(used, _)| used != file)
                .collect::<BTreeMap<_, _>>();
            all.insert(file.as_str(), used);
        }
        all
    }

    /// For each file that uses itself by way of others, the shortest way round, each circle once and in words.
    pub(super) fn circles(&self) -> BTreeSet<String> {
        let uses = self.uses();
        let mut found = BTreeSet::new();
        for start in uses.keys() {
            let mut from: BTreeMap<&str, &str> = BTreeMap::new();
            let mut edge = vec![*start];
            while !edge.is_empty() && !from.contains_key(start) {
                let mut next = Vec::new();
                for file in edge {
                    for used in uses[file].keys() {
                        if !from.contains_key(used) {
                            from.insert(used, file);
                            next.push(*used);
                        }
                    }
                }
                edge = next;
            }
            let Some(mut at) = from.get(start).copied() else { continue };
            let mut circle = vec![*start];
            while at != *start {
                circle.push(at);
                at = from[at];
            }
            circle.reverse();
            let least = circle.iter().enumerate().min_by_key(|(_, file)| **file).map_or(0, |(at, _)| at);
            circle.rotate_left(least);
            let next = circle.iter().cycle().skip(1);
            let steps =
                circle.iter().zip(next).map(|(file, next)| format!("{file} uses {} of", uses[file][next]));
            found.insert(format!("{} {}", steps.collect::<Vec<_>>().join(" "), circle[0]));
        }
        found
    }
}
