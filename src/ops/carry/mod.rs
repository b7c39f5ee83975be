//! carry: one waybill, worked on the machine that has the disks, and the receipt that answers it.
//!
//! No move folder is needed. What the waybill holds becomes a small one of its own beside the
//! receipt: a ledger, the index slice, the batch as it was begun. The same copy and verification
//! run on it as at home, with the same safety: killed at any instant, the same command goes on.

mod bill;
mod ends;
mod fill;
mod hashed;
mod receipt;
mod room;

pub use hashed::Hashed;

use super::batch;
use super::copy::{Copied, copy};
use super::desk::Desk;
use super::verify::{How, Verified, verify};
use crate::digest::Digest;
use crate::report::waybill::{Head, Task};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::{Clock, Stop};
use bill::Bill;
use room::Room;
use std::path::{Path, PathBuf};

/// What is asked for; every path is absolute.
#[derive(Debug, Clone)]
pub struct Request {
    /// The waybill.
    pub waybill: PathBuf,
    /// Where the source lies here.
    pub source: Option<PathBuf>,
    /// Where the destination lies here.
    pub destination: Option<PathBuf>,
    /// The receipt, or the folder for it.
    pub out: Option<PathBuf>,
}

/// A waybill that was read and may be worked on.
pub struct Job {
    request: Request,
    bill: Bill,
    room: Room,
}

/// What the work came to.
pub enum Outcome {
    /// Of a copy.
    Copied(Box<Copied>),
    /// Of a verification.
    Verified(Box<Verified>),
    /// Of a reading of the source.
    Hashed(Hashed),
}

/// A receipt that was written.
pub struct Carried {
    /// Where it lies.
    pub receipt: PathBuf,
    /// BLAKE3 of all its bytes.
    pub hash: Digest,
    /// The folder of the work; not needed once the receipt is absorbed.
    pub work: PathBuf,
    /// What the work came to.
    pub outcome: Outcome,
    /// Files that are answered as done, and those that are not.
    pub answered: (u64, u64),
}

impl Job {
    /// Reads a waybill from end to end and checks what it asks for against what was given. Nothing
    /// is made or written.
    ///
    /// # Errors
    /// `waybill-refused`, `path-needed`, or why there is no room for the receipt.
    pub fn open(request: Request) -> Result<Job, Trouble> {
        let bill = Bill::read(&request.waybill)?;
        ends::given(&request, &bill)?;
        let room = Room::find(&request, &bill)?;
        Ok(Job { request, bill, room })
    }

    /// What stands for all files.
    pub fn head(&self) -> &Head {
        &self.bill.head
    }

    /// Files that are asked for, and their bytes.
    pub fn asked(&self) -> Amount {
        self.bill.asked
    }

    /// Does the work, or what is left of it, and writes the receipt. `progress` is told bytes and files.
    ///
    /// # Errors
    /// [`Trouble`] where an end is not what it should be or it had to stop; the same call goes on
    /// from what was recorded.
    pub fn work(
        &self,
        clock: &dyn Clock,
        stop: &Stop,
        progress: &dyn Fn(Bytes, u64),
    ) -> Result<Carried, Trouble> {
        ends::refuse(&self.request, &self.bill, &self.room)?;
        let mut desk = self.room.open(&self.request, &self.bill, clock, stop)?;
        let name = format!("{}.{}", self.bill.head.batch, self.bill.head.task.word());
        batch::alone(&mut desk, &name, |desk| {
            self.room.claim(desk, &self.bill)?;
            ends::know(desk, &self.bill)?;
            fill::fill(desk, &self.request.waybill, &self.bill)?;
            let outcome = self.outcome(desk, progress)?;
            let written = receipt::write(desk, &self.request.waybill, &self.bill, &self.room)?;
            Ok(Carried {
                receipt: self.room.receipt.clone(),
                hash: written.hash,
                work: self.room.work.clone(),
                outcome,
                answered: written.answered,
            })
        })
    }

    fn outcome(&self, desk: &mut Desk<'_>, progress: &dyn Fn(Bytes, u64)) -> Result<Outcome, Trouble> {
        let batch = self.bill.head.batch.as_str();
        Ok(match self.bill.head.task {
            Task::Copy => {
                let copied = copy(desk, batch, None, &|p| progress(p.bytes, p.files))?;
                Outcome::Copied(Box::new(copied))
            }
            Task::Verify => {
                let verified = verify(desk, batch, How::default(), &|p| progress(p.bytes, p.files))?;
                Outcome::Verified(Box::new(verified))
            }
            Task::HashSource => Outcome::Hashed(hashed::read(desk, batch, &|p| progress(p.bytes, p.files))?),
        })
    }
}

/// Refuses a waybill, with the reason.
fn refused(path: &Path, why: &str) -> Trouble {
    use std::os::unix::ffi::OsStrExt;
    let text = format!("the waybill {} is refused: {why}", path.display());
    Trouble::stopped("waybill-refused", text)
        .at(path.as_os_str().as_bytes())
        .mend("Nothing was done. Copy it from the move folder again; `poolward waybill` writes it anew.")
}
