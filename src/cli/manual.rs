//! Man pages and completions, made from the same table as the help, and the list of fixed words.

use super::args::Cli;
use super::exit::Code;
use crate::lifecycle::fixity::Fate;
use crate::report::words::effect_word;
use crate::survey::hazards::Sort;
use clap::{Command, CommandFactory};
use clap_complete::{Shell, generate};

/// Codes of errors, reasons and what is left behind, with their meaning.
const WORDS: &[(&str, &str)] = &[
    (
        "address-absent",
        "status --serve: this machine does not have the address",
    ),
    (
        "address-denied",
        "status --serve: this user may not listen at the address",
    ),
    (
        "address-in-use",
        "status --serve: another program listens at the address",
    ),
    (
        "address-unusable",
        "status --serve: the system refuses the address, or gives it no more connections",
    ),
    (
        "bad-address",
        "status --serve: what was given is no address to listen at",
    ),
    (
        "adopted-elsewhere",
        "waybill: the batch was adopted from a folder of its own, and is read back here",
    ),
    (
        "already-absorbed",
        "absorb: another receipt was entered for the same waybill",
    ),
    (
        "carried-elsewhere",
        "another machine has the batch by a waybill; `absorb` or `hold BATCH --off` ends that",
    ),
    (
        "not-as-answered",
        "absorb, left behind: a file is not at the destination as the receipt of another machine says",
    ),
    (
        "receipt-refused",
        "absorb: the receipt is damaged, forged, or does not answer for exactly what was listed",
    ),
    (
        "waybill-outdated",
        "absorb: the batch no longer holds what the waybill lists, by index, plan or move.toml",
    ),
    (
        "waybill-unknown",
        "absorb: no such waybill was written in this move folder",
    ),
    (
        "waybill-withdrawn",
        "absorb: the waybill was taken back or replaced by a newer one",
    ),
    (
        "aside-in-the-way",
        "release: the folder to set projects aside in was made by someone else",
    ),
    (
        "aside-missing",
        "left behind: what was set aside is not where it was put; put it back there, or accept it where you have removed it yourself",
    ),
    (
        "aside-unclear",
        "something lies at its place and aside, and which is which cannot be told",
    ),
    (
        "attributes-changed",
        "left behind: attributes changed at the source since the copy; the copy keeps the older ones",
    ),
    (
        "already-carried",
        "carry: a receipt to the waybill lies there, and its work folder is gone",
    ),
    ("batch-busy", "another process works on the batch"),
    ("bad-path", "a path cannot be used as given"),
    ("bad-tag", "a tag cannot be written as asked"),
    (
        "changed",
        "carry, left behind: a file is not the one that the waybill lists",
    ),
    (
        "changed-at-source",
        "release: files changed at the source since they were copied",
    ),
    ("changing", "left behind: a file changed each time it was read"),
    ("conflict", "run: files at the places of a batch are not ours"),
    (
        "conflict-edited",
        "a file at the destination was changed after it was placed",
    ),
    (
        "copy-stopped",
        "the destination answers in a way that ends the copy",
    ),
    ("conflict-not-ours", "a file that is not ours has its place"),
    (
        "conflicts",
        "release: files at the destination are not ours or were edited",
    ),
    (
        "changed-aside",
        "release: something else lies where a project was set aside",
    ),
    (
        "restore-from-move",
        "release --restored: the path is part of the move itself, so it shows nothing of the second copy",
    ),
    (
        "copy-differs",
        "release: copies read again from disk differ from what was verified",
    ),
    (
        "copy-edited",
        "left behind: the copy was changed since it was verified, so the source's file stays",
    ),
    (
        "copy-missing",
        "release: files are not at the destination; the source holds the only copy",
    ),
    ("dataset-missing", "a dataset has no folder at the destination"),
    ("dataset-not-mounted", "files would land in the dataset's parent"),
    ("defect", "a defect of Poolward"),
    ("denied", "permission denied"),
    (
        "destination-denied",
        "a folder of ours cannot be made at the destination",
    ),
    (
        "differences",
        "release: differences stand from the last verification",
    ),
    ("differs", "carry: a file read back is not what was recorded"),
    (
        "differs-again",
        "run: a batch differs after it was repaired and read back again",
    ),
    ("does-not-fit", "run: the destination may not hold all of it"),
    ("ends-overlap", "source and destination lie inside one another"),
    (
        "entries-lost",
        "run: a scan found far fewer entries than the one before",
    ),
    ("files-failed", "run: files of a batch could not be copied"),
    (
        "files-elsewhere",
        "release: other files of the same projects belong to a batch that is not verified yet",
    ),
    (
        "facts-not-kept",
        "the first files of a copy lost the same fact at the destination",
    ),
    (
        "files-not-verified",
        "release: files were not read back since they were written",
    ),
    (
        "follow-conflict",
        "a folder or file cannot get its new name at the destination",
    ),
    (
        "fixity-busy",
        "another process reads the dataset, or against the proof, again",
    ),
    (
        "fixity-state",
        "fixity: how far a reading against a proof is cannot be kept or read",
    ),
    (
        "follow-unfinished",
        "fixity: a folder is just being given another name at the destination",
    ),
    ("held", "the batch is held"),
    (
        "in-the-way",
        "release: something has the place a project is to come back to",
    ),
    ("index-damaged", "an index was cut short or changed"),
    ("index-newer", "an index was written by a newer version"),
    ("interrupted", "stopped at a safe point; the state is saved"),
    (
        "ledger-copy",
        "the ledger's copy cannot be kept at the destination",
    ),
    ("ledger-damaged", "the ledger is damaged"),
    ("ledger-missing", "the move folder has no ledger"),
    ("ledger-newer", "the ledger was written by a newer version"),
    ("ledger-on-network", "the move folder is on a network mount"),
    (
        "left-behind",
        "release: entries left behind under a code that is not accepted",
    ),
    (
        "left-behind-changed",
        "release: their number changed since it was accepted",
    ),
    (
        "links-over-smb",
        "release: symlinks are not removed over SMB, which can remove what they lead to",
    ),
    ("medium", "left behind: the medium could not be read or written"),
    ("mount-changed", "an end is not the file system it was"),
    ("mount-gone", "a mount stopped answering"),
    ("mount-missing", "an end is not there"),
    ("move-exists", "there is a move in the folder already"),
    ("name-refused", "left behind: the destination refuses the name"),
    (
        "new-at-source",
        "release: files at the source are in no batch yet",
    ),
    ("no-restore-test", "release: no restore test is recorded"),
    ("no-second-copy", "release: no second copy is declared"),
    ("never-opens", "no window of move.toml opens any more"),
    (
        "no-space",
        "no space at the destination, or the reserve is reached",
    ),
    (
        "no-seed",
        "no number to draw a sample by could be had from this machine",
    ),
    ("no-waybill", "carry: there is no such waybill"),
    (
        "not-done",
        "carry: nothing was recorded of a file that the waybill lists",
    ),
    (
        "not-the-destination",
        "carry: a folder is not the destination of the waybill",
    ),
    (
        "not-the-source",
        "carry: a folder holds nothing that the waybill lists",
    ),
    (
        "nothing-aside",
        "release --undo: nothing of the batch is set aside, and it is not signed off",
    ),
    (
        "no-such-account",
        "a user or group that [permissions] names is not known here",
    ),
    ("no-such-batch", "the plan has no batch of that name"),
    ("no-such-proof", "fixity: there is no proof file of that name"),
    (
        "no-such-dataset",
        "nothing was ever copied into a dataset of that name",
    ),
    ("no-such-project", "no source has a project of that name"),
    (
        "not-a-folder",
        "release: a link, a file or a mount stands in a folder's place",
    ),
    (
        "not-a-share",
        "a confidence, rate or share is no percentage between 0 % and 100 %",
    ),
    ("not-aside", "release: a project is not where it was set aside"),
    ("not-confirmed", "release: the batch's name was not typed"),
    ("not-moved", "left behind: a file without a record"),
    ("not-planned", "there is no plan yet"),
    ("not-signed-off", "release: the batch was not released yet"),
    ("not-scanned", "a source has not been scanned yet"),
    (
        "not-verified",
        "release: the batch is not verified; fixity: nothing of the dataset is",
    ),
    ("path-needed", "carry: the path of an end was not given"),
    ("read-only", "the destination is mounted for reading alone"),
    (
        "question-open",
        "run: a batch waits for you, since a question about it is open",
    ),
    (
        "proof-damaged",
        "a proof file is not exactly what was once written; its BLAKE3 stands on the release sheet",
    ),
    (
        "reads-disagree",
        "release, left behind: an unchanged source file gave different content from one read to the next; \
         check memory, cables and controller, then accept the number there is",
    ),
    (
        "read-not-accepted",
        "release: read back in a way that does not count",
    ),
    (
        "reads-disagree",
        "release: files gave other content when the source was read a second time",
    ),
    (
        "receipt-in-the-way",
        "carry: something else lies where the receipt or its work is to lie",
    ),
    (
        "rename-collides",
        "two entries of one folder would get one name by a [[rename]]",
    ),
    ("release-stopped", "release: the source refused a step"),
    (
        "removed-already",
        "release: what was removed for good cannot be brought back",
    ),
    (
        "root-disk",
        "the destination lies on the disk the system runs from",
    ),
    (
        "scan-not-joinable",
        "some projects cannot be scanned alone: the scan before does not fit",
    ),
    ("scan-unfinished", "the first scan of a source was interrupted"),
    ("run-busy", "another run carries this move out"),
    ("same-storage", "both ends are the same storage"),
    ("settings", "move.toml cannot be read; line and column are named"),
    (
        "source-busy",
        "release: something at the source is in use or has a mount on it",
    ),
    (
        "source-denied",
        "release: the source lets this user rename or remove nothing",
    ),
    ("source-read-only", "release: the source is mounted read-only"),
    ("special", "left behind: a pipe, socket or device"),
    (
        "still-aside",
        "release: the days that projects stay aside are not over",
    ),
    ("still-waiting", "release: the days of waiting are not over"),
    (
        "waybill-refused",
        "carry: the waybill is damaged, or asks for what is never done",
    ),
    (
        "window-closed",
        "the window has closed before the batch was done, and it may not span windows",
    ),
];

