//! The rules of the house, run: arrows, lengths, doors, words.

#![allow(clippy::unwrap_used)]

mod documents;
mod paths;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Layers from left to right; a file may import only from its own layer and from those to its left.
const LAYERS: [&str; 11] = [
    "base",
    "source",
    "journal",
    "signal",
    "decode",
    "timeline",
    "analysis",
    "bench",
    "learn",
    "simulator",
    "face",
];

/// Crates that enter the house by one door each.
const DOORS: [(&str, &[&str]); 14] = [
    ("serialport", &["source"]),
    ("csv", &["source", "timeline"]),
    ("flate2", &["source", "journal", "timeline"]),
    ("tar", &["timeline"]),
    ("crc32c", &["journal"]),
    ("regex_automata", &["decode", "timeline"]),
    ("nom", &["decode"]),
    ("rusqlite", &["timeline"]),
    ("arrow_array", &["timeline"]),
    ("arrow_schema", &["timeline"]),
    ("statrs", &["analysis"]),
    ("clap", &["face"]),
    // The daemon's local socket, which each system has in its own kind.
    ("tokio", &["face", "base"]),
    ("comfy_table", &["face"]),
];

fn files(folder: &str, extension: &str) -> Vec<PathBuf> {
    fn walk(folder: &Path, extension: &str, found: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
            let path = entry.path();
            if path.is_dir() {
                walk(&path, extension, found);
            } else if path.extension().is_some_and(|e| e == extension) {
                found.push(path);
            }
        }
    }
    let mut found = Vec::new();
    walk(&Path::new(env!("CARGO_MANIFEST_DIR")).join(folder), extension, &mut found);
    found.sort();
    assert!(!found.is_empty(), "{folder} holds no .{extension} file");
    found
}

fn below_root(path: &Path) -> String {
    path.strip_prefix(env!("CARGO_MANIFEST_DIR")).unwrap().display().to_string()
}

fn layer_of(path: &Path) -> Option<usize> {
    let path = below_root(path);
    let layer = path.strip_prefix("src/")?.split(['/', '.']).next()?.to_owned();
    LAYERS.iter().position(|l| *l == layer)
}

