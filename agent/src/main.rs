//! The `lapwing` binary: hands the command line to the library and returns its exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    lapwing::cli::main()
}
