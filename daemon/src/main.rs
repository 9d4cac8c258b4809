//! The program `kvarden`: see `kvarden --help`.

fn main() -> std::process::ExitCode {
    kvarden::cli::main()
}
