//! How a live capture ends: the technician asks for it, or the port is gone.

use crate::base::{Error, system};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Set by Ctrl-C and by a request of the system to end.
pub(crate) struct Stop(Arc<AtomicBool>);

impl Stop {
    /// Listens for Ctrl-C and for the request to end, on a thread of its own.
    pub(crate) fn listen() -> Self {
        let flag = Arc::new(AtomicBool::new(false));
        let set = Arc::clone(&flag);
        let _ = std::thread::Builder::new().name("signals".to_owned()).spawn(move || {
            let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else {
                return;
            };
            runtime.block_on(async {
                let Ok(mut ends) = system::Ends::listen() else { return };
                loop {
                    ends.asked().await;
                    if set.swap(true, Ordering::SeqCst) {
                        // Asked twice: do not wait for a port or a disk that hangs.
                        std::process::exit(130);
                    }
                }
            });
        });
        Self(flag)
    }

    pub(crate) fn asked(&self) -> bool {
        self.0.load(Ordering::SeqCst)
    }
}

/// The ways in which a port goes are no wrong use and no bad input: the machine lost it.
pub(crate) fn gone() -> Error {
    Error::system("the port is gone")
        .help("check the cable and the adapter; what was read up to now is kept where a job was given")
}