/// Every generated file of `man/`: its name and content.
///
/// # Errors
/// Whatever writing into memory can answer.
pub fn files() -> std::io::Result<Vec<(String, Vec<u8>)>> {
    let mut command = Cli::command();
    command.build();
    let mut files = vec![("poolward.1".to_string(), page(&command)?)];
    for verb in command.get_subcommands().filter(|verb| verb.get_name() != "help") {
        let name = format!("poolward-{}", verb.get_name());
        let verb = verb.clone().display_name(&name);
        files.push((format!("{name}.1"), page(&verb)?));
    }
    files.push(("poolward-codes.7".to_string(), codes().into_bytes()));
    for (shell, name) in [
        (Shell::Bash, "poolward.bash"),
        (Shell::Zsh, "_poolward"),
        (Shell::Fish, "poolward.fish"),
    ] {
        let mut bytes = Vec::new();
        generate(shell, &mut Cli::command(), "poolward", &mut bytes);
        files.push((name.to_string(), bytes));
    }
    Ok(files)
}

fn page(command: &Command) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    clap_mangen::Man::new(command.clone()).render(&mut bytes)?;
    if command.get_name() == "poolward" {
        bytes.extend_from_slice(exit_codes().as_bytes());
    }
    Ok(bytes)
}

fn exit_codes() -> String {
    let mut text = String::from(".SH EXIT STATUS\n");
    for code in Code::ALL {
        text.push_str(&format!(".TP\n{}\n{}\n", code.number(), code.meaning()));
    }
    text
}

