//! The command line as it is typed: one table of verbs and options, from which help, manual and
//! completions are made.

use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;

/// Plans, carries out and proves the move of a large file archive to a new pool.
#[derive(Debug, Parser)]
#[command(
    name = "poolward",
    version,
    arg_required_else_help = true,
    max_term_width = 100
)]
pub struct Cli {
    /// The move folder; by default the nearest one upwards that holds a move.toml
    #[arg(long, global = true, value_name = "DIR")]
    pub folder: Option<PathBuf>,
    /// Print exactly one JSON object
    #[arg(long, global = true)]
    pub json: bool,
    /// Print nothing but errors and what was asked for
    #[arg(long, global = true)]
    pub quiet: bool,
    /// What to do
    #[command(subcommand)]
    pub command: Command,
}

/// The verbs.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Make a move folder with a commented move.toml
    #[command(
        after_help = "Example: poolward begin ~/move --from /mnt/oldbox/archive --to /mnt/pool/archive --link 10GbE"
    )]
    Begin(Begin),
    /// Index the sources and say what is there
    #[command(after_help = "Example: poolward scan --gentle")]
    Scan(Scan),
    /// Years, kinds, projects, sizes and hazards of the last scan
    #[command(after_help = "Example: poolward survey --questions >> move.toml")]
    Survey(Survey),
    /// Measure the real paths in under a minute: rates, cost of a file, what they keep
    #[command(after_help = "Example: poolward probe --json")]
    Probe,
    /// Compare pool layouts and say what fits and when it fills
    #[command(
        after_help = "Example: poolward pool --disks 15 --disk-size '14 TB' --layout '1 x 15 raidz2' --ashift 12"
    )]
    Pool(Pool),
    /// Datasets, batches, order and schedule
    #[command(after_help = "Example: poolward plan --why 2019-lantern-festival")]
    Plan(Plan),
    /// The same plan under other conditions, side by side
    #[command(
        after_help = "Example: poolward forecast --link 1GbE --link 10GbE --windows 'mon-fri 19:00-07:00'"
    )]
    Forecast(Forecast),
    /// Copy batches, go on with them, repair them
    #[command(after_help = "Example: poolward copy 2019.1")]
    Copy(Copy),
    /// Read the destination back from disk and compare
    #[command(after_help = "Example: poolward verify --all")]
    Verify(Verify),
    /// Carry the schedule out until it is done: copy, read back, scan again, wait
    #[command(after_help = "Example: poolward run")]
    Run,
    /// Pause batches and let them go on
    #[command(after_help = "Example: poolward hold --everything --until 07:00")]
    Hold(Hold),
    /// Where the move stands and when it will be done
    #[command(
        after_help = "Examples: poolward status --left-behind\n          poolward status --serve 127.0.0.1:8137"
    )]
    Status(Status),
    /// Check whether the source of a batch may be deleted, and write the sheet
    #[command(after_help = "Example: poolward release 2019.1 --accept excluded-thumbnails")]
    Release(Release),
    /// Write the page, the calendar, the tables and the manifests
    #[command(after_help = "Example: poolward report")]
    Report,
    /// Take over files that were copied by other means
    #[command(after_help = "Example: poolward adopt 2018.1 --at /mnt/pool/archive/2018")]
    Adopt(Adopt),
    /// Write what another machine needs to copy, read back or hash a batch: one sealed file each
    ///
    /// The old box or the pool's own host works it with `poolward carry`, its own disks read without
    /// the network between. A batch that is out for copy or verify is left alone here until `absorb`
    /// enters the receipt or `hold BATCH --off` takes the waybill back. A waybill holds the key that
    /// seals its receipt: hand it on as you would the data.
    #[command(after_help = "Example: poolward waybill --all --task copy --out /mnt/shared/waybills")]
    Waybill(Waybill),
    /// Do the work of a waybill on the machine that has the disks, and write the receipt
    #[command(
        after_help = "Example: poolward carry 2019.1.copy.waybill --source /export/archive --destination /mnt/pool/archive"
    )]
    Carry(Carry),
    /// Check the receipts of other machines and enter them
    ///
    /// A receipt is refused whole where its seal does not fit, its waybill is not the one that is out,
    /// or it does not answer for every listed file and no other. Every file is looked at through this
    /// machine's own mount before it counts. Several receipts are taken each for itself.
    #[command(after_help = "Example: poolward absorb waybills/2019.1.copy.receipt")]
    Absorb(Absorb),
    /// Months later: read what was released again, against the ledger or a proof file alone
    #[command(
        after_help = "Examples: poolward fixity --percent 5\n          poolward fixity --proof 2019.1.json /mnt/pool/archive/2019"
    )]
    Fixity(Fixity),
    /// Build a small invented archive and take it through the whole move
    #[command(after_help = "Example: poolward demo")]
    Demo(Demo),
}

