use super::*;
use crate::mass_unit::MassUnit;
use proptest::prelude::*;

const D: i64 = 1_000;

fn sample(t_ms: u64, grams: f64) -> Sample {
    Sample {
        t_ms,
        reading: ReadingMg::new(grams).unwrap(),
        unit: MassUnit::Gram,
        step_mg: D,
        stable: None,
        net: None,
    }
}

fn reader() -> StableReader {
    StableReader::new(StableRule::new(MassMg::from_scaled(D).unwrap()))
}

/// Signals of a run of readings in grams, one every 200 ms, each with the index of its sample.
fn run(reader: &mut StableReader, from_ms: u64, grams: &[f64]) -> Vec<(usize, Signal)> {
    let mut all = Vec::new();
    for (index, value) in grams.iter().enumerate() {
        let step = ScaleStep::Sample(sample(from_ms + 200 * index as u64, *value));
        all.extend(reader.step(step).into_iter().map(|signal| (index, signal)));
    }
    all
}

fn medians(signals: &[(usize, Signal)]) -> Vec<(usize, i64)> {
    let stable = |(index, signal): &(usize, Signal)| match signal {
        Signal::Stable(reading) => Some((*index, reading.median.scaled() / D)),
        _ => None,
    };
    signals.iter().filter_map(stable).collect()
}

fn hold(value: f64) -> [f64; 6] {
    [value; 6]
}

/// The worked example of the rule (check M29 of the project's table of weighing checks; a rule of this project, so
/// there is no outside source): the reading fires at index 10 with 248 g, and once.
#[test]
fn step_the_worked_example_fires_at_index_10_with_248() {
    let grams = [0., 0., 35., 180., 260., 250., 247., 248., 248., 248., 247., 248., 248., 0., 0.];
    let signals = run(&mut reader(), 0, &grams);
    assert_eq!(medians(&signals), [(10, 248)]);
    let Some((_, Signal::Stable(reading))) = signals.iter().find(|(_, s)| matches!(s, Signal::Stable(_)))
    else {
        panic!("no reading")
    };
    assert_eq!((reading.n, reading.spread.scaled(), reading.from_ms, reading.to_ms), (5, D, 1200, 2000));
    assert_eq!(reading.tare, Tare::NotSeen);
    assert!(!reading.flagged_stable);
}

#[test]
fn step_a_fast_stream_waits_for_the_span_and_a_slow_one_for_the_number() {
    let mut fast = reader();
    let fired: Vec<u64> = (0..200)
        .map(|i| 10 * i)
        .filter(|t| {
            let step = ScaleStep::Sample(sample(*t, if *t < 100 { 0. } else { 412. }));
            fast.step(step).iter().any(|s| matches!(s, Signal::Stable(r) if r.n == 81))
        })
        .collect();
    assert_eq!(fired, [900]);
    let mut slow = reader();
    let fired: Vec<u64> = (0..12)
        .map(|i| 1000 * i)
        .filter(|t| {
            let step = ScaleStep::Sample(sample(*t, if *t < 1000 { 0. } else { 412. }));
            slow.step(step).iter().any(|s| matches!(s, Signal::Stable(r) if r.n == 5))
        })
        .collect();
    assert_eq!(fired, [5000]);
}

#[test]
fn step_the_same_item_twice_needs_zero_in_between() {
    let mut reader = reader();
    let signals = run(&mut reader, 0, &[&[0.][..], &hold(57.), &[30., 0.3], &hold(57.)].concat());
    assert_eq!(medians(&signals), [(5, 57), (13, 57)]);
    let signals = run(&mut reader, 10_000, &[&[30., 20.][..], &hold(57.)].concat());
    assert_eq!(medians(&signals), []);
}

#[test]
fn step_a_swap_without_an_empty_pan_is_a_change_and_no_new_reading() {
    let signals = run(&mut reader(), 0, &[&[0.][..], &hold(32.), &[50.], &hold(64.), &hold(64.)].concat());
    assert_eq!(medians(&signals).len(), 1);
    let changed: Vec<i64> = signals
        .iter()
        .filter_map(|(_, s)| if let Signal::Changed(r) = s { Some(r.median.scaled() / D) } else { None })
        .collect();
    assert_eq!(changed, [64]);
}

#[test]
fn step_a_press_of_tare_is_noticed_then_and_proved_when_the_vessel_goes() {
    let mut reader = reader();
    // A 150 g bowl, tare, 262 g put into it, all taken off.
    let grams =
        [&[0.][..], &hold(150.), &[0., 0.], &hold(262.), &[100., -80.], &hold(-150.), &[0., 0.]].concat();
    let signals = run(&mut reader, 0, &grams);
    assert_eq!(medians(&signals).iter().map(|(_, m)| *m).collect::<Vec<_>>(), [150, 262]);
    assert!(signals.iter().any(|(_, s)| *s == Signal::Ready { jumped: true }));
    let net = signals.iter().find_map(|(_, s)| match s {
        Signal::Stable(r) if r.median.scaled() == 262_000 => Some(r.tare),
        _ => None,
    });
    assert_eq!(net, Some(Tare::Possible));
    // The last load before was 262 g net in the bowl, so the -150 g is not that load's mirror image.
    assert!(signals.iter().any(|(_, s)| matches!(s, Signal::BelowZero { tared_load: None, .. })));
    assert!(reader.is_ready());
}

