//! report: the page, the calendar, the tables and the manifests of a move.

use super::desk::Desk;
use super::{batch, gather, manifest, rooms, status};
use crate::forecast::rates::Basis;
use crate::lifecycle::State;
use crate::plan::fit::PoolFit;
use crate::report::model::{Reason, ReportModel, Space, Standing, YearRow};
use crate::report::{calendar, page, tables};
use crate::survey::Survey;
use crate::trouble::Trouble;
use std::path::PathBuf;

/// Writes everything into `reports/` and answers what was written.
///
/// # Errors
/// [`Trouble`] where there is no plan or the folder cannot be written.
pub fn report(desk: &Desk<'_>) -> Result<Vec<PathBuf>, Trouble> {
    let model = model(desk)?;
    let home = desk.folder.join("reports");
    let files = [
        ("report.html", page::page(&model)),
        ("schedule.ics", calendar::calendar(&model)),
        ("batches.csv", tables::batches(&model)),
        ("years.csv", tables::years(&model)),
        ("left-behind.csv", tables::left_behind(&model)),
    ];
    let mut written = Vec::new();
    for (name, text) in files {
        let path = home.join(name);
        manifest::put(&path, text.as_bytes())?;
        written.push(path);
    }
    for row in desk.ledger.batches()? {
        let verified = super::batch::state_of(Some(&row)) >= State::Verified;
        // A batch that the plan no longer has keeps the sheets it got.
        let planned = model.batches.iter().any(|batch| batch.name.as_str() == row.name);
        if verified && planned {
            written.extend(super::project_sheets::write(desk, &row.name)?);
        }
    }
    Ok(written)
}

/// The whole model: the status, and what the surveys say.
///
/// # Errors
/// [`Trouble`] as for [`report`].
pub fn model(desk: &Desk<'_>) -> Result<ReportModel, Trouble> {
    let stand = status::status(desk, false)?;
    let mut model = stand.model;
    let surveyed = gather::surveys(desk)?;
    for one in &surveyed {
        merge(&mut model, &one.survey);
    }
    model.exposed = Some(super::exposed::exposed(desk, &model)?);
    let rooms = rooms::rooms(desk, &batch::plan(desk)?, &surveyed)?;
    model.space = rooms.fit.pools.into_iter().map(space).collect();
    model.rates = rates(desk, &stand.forecast)?;
    Ok(model)
}

fn space(pool: PoolFit) -> Space {
    Space {
        name: pool.name,
        usable: pool.usable,
        limit: pool.limit,
        needed: pool.needed,
        fits: pool.fits,
    }
}

fn merge(model: &mut ReportModel, survey: &Survey) {
    for total in survey.years() {
        let kinds = survey
            .projects
            .iter()
            .filter(|p| p.date.year == total.year)
            .flat_map(|p| p.kinds.clone());
        let at = model
            .years
            .iter()
            .position(|row| row.year == total.year)
            .unwrap_or_else(|| {
                model.years.push(YearRow {
                    year: total.year,
                    projects: 0,
                    amount: Default::default(),
                    kinds: Vec::new(),
                });
                model.years.len() - 1
            });
        let Some(row) = model.years.get_mut(at) else {
            continue;
        };
        row.projects += total.projects;
        row.amount.add(total.amount);
        for (kind, amount) in kinds {
            match row.kinds.iter_mut().find(|(known, _)| *known == kind) {
                Some((_, sum)) => sum.add(amount),
                None => row.kinds.push((kind, amount)),
            }
        }
    }
    model.years.sort_by_key(|row| (row.year.is_none(), row.year));
    for (kind, amount) in &survey.kinds {
        match model.kinds.iter_mut().find(|(known, _)| known == kind) {
            Some((_, sum)) => sum.add(*amount),
            None => model.kinds.push((*kind, *amount)),
        }
    }
    for hazard in &survey.hazards {
        match model.hazards.iter_mut().find(|known| known.kind == hazard.kind) {
            Some(known) => known.count += hazard.count,
            None => model.hazards.push(hazard.clone()),
        }
    }
}

fn rates(
    desk: &Desk<'_>,
    forecast: &crate::forecast::simulate::Forecast,
) -> Result<Vec<crate::report::model::RateRow>, Trouble> {
    use crate::forecast::link::goodput;
    use crate::forecast::rates::Stage;
    use crate::report::model::RateRow;
    let conditions = super::schedule::conditions(desk)?;
    let rates = super::schedule::rates(desk, &conditions, &[])?;
    let mut rows = Vec::new();
    let mut add = |what: String, rate, basis: Basis, stage: Stage| {
        rows.push(RateRow {
            what,
            rate,
            range: None,
            file_cost: None,
            standing: match basis {
                Basis::Default => Standing::Default,
                Basis::Declared => Standing::Declared,
                Basis::Measured => Standing::Probed,
                Basis::Fitted => Standing::Measured,
            },
            binding: forecast.binding == Some(stage),
        });
    };
    for (source, pace) in desk.settings.sources.iter().zip(&rates.sources) {
        add(
            format!("reading from {}", source.name),
            pace.read.rate,
            pace.read.basis,
            Stage::SourceRead,
        );
    }
    if let Some(speed) = conditions.network.link {
        add(
            "the link".into(),
            goodput(speed, conditions.network.framing),
            rates.basis(Stage::Link),
            Stage::Link,
        );
    }
    add("hashing".into(), rates.hash.rate, rates.hash.basis, Stage::Hash);
    add(
        "writing to the pool".into(),
        rates.write.rate,
        rates.write.basis,
        Stage::DestinationWrite,
    );
    add(
        "reading back".into(),
        rates.verify_read.rate,
        rates.verify_read.basis,
        Stage::VerifyRead,
    );
    Ok(rows)
}

/// A reason of the gate, for the page.
pub(super) fn reason(reason: &crate::lifecycle::Reason) -> Reason {
    Reason {
        code: reason.code.to_string(),
        text: reason.text.clone(),
        count: reason.count,
    }
}
