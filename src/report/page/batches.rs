//! What the page says of batches: what is open, where each stands, what was foretold, the proof.

use crate::names::shown;
use crate::report::again::sentences;
use crate::report::model::Standing;
use crate::report::model::{BatchRow, Outcome, Proof, ReadHow, Reason, ReportModel, State};
use crate::report::page::{amount_cell, name, section, standing};
use crate::report::words::{NO_MANIFEST, day, percent, share};
use crate::units::{counted, grouped};
use chrono_tz::Tz;
use maud::{Markup, html};

/// Flags and shut gates: what needs somebody.
pub(super) fn open(model: &ReportModel) -> Markup {
    let concerned: Vec<&BatchRow> = model
        .batches
        .iter()
        .filter(|b| !b.flags.is_empty() || !shut(b).is_empty())
        .collect();
    if concerned.is_empty() {
        return html! {};
    }
    section(
        "Needs a look",
        "What keeps a batch from going on or its source from being deleted.",
        html! {
            div.scroll tabindex="0" { table {
                thead { tr {
                    th scope="col" { "Batch" } th scope="col" { "Flags" } th.n scope="col" { "Count" } th scope="col" { "Reason against deleting" }
                } }
                tbody { @for batch in concerned { (open_rows(batch)) } }
            } }
        },
    )
}

/// The reasons worth showing: those of a batch that is not verified yet say nothing new.
fn shut(batch: &BatchRow) -> &[Reason] {
    if batch.state >= State::Verified {
        &batch.reasons
    } else {
        &[]
    }
}

fn open_rows(batch: &BatchRow) -> Markup {
    let first = shut(batch).first();
    html! {
        tr {
            th.w scope="row" { (name(batch.name.as_str())) }
            td.w { (flags(batch)) }
            td.n { @if let Some(reason) = first { (grouped(reason.count)) } }
            td { @if let Some(reason) = first { (name(&reason.text)) small { (name(&reason.code)) } } }
        }
        @for reason in shut(batch).iter().skip(1) {
            tr {
                th.w scope="row" { (name(batch.name.as_str())) }
                td {}
                td.n { (grouped(reason.count)) }
                td { (name(&reason.text)) small { (name(&reason.code)) } }
            }
        }
    }
}

fn flags(batch: &BatchRow) -> Markup {
    html! {
        @for (at, flag) in batch.flags.iter().enumerate() {
            @if at > 0 { br; }
            span.flag { b aria-hidden="true" { (flag.glyph()) } " " (flag.word()) }
        }
    }
}

/// Every batch in the order of the plan.
pub(super) fn table(model: &ReportModel) -> Markup {
    if model.batches.is_empty() {
        return html! {};
    }
    section(
        "Batches",
        "A batch is a set of whole projects that are copied, verified and released together.",
        html! {
            div.scroll tabindex="0" { table {
                thead { tr {
                    th scope="col" { "Batch" } th scope="col" { "State" } th scope="col" { "Dataset" }
                    th.n scope="col" { "Projects" } th.n scope="col" { "Size" } th.n scope="col" { "Copied" }
                    th.n scope="col" { "Verified" } th scope="col" { "Planned end" } th scope="col" { "End" }
                } }
                tbody { @for batch in &model.batches { (row(batch, model)) } }
            } }
        },
    )
}

fn row(batch: &BatchRow, model: &ReportModel) -> Markup {
    let progress = &batch.progress;
    html! {
        tr {
            th.w scope="row" { (name(batch.name.as_str())) }
            td.w {
                span.glyph aria-hidden="true" { (batch.state.glyph()) } (batch.state.word())
                @if !batch.flags.is_empty() { br; (flags(batch)) }
            }
            td { (name(&batch.dataset)) small { "from " (name(&batch.source.0)) } }
            td.n { (grouped(batch.projects)) }
            (amount_cell(progress.planned))
            td.n { (percent(share(progress.copied, progress.planned))) }
            td.n { (percent(share(progress.verified, progress.planned))) }
            td.w { @if let Some(p) = batch.planned { (day(p.end, model.zone)) } }
            td.w { (end(batch, model)) }
        }
    }
}

fn end(batch: &BatchRow, model: &ReportModel) -> Markup {
    html! {
        @match (batch.forecast_end, batch.actual) {
            (Some(end), _) => { (day(end, model.zone)) br; (standing(Standing::Forecast)) }
            (None, Some(actual)) => { (day(actual.end, model.zone)) br; (standing(Standing::Measured)) }
            (None, None) => {}
        }
    }
}

