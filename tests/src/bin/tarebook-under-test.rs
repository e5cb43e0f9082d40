//! The service's program, as `tarebook` is: a test that kills it needs it built beside itself.

fn main() -> std::process::ExitCode {
    api::cli::run()
}
