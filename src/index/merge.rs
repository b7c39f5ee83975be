//! Folders of several sorted sources as one sorted stream.

use crate::index::folder::{Folder, folder_order};
use crate::index::reader::Folders;
use crate::trouble::Trouble;
use std::collections::VecDeque;
use std::sync::Arc;

/// What is in memory and what was set aside, each in order.
pub(super) struct Merge {
    memory: VecDeque<Arc<Folder>>,
    runs: Vec<Folders>,
}

impl Merge {
    /// Of sorted sources without a folder in common.
    pub fn new(memory: Vec<Arc<Folder>>, runs: Vec<Folders>) -> Merge {
        Merge {
            memory: memory.into(),
            runs,
        }
    }

    /// Which run comes next; `None`: what is in memory does. There are few runs, so the least is
    /// searched for. Only paths are compared: the next folder of each run may have a million
    /// entries, and they would not all fit at once.
    fn least(&mut self) -> Result<Option<usize>, Trouble> {
        let first = self
            .memory
            .front()
            .map(|folder| folder.path().as_bytes().to_vec());
        let mut least: Option<(Option<usize>, Vec<u8>)> = first.map(|path| (None, path));
        for (at, run) in self.runs.iter_mut().enumerate() {
            let Some(path) = run.next_path().transpose()? else {
                continue;
            };
            if least
                .as_ref()
                .is_none_or(|(_, best)| folder_order(path, best).is_lt())
            {
                least = Some((Some(at), path.to_vec()));
            }
        }
        Ok(least.and_then(|(at, _)| at))
    }
}

impl Iterator for Merge {
    type Item = Result<Arc<Folder>, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        match self.least() {
            Err(trouble) => Some(Err(trouble)),
            Ok(Some(run)) => Some(self.runs[run].next()?.map(Arc::new)),
            Ok(None) => self.memory.pop_front().map(Ok),
        }
    }
}
