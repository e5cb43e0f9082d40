//! Speed of the computations that a page waits for. `cargo bench -p domain`.

use std::hint::black_box;

use chrono::{TimeDelta, TimeZone, Utc};
use criterion::{Criterion, criterion_group, criterion_main};
use domain::light::{Place, Track, dark_hours};
use domain::trends::{Series, bootstrap, change_points, mann_kendall, theil_sen};

/// A repeatable series with a slope and noise; `step` is the resolution of its values.
fn series(n: usize, step: f64) -> (Vec<f64>, Vec<f64>) {
    let mut state = 1u64;
    let mut uniform = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    (0..n)
        .map(|i| {
            let noise = uniform() + uniform() + uniform() - 1.5;
            let y = 400.0 + 3e-4 * i as f64 + 2.0 * noise;
            (i as f64, if step > 0.0 { (y / step).round() * step } else { y })
        })
        .unzip()
}

fn trends(c: &mut Criterion) {
    let (x, y) = series(10_000, 0.0);
    c.bench_function("theil_sen with interval, 10 000 points", |b| {
        b.iter(|| theil_sen(black_box(&x), black_box(&y), 0.95));
    });
    let (x, coarse) = series(10_000, 1.0);
    c.bench_function("theil_sen with interval, 10 000 points to the gram", |b| {
        b.iter(|| theil_sen(black_box(&x), black_box(&coarse), 0.95));
    });
    c.bench_function("mann_kendall, 10 000 points", |b| {
        b.iter(|| mann_kendall(&Series::new(black_box(&x), black_box(&y)).unwrap()));
    });
    c.bench_function("change_points, 1000 points", |b| {
        b.iter(|| change_points(&Series::new(black_box(&x[..1000]), black_box(&y[..1000])).unwrap(), 2.0));
    });
    c.bench_function("bootstrap of a mean, 20 points, 10 000 resamples", |b| {
        b.iter(|| bootstrap(black_box(&y[..20]), |v| v.iter().sum::<f64>() / 20.0, 0.95, 10_000, 1));
    });
}

fn light(c: &mut Criterion) {
    let start = Utc.with_ymd_and_hms(2025, 9, 14, 10, 0, 0).unwrap();
    let points: Vec<_> = (0..=20)
        .map(|i| {
            (start + TimeDelta::hours(5 * i), Place::new(45.0 + 0.01 * i as f64, 0.5 * i as f64).unwrap())
        })
        .collect();
    let track = Track::new(&points).unwrap();
    c.bench_function("dark_hours, 100 h, 21 places", |b| b.iter(|| dark_hours(black_box(&track))));
}

criterion_group!(benches, trends, light);
criterion_main!(benches);
