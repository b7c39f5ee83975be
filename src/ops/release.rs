//! release: the gate before a source may be deleted, and its sheet.

use super::batch::{self, AtHand};
use super::desk::Desk;
use super::items::Walk;
use super::{late, manifest, now_at, status};
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::ledger::{Accepted, BatchRow, Disagreement, Proof, Sheet};
use crate::lifecycle::{Event, Gate, READS_DISAGREE, Reason, State, after, gate};
use crate::names::RelPath;
use crate::report::model::{LeftGroup, Period};
use crate::report::sheet::ReleaseSheet;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

/// What became of one batch.
pub struct Released {
    /// Its name.
    pub name: String,
    /// Why its source may not be deleted; none: it may.
    pub reasons: Vec<Reason>,
    /// Files and bytes proven.
    pub proven: Amount,
    /// The sheet.
    pub sheet: PathBuf,
    /// What was left behind: path at the source, code, bytes.
    pub left: Vec<(RelPath, String, Bytes)>,
    /// Reads of its source that disagreed, of all its batches, oldest first.
    pub disagreements: Vec<Disagreement>,
}

/// Checks the gate of one batch, writes the sheet, and signs it off where nothing stands against
/// it. Deletes nothing.
///
/// # Errors
/// [`Trouble`] where an end is missing or the ledger cannot be written.
pub fn release(desk: &mut Desk<'_>, name: &str, accept: &[String]) -> Result<Released, Trouble> {
    super::following::go_on(desk)?;
    let plan = batch::plan(desk)?;
    batch::named(&plan, &[name.to_string()])?;
    let Some(row) = desk.ledger.batch(name)? else {
        return Err(Trouble::usage(
            "not-in-this-state",
            format!("the batch {name} has not been copied yet"),
        )
        .mend(format!(
            "Run `poolward copy {name}` and `poolward verify {name}` first."
        )));
    };
    batch::alone(desk, name, |desk| {
        // Read again now that nobody else may change it.
        let row = desk.ledger.batch(name)?.unwrap_or(row);
        let at_hand = batch::open(desk, row)?;
        one(desk, &at_hand, accept)
    })
}

fn one(desk: &mut Desk<'_>, at_hand: &AtHand, accept: &[String]) -> Result<Released, Trouble> {
    let name = at_hand.row.name.clone();
    let seen = now_at::both_ends(desk, at_hand)?;
    let mut left = left_behind(desk, at_hand)?;
    left.extend(seen.edited_copies);
    let mut counts: BTreeMap<String, u64> = BTreeMap::new();
    for (_, code, _) in &left {
        *counts.entry(code.clone()).or_default() += 1;
    }
    let behind = counts.clone();
    let disagreements = desk.ledger.count_disagreements(&at_hand.row.source)?;
    if disagreements > 0 {
        // Of the whole source, whatever became of each file: see the gate.
        counts.insert(READS_DISAGREE.into(), disagreements);
    }
    accept_codes(desk, &name, accept, &counts)?;
    let mut facts = facts(desk, &at_hand.row, behind, State::Verified)?;
    let accepted = |(code, count): (String, u64)| (facts.accepted.get(&code) == Some(&count)).then_some(code);
    let accepted: BTreeSet<String> = counts.into_iter().filter_map(accepted).collect();
    facts.changed_at_source = seen.changed;
    facts.new_at_source = seen.new;
    facts.stops = seen.stops;
    let reasons = gate(&facts);
    let state = batch::state_of(Some(&at_hand.row));
    let now = desk.now();
    if reasons.is_empty() && state != State::Released {
        let next = after(state, Event::Release)?;
        desk.ledger.set_state(at_hand.row.id, next.word(), now)?;
        desk.ledger.event(now, "released", &name)?;
    }
    let signed_before = state == State::Released;
    let sheet = write_sheet(desk, at_hand, &reasons, &left, (&accepted, signed_before))?;
    let (_, proven, _) = desk.ledger.progress_of(at_hand.row.id)?;
    if reasons.is_empty() {
        super::project_sheets::write(desk, &name)?;
    }
    desk.keep_ledger_copy()?;
    Ok(Released {
        disagreements: desk.ledger.read_disagreements(&at_hand.row.source)?,
        name,
        reasons,
        proven,
        sheet,
        left,
    })
}

