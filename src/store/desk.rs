//! One thread owns the book; everyone else hands it what to keep.
//!
//! The screen never waits for the storage: it hands over an action, goes on,
//! and shows it as kept when the commit has been reported back. What cannot be
//! kept (no room left, say) stays at the head of the queue, in order, and is
//! tried again with the next action.

use super::{Store, StoreError};
use crate::domain::record::Op;
use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, Sender, channel};
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
    Close,
}

/// A handle to the thread that owns the book.
pub struct Desk {
    requests: Sender<Request>,
    outcomes: Receiver<Outcome>,
    thread: Option<JoinHandle<()>>,
}

impl std::fmt::Debug for Desk {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Desk").finish_non_exhaustive()
    }
}

impl Desk {
    /// Gives the book to a thread of its own; `wake` is called from there after each outcome.
    #[must_use]
    pub fn new(store: Store, wake: impl Fn() + Send + 'static) -> Self {
        let (requests, inbox) = channel();
        let (report, outcomes) = channel();
        let thread = std::thread::spawn(move || serve(store, &inbox, &report, &wake));
        Self {
            requests,
            outcomes,
            thread: Some(thread),
        }
    }

    /// Hands over an action and returns at once.
    ///
    /// # Errors
    /// [`StoreError::Closed`] when the thread has ended.
    pub fn keep(&self, op: Op) -> Result<(), StoreError> {
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

    /// Returns the outcomes reported since the last call, without waiting.
    pub fn outcomes(&self) -> impl Iterator<Item = Outcome> + '_ {
        self.outcomes.try_iter()
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        // A closed channel means the thread has ended already; either way there is nothing left to do but wait.
        drop(self.requests.send(Request::Close));
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

fn serve(mut store: Store, inbox: &Receiver<Request>, report: &Sender<Outcome>, wake: &impl Fn()) {
    let mut waiting: VecDeque<Op> = VecDeque::new();
    while let Ok(request) = inbox.recv() {
        match request {
            Request::Keep(op) => waiting.push_back(*op),
            Request::Ask(question) => {
                keep_waiting(&mut store, &mut waiting, report);
                question(&mut store);
                wake();
                continue;
            }
            Request::Close => break,
        }
        keep_waiting(&mut store, &mut waiting, report);
        wake();
    }
    keep_waiting(&mut store, &mut waiting, report);
    if let Err(error) = store.close() {
        drop(report.send(Outcome::Waiting(error)));
    }
}

fn keep_waiting(store: &mut Store, waiting: &mut VecDeque<Op>, report: &Sender<Outcome>) {
    while let Some(op) = waiting.front() {
        let outcome = match store.keep(op) {
            Ok(()) => {
                waiting.pop_front();
                Outcome::Kept
            }
            Err(error) => Outcome::Waiting(error),
        };
        let stuck = matches!(outcome, Outcome::Waiting(_));
        // Nobody listening means the app is closing; the action has been tried all the same.
        drop(report.send(outcome));
        if stuck {
            return;
        }
    }
}
