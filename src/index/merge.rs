//! Folders of several sorted sources as one sorted stream.

use crate::index::folder::{Folder, folder_order};
use crate::index::reader::Folders;
use crate::index::table::BlockRef;
use crate::names::RelPath;
use crate::trouble::Trouble;
use std::collections::VecDeque;
use std::sync::Arc;

/// A folder whose blocks are stored already.
#[derive(Debug, Clone)]
pub(super) struct Ready {
    pub path: RelPath,
    pub blocks: Vec<BlockRef>,
}

/// What comes next.
pub(super) enum Next {
    Folder(Arc<Folder>),
    Ready(Ready),
}

/// What is in memory, what is stored already and what was set aside, each in order.
pub(super) struct Merge {
    memory: VecDeque<Arc<Folder>>,
    ready: VecDeque<Ready>,
    runs: Vec<Folders>,
}

#[derive(Clone, Copy)]
enum From {
    Memory,
    Ready,
    Run(usize),
}

impl Merge {
    /// Of sorted sources without a folder in common.
    pub fn new(memory: Vec<Arc<Folder>>, ready: Vec<Ready>, runs: Vec<Folders>) -> Merge {
        Merge {
            memory: memory.into(),
            ready: ready.into(),
            runs,
        }
    }

    /// Where the next comes from. There are few runs, so the least is searched for. Only paths are
    /// compared: the next folder of each run may be long, and they would not all fit at once.
    fn least(&mut self) -> Result<Option<From>, Trouble> {
        let memory = self.memory.front().map(|folder| (From::Memory, folder.path()));
        let ready = self.ready.front().map(|ready| (From::Ready, &ready.path));
        let owned = |(from, path): (From, &RelPath)| (from, path.as_bytes().to_vec());
        let mut least: Option<(From, Vec<u8>)> = None;
        let mut offer = |one: (From, Vec<u8>)| {
            let is_less = least
                .as_ref()
                .is_none_or(|(_, best)| folder_order(&one.1, best).is_lt());
            if is_less {
                least = Some(one);
            }
        };
        memory.into_iter().chain(ready).map(owned).for_each(&mut offer);
        for (at, run) in self.runs.iter_mut().enumerate() {
            if let Some(path) = run.next_path().transpose()? {
                offer((From::Run(at), path.to_vec()));
            }
        }
        Ok(least.map(|(from, _)| from))
    }
}

impl Iterator for Merge {
    type Item = Result<Next, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        match self.least() {
            Err(trouble) => Some(Err(trouble)),
            Ok(None) => None,
            Ok(Some(From::Memory)) => self.memory.pop_front().map(|folder| Ok(Next::Folder(folder))),
            Ok(Some(From::Ready)) => self.ready.pop_front().map(|ready| Ok(Next::Ready(ready))),
            Ok(Some(From::Run(run))) => {
                let folder = self.runs[run].next()?;
                Some(folder.map(|folder| Next::Folder(Arc::new(folder))))
            }
        }
    }
}
