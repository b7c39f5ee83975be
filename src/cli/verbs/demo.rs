//! demo.
use crate::cli::Context;
use crate::cli::args::Demo;
use crate::cli::exit::Code;
use crate::trouble::Trouble;
pub(super) fn run(_args: &Demo, _context: &Context) -> Result<Code, Trouble> {
    Ok(Code::Done)
}
