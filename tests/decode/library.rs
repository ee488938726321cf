//! The library: shipped files, the user's, and which chassis wrote a text.

use std::collections::BTreeSet;
use std::path::Path;

use straykey::base::{Error, Kind, Result};
use straykey::decode::folder::Own;
use straykey::decode::library::Library;

use crate::support::program::{decoded, refused, sample};

fn shipped() -> Library {
    Library::shipped().unwrap()
}

fn with_folder(folder: &Path) -> Result<Library> {
    shipped().with(&Own::read(folder)?)
}

fn reload(library: &mut Library, folder: &Path) -> Vec<Error> {
    Own::read(folder).map_or_else(|error| vec![error], |own| library.reload(&own))
}

#[test]
fn a_mistyped_chassis_offers_the_nearest_name() {
    let error = shipped().chassis("adler").unwrap_err();
    assert_eq!(error.kind(), Kind::Usage);
    assert!(error.help_text().unwrap().contains("alder"), "{error}");
}

#[test]
fn a_users_file_of_the_same_name_wins_and_that_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let text = "[chassis]\nname = \"alder\"\nversion = 9\nabout = \"mine\"\nsource = \"mine\"\n\
                [[record]]\nshape = \"on\"\nevent = \"boot\"\n";
    std::fs::write(folder.path().join("alder.toml"), text).unwrap();
    std::fs::write(folder.path().join("notes.txt"), "no protocol file").unwrap();
    let library = with_folder(folder.path()).unwrap();
    assert_eq!(&**library.chassis("alder").unwrap().decoder(), "alder@9");
    assert_eq!(library.remarks().len(), 1);
    assert!(library.remarks()[0].contains("alder"));
    assert!(with_folder(&folder.path().join("missing")).is_err());
}

#[test]
fn a_broken_edit_keeps_the_last_good_file_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("mine.toml");
    let text = |version: u32| {
        format!(
            "[chassis]\nname = \"mine\"\nversion = {version}\nabout = \"a\"\nsource = \"s\"\n\
             [[record]]\nshape = \"on\"\nevent = \"boot\"\n"
        )
    };
    let mut library = shipped();
    std::fs::write(&path, text(1)).unwrap();
    assert!(reload(&mut library, folder.path()).is_empty());
    std::fs::write(&path, "[chassis\n").unwrap();
    let mistakes = reload(&mut library, folder.path());
    assert_eq!(mistakes.len(), 1);
    assert_eq!(mistakes[0].place().line, Some(1));
    assert_eq!(&**library.chassis("mine").unwrap().decoder(), "mine@1");
    std::fs::write(&path, text(2)).unwrap();
    assert!(reload(&mut library, folder.path()).is_empty());
    assert_eq!(&**library.chassis("mine").unwrap().decoder(), "mine@2");
    assert!(library.remarks().is_empty(), "nobody's file was replaced: {:?}", library.remarks());
    assert_eq!(reload(&mut library, &folder.path().join("missing")).len(), 1);
}

#[test]
fn a_folder_with_too_many_files_is_refused_and_not_read_in_part() {
    let folder = tempfile::tempdir().unwrap();
    // Other files do not count.
    for i in 0..1_200 {
        std::fs::write(folder.path().join(format!("note-{i}.txt")), "").unwrap();
    }
    assert!(with_folder(folder.path()).is_ok());
    for i in 0..1_001 {
        std::fs::write(folder.path().join(format!("set-{i}.toml")), "").unwrap();
    }
    let error = with_folder(folder.path()).unwrap_err();
    assert_eq!(error.kind(), Kind::Input);
    assert!(error.to_string().contains("more than 1000 files"), "{error}");
}

#[test]
fn binary_and_missing_files_are_bad_input() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.toml");
    std::fs::write(&path, b"\xff\xfe\x00").unwrap();
    let mut library = shipped();
    assert_eq!(library.add(&path).unwrap_err().exit_status(), 3);
    assert_eq!(library.add(Path::new("/nonexistent/x.toml")).unwrap_err().exit_status(), 3);
}

/// Lines as each set prints them, made here and not taken from the examples of the files.
fn log_of(name: &str, lines: usize) -> String {
    let mut text = String::new();
    for i in 0..lines {
        let t = i as f64 * 0.05;
        text += &match name {
            "alder" => format!("[{t:.3}] keyscan: line=KEY{} adc=0x{:03x}\r\n", 1 + i % 2, 1023 - i % 3),
            "birch" => format!("[{t:12.6}][  T{:03}] keypad: key VOL-\n", 100 + i % 4),
            "rowan" => format!("{:03} 255\n", 255 - i % 2),
            _ => format!("[{t:15.6}] {:<12} {:<20} {:<20}\n", "EV_KEY", "KEY_MENU", ["DOWN", "UP"][i % 2]),
        };
    }
    text
}

