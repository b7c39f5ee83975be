//! demo: a small invented archive, taken through the whole move.

use crate::cli::args::{self, Command, Demo};
use crate::cli::exit::Code;
use crate::cli::{Context, folder, out::Out};
use crate::ops::demo::{Places, build};
use crate::trouble::Trouble;
use crate::world::{Stop, SystemClock};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

#[expect(
    clippy::disallowed_methods,
    reason = "the demo lies where other short-lived things lie"
)]
pub(super) fn run(args: &Demo, context: &Context) -> Result<Code, Trouble> {
    let home = args
        .dir
        .clone()
        .unwrap_or_else(|| std::env::temp_dir().join(format!("poolward-demo-{}", std::process::id())));
    let say = |line: &str| context.out.say(line);
    say("An invented film workshop has filled two old boxes, `attic` and `shelf`: one flat folder of");
    say("projects each, with every sort of trouble. A new pool, `newpool`, waits. All of it is made up.");
    let places = build(&home)?;
    say(&format!(
        "Everything lies in {}; delete that folder when you have seen enough.",
        home.display()
    ));
    let inner = Context {
        out: Out::new(false, false),
        folder: Some(places.folder.clone()),
        clock: SystemClock::default(),
        stop: Stop::new(),
    };
    let step = |title: &str, command: Command| -> Result<Code, Trouble> {
        say(&format!("\n== {title}"));
        super::run(command, &inner)
    };
    step(
        "begin: a folder for the move; its move.toml says what goes where",
        begin(&places),
    )?;
    settle(&places)?;
    step(
        "scan: read both boxes once, without touching them",
        Command::Scan(args::Scan {
            projects: Vec::new(),
            gentle: false,
            threads: None,
        }),
    )?;
    step(
        "survey: what is there, and what will go wrong",
        Command::Survey(args::Survey {
            twins: false,
            questions: false,
            hazards: false,
        }),
    )?;
    step("plan: one dataset a year, batches, order, schedule", plan())?;
    step(
        "copy: batch by batch, durable, hashed on the way",
        Command::Copy(args::Copy {
            batches: vec![],
            all: true,
            in_windows: false,
        }),
    )?;
    step("verify: read everything back from the disks", verify(false))?;
    damage(&places, context, &step)?;
    step(
        "status",
        Command::Status(args::Status {
            left_behind: true,
            ..args::Status::default()
        }),
    )?;
    let batch = first_batch(&inner)?;
    step(
        "release: may the source of a batch be deleted? Not yet:",
        release(&batch, None, &[]),
    )?;
    let sample = places.folder.join("restored");
    restore_one(&places, &sample)?;
    step(
        "release: after a restore test",
        release(&batch, Some(sample), &[]),
    )?;
    step(
        "report: a page for the client, a calendar, tables, manifests",
        Command::Report,
    )?;
    say(&format!(
        "\nOpen {} in a browser.",
        places.folder.join("reports/report.html").display()
    ));
    Ok(Code::Done)
}

fn begin(places: &Places) -> Command {
    Command::Begin(args::Begin {
        dir: places.folder.clone(),
        from: places.sources.to_vec(),
        to: Some(places.pool.clone()),
        link: Some("10GbE".into()),
        allow_root_disk: true,
        recover: false,
    })
}

fn plan() -> Command {
    Command::Plan(args::Plan {
        accept: false,
        why: None,
        set: None,
        datasets: false,
        files: None,
    })
}

fn verify(again: bool) -> Command {
    Command::Verify(args::Verify {
        again,
        ..args::Verify::default()
    })
}

fn release(batch: &str, restored: Option<PathBuf>, accept: &[String]) -> Command {
    let batches = vec![batch.to_string()];
    Command::Release(args::Release {
        batches,
        accept: accept.to_vec(),
        restored,
        remove: false,
        undo: false,
    })
}

/// The settings of the demo: small batches, both boxes hold an Orchard, a second copy is declared.
fn settle(places: &Places) -> Result<(), Trouble> {
    let path = places.folder.join("move.toml");
    let fail =
        |e: std::io::Error| Trouble::stopped("demo-denied", format!("cannot change {}: {e}", path.display()));
    let mut text = std::fs::read_to_string(&path).map_err(fail)?;
    for (old, new) in [
        ("# batch-max = \"4 TB\"", "batch-max = \"30 MB\""),
        ("# batch-min = \"200 GB\"", "batch-min = \"5 MB\""),
        (
            "second-copy = \"\"",
            "second-copy = \"two disks in the lighthouse\"",
        ),
        ("# fill-limit = 80 ", "fill-limit = 100"),
    ] {
        text = text.replace(old, new);
    }
    // The second box gets a folder of its own inside each year.
    if let Some(at) = text.rfind("# under = \"oldbox\"") {
        text.replace_range(at..at + 18, "under = \"shelf\"");
    }
    std::fs::write(&path, text).map_err(fail)
}

/// One bit of one file at the destination is turned, with its times set back, as a failing disk
/// would do it; then it is turned back.
fn damage(
    places: &Places,
    context: &Context,
    step: &dyn Fn(&str, Command) -> Result<Code, Trouble>,
) -> Result<(), Trouble> {
    let victim = places.pool.join("2017/2017 Lantern Parade/A001/take 2.mov");
    let fail = |e: std::io::Error| {
        Trouble::stopped("demo-denied", format!("cannot change {}: {e}", victim.display()))
    };
    let before = std::fs::metadata(&victim)
        .and_then(|facts| facts.modified())
        .map_err(fail)?;
    let turn = || -> std::io::Result<()> {
        let mut file = std::fs::OpenOptions::new().read(true).write(true).open(&victim)?;
        let mut byte = [0u8; 1];
        file.seek(SeekFrom::Start(4_321_000))?;
        file.read_exact(&mut byte)?;
        file.seek(SeekFrom::Start(4_321_000))?;
        file.write_all(&[byte[0] ^ 1])?;
        file.set_modified(before)?;
        file.sync_all()
    };
    turn().map_err(fail)?;
    step(
        "What if a disk lies? One bit of one file is turned, its size and time unchanged",
        verify(true),
    )?;
    turn().map_err(fail)?;
    context.out.say("The bit is turned back.");
    step("verify again", verify(false))?;
    Ok(())
}

fn first_batch(context: &Context) -> Result<String, Trouble> {
    let desk = super::desk(context)?;
    let plan = crate::ops::batch::plan(&desk)?;
    let named = plan
        .batches
        .iter()
        .find(|batch| batch.name.as_str().starts_with("2016"));
    let name = named
        .or(plan.batches.first())
        .map(|batch| batch.name.as_str().to_string());
    folder::find(&desk.folder)?;
    name.ok_or_else(|| Trouble::defect("the demo planned nothing"))
}

/// Stands for a file brought back from the second copy.
#[expect(
    clippy::disallowed_methods,
    reason = "stands for a restore from a second copy, which is none of ours"
)]
fn restore_one(places: &Places, to: &Path) -> Result<(), Trouble> {
    let from = places.pool.join("2016/2016-03-14 Harbour Lights/sound/atmo.wav");
    let copied =
        std::fs::create_dir_all(to).and_then(|()| std::fs::copy(&from, to.join("atmo.wav")).map(|_| ()));
    copied.map_err(|e| Trouble::stopped("demo-denied", format!("cannot copy {}: {e}", from.display())))
}
