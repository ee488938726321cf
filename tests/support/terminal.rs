//! A pseudo-terminal pair: the set writes on one end, straykey reads the other.

use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, QueueSelector, tcflush, tcgetattr, tcsetattr};

/// The set's end, and the name of the other one.
///
/// A handle on the other end is kept open: without it the kernel hangs up between two openers, and whatever
/// waits unread is lost.
pub(crate) struct Terminal {
    set: Option<File>,
    keep: File,
    path: PathBuf,
}

impl Terminal {
    pub(crate) fn open() -> Self {
        let set: OwnedFd = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&set).unwrap();
        unlockpt(&set).unwrap();
        let name = ptsname(&set, Vec::new()).unwrap();
        let path = PathBuf::from(name.to_str().unwrap());
        let keep = OpenOptions::new().read(true).write(true).open(&path).unwrap();
        // Raw from the start, so that nothing is echoed or translated before straykey opens its end.
        let mut settings = tcgetattr(&keep).unwrap();
        settings.make_raw();
        tcsetattr(&keep, OptionalActions::Now, &settings).unwrap();
        Self { set: Some(File::from(set)), keep, path }
    }

    /// The device that straykey opens.
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// The set prints.
    pub(crate) fn print(&mut self, bytes: &[u8]) {
        let set = self.set.as_mut().unwrap();
        set.write_all(bytes).unwrap();
        set.flush().unwrap();
    }

    /// The set prints where somebody reads; what finds no room, or no adapter, is gone, as on a real line.
    pub(crate) fn offer(&mut self, bytes: &[u8]) {
        let Some(set) = &mut self.set else { return };
        rustix::io::ioctl_fionbio(&*set, true).unwrap();
        let _ = set.write(bytes);
        rustix::io::ioctl_fionbio(&*set, false).unwrap();
    }

    /// Waits until whoever reads has taken what the system had ready: nothing is left at two looks, 50 ms apart.
    pub(crate) fn until_read(&mut self) {
        let begun = std::time::Instant::now();
        let mut empty = 0;
        while empty < 2 {
            assert!(begun.elapsed().as_secs() < 60, "nobody reads");
            std::thread::sleep(std::time::Duration::from_millis(50));
            let left = rustix::io::ioctl_fionread(&self.keep).unwrap();
            empty = if left == 0 { empty + 1 } else { 0 };
        }
    }

    /// Takes what nobody has read: how many bytes of it there were, at least one.
    pub(crate) fn unread(&mut self) -> usize {
        while rustix::io::ioctl_fionread(&self.keep).unwrap() == 0 {
            std::thread::yield_now();
        }
        self.keep.read(&mut [0; 4096]).unwrap()
    }

    /// What nobody has read is gone.
    pub(crate) fn forget(&mut self) {
        tcflush(&self.keep, QueueSelector::IFlush).unwrap();
    }

    /// What the other end asked the system to do with what comes in.
    pub(crate) fn input_modes(&self) -> rustix::termios::InputModes {
        tcgetattr(&self.keep).unwrap().input_modes
    }

    /// What was written to the device since the last look.
    pub(crate) fn typed(&mut self) -> Vec<u8> {
        let mut all = Vec::new();
        let Some(set) = &mut self.set else { return all };
        rustix::io::ioctl_fionbio(&*set, true).unwrap();
        // A terminal gives no end; nothing more to read is an error here.
        let _ = set.read_to_end(&mut all);
        rustix::io::ioctl_fionbio(&*set, false).unwrap();
        all
    }

    /// The adapter is pulled out: the device is gone. Its number stays taken as long as this lives, since a
    /// program that waits for its port to come back would take the next terminal of that number for it.
    pub(crate) fn unplug(&mut self) {
        self.set = None;
    }
}
