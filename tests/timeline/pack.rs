//! Packs: whole, masked, and made to do harm.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use flate2::Compression;
use flate2::write::GzEncoder;
use straykey::timeline::job::{Job, PackOptions, StepKind, unpack};
use straykey::timeline::mask::{Private, mask_line, mask_text};

use super::{small_job, step};

fn masked(text: &str) -> (String, Vec<Private>) {
    mask_text(text)
}

/// The addresses are those kept for documents: RFC 5737 (192.0.2.0/24), RFC 3849 (2001:db8::/32), RFC 7042
/// (00-00-5E-00-53-xx), RFC 2606 (example.org).
#[test]
fn what_is_likely_private_is_masked_and_keeps_its_length() {
    use Private::{Account, HardwareAddress, InternetAddress, NetworkName, Secret, SerialNumber};
    let cases: [(&str, &str, &[Private]); 14] = [
        ("wifi: ssid=Huber Home rssi=-40", "wifi: ssid=xxxxx xxxx rssi=-40", &[NetworkName]),
        ("{\"ssid\":\"Caf\u{e9} 7\",\"n\":1}", "{\"ssid\":\"xxxxx x\",\"n\":1}", &[NetworkName]),
        ("psk: pa$$ w0rd!", "psk: xxxx xxxxx", &[Secret]),
        ("wpa_passphrase=\"it's; here\"", "wpa_passphrase=\"xxxxx xxxx\"", &[Secret]),
        ("boardSerialNumber = A-77/12, rev 3", "boardSerialNumber = xxxxxxx, rev 3", &[SerialNumber]),
        ("S/N:004711", "S/N:xxxxxx", &[SerialNumber]),
        ("eth0 00:00:5e:00:53:01 up", "eth0 xx:xx:xx:xx:xx:xx up", &[HardwareAddress]),
        ("mac 00-00-5E-00-53-0f.", "mac xx-xx-xx-xx-xx-xx.", &[HardwareAddress]),
        ("lease 192.0.2.17:8080", "lease xxx.x.x.xx:xxxx", &[InternetAddress]),
        ("route 2001:db8::8a2e:370", "route xxxx:xxx::xxxx:xxx", &[InternetAddress]),
        (
            "login=maria from anna@mail.example.org",
            "login=xxxxx from xxxx@xxxx.xxxxxxx.xxx",
            &[Account, Account],
        ),
        ("token=abc; token=def", "token=xxx; token=xxx", &[Secret, Secret]),
        ("[12.345] keyscan: line=KEY1 adc=0x085", "[12.345] keyscan: line=KEY1 adc=0x085", &[]),
        (
            "12:34:56 std::map v1.2.3, serial port open, macro=1",
            "12:34:56 std::map v1.2.3, serial port open, macro=1",
            &[],
        ),
    ];
    for (text, expected, kinds) in cases {
        let (out, mut found) = masked(text);
        found.sort();
        let mut kinds = kinds.to_vec();
        kinds.sort();
        assert_eq!((out.as_str(), &found), (expected, &kinds), "{text}");
    }
}

#[test]
fn any_bytes_keep_their_length_and_their_line_ends() {
    let mut random = crate::support::random::Random(7);
    for _ in 0..20_000 {
        let length = random.below(120);
        let words: [&[u8]; 8] = [b"ssid=", b"mac:", b"\xff\xfe", b"192.0.2.1", b"\"", b"::", b"@", b" "];
        let mut line = Vec::new();
        while line.len() < length {
            match random.below(3) {
                0 => line.extend_from_slice(words[random.below(8)]),
                1 => line.push(random.below(256) as u8),
                _ => line.push(b'a' + random.below(26) as u8),
            }
        }
        let before = line.clone();
        mask_line(&mut line, &mut |_| {});
        assert_eq!(line.len(), before.len());
        let ends = |bytes: &[u8]| -> Vec<usize> { (0..bytes.len()).filter(|i| bytes[*i] == b'\n').collect() };
        assert_eq!(ends(&line), ends(&before), "{before:?}");
    }
}

fn packed(folder: &Path) -> (PathBuf, Job) {
    let job = small_job(folder);
    let pack = folder.join("job.pack.tar.gz");
    job.pack(&pack, &PackOptions { keep_private: true }).unwrap();
    (pack, job)
}

