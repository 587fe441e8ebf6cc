//! One thread owns the book; everyone else hands it what to keep.
//!
//! The screen never waits for the storage: it hands over an action, goes on,
//! and shows it as kept when the commit has been reported back. What cannot be
//! kept (no room left, say) stays at the head of the queue, in order, and is
//! tried again with the next action.
//!
//! A question is answered in the asker's own thread while no action is under
//! way: handing it over and back takes longer than most answers. So the thread
//! begins with the first action; whoever only looks has none.

use super::{Store, StoreError};
use crate::domain::record::Op;
use std::cell::Cell;
use std::collections::VecDeque;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

/// What became of the actions handed over.
#[derive(Debug)]
pub enum Outcome {
    /// One more action is on disk.
    Kept,
    /// An action could not be kept; it waits, with those after it.
    Waiting(StoreError),
}

type Question = Box<dyn FnOnce(&mut Store) + Send>;

enum Request {
    Keep(Box<Op>),
    Ask(Question),
    Wake,
    Close,
}

/// The book on the desk.
struct Shared {
    /// Nothing when it has been closed.
    store: Mutex<Option<Store>>,
    /// How many actions were handed over and are not kept, or kept and not told of yet.
    under_way: AtomicUsize,
}

impl Shared {
    fn store(&self) -> MutexGuard<'_, Option<Store>> {
        // Where a question ended in a panic, its transaction was rolled back: the book is sound.
        self.store.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Another thread's way to the book; it outlives the desk, and is then told that the book is closed.
#[derive(Clone)]
pub struct Handle {
    requests: Sender<Request>,
    shared: Arc<Shared>,
}

impl std::fmt::Debug for Handle {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Handle").finish_non_exhaustive()
    }
}

impl Handle {
    /// Asks the book something, after everything handed over so far, and waits for the answer.
    ///
    /// # Errors
    /// What the question returns, or [`StoreError::Closed`].
    pub fn ask<T: Send + 'static>(
        &self,
        question: impl FnOnce(&mut Store) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        if self.shared.under_way.load(Ordering::SeqCst) == 0 {
            return self.shared.store().as_mut().map_or(Err(StoreError::Closed), question);
        }
        let (answer, wait) = channel();
        let question: Question = Box::new(move |store| {
            // The asker waits below; if it is gone there is nobody to tell.
            drop(answer.send(question(store)));
        });
        self.requests
            .send(Request::Ask(question))
            .map_err(|_| StoreError::Closed)?;
        wait.recv().map_err(|_| StoreError::Closed)?
    }
}

/// Wakes whoever is woken by news of the book, from any thread.
#[derive(Clone, Debug)]
pub struct Waker(Sender<Request>);

impl Waker {
    /// Wakes once. Nobody is there to be woken when the book has been closed.
    pub fn wake(&self) {
        drop(self.0.send(Request::Wake));
    }
}

/// A handle to the thread that owns the book.
pub struct Desk {
    requests: Sender<Request>,
    shared: Arc<Shared>,
    outcomes: Receiver<Outcome>,
    /// What the thread will do, until it begins.
    work: Cell<Option<Box<dyn FnOnce() + Send>>>,
    thread: Cell<Option<JoinHandle<()>>>,
}

impl std::fmt::Debug for Desk {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Desk").finish_non_exhaustive()
    }
}

impl Desk {
    /// Gives the book to a thread of its own, which begins with the first action; `wake` is called from there after each
    /// outcome.
    #[must_use]
    pub fn new(store: Store, wake: impl Fn() + Send + 'static) -> Self {
        let (requests, inbox) = channel();
        let (report, outcomes) = channel();
        let shared = Arc::new(Shared {
            store: Mutex::new(Some(store)),
            under_way: AtomicUsize::new(0),
        });
        let of_thread = shared.clone();
        Self {
            requests,
            shared,
            outcomes,
            work: Cell::new(Some(Box::new(move || serve(&of_thread, &inbox, &report, &wake)))),
            thread: Cell::new(None),
        }
    }

    fn begin(&self) {
        if let Some(work) = self.work.take() {
            self.thread.set(Some(std::thread::spawn(work)));
        }
    }

