//! What both sheets are set with: headings, facts, paragraphs, lines to sign on.

use crate::report::model::Period;
use chrono_tz::Tz;
use maud::{Markup, html};

/// Width of a line of plain text.
pub(super) const LINE: usize = 78;

/// Facts that are paths or hashes: a line break inside would change them.
pub(super) const UNBROKEN: [&str; 8] = [
    "From",
    "To",
    "Was at",
    "Is at",
    "Hash list",
    LIST_HASH,
    MANIFEST_HASH,
    PROOF_HASH,
];

pub(super) const LIST_HASH: &str = "List, BLAKE3";
pub(super) const MANIFEST_HASH: &str = "Manifest BLAKE3";
pub(super) const PROOF_HASH: &str = "Proof, BLAKE3";

pub(super) fn between(period: Period, zone: Tz) -> String {
    format!("{} to {}", period.start.local(zone), period.end.local(zone))
}

pub(super) fn heading(title: &str, below: &str) -> String {
    format!("{title}\n{}\n{below}\n\n", "=".repeat(LINE))
}

pub(super) fn list_facts(out: &mut String, facts: &[(&'static str, String)]) {
    for (word, value) in facts {
        let lead = format!("{word:<15} ");
        if UNBROKEN.contains(word) {
            out.push_str(&format!("{lead}{value}\n"));
        } else {
            paragraph(out, &lead, value);
        }
    }
}

/// Breaks between words before [`LINE`], later lines indented as far as the first's lead. A word
/// longer than a line (a path, a hash) stands whole.
pub(super) fn paragraph(out: &mut String, lead: &str, text: &str) {
    let indent = lead.chars().count();
    out.push_str(lead);
    let mut column = indent;
    for word in text.split(' ') {
        let width = word.chars().count();
        if column > indent && column + 1 + width > LINE {
            out.push('\n');
            out.push_str(&" ".repeat(indent));
            column = indent;
        }
        if column > indent {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += width;
    }
    out.push('\n');
}

pub(super) fn indent(out: &mut String, lines: &str) {
    for line in lines.lines() {
        out.push_str("  ");
        out.push_str(line);
        out.push('\n');
    }
}

pub(super) fn signatures() -> String {
    let rule = "_".repeat(34);
    format!("\n\n{rule}        {rule}\n{:<42}Place, date\n", "Name, signature")
}

pub(super) fn html_signatures() -> Markup {
    html! { div.lines { span { "Name, signature" } span { "Place, date" } } }
}

pub(super) fn facts_list(facts: &[(&'static str, String)]) -> Markup {
    html! {
        dl { @for (word, value) in facts {
            dt { (word) } dd { bdi.path[UNBROKEN.contains(word)] { (value) } }
        } }
    }
}