/// Finished batches: what was foretold and what it took.
pub(super) fn outcomes(model: &ReportModel) -> Markup {
    if model.outcomes.is_empty() {
        return html! {};
    }
    section(
        "Forecast against actual",
        "Finished batches: how long each was to take by the forecast made before it began, and how long it took.",
        html! {
            div.scroll tabindex="0" { table {
                thead { tr {
                    th scope="col" { "Batch" } th.n scope="col" { "Size" } th.n scope="col" { "Forecast" }
                    th.n scope="col" { "90 % range" } th.n scope="col" { "Actual" } th scope="col" { "Range" }
                    th scope="col" { span aria-hidden="true" {} }
                } }
                tbody { @for outcome in &model.outcomes { (outcome_row(outcome)) } }
            } }
        },
    )
}

fn outcome_row(outcome: &Outcome) -> Markup {
    html! {
        tr {
            th.w scope="row" { (name(outcome.name.as_str())) }
            td.n { (outcome.amount.bytes) }
            td.n { (outcome.foretold) }
            td.n { (outcome.range.0) " to " (outcome.range.1) }
            td.n { (outcome.taken) }
            td { @if outcome.is_inside() { "● inside" } @else { "○ outside" } }
            td.w { (outcome.words()) }
        }
    }
}

/// What stands behind "verified", batch by batch.
pub(super) fn proofs(model: &ReportModel) -> Markup {
    let proven: Vec<(&BatchRow, &Proof)> = model
        .batches
        .iter()
        .filter_map(|b| b.proof.as_ref().map(|p| (b, p)))
        .collect();
    if proven.is_empty() {
        return html! {};
    }
    section(
        "Proof",
        "Anyone with the files and the manifest can check them again; the hash says that the manifest is the one meant here.",
        html! { @for (batch, proof) in proven {
            div.proof {
                h3 { (name(batch.name.as_str())) }
                (proof_list(proof, model.zone))
            }
        }
        @if !model.read_again.is_empty() {
            div.proof {
                h3 { "Read again since" }
                ul { @for line in sentences(&model.read_again, model.zone) { li { (name(&line)) } } }
            }
        } },
    )
}

/// One proof as a list of facts. The release sheet shows the same.
pub(in crate::report) fn proof_list(proof: &Proof, zone: Tz) -> Markup {
    html! {
        dl {
            dt { "Read back" }
            dd { (proof.read_how.word()) ": " (proof.read_how.words()) }
            dt { "When" }
            dd { (proof.read.start.local(zone)) " to " (proof.read.end.local(zone)) }
            dt { "Compared" }
            dd { (proof.compared) (delivered(proof)) }
            @if let Some(words) = source_twice(proof, zone) {
                dt { "Source" }
                dd { (words) }
            }
            @if let Some(words) = older_lists(proof) {
                dt { "Older lists" }
                dd { (words) }
            }
            dt { "Manifest" }
            @match proof.manifest {
                Some(digest) => dd { span.hash { "BLAKE3 " (digest) } },
                None => dd { (NO_MANIFEST) },
            }
            @if let Some(digest) = proof.proof {
                dt { "Proof file" }
                dd { span.hash { "BLAKE3 " (digest) } }
            }
        }
    }
}

/// What the disks delivered, to follow the bytes compared.
pub(in crate::report) fn delivered(proof: &Proof) -> String {
    match (proof.delivered, proof.read_how) {
        (Some(bytes), _) => format!("; the disks delivered {}", shown(bytes.to_string().as_bytes())),
        (None, ReadHow::Server) => "; the disks are another machine's and could not be watched".into(),
        (None, _) => "; the disks could not be watched".into(),
    }
}

/// What lists of hashes found beside the data say.
pub(in crate::report) fn older_lists(proof: &Proof) -> Option<String> {
    let same = counted(proof.matched_old_list, "file");
    let differing = grouped(proof.differing_old_list);
    match (proof.matched_old_list, proof.differing_old_list) {
        (0, 0) => None,
        (_, 0) => Some(format!("{same} agree with hash lists found at the source")),
        _ => Some(format!(
            "{same} agree with hash lists found at the source, {differing} do not; they were like that before the move"
        )),
    }
}

/// What was read twice at the source.
pub(in crate::report) fn source_twice(proof: &Proof, zone: Tz) -> Option<String> {
    let (amount, when) = proof.source_twice?;
    let (first, last) = (day(when.start, zone), day(when.end, zone));
    let dates = match first == last {
        true => format!("the second on {first}"),
        false => format!("the second from {first} to {last}"),
    };
    let amount = shown(amount.to_string().as_bytes());
    Some(format!("two independent reads agree ({amount}), {dates}"))
}
