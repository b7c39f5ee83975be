//! Sheets to sign and to hand on: the release sheet of a batch and the one-page sheet of a project.
//!
//! Both come as plain text, which any printer and any editor of the next thirty years will read,
//! and as HTML in the look of the page.

mod plain;
mod project;

pub use project::ProjectSheet;

use crate::moment::Moment;
use crate::names::shown;
use crate::report::model::{BatchRow, LeftGroup, Period, Proof, State};
use crate::report::page::{
    delivered, document, left_behind, name, older_lists, path, proof_list, section, source_twice,
};
use crate::report::sheet::plain::*;
use crate::report::words::{Align, CAUTIONS, NO_MANIFEST, day, table};
use crate::units::{Amount, counted, grouped};
use chrono_tz::Tz;
use maud::{Markup, html};

/// Projects and paths listed in one group; the rest is counted and stands in the proof file.
const LISTED: usize = 40;

/// All that a release sheet says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReleaseSheet {
    /// What the user calls the move.
    pub title: String,
    /// The zone of every time shown.
    pub zone: Tz,
    /// When the sheet was made.
    pub now: Moment,
    /// Version of the tool.
    pub version: String,
    /// The batch, with its proof and the reasons against release.
    pub batch: BatchRow,
    /// Where it came from.
    pub source_path: Vec<u8>,
    /// Where it lies now.
    pub destination_path: Vec<u8>,
    /// Its projects by name.
    pub projects: Vec<(Vec<u8>, Amount)>,
    /// When it was copied (or taken over from other means).
    pub copied: Option<Period>,
    /// How far "copied" can be trusted: `local`, `server-said`, `unproven`.
    pub durability: String,
    /// What is not moved.
    pub left_behind: Vec<LeftGroup>,
    /// Where the second copy lies, in the user's words.
    pub second_copy: Option<String>,
    /// What was restored from it as a test, and when.
    pub restored: Option<(Vec<u8>, Moment)>,
    /// First moment at which the source may be removed.
    pub waiting_until: Option<Moment>,
}

impl ReleaseSheet {
    /// Whether nothing stands against deleting the source.
    pub fn releasable(&self) -> bool {
        self.batch.reasons.is_empty() && self.batch.flags.is_empty() && self.batch.state >= State::Verified
    }

    /// The sentence at the top.
    fn verdict(&self) -> String {
        let batch = shown(self.batch.name.as_str().as_bytes());
        if !self.releasable() {
            let open = self.batch.reasons.len() + self.batch.flags.len();
            let why = match open {
                0 => "not every file is verified".to_string(),
                n => counted(n as u64, "reason") + " against it",
            };
            return format!("The source of batch {batch} must not be deleted yet: {why}.");
        }
        match self.waiting_until {
            Some(until) if until > self.now => format!(
                "The source of batch {batch} may be deleted from {} on.",
                day(until, self.zone)
            ),
            _ => format!("The source of batch {batch} may be deleted."),
        }
    }

    /// What was done, as a name and a value a line.
    fn facts(&self) -> Vec<(&'static str, String)> {
        let moved = self.batch.progress.verified;
        let mut facts = vec![
            ("Planned", self.batch.progress.planned.to_string()),
            ("Verified", moved.to_string()),
            ("From", shown(&self.source_path)),
            ("To", shown(&self.destination_path)),
            (
                "Copied",
                self.copied.map_or("not recorded".into(), |p| self.period(p)),
            ),
            ("Durability", durability(&self.durability)),
        ];
        match &self.batch.proof {
            Some(proof) => facts.extend(proof_facts(proof, self.zone)),
            None => facts.push(("Read back", "not yet".into())),
        }
        facts.push((
            "Second copy",
            self.second_copy
                .as_ref()
                .map_or("none declared".into(), |s| shown(s.as_bytes())),
        ));
        facts.push((
            "Restore test",
            match &self.restored {
                Some((what, when)) => format!("{} on {}", shown(what), day(*when, self.zone)),
                None => "none recorded".into(),
            },
        ));
        if let Some(until) = self.waiting_until {
            facts.push(("Waiting until", until.local(self.zone)));
        }
        facts
    }

    fn period(&self, period: Period) -> String {
        between(period, self.zone)
    }

    fn reasons(&self) -> Vec<[String; 3]> {
        let flags = self.batch.flags.iter().map(|flag| {
            let text = format!("the batch is flagged: {}", flag.word());
            [flag.word().to_string(), String::new(), text]
        });
        let reasons = self.batch.reasons.iter().map(|reason| {
            [
                shown(reason.code.as_bytes()),
                grouped(reason.count),
                shown(reason.text.as_bytes()),
            ]
        });
        flags.chain(reasons).collect()
    }

    /// The sheet as plain text.
    pub fn text(&self) -> String {
        let title = format!(
            "RELEASE SHEET  {}  batch {}",
            shown(self.title.as_bytes()),
            shown(self.batch.name.as_str().as_bytes())
        );
        let mut out = heading(
            &title,
            &format!(
                "Made {} by Poolward {}.",
                self.now.local(self.zone),
                shown(self.version.as_bytes())
            ),
        );
        paragraph(&mut out, "", &self.verdict());
        out.push('\n');
        list_facts(&mut out, &self.facts());
        out.push_str("\nAgainst deleting the source\n");
        let reasons: Vec<Vec<String>> = self.reasons().into_iter().map(|r| r.to_vec()).collect();
        if reasons.is_empty() {
            out.push_str("  nothing\n");
        }
        indent(
            &mut out,
            &table(&[], &reasons, &[Align::Left, Align::Right, Align::Left]),
        );
        self.text_left_behind(&mut out);
        self.text_projects(&mut out);
        out.push_str("\nCautions\n");
        for caution in CAUTIONS {
            paragraph(&mut out, "  - ", caution);
        }
        out.push_str(&signatures());
        out
    }

