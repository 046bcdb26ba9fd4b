//! The promises of the schedule, in virtual time over random sets of records.

use std::vec;
use std::vec::Vec;

use proptest::prelude::*;

use super::*;

/// Nanoseconds.
const MS: u64 = 1_000_000;

/// A record: its mean cost and its wanted period in nanoseconds; no period: as fast as possible.
type Task = (u64, Option<u64>);

/// What happened.
struct Run {
    /// By record.
    starts: Vec<Vec<u64>>,
    /// Longest time past a deadline, with the costs that were met.
    latest: u64,
    /// Largest factor.
    stretch: f64,
    /// Largest cost met.
    dearest: u64,
    idle: u64,
    length: u64,
}

impl Run {
    /// Longest time between two starts, before the first and after the last included.
    fn worst_gap(&self, task: usize) -> u64 {
        let inner = self.starts[task].windows(2).map(|pair| pair[1] - pair[0]).max().unwrap_or(self.length);
        let last = self.starts[task].last().map_or(self.length, |last| self.length - last);
        inner.max(last)
    }

    /// Starts per period wanted.
    fn met(&self, tasks: &[Task], task: usize) -> f64 {
        let starts = &self.starts[task];
        let span = (starts[starts.len() - 1] - starts[0]) as f64;
        (starts.len() - 1) as f64 * tasks[task].1.unwrap() as f64 / span
    }
}

fn wanted(tasks: &[Task]) -> Vec<Wanted> {
    let wanted = |(place, (cost, period)): (usize, &Task)| Wanted {
        record: RecordId(place as u16),
        period: period.map(Duration::from_nanos),
        fastest: period.is_none(),
        cost: Duration::from_nanos(*cost),
    };
    tasks.iter().enumerate().map(wanted).collect()
}

/// Runs the tasks; `cost` gives each exchange's real cost from its number, task and mean, `None`: it was lost.
fn run(tasks: &[Task], length: u64, mut cost: impl FnMut(u64, usize, u64) -> (u64, bool)) -> Run {
    let mut schedule = Schedule::new();
    schedule.set(Instant::ORIGIN, &wanted(tasks));
    let mut run = Run { starts: vec![Vec::new(); tasks.len()], latest: 0, stretch: 1.0, dearest: 0, idle: 0, length };
    let (mut now, mut number) = (0, 0);
    while now < length {
        let at = Instant::from_nanos(now);
        run.stretch = run.stretch.max(schedule.factor());
        match schedule.pick(at) {
            Pick::Run(job @ Job::Record(record)) => {
                let task = usize::from(record.0);
                let (took, good) = cost(number, task, tasks[task].0);
                number += 1;
                run.starts[task].push(now);
                now += took;
                let end = Instant::from_nanos(now);
                let entry = schedule.periodic.iter().find(|entry| entry.record == record && entry.release <= at);
                let late = entry.map_or(Duration::ZERO, |entry| end.since(entry.deadline(schedule.stretch)));
                run.latest = run.latest.max(late.as_nanos() as u64);
                run.dearest = run.dearest.max(took);
                schedule.ran(job, at, end, good.then(|| Duration::from_nanos(took)));
            }
            Pick::Wait(until) => {
                assert!(until > at, "waits although something is released");
                run.idle += until.since(at).as_nanos() as u64;
                now = until.as_nanos();
            }
            other => panic!("{other:?}"),
        }
    }
    run
}

/// Costs within 5 % of the mean, the same in every run.
fn jitter(number: u64, task: usize, mean: u64) -> (u64, bool) {
    let mixed = (number.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ (task as u64).wrapping_mul(0xD1B5_4A32_D192_ED03)) >> 33;
    (mean * 95 / 100 + mean * (mixed % 1000) / 10_000, true)
}

fn load(tasks: &[Task]) -> f64 {
    tasks.iter().filter_map(|(cost, period)| Some(*cost as f64 / (*period)? as f64)).sum()
}

/// 3 to 20 records, 1 to 20 per second, exchanges of 5 to 150 ms, loading the line by `load`.
fn sets(load_wanted: core::ops::Range<f64>) -> impl Strategy<Value = Vec<Task>> {
    let tasks = prop::collection::vec((5_u64..150, 50_u64..1000), 3..20);
    (tasks, load_wanted).prop_map(|(tasks, wanted)| {
        let tasks: Vec<Task> = tasks.into_iter().map(|(cost, period)| (cost * MS, Some(period * MS))).collect();
        let factor = wanted / load(&tasks);
        tasks.into_iter().map(|(cost, period)| (((cost as f64 * factor) as u64).max(1), period)).collect()
    })
}

