//! status --exposed: what exists only on the old box, and how it shrinks.

use super::desk::Desk;
use super::{batch, gather, plan};
use crate::names::SourceName;
use crate::report::exposed::{Exposed, Open, Part};
use crate::report::model::ReportModel;
use crate::survey::{ProjectKey, ProjectSummary};
use crate::trouble::Trouble;
use crate::units::Bytes;
use std::collections::HashMap;

/// Sums up what is not verified, for a status at hand.
///
/// # Errors
/// [`Trouble`] where there is no plan or an index cannot be read.
pub fn exposed(desk: &Desk<'_>, model: &ReportModel) -> Result<Exposed, Trouble> {
    let surveyed = gather::surveys(desk)?;
    let projects: Vec<ProjectSummary> = surveyed.into_iter().flat_map(|s| s.survey.projects).collect();
    let wished = crate::plan::wished(&projects, &plan::rules(desk))?;
    let mut parts: HashMap<(SourceName, ProjectKey), Part> = HashMap::new();
    for (project, (year, group)) in projects.into_iter().zip(wished) {
        let part = Part {
            year: year.or(project.date.year),
            group,
            bytes: project.amount.bytes,
        };
        parts.insert((project.source, project.key), part);
    }
    let plan = batch::plan(desk)?;
    let mut open = Vec::new();
    for (row, batch) in model.batches.iter().zip(&plan.batches) {
        // A project that is gone from the newest index still has its share.
        let part = |placed: &crate::plan::Placed| {
            let known = parts.get(&(batch.source.clone(), placed.key.clone()));
            known.cloned().unwrap_or(Part {
                year: None,
                group: None,
                bytes: Bytes(1),
            })
        };
        open.push(Open {
            batch: row.name.to_string(),
            left: row.progress.planned.bytes.minus(row.progress.verified.bytes),
            end: row.forecast_end,
            parts: batch.projects.iter().map(part).collect(),
        });
    }
    let outside = plan.unplanned.iter().map(|one| one.amount.bytes).sum();
    Ok(Exposed::of(&open, outside))
}