/// Options of `begin`.
#[derive(Debug, Args)]
pub struct Begin {
    /// The new move folder
    #[arg(default_value = ".")]
    pub dir: PathBuf,
    /// A folder to move from; may be given several times
    #[arg(long, required_unless_present = "recover", num_args = 1.., value_name = "PATH")]
    pub from: Vec<PathBuf>,
    /// The folder to move to; it may not exist yet if its parent does
    #[arg(long, required_unless_present = "recover", value_name = "PATH")]
    pub to: Option<PathBuf>,
    /// Speed of the link between the ends
    #[arg(long, value_name = "SPEED")]
    pub link: Option<String>,
    /// Accept a destination on the disk the system runs from
    #[arg(long)]
    pub allow_root_disk: bool,
    /// Take back the copy of the ledger kept at the destination; with --to, the settings too
    #[arg(long)]
    pub recover: bool,
}

/// Options of `scan`.
#[derive(Debug, Args)]
pub struct Scan {
    /// Scan only these projects again; the rest is taken from the last index
    #[arg(value_name = "PROJECT")]
    pub projects: Vec<String>,
    /// One entry at a time, for spinning disks
    #[arg(long)]
    pub gentle: bool,
    /// Threads; by default by the kind of the mount
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub threads: Option<u16>,
}

/// Options of `survey`.
#[derive(Debug, Args)]
pub struct Survey {
    /// Read files of equal size and say which have identical content; a stopped run goes on
    ///
    /// Copying leaves no twin out: every file is read and copied. Hashes found here are kept; copy
    /// compares them with its own reading, and a third read decides where the two differ, adopt
    /// takes them instead of reading the source. Files a scan sees changed are read again.
    #[arg(long)]
    pub twins: bool,
    /// Print only the questions, as lines to paste into move.toml
    #[arg(long)]
    pub questions: bool,
    /// Print every hazard with its examples
    #[arg(long)]
    pub hazards: bool,
}

/// Options of `pool`.
#[derive(Debug, Args)]
pub struct Pool {
    /// Disks at hand
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    pub disks: Option<u32>,
    /// Size of one disk, or of several: 8 x 14 TB, 4 x 12 TB
    #[arg(long, value_name = "S", allow_hyphen_values = true)]
    pub disk_size: Option<String>,
    /// A layout: vdevs x width level, spares behind a plus
    #[arg(long, value_name = "L", allow_hyphen_values = true)]
    pub layout: Option<String>,
    /// Sector size as a power of two
    #[arg(long, value_name = "A")]
    pub ashift: Option<u8>,
}

/// Options of `plan`.
#[derive(Debug, Args)]
pub struct Plan {
    /// Write a plan that differs although something has begun. A project or folder that got another
    /// name at the source gets it at the destination too, by a rename, 0 bytes sent: where inode
    /// numbers tell it is the same one, its dataset stays, and all in it is as it was placed. A file
    /// that got another name or another folder there follows in the same way, within its batch; one
    /// that was edited, has several names, or is in doubt comes as a later file. `scan` and `plan` tell
    /// what would be renamed; `copy`, `verify` and `release` go on with a rename that was cut short
    #[arg(long)]
    pub accept: bool,
    /// Explain where one project went
    #[arg(long, value_name = "PROJECT")]
    pub why: Option<String>,
    /// Write a tag for one project into move.toml, then plan
    #[arg(long, num_args = 2, value_names = ["PROJECT", "KEY=VALUE"])]
    pub set: Option<Vec<String>>,
    /// Print the commands that create the datasets
    #[arg(long)]
    pub datasets: bool,
    /// Print one batch's files, each ended by a NUL
    #[arg(long, value_name = "BATCH")]
    pub files: Option<String>,
}