#[test]
fn a_pack_is_a_plain_tar_that_opens_to_the_same_job() {
    let folder = tempfile::tempdir().unwrap();
    let (pack, job) = packed(folder.path());
    // GNU tar reads it.
    let listed = Command::new("tar").arg("-tzf").arg(&pack).output().unwrap();
    let listed = String::from_utf8(listed.stdout).unwrap();
    assert_eq!(listed.lines().next(), Some("manifest.json"));
    assert_eq!(listed.lines().count(), 3 + job.captures().count());
    let opened = unpack(&pack, &folder.path().join("elsewhere")).unwrap();
    assert_eq!(opened.info(), job.info());
    assert_eq!(opened.verify().unwrap(), Vec::<String>::new());
    let texts = |job: &Job| -> Vec<_> {
        let captures = |s: &straykey::timeline::job::Stage| {
            s.captures
                .iter()
                .map(|c| (c.name.clone(), c.sha256.clone(), c.prompts.clone()))
                .collect::<Vec<_>>()
        };
        job.stages().iter().map(|s| (s.text.clone(), s.step.clone(), captures(s))).collect()
    };
    assert_eq!(texts(&opened), texts(&job));
    assert_eq!(unpack(&pack, &folder.path().join("elsewhere")).unwrap_err().exit_status(), 2);
}

#[test]
fn a_running_or_altered_capture_is_not_packed() {
    let folder = tempfile::tempdir().unwrap();
    let job = small_job(folder.path());
    let path = job.captures().next().unwrap().path.clone();
    fs::remove_file(&path).unwrap();
    fs::write(&path, "other").unwrap();
    let pack = folder.path().join("p");
    let error = job.pack(&pack, &PackOptions::default()).unwrap_err();
    assert_eq!(error.exit_status(), 3, "{error}");
    assert!(error.to_string().contains("altered"), "{error}");
    assert!(
        !pack.exists()
            && fs::read_dir(folder.path())
                .unwrap()
                .flatten()
                .all(|e| !e.file_name().to_string_lossy().contains(".part"))
    );
}

type Entry = (String, tar::EntryType, Vec<u8>);

/// The entries of a good pack, to be spoilt.
fn entries(pack: &Path) -> Vec<Entry> {
    let mut archive = tar::Archive::new(flate2::read::GzDecoder::new(fs::File::open(pack).unwrap()));
    archive
        .entries()
        .unwrap()
        .map(|entry| {
            let mut entry = entry.unwrap();
            let mut bytes = Vec::new();
            std::io::Read::read_to_end(&mut entry, &mut bytes).unwrap();
            let name = entry.path().unwrap().display().to_string();
            (name, entry.header().entry_type(), bytes)
        })
        .collect()
}

/// Written by hand, since a library refuses to write what is hostile.
fn write(pack: &Path, entries: &[Entry]) {
    let mut gz = GzEncoder::new(fs::File::create(pack).unwrap(), Compression::fast());
    for (name, kind, bytes) in entries {
        let mut header = tar::Header::new_ustar();
        header.as_mut_bytes()[..name.len()].copy_from_slice(name.as_bytes());
        header.set_mode(0o644);
        header.set_size(if *kind == tar::EntryType::Regular { bytes.len() as u64 } else { 0 });
        header.set_entry_type(*kind);
        if *kind != tar::EntryType::Regular {
            header.set_link_name("/etc/passwd").unwrap();
        }
        header.set_cksum();
        gz.write_all(header.as_bytes()).unwrap();
        if *kind == tar::EntryType::Regular {
            gz.write_all(bytes).unwrap();
            gz.write_all(&vec![0; (512 - bytes.len() % 512) % 512]).unwrap();
        }
    }
    gz.write_all(&[0; 1024]).unwrap();
    gz.finish().unwrap();
}

fn refused(folder: &Path, what: &str, entries: &[Entry], word: &str) {
    let pack = folder.join("bad.tar.gz");
    write(&pack, entries);
    let to = folder.join("opened");
    let error = unpack(&pack, &to).unwrap_err();
    assert_eq!(error.exit_status(), 3, "{what}: {error}");
    assert!(error.to_string().contains(word), "{what}: {error}");
    assert!(error.to_string().contains("bad.tar.gz"), "{what}: {error}");
    assert!(!to.exists() && !folder.join("opened.part").exists(), "{what}");
}

