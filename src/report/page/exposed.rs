//! What exists only on the old box: the curve as bars in a table.

use crate::report::exposed::Exposed;
use crate::report::model::ReportModel;
use crate::report::page::{name, section};
use crate::units::Bytes;
use maud::{Markup, html};

/// The section; nothing where the model does not know.
pub(super) fn exposed(model: &ReportModel) -> Markup {
    let Some(found) = &model.exposed else {
        return html! {};
    };
    let note = found.sentences().join(" ");
    match found.total() {
        // A title that promises a list, over a sentence that there is none, reads like an alarm.
        Bytes::ZERO => section("Nothing is only on the old box", &note, html! {}),
        _ => section("Only on the old box", &note, table(model, found)),
    }
}

fn table(model: &ReportModel, found: &Exposed) -> Markup {
    let bar = |left: Bytes| {
        let permille = u128::from(left.0) * 1_000 / u128::from(found.total().0.max(1));
        format!("width:{}.{}%", permille / 10, permille % 10)
    };
    html! {
        @if !found.curve.is_empty() {
            div.scroll tabindex="0" { table.bars {
                thead { tr {
                    th scope="col" { "After batch" } th scope="col" { "Verified by (forecast)" }
                    th.n scope="col" { "Only on the old box then" }
                } }
                tbody {
                    tr { th scope="row" { "now" } td {} td.n {
                        (found.total()) span class="cell all" aria-hidden="true" { i style=(bar(found.total())) {} }
                    } }
                    @for step in &found.curve { tr {
                        th.w scope="row" { (name(&step.batch)) }
                        td { @match step.at {
                            Some(at) => { (at.local(model.zone)) }
                            None => { "no end can be seen" }
                        } }
                        td.n { (step.left) span class="cell all" aria-hidden="true" { i style=(bar(step.left)) {} } }
                    } }
                }
            } }
        }
    }
}
