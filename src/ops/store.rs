//! The stored form of a plan: JSON in the ledger, through raw twins of the plan's types.

use crate::names::{BatchName, RelPath, SourceName};
use crate::plan::{Batch, Dataset, LockedBatch, Placed, Plan};
use crate::sizes::SizeHistogram;
use crate::survey::{ProjectKey, Unplanned};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A path: text where it is UTF-8, base64 elsewhere.
#[derive(Serialize, Deserialize)]
#[serde(untagged)]
enum RawPath {
    Text(String),
    Bytes { b64: String },
}

#[derive(Serialize, Deserialize)]
enum RawKey {
    Folder(RawPath),
    Loose(Option<u16>),
}

#[derive(Serialize, Deserialize)]
struct RawDataset {
    name: String,
    full_name: Option<String>,
    destination: String,
    folder: RawPath,
    files: u64,
    bytes: u64,
    sizes: Vec<(u8, u64, u64)>,
}

#[derive(Serialize, Deserialize)]
struct RawBatch {
    name: String,
    dataset: String,
    source: String,
    projects: Vec<(RawKey, RawPath)>,
    files: u64,
    bytes: u64,
    sizes: Vec<(u8, u64, u64)>,
    pilot: bool,
    delta: bool,
}

#[derive(Serialize, Deserialize)]
struct RawUnplanned {
    source: String,
    path: RawPath,
    reason: String,
    files: u64,
    bytes: u64,
}

#[derive(Serialize, Deserialize)]
struct RawPlan {
    datasets: Vec<RawDataset>,
    batches: Vec<RawBatch>,
    unplanned: Vec<RawUnplanned>,
}

#[derive(Serialize, Deserialize)]
struct RawLocked {
    batch: RawBatch,
    dataset: RawDataset,
    #[serde(default)]
    at: Option<RawPath>,
}

fn raw_path(bytes: &[u8]) -> RawPath {
    match std::str::from_utf8(bytes) {
        Ok(text) => RawPath::Text(text.to_string()),
        Err(_) => RawPath::Bytes {
            b64: STANDARD.encode(bytes),
        },
    }
}

fn bytes_of(raw: RawPath) -> Option<Vec<u8>> {
    match raw {
        RawPath::Text(text) => Some(text.into_bytes()),
        RawPath::Bytes { b64 } => STANDARD.decode(b64).ok(),
    }
}

fn path_of(raw: RawPath) -> Option<RelPath> {
    RelPath::new(bytes_of(raw)?).ok()
}

fn raw_sizes(sizes: &SizeHistogram) -> Vec<(u8, u64, u64)> {
    let slice = |s: crate::sizes::Slice| {
        let k = s.up_to.map_or(64, |b| b.0.trailing_zeros() as u8);
        (k, s.amount.files, s.amount.bytes.0)
    };
    sizes.slices().map(slice).collect()
}

fn raw_dataset(dataset: &Dataset) -> RawDataset {
    RawDataset {
        name: dataset.name.clone(),
        full_name: dataset.full_name.clone(),
        destination: dataset.destination.clone(),
        folder: raw_path(dataset.folder.as_bytes()),
        files: dataset.amount.files,
        bytes: dataset.amount.bytes.0,
        sizes: raw_sizes(&dataset.sizes),
    }
}

fn raw_batch(batch: &Batch) -> RawBatch {
    let key = |key: &ProjectKey| match key {
        ProjectKey::Folder(path) => RawKey::Folder(raw_path(path.as_bytes())),
        ProjectKey::Loose(year) => RawKey::Loose(year.map(|y| y.0)),
    };
    RawBatch {
        name: batch.name.as_str().to_string(),
        dataset: batch.dataset.clone(),
        source: batch.source.0.clone(),
        projects: batch
            .projects
            .iter()
            .map(|p| (key(&p.key), raw_path(p.place.as_bytes())))
            .collect(),
        files: batch.amount.files,
        bytes: batch.amount.bytes.0,
        sizes: raw_sizes(&batch.sizes),
        pilot: batch.pilot,
        delta: batch.delta,
    }
}

fn dataset_of(raw: RawDataset) -> Option<Dataset> {
    Some(Dataset {
        name: raw.name,
        full_name: raw.full_name,
        destination: raw.destination,
        folder: path_of(raw.folder)?,
        amount: Amount {
            files: raw.files,
            bytes: Bytes(raw.bytes),
        },
        sizes: sizes_of(&raw.sizes),
    })
}

fn sizes_of(raw: &[(u8, u64, u64)]) -> SizeHistogram {
    let mut sizes = SizeHistogram::default();
    for (k, files, bytes) in raw {
        sizes.put(
            usize::from(*k),
            Amount {
                files: *files,
                bytes: Bytes(*bytes),
            },
        );
    }
    sizes
}

