//! pool.
use crate::cli::Context;
use crate::cli::args::Pool;
use crate::cli::exit::Code;
use crate::trouble::Trouble;
pub(super) fn run(_args: &Pool, _context: &Context) -> Result<Code, Trouble> {
    Ok(Code::Done)
}
