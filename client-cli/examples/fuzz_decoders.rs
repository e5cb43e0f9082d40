//! Gives so many inputs (a million unless told) to every decoder of the scales and says how long and how much memory
//! it took.
#![expect(clippy::print_stdout, reason = "a tool for developers")]

#[path = "../tests/it/scale_fuzz.rs"]
mod scale_fuzz;

/// The most memory that was in use, in kB, where the kernel tells.
fn peak_kb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    line.split_ascii_whitespace().next()?.parse().ok()
}

fn main() {
    let count = std::env::args().nth(1).and_then(|count| count.parse().ok()).unwrap_or(1_000_000);
    let started = std::time::Instant::now();
    scale_fuzz::run(1_000);
    let early = peak_kb();
    scale_fuzz::run(count);
    println!("{count} inputs, no panic, {:.1} s", started.elapsed().as_secs_f64());
    if let (Some(early), Some(late)) = (early, peak_kb()) {
        println!("most memory in use: {early} kB after 1000 inputs, {late} kB at the end");
        assert!(late < early + 16 * 1024, "memory grows with the number of inputs");
    }
}