#[test]
fn step_a_tared_vessel_taken_off_is_named() {
    let grams = [&[0.][..], &hold(150.), &[0., 0., 0.], &[-80.], &hold(-150.)].concat();
    let signals = run(&mut reader(), 0, &grams);
    let tared = signals.iter().find_map(|(_, s)| match s {
        Signal::BelowZero { tared_load, .. } => *tared_load,
        _ => None,
    });
    assert_eq!(tared.map(ReadingMg::scaled), Some(150_000));
}

#[test]
fn step_below_zero_one_sample_on_the_way_through_zero_does_not_make_ready() {
    let mut reader = reader();
    run(&mut reader, 0, &[&[0.][..], &hold(-150.)].concat());
    assert!(!reader.is_ready());
    let signals = run(&mut reader, 5_000, &[&[-60., 0., 70.][..], &hold(112.)].concat());
    assert_eq!(medians(&signals), []);
    assert!(signals.iter().any(|(_, s)| matches!(s, Signal::Changed(_))));
    run(&mut reader, 9_000, &[0., 0.]);
    assert!(reader.is_ready());
}

#[test]
fn step_started_with_a_load_on_the_pan_is_said_and_not_taken() {
    let signals = run(&mut reader(), 0, &[&hold(412.)[..], &hold(412.)].concat());
    assert_eq!(signals.len(), 1);
    assert!(matches!(signals[0].1, Signal::StartedLoaded(r) if r.median.scaled() == 412_000));
}

#[test]
fn step_after_an_interruption_the_same_load_is_not_taken_twice() {
    let mut reader = reader();
    assert_eq!(medians(&run(&mut reader, 0, &[&[0.][..], &hold(412.)].concat())).len(), 1);
    reader.step(ScaleStep::Interrupted);
    assert_eq!(medians(&run(&mut reader, 60_000, &hold(412.))), []);
}

#[test]
fn step_an_empty_pan_beside_zero_is_said_once() {
    let signals = run(&mut reader(), 0, &[&[0.][..], &hold(57.), &[20.], &hold(2.), &hold(2.)].concat());
    let beside = signals.iter().filter(|(_, s)| matches!(s, Signal::NotAtZero(_))).count();
    assert_eq!(beside, 1);
}

#[test]
fn step_samples_two_steps_apart_never_settle_and_one_step_apart_do() {
    let alternating = |low: f64, high: f64| [&[0.][..], &[low, high].repeat(10)].concat();
    assert!(medians(&run(&mut reader(), 0, &alternating(410., 412.))).is_empty());
    assert_eq!(medians(&run(&mut reader(), 0, &alternating(411., 412.))), [(5, 411)]);
    // Two steps are no load yet; a little more is the least that is taken.
    assert!(medians(&run(&mut reader(), 0, &[&[0.][..], &hold(2.)].concat())).is_empty());
    assert_eq!(medians(&run(&mut reader(), 0, &[&[0.][..], &hold(3.)].concat())), [(5, 3)]);
}

#[test]
fn step_samples_marked_unstable_never_settle_and_a_long_wait_is_said() {
    let mut reader = reader();
    let mut signals = Vec::new();
    for index in 0..120 {
        let moving = Sample { stable: Some(false), ..sample(200 * index, 400. + (index % 4) as f64) };
        signals.extend(reader.step(ScaleStep::Sample(moving)));
    }
    assert!(
        matches!(signals[..], [Signal::Unsettled { for_ms: 15_000, spread }] if spread.scaled() == 3_000)
    );
}

#[test]
fn step_stable_flags_and_net_flags_are_kept_as_evidence() {
    let mut reader = reader();
    reader.step(ScaleStep::Sample(sample(0, 0.)));
    let mut last = Vec::new();
    for index in 1..6 {
        let flagged = Sample { stable: Some(true), net: Some(true), ..sample(200 * index, 412.) };
        last = reader.step(ScaleStep::Sample(flagged));
    }
    assert!(matches!(last[..], [Signal::Stable(r)] if r.flagged_stable && r.tare == Tare::Shown));
}

#[test]
fn step_a_change_of_unit_is_said_and_the_same_load_is_not_taken_again() {
    let mut reader = reader();
    run(&mut reader, 0, &[&[0.][..], &hold(412.)].concat());
    let mut signals = Vec::new();
    for (index, (unit, grams, step_mg)) in
        [(MassUnit::Ounce, 411.068, 2_835); 8].into_iter().chain([(MassUnit::Gram, 412., D); 8]).enumerate()
    {
        let shown = Sample { unit, step_mg, ..sample(2_000 + 200 * index as u64, grams) };
        signals.extend(reader.step(ScaleStep::Sample(shown)));
    }
    assert_eq!(
        signals,
        [
            Signal::UnitChanged { from: MassUnit::Gram, to: MassUnit::Ounce },
            Signal::UnitChanged { from: MassUnit::Ounce, to: MassUnit::Gram }
        ]
    );
}