    /// Hands over an action and returns at once.
    ///
    /// # Errors
    /// [`StoreError::Closed`] when the thread has ended.
    pub fn keep(&self, op: Op) -> Result<(), StoreError> {
        self.begin();
        self.shared.under_way.fetch_add(1, Ordering::SeqCst);
        self.requests
            .send(Request::Keep(Box::new(op)))
            .map_err(|_| StoreError::Closed)
    }

    /// Asks the book something, after everything handed over so far, and waits for the answer.
    ///
    /// # Errors
    /// What the question returns, or [`StoreError::Closed`].
    pub fn ask<T: Send + 'static>(
        &self,
        question: impl FnOnce(&mut Store) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        self.handle().ask(question)
    }

    /// Returns a way to the book for another thread.
    #[must_use]
    pub fn handle(&self) -> Handle {
        Handle {
            requests: self.requests.clone(),
            shared: self.shared.clone(),
        }
    }

    /// Returns a way for other threads to wake whoever is woken by news of the book.
    #[must_use]
    pub fn waker(&self) -> Waker {
        self.begin();
        Waker(self.requests.clone())
    }

    /// Waits for the next outcome; there must be an action whose outcome is still to come.
    ///
    /// # Errors
    /// [`StoreError::Closed`] when the thread has ended.
    pub fn next_outcome(&self) -> Result<Outcome, StoreError> {
        self.outcomes.recv().map_err(|_| StoreError::Closed)
    }

    /// Returns the outcomes reported since the last call, without waiting.
    pub fn outcomes(&self) -> impl Iterator<Item = Outcome> + '_ {
        self.outcomes.try_iter()
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        // A closed channel means the thread has ended already; either way there is nothing left to do but wait.
        drop(self.requests.send(Request::Close));
        if let Some(work) = self.work.take() {
            // Nothing was ever handed over: the book is closed here.
            work();
        } else if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

fn serve(shared: &Shared, inbox: &Receiver<Request>, report: &Sender<Outcome>, wake: &impl Fn()) {
    let mut waiting: VecDeque<Op> = VecDeque::new();
    // Told first, and only then no longer under way: whoever asks after that finds the news there.
    let tell = |kept: Option<usize>| {
        if let Some(kept) = kept {
            wake();
            shared.under_way.fetch_sub(kept, Ordering::SeqCst);
        }
    };
    while let Ok(request) = inbox.recv() {
        let mut held = shared.store();
        let Some(store) = held.as_mut() else { break };
        let kept = match request {
            Request::Keep(op) => {
                waiting.push_back(*op);
                keep_waiting(store, &mut waiting, report)
            }
            Request::Ask(question) => {
                let kept = keep_waiting(store, &mut waiting, report);
                question(store);
                // A question alone is no news: who redraws on news and asks while drawing would never come to rest.
                kept
            }
            Request::Wake => {
                drop(held);
                wake();
                continue;
            }
            Request::Close => break,
        };
        drop(held);
        tell(kept);
    }
    let Some(mut store) = shared.store().take() else { return };
    keep_waiting(&mut store, &mut waiting, report);
    if let Err(error) = store.close() {
        drop(report.send(Outcome::Waiting(error)));
    }
}