/// The page of fixed words: exit codes, codes, hazards.
fn codes() -> String {
    let mut text = String::from(
        ".TH poolward-codes 7\n.SH NAME\npoolward\\-codes \\- words that programs may rely on\n",
    );
    text.push_str(&exit_codes());
    text.push_str(".SH CODES\nThe words of error.code, reasons[].code and left_behind[].code.\n");
    for (word, meaning) in WORDS {
        text.push_str(&format!(".TP\n{}\n{meaning}\n", word.replace('-', "\\-")));
    }
    text.push_str(".TP\nexcluded\\-RULE\nleft behind by a rule of [exclude]\n");
    text.push_str(".SH FIXITY\nThe words of differences[].kind and listed[].kind of fixity.\n");
    for fate in Fate::ALL {
        let listed = if fate.needs_you() { "" } else { " (listed only)" };
        text.push_str(&format!(".TP\n{}{listed}\n{}\n", fate.word(), fate.words()));
    }
    text.push_str(".SH HAZARDS\nThe words of hazards[].kind.\n");
    for sort in Sort::ALL {
        let kind = sort.kind().replace('-', "\\-");
        text.push_str(&format!(
            ".TP\n{kind} ({})\n{}\n",
            effect_word(sort.effect()),
            sort.words()
        ));
    }
    text
}
