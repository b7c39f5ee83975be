//! adopt.

use super::{copy, desk};
use crate::cli::Context;
use crate::cli::args::Adopt;
use crate::cli::exit::Code;
use crate::cli::progress::Meter;
use crate::ops::adopt::adopt;
use crate::trouble::Trouble;
use crate::units::Bytes;
use serde_json::json;

pub(super) fn run(args: &Adopt, context: &Context) -> Result<Code, Trouble> {
    use std::os::unix::ffi::OsStrExt;
    let mut desk = desk(context)?;
    let at = match &args.at {
        Some(path) => Some(std::path::absolute(path).map_err(|e| Trouble::usage("bad-path", e.to_string()))?),
        None => None,
    };
    let (mut done, mut clean) = (Vec::new(), true);
    for name in &args.batches {
        let meter = Meter::new(&context.out, &format!("hashing {name} at both ends"), Bytes::ZERO);
        let place = at.as_ref().map(|path| path.as_os_str().as_bytes());
        let adopted = adopt(&mut desk, name, place, &|p| {
            meter.at(p.bytes, p.files, "files", "")
        });
        meter.done();
        let adopted = adopted?;
        copy::tell(context, &adopted, "adopted", copy::ALL);
        clean &= adopted.failures.is_empty() && adopted.outcome.disagreed == 0;
        done.push(copy::object(&adopted));
    }
    context.out.object("adopt", json!({"batches": done}));
    Ok(Code::clean_if(clean))
}
