//! The page: one HTML file that loads nothing, reads without a script, on a screen by day or
//! night, on a telephone and on A4 paper.

mod archive;
mod batches;
mod exposed;
mod schedule;
mod served;
mod style;

pub use served::{Keeps, served, unavailable};

pub(in crate::report) use batches::{delivered, older_lists, proof_list, source_twice};

use crate::names::shown;
use crate::report::model::{Finish, LeftGroup, RateRow, ReportModel, Standing};
use crate::report::words::{CAUTIONS, effect_word, headline, percent, share};
use crate::units::{Amount, Bytes, counted, grouped};
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// Paths listed for each code; the rest is counted, and stands in the table beside the page.
const PATHS_SHOWN: usize = 12;

/// The whole page as text.
pub fn page(model: &ReportModel) -> String {
    document(&model.title, "page", &content(model))
}

/// All that stands on the page.
fn content(model: &ReportModel) -> Markup {
    html! {
        (head(model))
        (progress(model))
        (batches::open(model))
        (archive::years(model))
        (exposed::exposed(model))
        (plan(model))
        (batches::outcomes(model))
        (rates(model))
        (hazards(model))
        (batches::table(model))
        (batches::proofs(model))
        (left_behind(&model.left_behind))
        (cautions(model))
        (foot(model))
    }
}

/// A complete file around some content. Nothing may be loaded: the policy allows the style written
/// into the file and nothing else.
pub(in crate::report) fn document(title: &str, class: &str, body: &Markup) -> String {
    document_with(&html! {}, title, class, body)
}

/// The same with something more in its head.
fn document_with(more: &Markup, title: &str, class: &str, body: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                (more)
                title { (shown(title.as_bytes())) }
                style { (PreEscaped(style::STYLE)) }
            }
            body class=(class) { main { (body) } }
        }
    }
    .into_string()
}

/// One section: its heading, a remark in the margin, the content.
pub(in crate::report) fn section(heading: &str, note: &str, content: Markup) -> Markup {
    html! {
        section {
            div { h2 { (heading) } @if !note.is_empty() { p.note { (note) } } }
            div { (content) }
        }
    }
}

/// A path or a name, escaped and kept from turning the reading direction around it.
pub(in crate::report) fn path(bytes: &[u8]) -> Markup {
    html! { bdi.path { (shown(bytes)) } }
}

/// A name of the settings or the plan.
pub(in crate::report) fn name(text: &str) -> Markup {
    html! { bdi { (shown(text.as_bytes())) } }
}

fn standing(standing: Standing) -> Markup {
    html! { span class={ "standing " (standing.word()) } { (standing.word()) } }
}

fn head(model: &ReportModel) -> Markup {
    html! {
        header {
            p.kicker { "State of the move on " (model.now.local(model.zone)) }
            h1 { (name(&model.title)) }
            p.lead { (headline(model)) }
            p.soft {
                "From "
                @for (at, end) in model.sources.iter().enumerate() {
                    @if at > 0 { " and " }
                    (path(&end.path)) " (" (end.amount.bytes) ")"
                }
                " to "
                @for (at, end) in model.destinations.iter().enumerate() {
                    @if at > 0 { " and " }
                    (path(&end.path))
                }
                "."
            }
        }
    }
}

fn progress(model: &ReportModel) -> Markup {
    let planned = model.totals.planned;
    let stages = [
        ("◑", "copied", "Copied", model.totals.copied),
        ("●", "verified", "Verified", model.totals.verified),
        ("✓", "released", "Safe to delete", model.totals.released),
    ];
    let bars = html! {
        div.progress {
            @for (glyph, class, word, amount) in stages {
                @let share = share(amount, planned);
                div.stage {
                    span.label { span.glyph aria-hidden="true" { (glyph) } (word) }
                    div.meter aria-hidden="true" { i class=(class) style=(width(share)) {} }
                    span.share { (percent(share)) }
                    span.amount { (amount.bytes) " of " (planned.bytes) ", " (grouped(amount.files)) " of " (counted(planned.files, "file")) }
                }
            }
        }
        @for space in &model.space {
            p.soft style="margin-top:1.25rem" {
                "Space on " (name(&space.name)) ": "
                @if space.needed == Bytes::ZERO {
                    "nothing more is to come; " (space.limit.binary()) " of its " (space.usable.binary())
                    " may be used."
                } @else {
                    "the move needs " (space.needed.binary()) "; " (space.limit.binary()) " of its "
                    (space.usable.binary()) " may be used. "
                    @if space.fits { "It fits." } @else { b { "It does not fit." } }
                }
            }
        }
    };
    let note = match model.durability.as_str() {
        "local" => {
            "Copied: written and on disk. Verified: read back from the new disks and equal. Safe to delete: signed off."
        }
        "server-said" => {
            "Copied: written, and on disk by the server's word. Verified: read back and equal. Safe to delete: signed off."
        }
        _ => {
            "Copied: written; this mount cannot promise that it is on disk. Verified: read back and equal. Safe to delete: signed off."
        }
    };
    section("Progress", note, bars)
}

/// A bar's length as a style; tenths of a percent.
fn width(permille: u32) -> String {
    format!("width:{}.{}%", permille / 10, permille % 10)
}

fn plan(model: &ReportModel) -> Markup {
    let Some(drawing) = schedule::schedule(model) else {
        return html! {};
    };
    let legend = [
        ("waiting", "○ waiting (forecast)"),
        ("copied", "◔ ◑ copying, copied"),
        ("verified", "◕ ● verifying, verified"),
        ("released", "✓ safe to delete"),
        ("planned", "as planned at first"),
    ];
    section(
        "Schedule",
        "One row for each batch. The thick bar is what happened and, where it is not over, the newest forecast.",
        html! {
            div.scroll tabindex="0" { (drawing) }
            ul.legend {
                @for (class, words) in legend { li { i class=(class) {} (words) } }
            }
            @if let Some(finish) = model.finish { (finish_table(&finish, model)) }
        },
    )
}

