//! The archive by year and kind: a table whose cells carry their bars.

use crate::names::shown;
use crate::report::model::{ReportModel, YearRow};
use crate::report::page::{section, width};
use crate::report::words::{kind_word, permille};
use crate::survey::Kind;
use crate::units::{Amount, Bytes, counted, grouped};
use maud::{Markup, html};

/// The table, or nothing where no file is known.
pub(super) fn years(model: &ReportModel) -> Markup {
    let kinds: Vec<(Kind, Amount)> = model.kinds.iter().copied().filter(|(_, a)| a.files > 0).collect();
    if kinds.is_empty() || model.years.is_empty() {
        return html! {};
    }
    let most_kind = largest(
        model
            .years
            .iter()
            .flat_map(|y| y.kinds.iter().map(|(_, a)| a.bytes)),
    );
    let most_year = largest(model.years.iter().map(|y| y.amount.bytes));
    section(
        "The archive",
        "Bytes by year and kind of file. All thin bars share one scale; the totals have their own.",
        html! {
            div.scroll.keep[model.years.len() <= 15] tabindex="0" { table.bars {
                thead { tr {
                    th scope="col" { "Year" } th.n scope="col" { "Projects" } th.n scope="col" { "Files" }
                    th.n scope="col" { "All" }
                    @for (kind, _) in &kinds { th.n scope="col" { (capital(kind_word(*kind))) } }
                } }
                tbody { @for year in &model.years { (row(year, &kinds, most_kind, most_year)) } }
                tfoot { (foot(model, &kinds)) }
            } }
        },
    )
}

fn row(year: &YearRow, kinds: &[(Kind, Amount)], most_kind: Bytes, most_year: Bytes) -> Markup {
    let of = |kind: Kind| {
        let found = year.kinds.iter().find(|(k, _)| *k == kind);
        found.map_or(Amount::default(), |(_, amount)| *amount)
    };
    html! {
        tr {
            th.w scope="row" { @match year.year { Some(y) => (y), None => "undated" } }
            td.n { (grouped(year.projects)) }
            td.n { (grouped(year.amount.files)) }
            (cell(year.amount, most_year, "cell all"))
            @for (kind, _) in kinds { (cell(of(*kind), most_kind, "cell")) }
        }
    }
}

fn cell(amount: Amount, most: Bytes, class: &str) -> Markup {
    html! {
        td.n title=(counted(amount.files, "file")) {
            @if amount.files == 0 { span.soft { "–" } } @else {
                (amount.bytes)
                span class=(class) aria-hidden="true" { i style=(width(permille(amount.bytes.0, most.0))) {} }
            }
        }
    }
}

fn foot(model: &ReportModel, kinds: &[(Kind, Amount)]) -> Markup {
    let projects = model
        .years
        .iter()
        .fold(0u64, |sum, y| sum.saturating_add(y.projects));
    let all: Amount = kinds.iter().map(|(_, amount)| *amount).sum();
    html! {
        tr {
            th scope="row" { "Bytes" } td.n {} td.n {}
            td.n { (all.bytes) }
            @for (_, amount) in kinds { td.n { (amount.bytes) } }
        }
        tr {
            th scope="row" { "Files" } td.n { (grouped(projects)) } td.n { (grouped(all.files)) } td.n { (grouped(all.files)) }
            @for (_, amount) in kinds { td.n { (grouped(amount.files)) } }
        }
    }
}

fn largest(all: impl Iterator<Item = Bytes>) -> Bytes {
    all.max().unwrap_or(Bytes::ZERO)
}

fn capital(word: &str) -> String {
    let mut chars = word.chars();
    let first = chars
        .next()
        .map(|c| c.to_uppercase().to_string())
        .unwrap_or_default();
    shown((first + chars.as_str()).as_bytes())
}