#[test]
fn each_chassis_is_recognised_by_its_own_lines() {
    let library = shipped();
    for name in ["alder", "birch", "rowan", "linux-input"] {
        let found = library.recognise(log_of(name, 60).as_bytes());
        assert_eq!(found.choice.as_deref(), Some(name), "{found:?}");
        assert_eq!(found.ranked.first().map(|score| score.name.as_str()), Some(name));
        assert!(found.because.contains(name));
    }
}

#[test]
fn a_busy_log_with_few_records_is_recognised_too() {
    let mut text = String::new();
    for line in log_of("alder", 20).lines() {
        text += line;
        text += "\n";
        for i in 0..20 {
            text += &format!("[    1.23456{}] usb 1-1: new device number {i}\n", i % 10);
        }
    }
    assert_eq!(shipped().recognise(text.as_bytes()).choice.as_deref(), Some("alder"));
}

#[test]
fn foreign_text_is_none_of_these() {
    let prose = include_str!("../../src/lib.rs").repeat(4);
    let kernel = "[    0.000000] Memory: 512M available\n[    0.004000] CPU: physical mapping\n".repeat(50);
    let binary: Vec<u8> = (0..20_000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
    for sample in [prose.as_bytes(), kernel.as_bytes(), &binary, b""] {
        let found = shipped().recognise(sample);
        assert_eq!(found.choice, None, "{found:?}");
    }
}

/// A folder may hold chassis, formats and key tables, in folders of their own or not; every command takes all of them.
#[test]
fn a_users_own_remote_beside_a_chassis_is_taken() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("remotes")).unwrap();
    let remote = "[remote]\nname = \"larch-hand\"\nversion = 7\nabout = \"a\"\nsource = \"s\"\nformat = \"nec\"\n\
                  address = 4\nkey = [{ command = 2, name = \"KEY_MUTE\" }]\n";
    std::fs::write(folder.path().join("remotes/hand.toml"), remote).unwrap();
    let alder = std::fs::read_to_string("protocols/chassis/alder.toml").unwrap();
    std::fs::write(folder.path().join("alder.toml"), alder).unwrap();
    let own = folder.path().to_str().unwrap();
    let receiver = sample("infrared/receiver.tsv");
    let decode = [receiver.as_str(), "--wire", "IR=infrared"];
    let keys = |more: &[&str]| -> BTreeSet<&str> {
        decoded(&[&decode[..], more].concat()).iter().filter_map(|e| e.key).map(|key| key.name()).collect()
    };
    assert!(keys(&[]).contains("KEY_VOLUMEUP"));
    let own_keys = keys(&["--protocols", own]);
    assert!(own_keys.contains("KEY_MUTE") && !own_keys.contains("KEY_VOLUMEUP"), "{own_keys:?}");
    // A mistake in it is shown at its place.
    std::fs::write(folder.path().join("remotes/hand.toml"), remote.replace("command = 2", "comand = 2"))
        .unwrap();
    refused(
        &[&["decode"], &decode[..], &["--protocols", own]].concat(),
        3,
        &["hand.toml:8", "did you mean `command`"],
    );
}

#[test]
fn a_line_that_fits_nothing_is_told_with_the_nearest_record() {
    let log = b"[1.000] keyscan: line=KEY1 adc=085\n[1.020] keyscan: line=KEY1 adc=086\n";
    let because = shipped().recognise(log).because;
    assert!(because.starts_with("0 of 2 lines fit") || because.starts_with("no line fits"), "{because}");
    assert!(because.contains("`keyscan: line={line:word} adc=0x{counts:hex}` of alder"), "{because}");
    assert!(because.contains("`085` does not fit") || because.contains("`85` does not fit"), "{because}");
}

#[test]
fn files_of_other_sorts_in_a_users_folder_are_named() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("deep")).unwrap();
    std::fs::write(folder.path().join("deep/cec.toml"), "[bus]\nname = \"x\"\n").unwrap();
    let library = with_folder(folder.path()).unwrap();
    assert!(library.remarks()[0].contains("cec.toml is passed over"), "{:?}", library.remarks());
}