/// Options of `forecast`.
#[derive(Debug, Args)]
pub struct Forecast {
    /// Another link speed; may be given several times
    #[arg(long, value_name = "SPEED")]
    pub link: Vec<String>,
    /// Other hours, like 'mon-fri 19:00-07:00; sat,sun 00:00-24:00' or 'always'
    #[arg(long, value_name = "SPEC")]
    pub windows: Vec<String>,
    /// Another place to run: pool, source or between
    #[arg(long, value_name = "WHERE")]
    pub runs_on: Vec<String>,
}

/// Options of `copy`.
#[derive(Debug, Args)]
pub struct Copy {
    /// Batches; by default the next one that waits
    pub batches: Vec<String>,
    /// All batches that are not copied yet, and those with files that failed or differ
    #[arg(long)]
    pub all: bool,
    /// Only while a window of move.toml is open, at its rate limit; waits for the next
    #[arg(long)]
    pub in_windows: bool,
}

/// Options of `verify`.
#[derive(Debug, Default, Args)]
pub struct Verify {
    /// Batches; by default what is copied and not yet verified
    pub batches: Vec<String>,
    /// All batches that are copied
    #[arg(long)]
    pub all: bool,
    /// Read again what was verified before
    #[arg(long)]
    pub again: bool,
    /// Also take the SHA-256 of every file in the same read, for a second manifest
    #[arg(long)]
    pub sha256: bool,
    /// Then read the source once more, past its cache, and hold it against what was copied
    #[arg(long)]
    pub twice_at_source: bool,
    /// Read only so many files, drawn by lot; nothing becomes verified by that
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..),
          conflicts_with_all = ["again", "sha256", "twice_at_source", "confidence"])]
    pub sample: Option<u64>,
    /// Draw as many files as it takes to be this sure, like 99%, of less than --rate
    #[arg(long, value_name = "P", requires = "rate", conflicts_with_all = ["again", "sha256", "twice_at_source"])]
    pub confidence: Option<String>,
    /// The share of bad files to be ruled out, like 0.1%
    #[arg(long, value_name = "R", requires = "confidence")]
    pub rate: Option<String>,
    /// Draw the files that an earlier sample with this number drew
    #[arg(long, value_name = "NUMBER")]
    pub seed: Option<u64>,
}

/// Options of `hold`.
#[derive(Debug, Args)]
pub struct Hold {
    /// Batches
    pub batches: Vec<String>,
    /// Everything
    #[arg(long)]
    pub everything: bool,
    /// Until a time, like "2027-02-03 07:00" or 07:00, in the zone of move.toml, or
    /// 2027-02-03T07:00:00+01:00
    #[arg(long, value_name = "TIME")]
    pub until: Option<String>,
    /// Let it go on; a batch named whose waybill is out is taken back, and its receipt refused
    #[arg(long)]
    pub off: bool,
}

/// Options of `status`.
#[derive(Debug, Default, Args)]
pub struct Status {
    /// Show it again every few seconds until Ctrl-C; once where there is no terminal
    #[arg(long)]
    pub watch: bool,
    /// List what was not moved, with its code
    #[arg(long)]
    pub left_behind: bool,
    /// What exists only on the old box, by year, and how it shrinks
    #[arg(long)]
    pub exposed: bool,
    /// The check list for switching over, and for letting the old box go
    #[arg(long)]
    pub cutover: bool,
    /// Say that the old share is frozen, or that its old name leads to the new tree
    #[arg(long, requires = "cutover", value_name = "WHAT", value_parser = ["frozen", "alias"])]
    pub confirm: Vec<String>,
    /// Serve the page of `report` to browsers until Ctrl-C, made anew from the ledger: at an address
    /// like `127.0.0.1:8137` or `[::1]:0`, or at a port of this machine alone; port 0 takes a free one.
    /// /status.json beside it is the object of `status --json`, /schedule.ics the calendar
    ///
    /// Nothing can be changed through it. There is no password and nothing is encrypted: whoever
    /// reaches the address reads the names of projects, so agreements with clients and local rules
    /// come first. A loopback address is reached from this machine, and from another through
    /// `ssh -L 8137:127.0.0.1:8137`. With --json the one object, printed at the start, says where it
    /// listens; with --quiet one line does
    #[arg(long, value_name = "ADDRESS", allow_hyphen_values = true,
          conflicts_with_all = ["watch", "left_behind", "exposed", "cutover"])]
    pub serve: Option<String>,
}

