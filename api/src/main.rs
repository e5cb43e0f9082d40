//! `tarebook`, the service.

fn main() -> std::process::ExitCode {
    api::cli::run()
}