fn finish_table(finish: &Finish, model: &ReportModel) -> Markup {
    html! {
        dl style="margin-top:1.25rem" {
            dt { "All verified" }
            dd { (finish.likely.local(model.zone)) " " (standing(finish.standing)) }
            @if finish.low != finish.high {
                dt { "90 % range" }
                dd { (finish.low.local(model.zone)) " to " (finish.high.local(model.zone)) }
            }
        }
    }
}

fn rates(model: &ReportModel) -> Markup {
    if model.rates.is_empty() {
        return html! {};
    }
    let row = |row: &RateRow| {
        html! {
            tr {
                th scope="row" { (name(&row.what)) }
                td.n { (row.rate) }
                td.n { @if let Some((low, high)) = row.range { (low) " to " (high) } }
                td.n { @if let Some(cost) = row.file_cost { (milliseconds(cost.secs_f64())) } }
                td { (standing(row.standing)) }
                td.w { @if row.binding { "◀ sets the pace" } }
            }
        }
    };
    section(
        "Rates",
        "How fast each stage is. The slowest in demand sets the pace of the whole.",
        html! {
            div.scroll tabindex="0" { table {
                thead { tr {
                    th scope="col" { "Stage" } th.n scope="col" { "Rate" } th.n scope="col" { "90 % range" }
                    th.n scope="col" { "Each file" } th scope="col" { "What it is" } th { span aria-hidden="true" {} }
                } }
                tbody { @for rate in &model.rates { (row(rate)) } }
            } }
        },
    )
}

fn milliseconds(seconds: f64) -> String {
    if seconds < 1.0 {
        format!("{:.1} ms", seconds * 1e3)
    } else {
        format!("{seconds:.1} s")
    }
}

fn hazards(model: &ReportModel) -> Markup {
    if model.hazards.is_empty() {
        return html! {};
    }
    section(
        "Hazards",
        "What may not survive the move as it is, and what is done about it. ■ blocks until decided, ▲ loses something, · is worth knowing.",
        html! {
            div.scroll tabindex="0" { table {
                thead { tr {
                    th scope="col" { "Effect" } th.n scope="col" { "Count" } th scope="col" { "What it is" }
                } }
                tbody {
                    @for hazard in &model.hazards {
                        tr {
                            td.w {
                                span.glyph aria-hidden="true" { (match effect_word(hazard.effect) { "blocks" => "■", "loses" => "▲", _ => "·" }) }
                                (effect_word(hazard.effect))
                            }
                            td.n { (grouped(hazard.count)) }
                            td {
                                (hazard.words)
                                small {
                                    (hazard.kind)
                                    @for example in &hazard.examples { br; (path(example.as_bytes())) }
                                }
                            }
                        }
                    }
                }
            } }
        },
    )
}

/// What is not moved, by code. The release sheet shows the same.
pub(in crate::report) fn left_behind(groups: &[LeftGroup]) -> Markup {
    let table = html! {
        div.scroll tabindex="0" { table {
            thead { tr {
                th scope="col" { "Code" } th.n scope="col" { "Entries" } th.n scope="col" { "Bytes" }
                th scope="col" { "Accepted" } th scope="col" { "What" }
            } }
            tbody {
                @for group in groups {
                    tr {
                        th.w scope="row" { (name(&group.code)) }
                        td.n { (grouped(group.amount.files)) }
                        td.n { (group.amount.bytes) }
                        td.w { @if group.accepted { "✓ yes" } @else { "✗ not yet" } }
                        td { (name(&group.words)) (paths(group)) }
                    }
                }
            }
        } }
    };
    let content = if groups.is_empty() {
        html! { p { "Nothing: every entry of the sources is in a batch." } }
    } else {
        table
    };
    section(
        "Left behind",
        "What stays on the old box: left out by a rule, unreadable, failed. Each code stands at release until it is accepted.",
        content,
    )
}

fn paths(group: &LeftGroup) -> Markup {
    let rest = group.paths.len().saturating_sub(PATHS_SHOWN) as u64;
    html! {
        small {
            @for (at, (p, bytes)) in group.paths.iter().take(PATHS_SHOWN).enumerate() {
                @if at > 0 { br; }
                (path(p)) " " (bytes)
            }
            @if rest > 0 { br; "and " (grouped(rest)) " more in the table of what is left behind" }
        }
    }
}

/// The cautions and whether a second copy is declared.
fn cautions(model: &ReportModel) -> Markup {
    section(
        "Cautions",
        "",
        html! {
            p {
                @match &model.second_copy {
                    Some(place) => { "Second copy, as declared: " (name(place)) "." }
                    None => { b { "No second copy is declared." } " Until there is one, nothing should be deleted." }
                }
            }
            ul { @for caution in CAUTIONS { li { (caution) } } }
        },
    )
}

fn foot(model: &ReportModel) -> Markup {
    html! {
        footer {
            "Poolward " (name(&model.version)) ". Times are those of " (model.zone.name())
            ". Disk sizes are decimal (1 TB = 10" sup { "12" } " B), pool space is binary (1 TiB = 2" sup { "40" } " B)."
            " Each figure says whether it is measured, forecast or a default."
        }
    }
}

/// `12.3 TB`, with the number of files below.
fn amount_cell(amount: Amount) -> Markup {
    html! { td.n { (amount.bytes) small { (counted(amount.files, "file")) } } }
}