fn batch_of(raw: RawBatch) -> Option<Batch> {
    let mut projects = Vec::with_capacity(raw.projects.len());
    for (key, place) in raw.projects {
        let key = match key {
            RawKey::Folder(path) => ProjectKey::Folder(path_of(path)?),
            RawKey::Loose(year) => ProjectKey::Loose(year.map(crate::moment::Year)),
        };
        projects.push(Placed {
            key,
            place: path_of(place)?,
        });
    }
    Some(Batch {
        name: BatchName::typed(&raw.name),
        dataset: raw.dataset,
        source: SourceName(raw.source),
        projects,
        amount: Amount {
            files: raw.files,
            bytes: Bytes(raw.bytes),
        },
        sizes: sizes_of(&raw.sizes),
        pilot: raw.pilot,
        delta: raw.delta,
    })
}

/// The stored form of a plan.
///
/// # Errors
/// A defect: our own types always have a stored form.
pub fn plan_text(plan: &Plan) -> Result<String, Trouble> {
    let raw = RawPlan {
        datasets: plan.datasets.iter().map(raw_dataset).collect(),
        batches: plan.batches.iter().map(raw_batch).collect(),
        unplanned: plan
            .unplanned
            .iter()
            .map(|u| RawUnplanned {
                source: u.source.0.clone(),
                path: raw_path(u.path.as_bytes()),
                reason: u.reason.to_string(),
                files: u.amount.files,
                bytes: u.amount.bytes.0,
            })
            .collect(),
    };
    serde_json::to_string(&raw).map_err(|e| Trouble::defect(e.to_string()))
}

/// A plan from its stored form.
///
/// # Errors
/// [`Trouble`] where the ledger holds something else.
pub fn plan_of(text: &str) -> Result<Plan, Trouble> {
    let raw: RawPlan = serde_json::from_str(text).map_err(|e| damaged(&e.to_string()))?;
    let built = (|| {
        Some(Plan {
            datasets: raw
                .datasets
                .into_iter()
                .map(dataset_of)
                .collect::<Option<Vec<_>>>()?,
            batches: raw
                .batches
                .into_iter()
                .map(batch_of)
                .collect::<Option<Vec<_>>>()?,
            unplanned: raw
                .unplanned
                .into_iter()
                .map(unplanned_of)
                .collect::<Option<Vec<_>>>()?,
        })
    })();
    built.ok_or_else(|| damaged("a path in it is none"))
}

fn unplanned_of(raw: RawUnplanned) -> Option<Unplanned> {
    const REASONS: [&str; 5] = ["boundary", "unreadable", "special", "undecided", "not-entered"];
    let reason = REASONS
        .iter()
        .find(|reason| **reason == raw.reason)
        .copied()
        .unwrap_or("undecided");
    Some(Unplanned {
        source: SourceName(raw.source),
        path: path_of(raw.path)?,
        reason,
        amount: Amount {
            files: raw.files,
            bytes: Bytes(raw.bytes),
        },
    })
}

/// The stored form of a batch that begins, with its dataset and, where its files lie elsewhere,
/// the folder that stands for the dataset's.
///
/// # Errors
/// A defect: our own types always have a stored form.
pub fn locked_text(locked: &LockedBatch, at: Option<&[u8]>) -> Result<String, Trouble> {
    let raw = RawLocked {
        batch: raw_batch(&locked.batch),
        dataset: raw_dataset(&locked.dataset),
        at: at.map(raw_path),
    };
    serde_json::to_string(&raw).map_err(|e| Trouble::defect(e.to_string()))
}

/// A begun batch from its stored form.
///
/// # Errors
/// [`Trouble`] where the ledger holds something else.
pub fn locked_of(text: &str) -> Result<(LockedBatch, Option<Vec<u8>>), Trouble> {
    let raw: RawLocked = serde_json::from_str(text).map_err(|e| damaged(&e.to_string()))?;
    let at = raw.at.and_then(bytes_of);
    match (batch_of(raw.batch), dataset_of(raw.dataset)) {
        (Some(batch), Some(dataset)) => Ok((LockedBatch { batch, dataset }, at)),
        _ => Err(damaged("a path in it is none")),
    }
}

/// Gives projects of a batch their new keys and places, by old key; says whether it had any.
pub fn rename_projects(batch: &mut Batch, renames: &BTreeMap<RelPath, (RelPath, RelPath)>) -> bool {
    let mut any = false;
    for placed in &mut batch.projects {
        let ProjectKey::Folder(old) = &placed.key else {
            continue;
        };
        if let Some((key, place)) = renames.get(old) {
            *placed = Placed {
                key: ProjectKey::Folder(key.clone()),
                place: place.clone(),
            };
            any = true;
        }
    }
    any
}

fn damaged(why: &str) -> Trouble {
    Trouble::stopped(
        "ledger-damaged",
        format!("the plan in the ledger cannot be read: {why}"),
    )
    .mend("Run `poolward plan` again; begun batches keep what they were begun with.")
}
