//! Names that survive replugging.

use std::os::unix::fs::symlink;
use std::path::Path;

use straykey::source::serial::{list, list_under};

use crate::support::terminal::Terminal;

#[test]
fn stable_names_come_from_the_links_of_the_system() {
    let terminal = Terminal::open();
    let other = Terminal::open();
    let folder = tempfile::tempdir().unwrap();
    let by_id = folder.path().join("by-id");
    let by_path = folder.path().join("by-path");
    std::fs::create_dir_all(&by_id).unwrap();
    std::fs::create_dir_all(&by_path).unwrap();
    symlink(terminal.path(), by_id.join("usb-adapter_A1-if00-port0")).unwrap();
    symlink(terminal.path(), by_path.join("pci-0000:00:14.0-usb-0:2:1.0-port0")).unwrap();
    symlink(other.path(), by_path.join("pci-0000:00:14.0-usb-0:3:1.0-port0")).unwrap();
    symlink("/dev/straykey-gone", by_id.join("usb-dangling")).unwrap();
    let ports = list_under(folder.path()).unwrap();
    let found = |path: &Path| ports.iter().find(|port| port.path == path).unwrap();
    assert_eq!(found(terminal.path()).stable(), by_id.join("usb-adapter_A1-if00-port0"));
    assert!(found(terminal.path()).by_path.is_some());
    assert_eq!(found(other.path()).stable(), by_path.join("pci-0000:00:14.0-usb-0:3:1.0-port0"));
    assert!(ports.iter().all(|port| port.path != Path::new("/dev/straykey-gone")));
    assert!(ports.windows(2).all(|pair| pair[0].path < pair[1].path), "sorted, each once");
}

#[test]
fn a_machine_without_links_lists_what_the_kernel_has() {
    let folder = tempfile::tempdir().unwrap();
    let bare = list_under(&folder.path().join("absent")).unwrap();
    assert!(bare.iter().all(|port| port.by_id.is_none() && port.stable() == port.path));
    assert!(list().unwrap().len() >= bare.len());
}