/// Source without comments and doc examples, which may name any layer.
fn code(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    text.lines().filter(|line| !line.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

#[test]
fn data_flows_one_way() {
    let mut wrong = Vec::new();
    for file in files("src", "rs") {
        let Some(own) = layer_of(&file) else { continue };
        let text = code(&file);
        for (at, _) in text.match_indices("crate::") {
            let name = text[at + 7..].split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap_or("");
            let Some(other) = LAYERS.iter().position(|l| *l == name) else { continue };
            if other > own {
                wrong.push(format!("{} imports {name}", below_root(&file)));
            }
        }
    }
    assert!(wrong.is_empty(), "arrows against the flow:\n{}", wrong.join("\n"));
}

#[test]
fn faces_do_not_import_each_other() {
    // Rooms that are shared by all faces; everything else in `face` is a face.
    let shared = ["cautions", "glossary", "out", "drawing"];
    let mut wrong = Vec::new();
    for file in files("src/face", "rs") {
        let relative = below_root(&file);
        let own = relative.trim_start_matches("src/face/").split(['/', '.']).next().unwrap_or("").to_owned();
        if own == "mod" || own == "cli" {
            continue;
        }
        let text = code(&file);
        for (at, _) in text.match_indices("crate::face::") {
            let name = text[at + 13..].split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap_or("");
            if name != own && !shared.contains(&name) && name.chars().next().is_some_and(char::is_lowercase) {
                wrong.push(format!("{relative} imports face::{name}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_foreign_crate_has_its_door() {
    let mut wrong = Vec::new();
    for file in files("src", "rs") {
        let Some(own) = layer_of(&file) else { continue };
        let text = code(&file);
        for (name, layers) in DOORS {
            let used = text.lines().any(|line| {
                let line = line.trim_start();
                line.starts_with(&format!("use {name}")) || line.contains(&format!(" {name}::"))
            });
            // What differs between systems is a door of its own.
            let system = below_root(&file).starts_with("src/base/system/");
            if used && !system && !layers.contains(&LAYERS[own]) {
                wrong.push(format!("{} uses {name}", below_root(&file)));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// What differs between systems stands in one place; `cfg(test)` and features do not differ between systems.
#[test]
fn only_the_system_module_asks_which_system_it_is() {
    let words = ["unix", "windows", "target_os", "target_family", "std::os::", "rustix::", "sd_notify::"];
    let mut wrong = Vec::new();
    for file in files("src", "rs") {
        let name = below_root(&file);
        if name.starts_with("src/base/system/") {
            continue;
        }
        let text = code(&file);
        let own = text.split("#[cfg(test)]\nmod tests").next().unwrap_or_default();
        for line in own.lines() {
            let asks = line.contains("cfg(") || line.contains("cfg!(") || line.contains("::");
            let asked = |word: &&&str| match **word {
                "unix" | "windows" => line.contains(&format!("({word}")) && line.contains("cfg"),
                word => line.contains(word),
            };
            if asks && words.iter().find(asked).is_some() {
                wrong.push(format!("{name}: {}", line.trim()));
            }
        }
    }
    assert!(wrong.is_empty(), "ask `base::system` instead:\n{}", wrong.join("\n"));
}

#[test]
fn no_files_stand_in_a_circle() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let house = paths::Crate::read(&root, &files("src", "rs"));
    let circles = Vec::from_iter(house.circles());
    assert!(circles.is_empty(), "{}", circles.join("\n"));
}

/// A path says where its item stands wherever the file that names it moves. Tests within a file use what is around them.
#[test]
fn paths_are_written_from_the_root() {
    let mut wrong = Vec::new();
    for file in files("src", "rs") {
        let tokens = paths::tokens(&fs::read_to_string(&file).unwrap());
        let found = tokens.windows(2).filter(|pair| pair[0] == "super" && pair[1] == "::").count();
        if found > 0 {
            wrong.push(format!("{}: {found}", below_root(&file)));
        }
    }
    assert!(wrong.is_empty(), "write `crate::` in place of `super::` in\n{}", wrong.join("\n"));
}

/// What an error is about is its kind and its cause; its sentence is for people.
#[test]
fn errors_are_not_read_back() {
    let searches = ["contains", "starts_with", "ends_with", "strip_prefix", "find", "split_once"];
    let mut wrong = Vec::new();
    for file in files("src", "rs") {
        let tokens = paths::tokens(&fs::read_to_string(&file).unwrap());
        for (at, token) in tokens.iter().enumerate() {
            let call = ["what", "sentence", "to_string"].contains(&token.as_str());
            let error = at > 1 && ["error", "refusal", "why", "failed"].contains(&tokens[at - 2].as_str());
            if !call || !error || tokens.get(at + 1..at + 3) != Some(&["(".to_owned(), ")".to_owned()]) {
                continue;
            }
            let next: Vec<&str> = tokens[at + 3..].iter().take(2).map(String::as_str).collect();
            if next == ["=", "="] || next[0] == "." && searches.contains(&next[1]) {
                wrong.push(below_root(&file));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "give the error a cause (base::Cause) in place of reading its sentence:\n{wrong:?}"
    );
}

#[test]
fn no_file_is_longer_than_500_lines() {
    let mut long = BTreeMap::new();
    for folder in ["src", "tests"] {
        for file in files(folder, "rs") {
            let lines = fs::read_to_string(&file).unwrap().lines().count();
            if lines > 500 {
                long.insert(below_root(&file), lines);
            }
        }
    }
    assert!(long.is_empty(), "{long:?}");
}

#[test]
fn tests_stand_alone() {
    // The product must be tested from its own folder: no path of one machine, nothing beside the project.
    let words = ["/wo".to_owned() + "rk/", "/ro".to_owned() + "ot/", "../sha".to_owned() + "red"];
    for folder in ["src", "tests", "protocols", "captures"] {
        for extension in ["rs", "py", "toml", "md"] {
            let root = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
            let mut found = Vec::new();
            collect(&root, extension, &mut found);
            for file in found {
                let text = fs::read_to_string(&file).unwrap_or_default();
                for word in &words {
                    assert!(!text.contains(word.as_str()), "{} names {word}", below_root(&file));
                }
            }
        }
    }
}

fn collect(folder: &Path, extension: &str, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            collect(&path, extension, found);
        } else if path.extension().is_some_and(|e| e == extension) {
            found.push(path);
        }
    }
}
