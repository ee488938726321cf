//! The guide's commands print what the guide says.

use std::fs;
use std::path::Path;
use std::process::Command;

/// Fenced blocks of a Markdown text: what stands behind the fence, and the lines.
fn blocks(text: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut open: Option<(String, String)> = None;
    for line in text.lines() {
        match (&mut open, line.strip_prefix("```")) {
            (None, Some(kind)) => open = Some((kind.to_owned(), String::new())),
            (Some(_), Some(_)) => found.extend(open.take()),
            (Some((_, block)), None) => {
                block.push_str(line);
                block.push('\n');
            }
            (None, None) => {}
        }
    }
    assert!(open.is_none(), "a block is not closed");
    found
}

#[test]
fn every_command_of_the_guide_prints_what_stands_there() {
    let guide = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/chassis.md");
    let folder = tempfile::tempdir().unwrap();
    let mut commands = 0;
    for (kind, block) in blocks(&fs::read_to_string(guide).unwrap()) {
        if let Some((_, name)) = kind.split_once(' ') {
            let path = folder.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, &block).unwrap();
            continue;
        }
        assert_eq!(kind, "console");
        let (command, expected) = block.split_once('\n').unwrap();
        let words: Vec<&str> = command.strip_prefix("$ straykey ").unwrap().split(' ').collect();
        let output = Command::new(env!("CARGO_BIN_EXE_straykey"))
            .args(words)
            .current_dir(folder.path())
            .env_remove("STRAYKEY_PROTOCOLS")
            .env("COLUMNS", "100")
            .output()
            .unwrap();
        let printed =
            String::from_utf8(output.stdout).unwrap() + String::from_utf8(output.stderr).unwrap().as_str();
        assert_eq!(printed, expected, "{command}");
        assert!(output.status.success(), "{command}");
        commands += 1;
    }
    assert!(commands >= 3);
}
