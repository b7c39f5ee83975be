//! The binary: parse, one call, exit code.

fn main() -> std::process::ExitCode {
    poolward::cli::main(std::env::args_os().collect())
}