/// Keeps what waits, in order, until it is done or stuck; returns how many were kept, `None` when there was nothing to report.
fn keep_waiting(store: &mut Store, waiting: &mut VecDeque<Op>, report: &Sender<Outcome>) -> Option<usize> {
    if waiting.is_empty() {
        return None;
    }
    let mut kept = 0;
    while let Some(op) = waiting.front() {
        let outcome = match store.keep(op) {
            Ok(()) => {
                waiting.pop_front();
                kept += 1;
                Outcome::Kept
            }
            Err(error) => Outcome::Waiting(error),
        };
        let stuck = matches!(outcome, Outcome::Waiting(_));
        // Nobody listening means the app is closing; the action has been tried all the same.
        drop(report.send(outcome));
        if stuck {
            break;
        }
    }
    Some(kept)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::domain::record::{Cell, FieldChange};
    use uuid::Uuid;

    fn named(n: u128, name: String) -> Op {
        let change = |field, value| FieldChange {
            table: "site",
            id: Uuid::from_u128(n),
            field,
            value: Cell::Text(value),
        };
        Op {
            id: Uuid::from_u128(1_000 + n),
            stop: None,
            at: chrono::DateTime::UNIX_EPOCH.fixed_offset(),
            label: n.to_string(),
            undoable: false,
            changes: vec![change("name", name), change("note", String::new())],
        }
    }

    #[test]
    fn a_waker_wakes_from_any_thread_and_outlives_the_book() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&folder.path().join("book.sqlite")).unwrap();
        let (woken, news) = channel();
        let desk = Desk::new(store, move || woken.send(()).unwrap());
        let waker = desk.waker();
        let other = waker.clone();
        std::thread::spawn(move || other.wake()).join().unwrap();
        news.recv_timeout(std::time::Duration::from_secs(10)).unwrap();
        drop(desk);
        waker.wake();
    }

    #[test]
    fn a_question_alone_wakes_nobody() {
        use std::sync::Arc;
        use std::sync::atomic::{AtomicUsize, Ordering};
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&folder.path().join("book.sqlite")).unwrap();
        let woken = Arc::new(AtomicUsize::new(0));
        let counted = woken.clone();
        let desk = Desk::new(store, move || {
            counted.fetch_add(1, Ordering::SeqCst);
        });
        for _ in 0..10 {
            desk.ask(|store| store.op_count()).unwrap();
        }
        assert_eq!(woken.load(Ordering::SeqCst), 0);
        desk.keep(named(1, "a".to_owned())).unwrap();
        desk.ask(|store| store.op_count()).unwrap();
        assert_eq!(woken.load(Ordering::SeqCst), 1);
    }

    fn labels(desk: &Desk) -> Vec<String> {
        desk.ask(|store| {
            let mut select = store
                .db
                .prepare("SELECT label FROM op ORDER BY seq")
                .map_err(StoreError::sql("read"))?;
            let rows = select
                .query_map([], |row| row.get(0))
                .map_err(StoreError::sql("read"))?;
            rows.collect::<Result<_, _>>().map_err(StoreError::sql("read"))
        })
        .unwrap()
    }

    fn room_for(desk: &Desk, more_pages: i64) {
        desk.ask(move |store| {
            let pages: i64 = store
                .db
                .pragma_query_value(None, "page_count", |row| row.get(0))
                .unwrap();
            store
                .db
                .pragma_update_and_check(None, "max_page_count", pages + more_pages, |_| Ok(()))
                .map_err(StoreError::sql("limit"))
        })
        .unwrap();
    }

    #[test]
    fn what_finds_no_room_waits_in_order_and_is_kept_when_there_is_room() {
        let folder = tempfile::tempdir().unwrap();
        let desk = Desk::new(Store::open(&folder.path().join("book.sqlite")).unwrap(), || {});
        desk.keep(named(1, "fits".to_owned())).unwrap();
        // SQLite says "full" for a limit of its own exactly as for a disk: sqlite.org/pragma.html#pragma_max_page_count.
        room_for(&desk, 2);
        assert!(matches!(desk.outcomes().collect::<Vec<_>>()[..], [Outcome::Kept]));
        desk.keep(named(2, "x".repeat(50_000))).unwrap();
        desk.keep(named(3, "small, but behind it".to_owned())).unwrap();
        assert_eq!(labels(&desk), ["1"], "nothing overtakes");
        let said = desk.outcomes().collect::<Vec<_>>();
        assert!(!said.is_empty());
        assert!(
            said.iter()
                .all(|outcome| matches!(outcome, Outcome::Waiting(StoreError::Full { .. }))),
            "{said:?}"
        );
        room_for(&desk, 1_000);
        desk.keep(named(4, "last".to_owned())).unwrap();
        assert_eq!(labels(&desk), ["1", "2", "3", "4"]);
        assert_eq!(
            desk.outcomes()
                .filter(|outcome| matches!(outcome, Outcome::Kept))
                .count(),
            3
        );
    }
}