const LENGTH: u64 = 60_000 * MS;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Promise 1, with costs 5 % around the mean: the load stays below 0.97.
    #[test]
    fn every_wanted_rate_is_met_when_the_line_carries_it(tasks in sets(0.2..0.92)) {
        let run = run(&tasks, LENGTH, jitter);
        prop_assert_eq!(run.stretch, 1.0);
        for (task, (_, period)) in tasks.iter().enumerate() {
            let least = (LENGTH - run.starts[task][0] - run.dearest) / period.unwrap();
            prop_assert!(run.starts[task].len() as u64 + 1 >= least, "task {}: {} of {}", task, run.starts[task].len(), least);
        }
    }

    /// Promise 2 in every load.
    #[test]
    fn no_gap_exceeds_two_stretched_periods_and_the_longest_exchange(tasks in sets(0.2..3.0)) {
        let run = run(&tasks, LENGTH, jitter);
        for (task, (_, period)) in tasks.iter().enumerate() {
            let bound = (2.0 * run.stretch * period.unwrap() as f64) as u64 + run.dearest + 1;
            prop_assert!(run.worst_gap(task) <= bound, "task {}: {} > {}", task, run.worst_gap(task), bound);
        }
    }

    /// Promise 2 with losses, as long as the line carries the time-outs, too: one of 50 ms each.
    #[test]
    fn a_lost_response_adds_one_time_out_to_the_gap(tasks in sets(0.2..0.8), every in 20_u64..100) {
        const TIMEOUT: u64 = 50 * MS;
        let lost: f64 = tasks.iter().map(|(_, period)| TIMEOUT as f64 / every as f64 / period.unwrap() as f64).sum();
        prop_assume!(load(&tasks) * 1.05 + lost <= FULL);
        let run = run(&tasks, LENGTH, |number, task, mean| {
            let (cost, _) = jitter(number, task, mean);
            if number % every == 0 { (cost + TIMEOUT, false) } else { (cost, true) }
        });
        for (task, (_, period)) in tasks.iter().enumerate() {
            let without = 2.0 * run.stretch * period.unwrap() as f64;
            // Exchanges that fit into the gap, and with them the losses.
            let shortest = tasks.iter().map(|(cost, _)| cost * 95 / 100).min().unwrap().max(1);
            let losses = (without as u64 / shortest) / every + 1;
            let bound = without as u64 + run.dearest + losses * TIMEOUT;
            prop_assert!(run.worst_gap(task) <= bound, "task {}: {} > {}", task, run.worst_gap(task), bound);
        }
    }

    /// Promise 3: the shares that records get of their wishes differ by a few samples only, and equal 1 / s.
    #[test]
    fn overload_slows_all_records_by_the_same_factor(tasks in sets(1.1..3.0)) {
        let run = run(&tasks, 4 * LENGTH, jitter);
        for task in 0..tasks.len() {
            let share = run.met(&tasks, task) * run.stretch;
            prop_assert!((0.93..=1.07).contains(&share), "task {}: {}", task, share);
        }
        prop_assert!(run.idle as f64 <= 0.035 * run.length as f64, "idle {}", run.idle);
    }

    /// Promise 4: what passes the exact test at its dearest is never late.
    #[test]
    fn a_guaranteed_set_is_never_late(tasks in sets(0.3..0.92)) {
        let dearest: Vec<(Duration, Duration)> = tasks
            .iter()
            .map(|(cost, period)| (Duration::from_nanos(cost * 105 / 100 + 1), Duration::from_nanos(period.unwrap())))
            .collect();
        prop_assume!(admit(&dearest, None) == Admission::Guaranteed);
        prop_assert_eq!(run(&tasks, LENGTH, jitter).latest, 0);
    }

    #[test]
    fn the_factor_grows_with_the_load(loads in prop::collection::vec(0.0_f64..5.0, 2..10)) {
        let mut loads = loads;
        loads.sort_by(f64::total_cmp);
        let factors: Vec<f64> = loads.iter().map(|load| stretch_of(*load)).collect();
        prop_assert!(factors.is_sorted(), "{:?}", factors);
    }

    /// "As fast as possible" shares what is left: nothing idles, and the periods hold.
    #[test]
    fn what_is_left_is_shared_round_by_round(tasks in sets(0.1..0.9), fast in prop::collection::vec(5_u64..100, 1..5)) {
        let mut tasks = tasks;
        let periodic = tasks.len();
        tasks.extend(fast.iter().map(|cost| (cost * MS, None)));
        let run = run(&tasks, LENGTH, jitter);
        prop_assert_eq!(run.idle, 0);
        for (task, (_, period)) in tasks.iter().enumerate().take(periodic) {
            prop_assert!(run.worst_gap(task) <= 2 * period.unwrap() + run.dearest, "task {}", task);
        }
        let rounds: Vec<usize> = run.starts.iter().skip(periodic).map(Vec::len).collect();
        prop_assert!(rounds.iter().max().unwrap() - rounds.iter().min().unwrap() <= 1, "{:?}", rounds);
    }

    /// In overload it still gets its two hundredths, and the gaps of the rest hold.
    #[test]
    fn as_fast_as_possible_does_not_starve_in_overload(tasks in sets(1.2..3.0)) {
        let mut tasks = tasks;
        let periodic = tasks.len();
        tasks.push((30 * MS, None));
        let run = run(&tasks, LENGTH, jitter);
        prop_assert!(run.starts[periodic].len() >= 20, "{}", run.starts[periodic].len());
        for (task, (_, period)) in tasks.iter().enumerate().take(periodic) {
            let bound = (2.0 * run.stretch * period.unwrap() as f64) as u64 + run.dearest + 1;
            prop_assert!(run.worst_gap(task) <= bound, "task {}: {} > {}", task, run.worst_gap(task), bound);
        }
    }
}

