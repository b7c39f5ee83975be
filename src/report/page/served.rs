//! The page as it is served: the same page, with what only makes sense where something answers.

use super::{content, document_with};
use crate::names::shown;
use crate::report::model::ReportModel;
use maud::{Markup, html};

/// Seconds after which a browser asks for the page again.
const AGAIN: u32 = 60;

/// Beside the style sheet of the file: the line that is not for paper.
const STYLE: &str =
    ".served { font-size: .875rem; color: var(--soft); margin: 0 0 1.5rem; } .served a { color: inherit; }
@media print { .served { display: none; } }";

/// Whether the page that is shown follows the move or stays as it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Keeps {
    /// It is asked for again each minute.
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
                Keeps::Following => { "Looks for news each minute. " a href="./?still" { "Keep this one" } }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::page::page;
    use crate::report::sample::sample;
    use proptest::prelude::*;

    #[test]
    fn it_is_the_page_of_the_file_with_one_line_more() {
        let (model, file) = (sample(), page(&sample()));
        let body = |html: &str| {
            let from = html.find("<header>").expect("a header");
            html[from..].to_string()
        };
        for keeps in [Keeps::Following, Keeps::Still] {
            let html = served(&model, keeps);
            assert_eq!(body(&html), body(&file));
            assert_eq!(html.contains("http-equiv=\"refresh\""), keeps == Keeps::Following);
            // Relative addresses only, and the policy of the file.
            let links: Vec<&str> = html.split("href=\"").skip(1).collect();
            assert_eq!(links.len(), 3);
            assert!(links.iter().all(|l| l.starts_with("./") || l.starts_with('s')));
            assert!(!html.contains("http:") && !html.contains("<script") && !html.contains("src="));
            assert!(html.contains("content=\"default-src 'none'; style-src 'unsafe-inline'\""));
        }
        for word in ["refresh", "href", "served"] {
            assert!(!file.contains(word), "{word}");
        }
    }

    proptest! {
        #[test]
        fn whatever_the_reason_says_is_shown_as_text(why in any::<String>()) {
            let html = unavailable(&why);
            let plain = unavailable("");
            prop_assert_eq!(html.matches('<').count(), plain.matches('<').count());
            prop_assert!(!html.chars().any(|c| c.is_control() && c != '\n'));
        }
    }
}
