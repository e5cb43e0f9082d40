//! Speed of head forecasts from few tests, where a prior is integrated. `cargo bench -p domain --bench wear`.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use domain::waterproofness::Relation;
use domain::wear::{HEAD_LEVEL, HeadTest, Prior, UsePath, UsePoint, fit_wear};

const ROWS: [(f64, f64, f64); 4] =
    [(0.0, 0.0, 20_300.0), (40.0, 1.0, 18_500.0), (90.0, 3.0, 15_800.0), (150.0, 6.0, 14_000.0)];

fn tests(exact: usize, bounds: usize) -> Vec<HeadTest> {
    let mut tests: Vec<HeadTest> =
        ROWS[..exact].iter().map(|(t, w, head)| HeadTest::exact(*t, *w, *head)).collect();
    for k in 0..bounds {
        let (relation, head_mm) =
            if k == 0 { (Relation::AtLeast, 12_000.0) } else { (Relation::Below, 16_000.0) };
        let at = UsePoint { worn_h: 160.0 + 10.0 * k as f64, washes: 7.0 };
        tests.push(HeadTest { at, head_mm, relation });
    }
    tests
}

fn heads(c: &mut Criterion) {
    let prior = Prior::from_label(20_000.0).unwrap();
    let at = UsePoint { worn_h: 200.0, washes: 8.0 };
    let path = UsePath { from: at, washes_per_h: 0.04 };
    for (exact, bounds) in [(1, 0), (4, 0), (1, 1), (2, 2)] {
        let tests = tests(exact, bounds);
        c.bench_function(&format!("head on a day, {exact} exact tests and {bounds} bounds"), |b| {
            b.iter(|| fit_wear(black_box(&tests), Some(&prior)).unwrap().model.forecast(at, HEAD_LEVEL));
        });
        let fitted = fit_wear(&tests, Some(&prior)).unwrap();
        c.bench_function(&format!("hours left, {exact} exact tests and {bounds} bounds"), |b| {
            b.iter(|| fitted.model.life(black_box(&path), 8_000.0, 0.95));
        });
    }
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(10);
    targets = heads
}
criterion_main!(benches);