pub(super) fn accept_codes(
    desk: &mut Desk<'_>,
    name: &str,
    accept: &[String],
    counts: &BTreeMap<String, u64>,
) -> Result<(), Trouble> {
    for code in accept {
        let Some(count) = counts.get(code) else {
            let known: Vec<&str> = counts.keys().map(String::as_str).collect();
            let mend = match known.is_empty() {
                true => "Nothing of this batch was left behind.".to_string(),
                false => format!("Left behind in this batch are: {}.", known.join(", ")),
            };
            return Err(
                Trouble::usage("no-such-code", format!("nothing was left behind as {code}")).mend(mend),
            );
        };
        let accepted = Accepted {
            code: code.clone(),
            count: *count,
            at: desk.now(),
        };
        desk.ledger.accept(name, &accepted)?;
    }
    Ok(())
}

/// What the ledger says of a batch to the gate; the source is looked at apart. `others` is the state
/// that batches with files of the same projects must have reached.
pub(super) fn facts(
    desk: &Desk<'_>,
    row: &BatchRow,
    left_behind: BTreeMap<String, u64>,
    others: State,
) -> Result<Gate, Trouble> {
    let id = row.id;
    let (mut copied, mut proven, mut read_not_accepted) = (0, 0, 0);
    let accepted_ways = desk.settings.accept_read.clone();
    desk.ledger.each_record(id, &row.dataset, |record| {
        copied += 1;
        match record.proof {
            // A symlink or an empty file has no content that a cache could answer.
            Proof::Verified { .. } if record.kind != EntryKind::File || record.source.size.0 == 0 => {
                proven += 1
            }
            Proof::Verified { how, .. } if accepted_ways.contains(&how) => proven += 1,
            Proof::Verified { .. } => read_not_accepted += 1,
            Proof::Copied | Proof::Adopted => {}
        }
        Ok(())
    })?;
    let mut elsewhere = Vec::new();
    let plan = batch::plan(desk)?;
    if let Some(planned) = plan.batches.iter().find(|b| b.name.as_str() == row.name) {
        for other in late::kin(&plan, planned) {
            let state = batch::state_of(desk.ledger.batch(other.name.as_str())?.as_ref());
            if state < others {
                elsewhere.push((other.name.clone(), state, other.amount.files));
            }
        }
    }
    let failures = desk.ledger.failures(id)?;
    let differences = desk.ledger.differences(id)?;
    let accepted = desk.ledger.accepted(&row.name)?;
    Ok(Gate {
        state: Some(batch::state_of(Some(row))),
        copied,
        proven,
        read_not_accepted,
        conflicts: failures.iter().filter(|f| f.code.starts_with("conflict")).count() as u64,
        differences: differences.iter().filter(|d| d.blocking).count() as u64,
        left_behind,
        elsewhere,
        accepted: accepted.into_iter().map(|a| (a.code, a.count)).collect(),
        second_copy: !desk.settings.second_copy.is_empty(),
        reads_disagree: desk.ledger.count_disagreements(&row.source)?,
        restore_test: !desk.ledger.restores()?.is_empty(),
        ..Gate::default()
    })
}

/// Everything of a batch that was not copied: left out by a rule, special, unreadable, failed.
///
/// # Errors
/// [`Trouble`] where index or ledger cannot be read.
pub fn left_behind(desk: &Desk<'_>, at_hand: &AtHand) -> Result<Vec<(RelPath, String, Bytes)>, Trouble> {
    let mut left = Vec::new();
    for folder in Walk::new(at_hand) {
        let folder = folder?;
        for (child, rule) in &folder.excluded {
            if let Ok(path) = folder.from.join(&child.name) {
                left.push((path, format!("excluded-{rule}"), child.entry.size));
            }
        }
        for child in &folder.children {
            let Ok(path) = folder.from.join(&child.name) else {
                continue;
            };
            let code = match (child.entry.kind, &child.entry.error) {
                (_, Some(error)) if error == crate::survey::surveyor::BOUNDARY => "boundary",
                (_, Some(_)) | (EntryKind::Unknown, None) => "unreadable",
                (EntryKind::Special, None) => "special",
                (EntryKind::File | EntryKind::Directory | EntryKind::Symlink, None) => continue,
            };
            left.push((path, code.to_string(), child.entry.size));
        }
    }
    for failure in desk.ledger.failures(at_hand.row.id)? {
        // Conflicts and what is gone stand by themselves.
        if !failure.code.starts_with("conflict") && failure.code != "gone-at-source" {
            left.push((failure.place, failure.code, failure.bytes));
        }
    }
    Ok(left)
}

