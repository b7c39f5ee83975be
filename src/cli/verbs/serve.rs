//! status --serve.

use super::desk;
use super::status::told;
use crate::cli::args::Status;
use crate::cli::exit::Code;
use crate::cli::out::{Out, whole};
use crate::cli::{Context, policy};
use crate::ops::batch;
use crate::ops::desk::{Desk, machine};
use crate::ops::serve::{Makers, serve};
use crate::serve::Listener;
use crate::trouble::Trouble;
use crate::web::{address, is_open, url};
use crate::world::SystemClock;
use serde_json::json;

/// Said wherever other machines reach the page.
const OPEN: &str = "Anyone who reaches this address can read the page with the names of projects and folders. There is no password, and nothing is encrypted on the way. Agreements with clients and local rules come first.";

/// For whoever looks while the folder is away.
const AWAY: &str =
    "On that machine, look whether the disk it lies on is mounted; the page then comes back by itself.";

pub(super) fn run(typed: &str, context: &Context) -> Result<Code, Trouble> {
    let wanted = address(typed)?;
    // What `status` would stop at stops here too, before anybody is told an address.
    let folder = {
        let desk = desk(context)?;
        batch::plan(&desk)?;
        desk.folder
    };
    let listener = Listener::open(wanted)?;
    tell(&listener, context);
    let silent = Context {
        out: Out::new(false, true),
        folder: Some(folder.clone()),
        clock: SystemClock::default(),
        stop: context.stop.clone(),
    };
    let makers = Makers {
        // This folder and no other: one above it may be a move folder too.
        desk: &|| {
            let settings = folder.join("move.toml");
            if !settings.exists() {
                let text = format!("the move folder {} is not there", folder.display());
                return Err(Trouble::stopped("no-move", text).mend(AWAY));
            }
            let settings = policy::read(&settings)?;
            Desk::open(&folder, settings, &silent.clock, &silent.stop)
        },
        status: &|desk| {
            let (object, _) = told(&Status::default(), &silent, desk, true)?;
            Ok(format!("{}\n", whole("status", object)))
        },
    };
    serve(&listener, &context.clock, &context.stop, &makers)?;
    // Ctrl-C is how one ends it; nothing is wrong then.
    Ok(Code::Done)
}

fn tell(listener: &Listener, context: &Context) {
    let at = listener.address();
    let (open, url) = (is_open(&at), url(&at, &machine()));
    if open {
        context.out.note(OPEN);
    }
    context.out.say(&format!(
        "The page of this move is at {url} until Ctrl-C; the work goes on without it too."
    ));
    if !open {
        let port = at.port();
        context.out.say(&format!(
            "Only this machine reaches it. From another: `ssh -L {port}:{at} {}`, then http://127.0.0.1:{port}/ there.",
            machine()
        ));
    }
    context.out.asked(&url);
    context.out.object(
        "status",
        json!({"listening": at.to_string(), "url": url, "open": open}),
    );
}
