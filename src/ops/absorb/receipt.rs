//! A receipt at hand: its seal checked, its waybill known, its answers held against the list.

use crate::digest::Digest;
use crate::ledger::{Ledger, WaybillRow};
use crate::lifecycle::waybills::{Task, key, within};
use crate::moment::Moment;
use crate::ops::batch::AtHand;
use crate::ops::desk::Desk;
use crate::ops::waybill::records::{Asked, ListHash, Records};
use crate::report::waybill::Bad;
use crate::report::waybill::receipt::{Answer, Came, Head, Part, Totals, read};
use crate::trouble::Trouble;
use std::io::BufReader;
use std::path::{Path, PathBuf};

/// A receipt whose seal fits.
pub struct Receipt {
    path: PathBuf,
    key: Digest,
    /// What stands for all of it.
    pub head: Head,
    /// BLAKE3 of all its bytes.
    pub hash: Digest,
    /// The waybill that it answers.
    pub row: WaybillRow,
}

impl Receipt {
    /// Reads one from end to end.
    ///
    /// # Errors
    /// `receipt-refused`, `waybill-unknown`.
    pub fn open(desk: &mut Desk<'_>, path: &Path) -> Result<Receipt, Trouble> {
        let file = std::fs::File::open(path)
            .map_err(|e| refused(path, &e.to_string()).mend("Check the path of the receipt."))?;
        // There is one wherever a waybill was written; without one nothing is known here.
        let secret = desk.ledger.waybill_secret_kept()?;
        let mut found = None;
        let key_of = |head: &Head| {
            let (row, key) = waybill_of(&desk.ledger, path, head, secret)?;
            found = Some((row, key));
            Ok(key)
        };
        let totals = read(BufReader::new(file), key_of, |_| Ok(())).map_err(|bad| why(path, bad))?;
        let (row, key) = found.ok_or_else(|| Trouble::defect("a receipt without a waybill"))?;
        Ok(Receipt {
            path: path.to_path_buf(),
            key,
            head: totals.head,
            hash: totals.hash,
            row,
        })
    }

    /// How it is called in messages.
    pub fn shown(&self) -> String {
        self.path.display().to_string()
    }

    /// That it is refused.
    pub fn refused(&self, why: &str) -> Trouble {
        refused(&self.path, why)
    }

    /// That nobody knows its waybill.
    pub fn unknown(&self) -> Trouble {
        unknown(&self.path, &self.head)
    }

    /// That the list has changed at home.
    pub fn outdated(&self) -> Trouble {
        let text = format!(
            "{} answers a waybill whose list is not what batch {} holds now by its index, its plan and move.toml",
            self.path.display(),
            self.row.batch
        );
        Trouble::stopped("waybill-outdated", text).mend(
            "Nothing of it was entered. Put back what was changed in move.toml ([exclude] above all), or write the waybill anew.",
        )
    }

    /// A time that it tells, as far as it can be true.
    pub fn time(&self, told: Moment, now: Moment) -> Moment {
        within(told, self.row.written_at, now)
    }

    /// Sees to it that the list at home is the one that was handed out.
    ///
    /// # Errors
    /// `waybill-outdated`.
    pub fn same_list(&self, at_hand: &AtHand, ledger: &Ledger) -> Result<(), Trouble> {
        let mut list = ListHash::default();
        for folder in Records::new(at_hand, self.row.task, ledger)? {
            for asked in folder?.asked(self.row.task) {
                list.add(&asked, self.row.task);
            }
        }
        match list.finish() == self.row.listed {
            true => Ok(()),
            false => Err(self.outdated()),
        }
    }

    /// Reads it once more: each listed file with its answer, then what stands beside. What is not
    /// answered, answered twice, or never listed refuses the whole.
    ///
    /// # Errors
    /// `receipt-refused`, or what `each` and `beside` answer.
    pub fn walk(
        &self,
        at_hand: &AtHand,
        ledger: &Ledger,
        mut each: impl FnMut(Asked, Came) -> Result<(), Trouble>,
        mut beside: impl FnMut(Part) -> Result<(), Trouble>,
    ) -> Result<(), Trouble> {
        let file = std::fs::File::open(&self.path).map_err(|e| self.refused(&e.to_string()))?;
        let mut list = List::new(at_hand, ledger, self.row.task)?;
        let totals = read(
            BufReader::new(file),
            |_| Ok(self.key),
            |part| match part {
                Part::Answer(answer) => {
                    let Answer { path, came } = *answer;
                    let asked = list.next()?.filter(|asked| asked.path == path);
                    match asked {
                        Some(asked) => each(asked, came),
                        None => Err(self.refused(&format!(
                            "it answers for {path}, which the waybill does not list there, or leaves out one before"
                        ))),
                    }
                }
                other => beside(other),
            },
        );
        let totals: Totals = totals.map_err(|bad| why(&self.path, bad))?;
        if totals.hash != self.hash {
            return Err(self.refused("it was changed while it was read"));
        }
        match list.next()? {
            None => Ok(()),
            Some(asked) => Err(self.refused(&format!("it does not answer for {}", asked.path))),
        }
    }
}

/// The waybill that a head names, and its key.
fn waybill_of(
    ledger: &Ledger,
    path: &Path,
    head: &Head,
    secret: Option<[u8; 32]>,
) -> Result<(WaybillRow, Digest), Trouble> {
    if head.move_id != ledger.move_id()? {
        return Err(refused(path, "it belongs to another move"));
    }
    let rows = ledger.waybills(Some(&head.batch))?;
    let mine: Vec<WaybillRow> = rows.into_iter().filter(|row| row.task == head.task).collect();
    let at = mine.iter().rposition(|row| row.hash == head.waybill);
    let (Some(at), Some(secret)) = (at, secret) else {
        return Err(unknown(path, head));
    };
    let row = mine[at].clone();
    let key = key(&secret, &row.batch, row.task, row.index, at as u64);
    Ok((row, Digest(key)))
}

fn unknown(path: &Path, head: &Head) -> Trouble {
    let text = format!(
        "{} answers a waybill for {} of batch {:?} that was not written here",
        path.display(),
        head.task.word(),
        head.batch
    );
    Trouble::stopped("waybill-unknown", text).mend(
        "Nothing of it was entered. Look whether the receipt belongs to this move and to its newest waybill.",
    )
}

fn refused(path: &Path, why: &str) -> Trouble {
    let text = format!("the receipt {} is refused: {why}", path.display());
    Trouble::stopped("receipt-refused", text)
        .mend("Nothing of it was entered. Take the receipt once more from the machine that wrote it, or run `poolward carry` there again.")
}

fn why(path: &Path, bad: Bad) -> Trouble {
    match bad {
        Bad::Taker(trouble) => trouble,
        other => refused(path, &other.to_string()),
    }
}

/// The files that are asked for, one after the other.
struct List<'a> {
    folders: Records<'a>,
    task: Task,
    ready: std::vec::IntoIter<Asked>,
}

impl<'a> List<'a> {
    fn new(at_hand: &'a AtHand, ledger: &'a Ledger, task: Task) -> Result<List<'a>, Trouble> {
        Ok(List {
            folders: Records::new(at_hand, task, ledger)?,
            task,
            ready: Vec::new().into_iter(),
        })
    }

    fn next(&mut self) -> Result<Option<Asked>, Trouble> {
        loop {
            if let Some(asked) = self.ready.next() {
                return Ok(Some(asked));
            }
            match self.folders.next().transpose()? {
                Some(folder) => {
                    self.ready = folder.asked(self.task).collect::<Vec<_>>().into_iter();
                }
                None => return Ok(None),
            }
        }
    }
}
