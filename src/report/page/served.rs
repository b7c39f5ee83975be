//! The page as it is served: the same page, with what only makes sense where something answers.

use super::{content, document_with};
use crate::names::shown;
use crate::report::model::ReportModel;
use maud::{Markup, html};

/// Seconds after which a page makes itself anew.
const AGAIN: u32 = 60;

/// Beside the style sheet of the file: the line that is not for paper.
const STYLE: &str =
    ".served { font-size: .875rem; color: var(--soft); margin: 0 0 1.5rem; } .served a { color: inherit; }
@media print { .served { display: none; } }";

/// Whether the page that is shown follows the move or stays as it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Keeps {
    /// It makes itself anew each minute.
    Following,
    /// It stays. Whoever reads slowly or hears the page read out must not lose the place
    /// (Web Content Accessibility Guidelines 2.2, success criteria 2.2.1 and 2.2.2).
    Still,
}

/// The whole page as text. Its links are relative: it may be reached through a tunnel.
pub fn served(model: &ReportModel, keeps: Keeps) -> String {
    let line = html! {
        p.served {
            @match keeps {
                Keeps::Following => { "Made anew each minute. " a href="./?still" { "Keep this one" } }
                Keeps::Still => { "This one stays as it is. " a href="./" { "Follow the move" } }
            }
            " · " a href="schedule.ics" { "Schedule as a calendar" }
            " · " a href="status.json" { "Figures as JSON" }
        }
    };
    let body = html! { (line) (content(model)) };
    document_with(&more(keeps), &model.title, "page", &body)
}

/// In place of the page while it cannot be made: why, in the words a command would have printed.
pub fn unavailable(why: &str) -> String {
    let body = html! {
        header {
            h1 { "Not to be had just now" }
            p.lead { (shown(why.as_bytes())) }
            p.soft { "It is tried again each minute." }
        }
    };
    document_with(&more(Keeps::Following), "Poolward", "page", &body)
}

fn more(keeps: Keeps) -> Markup {
    html! {
        @if keeps == Keeps::Following { meta http-equiv="refresh" content=(AGAIN); }
        style { (STYLE) }
    }
}
