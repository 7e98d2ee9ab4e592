//! The `lapwing` binary: hands the command line to the library and returns its exit code.

fn main() {}
