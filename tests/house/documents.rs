//! What the documents name is there, and is what they say.

use std::fs;
use std::path::{Path, PathBuf};

fn documents() -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folders = ["", "docs", "examples", "captures", "captures/jobs-0.1.0", "captures/jobs-0.2.0"];
    let mut found = Vec::new();
    for folder in folders {
        for entry in fs::read_dir(root.join(folder)).unwrap().flatten() {
            found.extend(Some(entry.path()).filter(|path| path.extension().is_some_and(|e| e == "md")));
        }
    }
    assert!(found.len() > 20, "{found:?}");
    found
}

fn document(name: &str) -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(name)).unwrap()
}

#[test]
fn links_and_paths_of_the_documents_lead_somewhere() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folders =
        ["src/", "tests/", "examples/", "docs/", "protocols/", "packaging/", "captures/", "benches/", ".ci/"];
    let mut wrong = Vec::new();
    for path in documents() {
        let text = fs::read_to_string(&path).unwrap();
        let links = text.split("](").skip(1).filter_map(|rest| Some(rest.split_once(')')?.0));
        for link in links.filter(|link| !link.contains("://") && !link.starts_with('#')) {
            let file = link.split('#').next().unwrap();
            if !path.parent().unwrap().join(file).exists() {
                wrong.push(format!("{}: {link}", path.display()));
            }
        }
        // Changes may name what is gone.
        if path.ends_with("CHANGELOG.md") {
            continue;
        }
        for word in text.split('`').skip(1).step_by(2) {
            let plain = word.chars().all(|c| c.is_ascii_alphanumeric() || "/._-".contains(c));
            let named = folders.iter().any(|folder| word.starts_with(folder) && word.len() > folder.len());
            if plain && named && !word.contains("NAME") && !root.join(word).exists() {
                wrong.push(format!("{}: {word}", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn versions_stand_in_the_documents() {
    let changes = document("CHANGELOG.md");
    let first = changes.lines().find_map(|line| line.strip_prefix("## ")).unwrap();
    assert!(
        first == "Unreleased" || first.starts_with(&format!("{}, ", env!("CARGO_PKG_VERSION"))),
        "{first}"
    );
    let oldest = format!("Rust ({} or newer)", env!("CARGO_PKG_RUST_VERSION"));
    let package = format!("straykey_{}_amd64.deb", env!("CARGO_PKG_VERSION"));
    for said in [oldest, package] {
        assert!(document("README.md").contains(&said), "README.md does not say {said}");
    }
    let journal = format!("| journal: recordings and step logs | {} |", straykey::journal::VERSION);
    assert!(document("docs/releases.md").contains(&journal), "docs/releases.md does not say {journal}");
}
