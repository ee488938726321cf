//! Lists the protocol files for embedding: the folder is the list, so that a new chassis is one file.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::{env, fs};

fn main() {
    println!("cargo:rerun-if-changed=protocols");
    let root = PathBuf::from(env::var_os("CARGO_MANIFEST_DIR").unwrap_or_default());
    let mut files = Vec::new();
    collect(&root.join("protocols"), &mut files);
    files.sort();
    let mut code = String::from("&[\n");
    for file in &files {
        let name = file.strip_prefix(&root).unwrap_or(file).display().to_string().replace('\\', "/");
        // By the manifest's folder, so that what is written here is the same wherever the project lies.
        let _ = writeln!(
            code,
            "    ({name:?}, include_str!(concat!(env!(\"CARGO_MANIFEST_DIR\"), \"/\", {name:?}))),"
        );
    }
    code.push_str("]\n");
    let out = PathBuf::from(env::var_os("OUT_DIR").unwrap_or_default()).join("protocols.rs");
    if let Err(error) = fs::write(&out, code) {
        println!("cargo:warning=cannot write {}: {error}", out.display());
    }
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    println!("cargo:rerun-if-changed={}", folder.display());
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            collect(&path, files);
        } else if path.extension().is_some_and(|extension| extension == "toml") {
            println!("cargo:rerun-if-changed={}", path.display());
            files.push(path);
        }
    }
}