fn write_sheet(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    reasons: &[Reason],
    left: &[(RelPath, String, Bytes)],
    (accepted, signed_before): (&BTreeSet<String>, bool),
) -> Result<PathBuf, Trouble> {
    use std::os::unix::ffi::OsStrExt;
    let name = at_hand.row.name.clone();
    let model = status::status(desk, false)?.model;
    let Some(mut row) = model
        .batches
        .into_iter()
        .find(|batch| batch.name.as_str() == name)
    else {
        return Err(Trouble::defect("a released batch is not in the plan"));
    };
    row.reasons = reasons.iter().map(super::report::reason).collect();
    // The days of waiting count from the sign-off that stands: not from a sheet before it that said no.
    let kept = desk.ledger.sheet(&name)?;
    let shut = !reasons.is_empty();
    let at = kept
        .filter(|kept| signed_before && !shut && !kept.shut)
        .map_or(desk.now(), |kept| kept.at);
    let folder = std::ffi::OsStr::from_bytes(at_hand.dataset.folder.as_bytes());
    let sheet = ReleaseSheet {
        title: model.title,
        zone: model.zone,
        now: model.now,
        version: model.version,
        batch: row,
        source_path: at_hand.source.path.as_os_str().as_bytes().to_vec(),
        destination_path: at_hand
            .destination
            .path
            .join(folder)
            .as_os_str()
            .as_bytes()
            .to_vec(),
        projects: projects(desk, at_hand)?,
        copied: at_hand.row.copied_at.map(|end| Period {
            start: at_hand.row.begun_at,
            end,
        }),
        durability: model.durability,
        left_behind: groups(left, accepted),
        second_copy: model.second_copy,
        restored: desk
            .ledger
            .restores()?
            .pop()
            .map(|(at, amount)| (amount.to_string().into_bytes(), at)),
        waiting_until: (!shut).then(|| at.plus_seconds(86_400 * i64::from(desk.settings.waiting_days))),
    };
    let home = desk.folder.join("reports").join("release");
    let path = home.join(format!("{name}.txt"));
    let text = sheet.text();
    manifest::put(&path, text.as_bytes())?;
    manifest::put(&home.join(format!("{name}.html")), sheet.html().as_bytes())?;
    let file = path
        .file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default();
    desk.ledger.put_sheet(
        &name,
        &Sheet {
            at,
            file,
            hash: Digest::of(text.as_bytes()),
            shut,
        },
    )?;
    Ok(path)
}

/// The projects of a batch by name, with what is recorded of each.
fn projects(desk: &Desk<'_>, at_hand: &AtHand) -> Result<Vec<(Vec<u8>, Amount)>, Trouble> {
    let mut amounts: BTreeMap<RelPath, Amount> = at_hand
        .batch
        .projects
        .iter()
        .map(|p| (p.place.clone(), Amount::default()))
        .collect();
    let depths: BTreeSet<usize> = amounts.keys().map(RelPath::depth).collect();
    desk.ledger
        .each_record(at_hand.row.id, &at_hand.dataset.name, |record| {
            for depth in &depths {
                let above = record.place.prefix(*depth);
                if let Some(amount) = above.and_then(|above| amounts.get_mut(&above)) {
                    amount.add(crate::copy::amount_of(&record));
                }
            }
            Ok(())
        })?;
    let of = |p: &crate::plan::Placed| amounts.get(&p.place).copied().unwrap_or_default();
    Ok(at_hand
        .batch
        .projects
        .iter()
        .map(|p| (p.key.name().into_bytes(), of(p)))
        .collect())
}

fn groups(left: &[(RelPath, String, Bytes)], accepted: &BTreeSet<String>) -> Vec<LeftGroup> {
    let mut groups: BTreeMap<&str, LeftGroup> = BTreeMap::new();
    for (path, code, bytes) in left {
        let group = groups.entry(code).or_insert_with(|| LeftGroup {
            code: code.clone(),
            words: code.replace('-', " "),
            amount: Amount::default(),
            accepted: false,
            paths: Vec::new(),
        });
        group.amount.add(Amount::one(*bytes));
        group.paths.push((path.as_bytes().to_vec(), *bytes));
    }
    let mut groups: Vec<LeftGroup> = groups.into_values().collect();
    for group in &mut groups {
        group.accepted = accepted.contains(&group.code);
    }
    groups
}