/// Changes the manifest as text.
fn with_manifest(entries: &[Entry], change: impl Fn(&str) -> String) -> Vec<Entry> {
    let mut changed = entries.to_vec();
    changed[0].2 = change(std::str::from_utf8(&entries[0].2).unwrap()).into_bytes();
    changed
}

#[test]
fn hostile_packs_are_refused_and_leave_nothing_behind() {
    use tar::EntryType::{Directory, Link, Regular, Symlink};
    let folder = tempfile::tempdir().unwrap();
    let (pack, job) = packed(folder.path());
    let good = entries(&pack);
    let first = job.captures().next().unwrap().file.clone();
    let add = |name: &str, kind| [&good[..], &[(name.to_owned(), kind, b"x".to_vec())]].concat();
    let refused = |what: &str, entries: &[Entry], word: &str| refused(folder.path(), what, entries, word);
    for name in ["../outside", "/tmp/outside", "raw/../../outside", "raw/a/b", "straykey.db", "raw/.hidden"] {
        refused(name, &add(name, Regular), "not in the manifest");
        let named = |text: &str| text.replacen(&first, name, 1);
        let mut renamed = with_manifest(&good, named);
        renamed[1].0 = name.to_owned();
        refused(name, &renamed, "does not belong");
    }
    for kind in [Symlink, Link, Directory] {
        refused("a link", &add("raw/link", kind), "no plain file");
    }
    refused("twice", &[&good[..], &good[1..2]].concat(), "comes twice");
    refused("one less", &good[..good.len() - 1], "is missing");
    refused("no manifest", &good[1..], "instead of manifest.json");
    refused("nothing", &[], "empty");
    let mut altered = good.clone();
    altered[1].2[0] ^= 1;
    refused("altered", &altered, "sum of the manifest");
    altered[1].2.push(b'x');
    refused("longer", &altered, "length of the manifest");
    refused("no JSON", &with_manifest(&good, |_| "{".to_owned()), "manifest.json");
    refused(
        "later",
        &with_manifest(&good, |t| t.replacen("\"version\": 1", "\"version\": 9", 1)),
        "version 9",
    );
    let huge = |text: &str| {
        text.replacen("\"bytes\": ", "\"bytes\": 9", 1).replacen("\"bytes\": 9", "\"bytes\": 99999999999", 1)
    };
    refused("a bomb", &with_manifest(&good, huge), "unpacks to");
    let long = vec![b' '; (16 << 20) + 1];
    let mut blown = good.clone();
    blown[0].2 = long;
    refused("a long manifest", &blown, "16 MiB");
    // Neither gzip nor tar.
    for bytes in [&b"not a pack"[..], &[0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 3, 1, 2, 3], b""] {
        let bad = folder.path().join("bad");
        fs::write(&bad, bytes).unwrap();
        assert_eq!(unpack(&bad, &folder.path().join("to")).unwrap_err().exit_status(), 3);
    }
    // Cut anywhere.
    let whole = fs::read(&pack).unwrap();
    for cut in (0..whole.len()).step_by(97) {
        let bad = folder.path().join("bad");
        fs::write(&bad, &whole[..cut]).unwrap();
        assert_eq!(unpack(&bad, &folder.path().join("to")).unwrap_err().exit_status(), 3, "{cut}");
        assert!(!folder.path().join("to").exists());
    }
}

#[test]
fn a_closed_job_takes_nothing_more_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = small_job(folder.path());
    job.close().unwrap();
    let log = super::log_file(folder.path(), "late.log", 3);
    let refusals = [
        job.import(&log, &super::hands_off()).unwrap_err(),
        job.add_step(step("late", StepKind::Repair, &[])).unwrap_err(),
        job.begin_capture(
            &super::hands_off(),
            "port",
            &serde_json::json!({}),
            straykey::base::Anchor { unix_ns: 5 },
        )
        .err()
        .unwrap(),
        job.begin_capture_in(
            &straykey::journal::Group::start(straykey::journal::Limits::default()).unwrap(),
            &super::hands_off(),
            "port",
            &serde_json::json!({}),
            straykey::base::Anchor { unix_ns: 5 },
        )
        .err()
        .unwrap(),
        job.close().unwrap_err(),
    ];
    for error in refusals {
        assert_eq!(error.exit_status(), 2);
        assert!(error.to_string().contains("was closed on"), "{error}");
    }
    assert_eq!(Job::open(job.folder()).unwrap_err().exit_status(), 4, "still ours");
}