#[test]
fn a_long_record_among_short_ones_starves_nobody() {
    let tasks = [(5 * MS, Some(20 * MS)), (5 * MS, Some(25 * MS)), (200 * MS, Some(1000 * MS))];
    let run = run(&tasks, LENGTH, jitter);
    for (task, (_, period)) in tasks.iter().enumerate() {
        assert!(run.worst_gap(task) <= 2 * period.unwrap() + run.dearest, "{task}: {}", run.worst_gap(task));
    }
    assert!(run.starts[2].len() >= 59);
}

#[test]
fn costs_that_triple_stretch_all_periods_and_come_back() {
    let tasks = [(10 * MS, Some(50 * MS)), (20 * MS, Some(100 * MS)), (30 * MS, Some(200 * MS))];
    let step = |number: u64| if (200..600).contains(&number) { 3 } else { 1 };
    let run = run(&tasks, LENGTH, |number, task, mean| {
        let (cost, good) = jitter(number, task, mean);
        (cost * step(number), good)
    });
    assert!((1.6..1.8).contains(&run.stretch), "0.55 * 3 / 0.97 is 1.70, not {}", run.stretch);
    for (task, (_, period)) in tasks.iter().enumerate() {
        let bound = (2.0 * run.stretch * period.unwrap() as f64) as u64 + run.dearest;
        assert!(run.worst_gap(task) <= bound, "{task}");
        let last: Vec<u64> = run.starts[task].iter().copied().filter(|start| *start > LENGTH - 5_000 * MS).collect();
        assert!((last.len() as u64).abs_diff(5_000 * MS / period.unwrap()) <= 1, "{task}: {}", last.len());
    }
}

#[test]
fn after_a_hundred_losses_in_a_row_the_grid_goes_on() {
    let tasks = [(10 * MS, Some(50 * MS)), (10 * MS, Some(200 * MS))];
    let run = run(
        &tasks,
        LENGTH,
        |number, _, mean| if (100..200).contains(&number) { (150 * MS, false) } else { (mean, true) },
    );
    assert_eq!(run.stretch, 1.0, "a loss says nothing about what an exchange costs");
    // Losses take 100 * 150 ms; before and after, every start of the first is within one exchange of its grid.
    let first = run.starts[0][0] % (50 * MS);
    let quiet = run.starts[0].iter().filter(|start| !(3_900 * MS..19_500 * MS).contains(*start));
    for start in quiet {
        assert!((start % (50 * MS)).abs_diff(first) <= 10 * MS, "{start}");
    }
    assert!(run.starts[0].len() as u64 >= (LENGTH - 15_000 * MS) / (50 * MS) - 2);
}

#[test]
fn a_record_added_while_running_leaves_the_grid_of_the_others() {
    let tasks = [(10 * MS, Some(100 * MS)), (10 * MS, Some(70 * MS))];
    let mut schedule = Schedule::new();
    schedule.set(Instant::ORIGIN, &wanted(&tasks[..1]));
    let release = |schedule: &Schedule| schedule.periodic[0].release;
    schedule.ran(Job::Record(RecordId(0)), Instant::ORIGIN, Instant::from_nanos(10 * MS), None);
    let before = release(&schedule);
    schedule.set(Instant::from_nanos(30 * MS), &wanted(&tasks));
    assert_eq!(release(&schedule), before);
    assert_eq!(schedule.pick(Instant::from_nanos(45 * MS)), Pick::Run(Job::Record(RecordId(1))));
    schedule.set(Instant::from_nanos(60 * MS), &wanted(&tasks[..1]));
    assert_eq!(schedule.pick(Instant::from_nanos(60 * MS)), Pick::Wait(before));
}

#[test]
fn single_requests_go_between_the_polled_ones_and_starve_none() {
    let tasks = [(40 * MS, Some(50 * MS))];
    let mut schedule = Schedule::new();
    schedule.set(Instant::ORIGIN, &wanted(&tasks));
    let (mut now, mut polled, mut single, mut ticket) = (0, 0_u64, 0_u64, 0);
    while now < 10_000 * MS {
        let at = Instant::from_nanos(now);
        if schedule.one_shots.is_empty() {
            ticket += 1;
            schedule.add_one_shot(at, ticket);
        }
        match schedule.pick(at) {
            Pick::Run(job) => {
                now += 40 * MS;
                *(if matches!(job, Job::OneShot(_)) { &mut single } else { &mut polled }) += 1;
                schedule.ran(job, at, Instant::from_nanos(now), None);
            }
            other => panic!("{other:?}"),
        }
    }
    assert!(polled >= 100 && single >= 50, "{polled} {single}");
}
