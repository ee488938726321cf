//! The last messages to subscribers, numbered: who comes back says the last number that it has.
//!
//! Nobody waits for a reader. A reader that falls out of the buffer is notified ([`Given::Gap`]) and begins again.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use serde::Serialize;
use tokio::sync::watch;

/// Most messages kept.
pub const MOST: usize = 16_384;
/// Most bytes of them kept: 8 MiB. Eight flooding ports fill it in a few seconds; memory stays what it is.
pub const MOST_BYTES: usize = 8 << 20;
/// Messages handed out in one go.
const BATCH: usize = 256;

/// One message.
#[derive(Clone, Debug)]
pub struct Message {
    /// Counted from 1.
    pub number: u64,
    /// What it is about: `events`, `soak`, `port`, `job`, `status`.
    pub event: &'static str,
    /// The job that it is about; none: for everybody.
    pub job: Option<Arc<str>>,
    /// One line of JSON.
    pub data: Arc<str>,
}

impl Message {
    fn cost(&self) -> usize {
        self.data.len() + std::mem::size_of::<Self>()
    }
}

#[derive(Debug, Default)]
struct Kept {
    next: u64,
    bytes: usize,
    messages: VecDeque<Message>,
}

/// What a reader gets.
#[derive(Debug)]
pub enum Given {
    /// The messages behind the number asked for; empty when there are none yet.
    Messages(Vec<Message>),
    /// What was asked for is no longer kept; the number from which there is something.
    Gap(u64),
}

/// The replay.
#[derive(Debug)]
pub struct Replay {
    kept: Mutex<Kept>,
    newest: watch::Sender<u64>,
}

impl Default for Replay {
    fn default() -> Self {
        Self { kept: Mutex::new(Kept { next: 1, ..Kept::default() }), newest: watch::Sender::new(0) }
    }
}

impl Replay {
    // Every change is whole before the lock is let go.
    fn lock(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds a message; never waits for a reader.
    pub fn send(&self, event: &'static str, job: Option<Arc<str>>, value: &impl Serialize) {
        // A value of ours that is no JSON does not exist; a reader would miss it, nothing more.
        let Ok(data) = serde_json::to_string(value) else { return };
        let mut kept = self.lock();
        let number = kept.next;
        kept.next += 1;
        let message = Message { number, event, job, data: data.into() };
        kept.bytes += message.cost();
        kept.messages.push_back(message);
        while kept.messages.len() > MOST || (kept.bytes > MOST_BYTES && kept.messages.len() > 1) {
            let cost = kept.messages.pop_front().map_or(0, |old| old.cost());
            kept.bytes -= cost;
        }
        drop(kept);
        self.newest.send_replace(number);
    }

    /// Number of the newest message; 0 before the first.
    pub fn newest(&self) -> u64 {
        self.lock().next - 1
    }

    /// Bytes kept, for the metrics.
    pub fn bytes(&self) -> usize {
        self.lock().bytes
    }

    /// Wakes up when there are messages behind `after`.
    pub fn waker(&self) -> watch::Receiver<u64> {
        self.newest.subscribe()
    }

    /// Some messages behind number `after`, in order.
    pub fn since(&self, after: u64) -> Given {
        let kept = self.lock();
        let oldest = kept.next - kept.messages.len() as u64;
        if after >= kept.next || after + 1 < oldest {
            return Given::Gap(kept.next - 1);
        }
        let skip = usize::try_from(after + 1 - oldest).unwrap_or(usize::MAX);
        Given::Messages(kept.messages.iter().skip(skip).take(BATCH).cloned().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbers(replay: &Replay, after: u64) -> Vec<u64> {
        match replay.since(after) {
            Given::Messages(list) => list.iter().map(|message| message.number).collect(),
            Given::Gap(newest) => panic!("gap, newest {newest}"),
        }
    }

    #[test]
    fn a_reader_resumes_where_it_was_and_is_told_when_it_was_away_too_long() {
        let replay = Replay::default();
        assert!(numbers(&replay, 0).is_empty());
        for i in 0..10 {
            replay.send("job", None, &i);
        }
        assert_eq!(numbers(&replay, 7), [8, 9, 10]);
        assert!(numbers(&replay, 10).is_empty());
        // A number from the future is one of another start.
        assert!(matches!(replay.since(11), Given::Gap(10)));
        for i in 0..MOST {
            replay.send("job", None, &i);
        }
        assert!(matches!(replay.since(9), Given::Gap(_)));
        assert_eq!(numbers(&replay, 10).first(), Some(&11));
    }

    #[test]
    fn large_messages_do_not_fill_the_memory() {
        let replay = Replay::default();
        let large = "x".repeat(100_000);
        for _ in 0..1000 {
            replay.send("events", None, &large);
        }
        assert!(replay.bytes() <= MOST_BYTES);
        assert!(matches!(replay.since(0), Given::Gap(1000)));
        assert_eq!(numbers(&replay, 999), [1000]);
    }
}
