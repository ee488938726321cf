//! Places for TCP connections: who has shown the token keeps his, the others make room for who comes.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use tokio::sync::Notify;

use crate::base::locked;

/// Most connections at once that have shown the token.
const MOST_KNOWN: usize = 48;
/// And that have not: one more takes the place of the oldest.
const MOST_STRANGERS: usize = 16;

/// Who is there.
#[derive(Debug, Default)]
pub(super) struct Places {
    /// Those that have not shown the token, the oldest first.
    strangers: Mutex<VecDeque<Arc<Notify>>>,
    known: AtomicUsize,
}

/// The place of one connection.
#[derive(Debug)]
pub(super) struct Place {
    places: Arc<Places>,
    taken: Arc<Notify>,
    known: Mutex<bool>,
}

impl Places {
    /// A place for a connection that was just made, and whether another one had to go for it.
    pub(super) fn enter(self: &Arc<Self>) -> (Arc<Place>, bool) {
        let taken = Arc::new(Notify::new());
        let mut strangers = locked(&self.strangers);
        strangers.push_back(Arc::clone(&taken));
        let gone = if strangers.len() > MOST_STRANGERS { strangers.pop_front() } else { None };
        if let Some(gone) = &gone {
            gone.notify_one();
        }
        let place = Place { places: Arc::clone(self), taken, known: Mutex::new(false) };
        (Arc::new(place), gone.is_some())
    }

    fn leave(&self, taken: &Arc<Notify>) {
        locked(&self.strangers).retain(|stranger| !Arc::ptr_eq(stranger, taken));
    }
}

impl Place {
    /// The token was shown: nobody takes this place any more. Where too many have, it stays as it is.
    pub(super) fn keep(&self) {
        let mut known = locked(&self.known);
        let free = |count: usize| (count < MOST_KNOWN).then_some(count + 1);
        let counter = &self.places.known;
        if !*known && counter.fetch_update(Ordering::Relaxed, Ordering::Relaxed, free).is_ok() {
            *known = true;
            self.places.leave(&self.taken);
        }
    }

    /// Waits until another connection takes the place.
    pub(super) async fn taken(&self) {
        self.taken.notified().await;
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        if *locked(&self.known) {
            self.places.known.fetch_sub(1, Ordering::Relaxed);
        } else {
            self.places.leave(&self.taken);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strangers_never_take_the_places_of_the_known() {
        let places = Arc::new(Places::default());
        let known: Vec<_> = (0..60).map(|_| places.enter().0).inspect(|place| place.keep()).collect();
        assert_eq!(places.known.load(Ordering::Relaxed), MOST_KNOWN);
        let mut gone = 0;
        let strangers: Vec<_> =
            (0..1000).map(|_| places.enter()).inspect(|(_, one)| gone += usize::from(*one)).collect();
        assert_eq!(locked(&places.strangers).len(), MOST_STRANGERS);
        assert!(gone > 900);
        drop((known, strangers));
        assert_eq!((places.known.load(Ordering::Relaxed), locked(&places.strangers).len()), (0, 0));
    }
}
