//! The program `kvarden`: see `kvarden --help`.

fn main() -> std::process::ExitCode {
    kvarden::tls::install_provider();
    kvarden::cli::main()
}
