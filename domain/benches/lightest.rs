//! How long the lightest set takes on the published-solver instances of 127 items, 23 rules and 5 pockets.

use criterion::{Criterion, criterion_group, criterion_main};
use domain::lightest::kit_like;
use domain::lightest::{Limits, solve};

fn bench(c: &mut Criterion) {
    let text = include_str!("../../fixtures/lightest/kit_instances.json");
    let Ok(instances) = serde_json::from_str::<Vec<kit_like::Instance>>(text) else { return };
    for name in ["kit-7-1", "kit-7-4", "kit-7-20"] {
        let Some(instance) = instances.iter().find(|i| i.name == name) else { continue };
        let problem = instance.problem();
        c.bench_function(&format!("lightest set, {name}"), |b| {
            b.iter(|| solve(&problem, &mut Limits::default()));
        });
    }
}

criterion_group!(benches, bench);
criterion_main!(benches);
