//! How often each client asks.

use crate::base::locked;
use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// How often each client asks.
#[derive(Debug, Default)]
pub struct Rates(Mutex<HashMap<Peer, (f64, Instant)>>);

impl Rates {
    /// Takes one request from the client's allowance; `false` when it is used up.
    pub fn take(&self, peer: Peer, now: Instant) -> bool {
        let mut clients = locked(&self.0);
        if clients.len() >= MOST_CLIENTS && !clients.contains_key(&peer) {
            // Whoever has a full allowance again need not be remembered.
            clients.retain(|_, (_, last)| now.saturating_duration_since(*last) < Duration::from_secs(10));
            if clients.len() >= MOST_CLIENTS {
                return false;
            }
        }
        let (left, last) = clients.entry(peer).or_insert((AT_ONCE, now));
        let grown = now.saturating_duration_since(*last).as_secs_f64() * PER_SECOND;
        *left = (*left + grown).min(AT_ONCE);
        *last = now;
        if *left < 1.0 {
            return false;
        }
        *left -= 1.0;
        true
    }
}

/// Where a request comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Peer {
    /// TCP; the token is needed.
    Tcp {
        /// The other end.
        from: IpAddr,
        /// Over TLS.
        tls: bool,
    },
    /// The Unix socket, which only its owner can open.
    Unix,
}

/// Requests a second that one client may make in the long run.
pub(crate) const PER_SECOND: f64 = 200.0;

/// And at once.
pub(crate) const AT_ONCE: f64 = 600.0;

/// Clients that are remembered.
pub(crate) const MOST_CLIENTS: usize = 1024;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_allowance_is_used_up_and_comes_back() {
        let rates = Rates::default();
        let begin = Instant::now();
        let peer = |last| Peer::Tcp { from: IpAddr::from([127, 0, 0, last]), tls: false };
        let taken = (0..2000).filter(|_| rates.take(peer(1), begin)).count();
        assert_eq!(taken, 600);
        assert!(rates.take(peer(2), begin), "another client has its own");
        let later = begin + Duration::from_secs(1);
        assert_eq!((0..2000).filter(|_| rates.take(peer(1), later)).count(), 200);
    }
}