/// Options of `release`.
#[derive(Debug, Args)]
pub struct Release {
    /// Batches
    #[arg(required_unless_present = "restored")]
    pub batches: Vec<String>,
    /// Accept what was left behind under a code
    #[arg(long, value_name = "CODE")]
    pub accept: Vec<String>,
    /// Record a restore test: files brought back to this path
    #[arg(long, value_name = "PATH")]
    pub restored: Option<PathBuf>,
    /// Set the released source aside; after hold-days, remove it for good. The batch's name is
    /// asked for each time, from the terminal or as a line on standard input
    #[arg(long, conflicts_with = "undo")]
    pub remove: bool,
    /// Bring back what is set aside; where nothing is, take the sign-off back, so that the batch can
    /// be read back and mended while its source is there
    #[arg(long)]
    pub undo: bool,
}

/// Options of `adopt`.
#[derive(Debug, Args)]
pub struct Adopt {
    /// Batches
    #[arg(required = true)]
    pub batches: Vec<String>,
    /// The folder that holds the batch's projects, where it is not the planned one
    #[arg(long, value_name = "PATH")]
    pub at: Option<PathBuf>,
}

/// Options of `carry`.
#[derive(Debug, Args)]
pub struct Carry {
    /// The waybill; no move folder is needed on this machine
    pub waybill: PathBuf,
    /// Where the source lies on this machine; it is opened for reading only
    #[arg(long, value_name = "PATH")]
    pub source: Option<PathBuf>,
    /// Where the destination lies on this machine, as move.toml names it: its datasets lie below
    #[arg(long, value_name = "PATH")]
    pub destination: Option<PathBuf>,
    /// The receipt, or a folder for it; by default beside the waybill. A work folder is made beside
    /// it, on a disk of this machine; once the receipt is absorbed it can be removed
    #[arg(long, value_name = "PATH")]
    pub out: Option<PathBuf>,
}

/// Options of `waybill`.
#[derive(Debug, Args)]
pub struct Waybill {
    /// The batch; by default the next one that another machine could work on
    #[arg(conflicts_with = "all")]
    pub batch: Option<String>,
    /// Every batch that is not done, and a job-array script for a scheduler
    #[arg(long)]
    pub all: bool,
    /// What is to be done: copy, verify, hash-source; by default what the batch needs next
    #[arg(long, value_name = "TASK", value_delimiter = ',', value_parser = ["copy", "verify", "hash-source"])]
    pub task: Vec<String>,
    /// The folder to write to; by default waybills/ in the move folder
    #[arg(long, value_name = "PATH")]
    pub out: Option<PathBuf>,
}

/// Options of `absorb`.
#[derive(Debug, Args)]
pub struct Absorb {
    /// Receipts
    #[arg(required = true, value_name = "RECEIPT")]
    pub receipts: Vec<PathBuf>,
}

/// Options of `fixity`.
///
/// Every file is read from disk and compared in content, size and time. A file whose size and time
/// are as recorded and whose content is not has rotted; one with another time was changed. Nothing
/// is written at the destination.
#[derive(Debug, Args)]
pub struct Fixity {
    /// Datasets; by default all with something verified. With --proof, the folder in which its
    /// dataset lies now, where it is not the one the proof names
    #[arg(value_name = "DATASET")]
    pub datasets: Vec<PathBuf>,
    /// Read against a proof file alone, without ledger and move folder. How far a round is lies
    /// beside it in FILE.fixity until the round ends, or in the folder given by --folder. A proof
    /// names no ranges, and what it does not name cannot be told to be uninvited
    #[arg(long, value_name = "FILE")]
    pub proof: Option<PathBuf>,
    /// Read only this share of a round: 5 a night reads everything once in 20, bytes and files
    /// weighed, what was unread longest first. A run that was interrupted goes on with its share;
    /// without a share the round is read to its end
    #[arg(long, value_name = "P", allow_hyphen_values = true)]
    pub percent: Option<String>,
}

/// Options of `demo`.
#[derive(Debug, Args)]
pub struct Demo {
    /// Where to build it; by default a new folder among the temporary ones
    pub dir: Option<PathBuf>,
}