#[test]
fn step_a_coarser_unit_is_judged_by_its_own_step() {
    let mut reader = reader();
    // 0.1 oz is 2.835 g: within two of those steps of zero nothing is a load.
    for index in 0..20 {
        let grams = if index == 0 { 0. } else { 5.67 };
        let shown = Sample { unit: MassUnit::Ounce, step_mg: 2_835, ..sample(200 * index, grams) };
        assert!(!reader.step(ScaleStep::Sample(shown)).iter().any(|s| matches!(s, Signal::Stable(_))));
    }
}

#[test]
fn step_time_running_backwards_starts_the_window_anew() {
    let mut reader = reader();
    run(&mut reader, 100_000, &[0., 412., 412., 412., 412.]);
    let signals = run(&mut reader, 0, &[412., 412., 412., 412., 412.]);
    assert_eq!(signals[0], (0, Signal::TimeWentBack));
    assert_eq!(medians(&signals), [(4, 412)]);
}

#[test]
fn step_overload_is_said_once_and_breaks_the_stretch() {
    let mut reader = reader();
    run(&mut reader, 0, &[0., 412., 412., 412., 412.]);
    let mut said = 0;
    for t_ms in [1_000, 1_200, 1_400] {
        said += reader.step(ScaleStep::Overload { t_ms }).len();
    }
    assert_eq!(said, 1);
    assert_eq!(medians(&run(&mut reader, 1_600, &hold(412.))), [(4, 412)]);
    assert_eq!(reader.step(ScaleStep::Underload { t_ms: 3_000 }), [Signal::Underload]);
    assert!(!reader.is_ready());
}

#[test]
fn step_each_line_of_a_print_key_scale_is_a_reading() {
    let mut reader = StableReader::new(StableRule::on_print(MassMg::from_scaled(D).unwrap()));
    assert_eq!(medians(&run(&mut reader, 0, &[412., 412., 0., 57.])), [(0, 412), (1, 412), (3, 57)]);
}

fn any_step() -> impl Strategy<Value = ScaleStep> {
    let reading = prop_oneof![
        4 => -4_000_i64..4_000,
        4 => prop::sample::select(vec![0_i64, 150_000, 150_400, 412_000, -150_000]),
        1 => ReadingMg::MIN..=ReadingMg::MAX,
    ];
    let time = prop_oneof![8 => 0_u64..30_000, 1 => any::<u64>()];
    let sample = (time, reading, any::<bool>(), 0_i64..3_000, any::<Option<bool>>(), any::<Option<bool>>())
        .prop_map(|(t_ms, mg, ounce, step_mg, stable, net)| {
            let unit = if ounce { MassUnit::Ounce } else { MassUnit::Gram };
            let reading = ReadingMg::from_scaled(mg).unwrap();
            ScaleStep::Sample(Sample { t_ms, reading, unit, step_mg, stable, net })
        });
    prop_oneof![
        20 => sample,
        1 => any::<u64>().prop_map(|t_ms| ScaleStep::Overload { t_ms }),
        1 => any::<u64>().prop_map(|t_ms| ScaleStep::Underload { t_ms }),
        1 => Just(ScaleStep::Interrupted),
    ]
}

proptest! {
    #[test]
    fn step_any_stream_takes_no_second_reading_before_zero(
        mut steps in prop::collection::vec(any_step(), 0..300), in_order: bool
    ) {
        if in_order {
            for (index, step) in steps.iter_mut().enumerate() {
                if let ScaleStep::Sample(sample) = step {
                    sample.t_ms = 200 * index as u64;
                }
            }
        }
        let mut reader = reader();
        let mut ready = false;
        for step in steps {
            for signal in reader.step(step) {
                match signal {
                    Signal::Ready { .. } => ready = true,
                    Signal::Stable(reading) => {
                        prop_assert!(ready);
                        prop_assert!(reading.spread.scaled() <= reading.step_mg && reading.n >= 5);
                        prop_assert!(reading.to_ms - reading.from_ms >= 800);
                        ready = false;
                    }
                    _ => {}
                }
            }
            prop_assert!(reader.window.len() <= MAX_KEPT);
        }
    }

    #[test]
    fn step_any_settled_load_is_taken_once_with_its_median(
        loads in prop::collection::vec(3_i64..900, 1..12), per_s in 3_u64..80
    ) {
        let mut reader = reader();
        let (mut t_ms, mut taken) = (0, Vec::new());
        for load in &loads {
            for (grams, seconds) in [(0, 1), (*load / 2, 0), (*load, 2), (*load / 3, 0)] {
                for _ in 0..=per_s * seconds {
                    t_ms += 1000 / per_s;
                    for signal in reader.step(ScaleStep::Sample(sample(t_ms, grams as f64))) {
                        if let Signal::Stable(reading) = signal {
                            taken.push(reading.median.scaled() / D);
                        }
                    }
                }
            }
        }
        prop_assert_eq!(taken, loads);
    }
}
