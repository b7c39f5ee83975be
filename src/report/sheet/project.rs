//! The one-page sheet of a project, for a client.

use crate::digest::Digest;
use crate::moment::Moment;
use crate::names::shown;
use crate::report::model::{Period, ReadHow};
use crate::report::page::{document, name, section};
use crate::report::sheet::plain::*;
use crate::units::{Amount, counted, grouped};
use chrono_tz::Tz;
use maud::html;

/// All that a client's sheet of one project says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProjectSheet {
    /// The project's name.
    pub project: Vec<u8>,
    /// What the user calls the move.
    pub title: String,
    /// The zone of every time shown.
    pub zone: Tz,
    /// When the sheet was made.
    pub now: Moment,
    /// Version of the tool.
    pub version: String,
    /// Its files and bytes, all verified.
    pub amount: Amount,
    /// Where it lay.
    pub source_path: Vec<u8>,
    /// Where it lies now.
    pub destination_path: Vec<u8>,
    /// When it was read at the source while it was copied.
    pub read_at_source: Option<Period>,
    /// When it was read back at the destination.
    pub read_back: Period,
    /// How.
    pub read_how: ReadHow,
    /// Files that agree with an older hash list.
    pub matched_old_list: u64,
    /// Name of the file with the project's hashes, and its BLAKE3.
    pub list: (String, Digest),
    /// BLAKE3 of the sealed proof file of its batch.
    pub proof: Option<Digest>,
}

impl ProjectSheet {
    fn sentence(&self) -> String {
        format!(
            "Every file of this project ({}) was copied to new storage and read back there. What was read back is equal, byte for byte, to what was read from the old storage.",
            self.amount
        )
    }

    fn facts(&self) -> Vec<(&'static str, String)> {
        let mut facts = vec![
            ("Contents", self.amount.to_string()),
            ("Exactly", format!("{} B", grouped(self.amount.bytes.0))),
            ("Was at", shown(&self.source_path)),
            ("Is at", shown(&self.destination_path)),
        ];
        if let Some(period) = self.read_at_source {
            facts.push(("Read there", between(period, self.zone)));
        }
        facts.push(("Read back", between(self.read_back, self.zone)));
        facts.push(("How", self.read_how.words().into()));
        if self.matched_old_list > 0 {
            facts.push((
                "Older lists",
                format!(
                    "{} agree with hash lists made earlier",
                    counted(self.matched_old_list, "file")
                ),
            ));
        }
        facts.push(("Hash list", shown(self.list.0.as_bytes())));
        facts.push((LIST_HASH, self.list.1.to_string()));
        if let Some(digest) = self.proof {
            facts.push((PROOF_HASH, digest.to_string()));
        }
        facts
    }

    /// How the reader checks it without us, and what a match does not say.
    fn how_to_check(&self) -> [&'static str; 2] {
        [
            "The hash list has one line for each file. Any program that reads check files in the coreutils format compares it with the files; it must find every line in order and none missing.",
            "Equal hashes say that no byte has changed since the first reading. They cannot say whether a file was sound before that, and they are no second copy.",
        ]
    }

    /// The sheet as plain text.
    pub fn text(&self) -> String {
        let mut out = heading(
            &format!("PROJECT SHEET  {}", shown(&self.project)),
            &format!(
                "{}. Made {} by Poolward {}.",
                shown(self.title.as_bytes()),
                self.now.local(self.zone),
                shown(self.version.as_bytes())
            ),
        );
        paragraph(&mut out, "", &self.sentence());
        out.push('\n');
        list_facts(&mut out, &self.facts());
        out.push_str("\nTo check it\n");
        for words in self.how_to_check() {
            paragraph(&mut out, "  ", words);
        }
        out.push_str(&signatures());
        out
    }

    /// The sheet as HTML, in the look of the page.
    pub fn html(&self) -> String {
        let body = html! {
            header {
                p.kicker { "Project sheet, " (name(&self.title)) ", made " (self.now.local(self.zone)) " by Poolward " (name(&self.version)) }
                h1 { bdi { (shown(&self.project)) } }
                p.lead { (self.sentence()) }
            }
            (section("The facts", "", facts_list(&self.facts())))
            (section("To check it", "", html! { @for words in self.how_to_check() { p { (words) } } }))
            (html_signatures())
        };
        document(&shown(&self.project), "sheet", &body)
    }
}