    fn text_left_behind(&self, out: &mut String) {
        out.push_str("\nLeft behind on the source\n");
        if self.left_behind.is_empty() {
            out.push_str("  nothing\n");
        }
        for group in &self.left_behind {
            let accepted = if group.accepted {
                "accepted"
            } else {
                "NOT accepted"
            };
            paragraph(
                out,
                "  ",
                &format!(
                    "{}: {} ({}; {accepted})",
                    shown(group.code.as_bytes()),
                    entries(group.amount),
                    shown(group.words.as_bytes())
                ),
            );
            for (path, bytes) in group.paths.iter().take(LISTED) {
                out.push_str(&format!("    {}  {bytes}\n", shown(path)));
            }
            more(out, group.paths.len());
        }
    }

    fn text_projects(&self, out: &mut String) {
        out.push_str("\nProjects\n");
        let rows: Vec<Vec<String>> = self
            .projects
            .iter()
            .take(LISTED)
            .map(|(project, amount)| {
                vec![
                    amount.bytes.to_string(),
                    counted(amount.files, "file"),
                    shown(project),
                ]
            })
            .collect();
        indent(
            out,
            &table(&[], &rows, &[Align::Right, Align::Right, Align::Left]),
        );
        more(out, self.projects.len());
    }

    /// The sheet as HTML, in the look of the page.
    pub fn html(&self) -> String {
        let batch = self.batch.name.as_str();
        let body = html! {
            header {
                p.kicker { "Release sheet, made " (self.now.local(self.zone)) " by Poolward " (name(&self.version)) }
                h1 { (name(&self.title)) ", batch " (name(batch)) }
                p.lead { (self.verdict()) }
            }
            (section("What was moved", "", facts_list(&self.facts_but_proof())))
            @if let Some(proof) = &self.batch.proof {
                (section("Proof", "", proof_list(proof, self.zone)))
            }
            (section("Against deleting the source", "", self.html_reasons()))
            (left_behind(&self.left_behind))
            (section("Projects", "", self.html_projects()))
            (section("Cautions", "", html! { ul { @for caution in CAUTIONS { li { (caution) } } } }))
            (html_signatures())
        };
        document(&format!("Release sheet, batch {batch}"), "sheet", &body)
    }

    fn facts_but_proof(&self) -> Vec<(&'static str, String)> {
        let of_proof: Vec<&str> = match &self.batch.proof {
            Some(proof) => proof_facts(proof, self.zone)
                .iter()
                .map(|(word, _)| *word)
                .collect(),
            None => Vec::new(),
        };
        self.facts()
            .into_iter()
            .filter(|(word, _)| !of_proof.contains(word))
            .collect()
    }

    fn html_reasons(&self) -> Markup {
        let reasons = self.reasons();
        if reasons.is_empty() {
            return html! { p { "✓ Nothing." } };
        }
        html! {
            div.scroll tabindex="0" { table {
                thead { tr { th scope="col" { "Code" } th.n scope="col" { "Count" } th scope="col" { "Reason" } } }
                tbody { @for [code, count, text] in &reasons {
                    tr { th.w scope="row" { "✗ " (code) } td.n { (count) } td { (text) } }
                } }
            } }
        }
    }

    fn html_projects(&self) -> Markup {
        let rest = self.projects.len().saturating_sub(LISTED) as u64;
        html! {
            div.scroll tabindex="0" { table {
                thead { tr { th scope="col" { "Project" } th.n scope="col" { "Files" } th.n scope="col" { "Bytes" } } }
                tbody { @for (project, amount) in self.projects.iter().take(LISTED) {
                    tr { th scope="row" { (path(project)) } td.n { (grouped(amount.files)) } td.n { (amount.bytes) } }
                } }
            } }
            @if rest > 0 { p.note { "and " (grouped(rest)) " more, listed in the proof file" } }
        }
    }
}

fn proof_facts(proof: &Proof, zone: Tz) -> Vec<(&'static str, String)> {
    let mut facts = vec![
        (
            "Read back",
            format!("{}: {}", proof.read_how.word(), proof.read_how.words()),
        ),
        ("When", between(proof.read, zone)),
        ("Compared", format!("{}{}", proof.compared, delivered(proof))),
    ];
    facts.extend(source_twice(proof, zone).map(|words| ("Source", words)));
    facts.extend(older_lists(proof).map(|words| ("Older lists", words)));
    let manifest = proof.manifest.map(|digest| digest.to_string());
    facts.push((MANIFEST_HASH, manifest.unwrap_or_else(|| NO_MANIFEST.to_string())));
    if let Some(digest) = proof.proof {
        facts.push((PROOF_HASH, digest.to_string()));
    }
    facts
}

fn durability(class: &str) -> String {
    match class {
        "local" => "local: on this machine's disks before it was recorded".into(),
        "server-said" => "server-said: on disk by the word of the server".into(),
        "unproven" => "unproven: this mount cannot promise that it was on disk".into(),
        other => shown(other.as_bytes()),
    }
}

fn entries(amount: Amount) -> String {
    format!(
        "{} {}, {}",
        grouped(amount.files),
        if amount.files == 1 { "entry" } else { "entries" },
        amount.bytes
    )
}

fn more(out: &mut String, all: usize) {
    let rest = all.saturating_sub(LISTED) as u64;
    if rest > 0 {
        out.push_str(&format!(
            "    and {} more, listed in the proof file\n",
            grouped(rest)
        ));
    }
}
