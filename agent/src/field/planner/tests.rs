//! The planner against its rules: literal cases, then random devices against the invariants.

use super::*;
use proptest::prelude::*;

const SECOND: Duration = Duration::from_secs(1);

fn register(key: u32, address: u16, words: u8) -> Item {
    Item { key, table: Table::Holding, address, words, scale_factor: None, period: SECOND, group: None }
}

/// Where requests cost much and registers next to nothing.
const NETWORK: Cost = Cost { exchange_ns: 5_000_000, byte_ns: 800 };

fn network() -> Limits {
    Limits::of(NETWORK)
}

fn serial(baud: u32) -> Limits {
    Limits::of(Line::Serial { baud, bits: 11 }.cost(cost::TURNAROUND, Duration::ZERO))
}

fn spans(blocks: &[Block]) -> Vec<(u16, u16)> {
    blocks.iter().map(|b| (b.start, b.count)).collect()
}

#[test]
fn adjacent_registers_are_one_read() {
    let items = [register(2, 2, 2), register(0, 0, 1), register(1, 1, 1)];
    let blocks = plan_reads(&items, &network()).expect("plannable");
    assert_eq!(spans(&blocks), [(0, 4)]);
    let slice = |offset, words| Slice { offset, words, scale_factor: None };
    assert_eq!(blocks[0].entries, [(0, slice(0, 1)), (1, slice(1, 1)), (2, slice(2, 2))]);
}

#[test]
fn gaps_are_bridged_up_to_their_cost() {
    let limits = Limits { max_gap: 3, ..network() };
    assert_eq!(spans(&plan_reads(&[register(0, 0, 1), register(1, 4, 1)], &limits).expect("plannable")), [(0, 5)]);
    assert_eq!(
        spans(&plan_reads(&[register(0, 0, 1), register(1, 5, 1)], &limits).expect("plannable")),
        [(0, 1), (5, 1)]
    );
}

/// A gap is read through up to the time of another request: 13 characters, two silences and the turnaround, 5 ms.
#[test]
fn a_slower_line_bridges_fewer_registers() {
    let widest = |baud| {
        let bridged = |gap: &u16| {
            plan_reads(&[register(0, 0, 1), register(1, gap + 1, 1)], &serial(baud)).expect("plannable").len() == 1
        };
        (0..=MOST_GAP).rev().find(bridged).expect("touching registers are one read")
    };
    assert_eq!([4800, 9_600, 19_200, 38_400, 115_200].map(widest), [11, 12, 14, 21, MOST_GAP]);
}

#[test]
fn a_slower_point_rides_along_where_that_is_cheaper() {
    let slow = |key, address, s| Item { period: SECOND * s, ..register(key, address, 1) };
    let periods = |items: &[Item], limits: &Limits| -> Vec<(Duration, u16, u16)> {
        plan_reads(items, limits).expect("plannable").iter().map(|b| (b.period, b.start, b.count)).collect()
    };
    // Two characters each second against a request every ten: 1.15 ms a second against 1.8.
    assert_eq!(periods(&[register(0, 0, 5), slow(1, 5, 10)], &serial(19_200)), [(SECOND, 0, 6)]);
    // 26 registers more each second, 60 ms, against a request of 30 ms every five.
    assert_eq!(periods(&[register(0, 0, 5), slow(1, 30, 5)], &serial(9_600)).len(), 2);
    // Never more than ten times as often as asked.
    assert_eq!(periods(&[register(0, 0, 5), slow(1, 5, 11)], &network()), [(SECOND, 0, 5), (SECOND * 11, 5, 1)]);
    // A slow read does not take in fast points, and may lie around them.
    let around = [slow(0, 0, 60), register(1, 1, 1), slow(2, 2, 60)];
    assert_eq!(periods(&around, &serial(19_200)), [(SECOND, 1, 1), (SECOND * 60, 0, 3)]);
}

#[test]
fn a_value_is_never_split_at_the_limit() {
    let items: Vec<Item> = (0u16..100).map(|n| register(u32::from(n), n * 2, 2)).collect();
    let limits = Limits { max_registers: 25, ..network() };
    let blocks = plan_reads(&items, &limits).expect("plannable");
    assert!(blocks.iter().all(|b| b.count == 24 || b.count == 8), "{:?}", spans(&blocks));
    assert_eq!(blocks.len(), 9);
}

#[test]
fn forbidden_registers_part_a_block() {
    let forbid = vec![
        Forbidden { table: Table::Holding, first: 3, last: 3 },
        Forbidden { table: Table::Input, first: 0, last: 9 },
    ];
    let limits = Limits { forbid, ..network() };
    let blocks = plan_reads(&[register(0, 0, 3), register(1, 4, 1)], &limits).expect("plannable");
    assert_eq!(spans(&blocks), [(0, 3), (4, 1)]);
    assert_eq!(plan_reads(&[register(9, 2, 2)], &limits), Err(vec![Unplannable::Forbidden { key: 9, address: 3 }]));
}

#[test]
fn a_value_and_its_scale_factor_share_a_block() {
    let items = [Item { scale_factor: Some(60), ..register(0, 40, 1) }, register(1, 55, 1)];
    let limits = Limits { max_gap: 0, ..network() };
    let blocks = plan_reads(&items, &limits).expect("plannable");
    assert_eq!(spans(&blocks), [(40, 21)]);
    assert_eq!(blocks[0].entries[0].1, Slice { offset: 0, words: 1, scale_factor: Some(20) });
    let far = [Item { scale_factor: Some(400), ..register(3, 40, 1) }];
    assert_eq!(plan_reads(&far, &limits), Err(vec![Unplannable::TooWide { key: 3, needed: 361, allowed: 125 }]));
}

#[test]
fn tables_stay_apart_and_groups_together() {
    let items = [register(0, 0, 1), Item { table: Table::Input, ..register(1, 1, 1) }];
    assert_eq!(plan_reads(&items, &network()).expect("plannable").len(), 2);
    let limits = Limits { max_gap: 0, ..network() };
    let grouped = [Item { group: Some(1), ..register(0, 0, 1) }, Item { group: Some(1), ..register(1, 90, 1) }];
    assert_eq!(spans(&plan_reads(&grouped, &limits).expect("plannable")), [(0, 91)]);
    let mixed = [grouped[0].clone(), Item { period: SECOND * 2, ..grouped[1].clone() }];
    assert_eq!(plan_reads(&mixed, &limits), Err(vec![Unplannable::MixedGroup { key: 1 }]));
}

#[test]
fn impossible_items_are_all_told() {
    let items = [
        register(0, 0, 0),
        register(1, 0, 9),
        register(2, 65_535, 2),
        Item { table: Table::Coil, ..register(3, 0, 1) },
        Item { table: Table::Coil, words: 0, scale_factor: Some(1), ..register(4, 0, 0) },
    ];
    let mistakes = plan_reads(&items, &network()).expect_err("none can be read");
    assert_eq!(mistakes.iter().map(Unplannable::key).collect::<Vec<_>>(), [0, 1, 2, 3, 4]);
}

#[test]
fn phases_are_spread() {
    let mut phases: Vec<u128> = (0..20).map(|n| stagger(n, SECOND).as_millis()).collect();
    assert!(phases.iter().all(|&p| p < 1000));
    phases.sort_unstable();
    assert!(phases.windows(2).all(|w| w[1] - w[0] >= 20), "{phases:?}");
}

#[test]
fn variables_fill_gets_and_groups_stay_together() {
    let variable = |key: u32, group| Variable { key, oid: vec![1, 3, 6, key], period: SECOND, group };
    let mut variables: Vec<Variable> = (0..7).map(|n| variable(n, None)).collect();
    variables.extend((7..10).map(|n| variable(n, Some(1))));
    let gets = plan_gets(&variables, 4).expect("plannable");
    assert_eq!(gets.iter().map(|g| g.entries.len()).collect::<Vec<_>>(), [4, 3, 3]);
    assert_eq!(gets[2].entries.iter().map(|e| e.0).collect::<Vec<_>>(), [7, 8, 9]);
    assert!(matches!(
        plan_gets(&variables, 2).expect_err("group too large")[..],
        [Unplannable::TooWide { needed: 3, .. }]
    ));
}

fn any_item() -> impl Strategy<Value = Item> {
    (
        0u16..400,
        1u8..=4,
        any::<bool>(),
        prop::option::of(0u16..40),
        prop::sample::select(vec![1u64, 2, 10, 60]),
        prop::option::weighted(0.1, 0u32..3),
    )
        .prop_map(|(address, words, bit, near, period, group)| Item {
            key: 0,
            table: if bit { Table::Coil } else { Table::Holding },
            address,
            words: if bit { 0 } else { words },
            scale_factor: if bit { None } else { near.map(|n| address + n) },
            period: Duration::from_secs(period),
            group,
        })
}

proptest! {
    #[test]
    fn every_block_keeps_the_rules(mut items in prop::collection::vec(any_item(), 1..60), most in 8u16..=125, gap in 0u16..33, bad in 0u16..400) {
        for (n, item) in items.iter_mut().enumerate() { item.key = u32::try_from(n).expect("small"); }
        let limits = Limits { max_registers: most, max_bits: 2000, max_gap: gap, cost: NETWORK, forbid: vec![Forbidden { table: Table::Holding, first: bad, last: bad }], ..network() };
        let Ok(blocks) = plan_reads(&items, &limits) else { return Ok(()) };
        let mut seen = vec![0; items.len()];
        for block in &blocks {
            let limit = if block.table == Table::Holding { most } else { 2000 };
            prop_assert!(block.count >= 1 && block.count <= limit);
            prop_assert!(block.table != Table::Holding || !(block.start..block.start + block.count).contains(&bad));
            for (key, slice) in &block.entries {
                let item = &items[*key as usize];
                seen[*key as usize] += 1;
                prop_assert_eq!(item.table, block.table);
                prop_assert!(block.period <= item.period && block.period * RIDE_AT_MOST >= item.period);
                prop_assert_eq!(block.start + slice.offset, item.address);
                prop_assert!(slice.offset + u16::from(slice.words.max(1)) <= block.count);
                prop_assert_eq!(slice.scale_factor.map(|o| block.start + o), item.scale_factor);
                prop_assert!(slice.scale_factor.is_none_or(|o| o < block.count));
                if let Some(group) = item.group {
                    for other in items.iter().filter(|i| i.group == Some(group)) {
                        prop_assert!(block.entries.iter().any(|(k, _)| *k == other.key));
                    }
                }
            }
        }
        prop_assert!(seen.iter().all(|&n| n == 1));
    }

    /// Against every way to part a few items into blocks, and every period each block may have.
    #[test]
    fn no_plan_is_cheaper(
        bits in any::<bool>(),
        list in prop::collection::vec((0u16..60, 1u8..=4, prop::option::weighted(0.2, 0u16..30), 0usize..3), 1..7),
        periods in prop::sample::select(vec![[1u64, 1, 1], [1, 2, 5], [1, 10, 60], [1, 11, 13], [2, 3, 3]]),
        exchange_ns in prop::sample::select(vec![1u64, 40, 200, 2000]),
        (most, gap) in (24u16..=70, 0u16..33),
        bad in 0u16..70,
        few_ways in 1usize..4,
    ) {
        let (table, factor) = if bits { (Table::Coil, 4) } else { (Table::Holding, 1) };
        let items: Vec<Item> = (0u32..).zip(&list).map(|(key, (address, words, near, period))| Item {
            key,
            table,
            address: address * factor,
            words: if bits { 0 } else { *words },
            scale_factor: near.filter(|_| !bits).map(|near| address + near),
            period: Duration::from_secs(periods[*period]),
            group: None,
        }).collect();
        let limits = Limits {
            max_registers: most,
            max_bits: most * factor,
            max_gap: gap / factor,
            cost: Cost { exchange_ns, byte_ns: 10 },
            forbid: vec![Forbidden { table, first: bad, last: bad }],
            ..network()
        };
        let Ok(reads) = best_reads(&items, &limits) else { return Ok(()) };
        let cost = |blocks: &[Block]| -> f64 {
            blocks.iter().map(|b| rate(&limits, b.table, u32::from(b.count), b.period)).sum()
        };
        let (ours, best) = (cost(&reads.blocks), cheapest(&items, &limits, &mut Vec::new()));
        prop_assert!((ours - best).abs() <= best * 1e-9, "{ours} for {reads:?}, but {best} is possible");
        prop_assert_eq!(reads.above_least_ppm, 0);
        // Where too few ways are weighed, the bound beside the plan holds.
        let hasty = best_reads(&items, &Limits { most_ways: few_ways, ..limits.clone() }).expect("plannable");
        let theirs = cost(&hasty.blocks);
        let least = theirs * (1.0 - f64::from(hasty.above_least_ppm) * 1e-6);
        prop_assert!(least <= best * (1.0 + 1e-9), "{hasty:?} claims {least}, but {best} is possible");
    }
}

fn rate(limits: &Limits, table: Table, count: u32, period: Duration) -> f64 {
    limits.cost.read_ns(table, count) as f64 / period.as_secs_f64()
}

/// The cheapest of all partitions of the items; `parts` holds the blocks so far.
fn cheapest<'a>(items: &'a [Item], limits: &Limits, parts: &mut Vec<Vec<&'a Item>>) -> f64 {
    let Some((item, rest)) = items.split_first() else {
        return parts.iter().map(|part| alone(part, limits)).sum();
    };
    parts.push(vec![item]);
    let mut best = cheapest(rest, limits, parts);
    parts.pop();
    for at in 0..parts.len() {
        parts[at].push(item);
        best = best.min(cheapest(rest, limits, parts));
        parts[at].pop();
    }
    best
}

/// What one block of these items costs at best; infinite if it is none.
fn alone(part: &[&Item], limits: &Limits) -> f64 {
    let (fastest, slowest) = (part.iter().map(|i| i.period).min(), part.iter().map(|i| i.period).max());
    let (Some(fastest), Some(slowest)) = (fastest, slowest) else { return f64::INFINITY };
    let table = part[0].table;
    let mut reach: Vec<(u32, u32)> = part
        .iter()
        .map(|i| {
            let (first, end) = (u32::from(i.address), u32::from(i.address) + u32::from(i.words.max(1)) - 1);
            i.scale_factor.map_or((first, end), |factor| (first.min(factor.into()), end.max(factor.into())))
        })
        .collect();
    reach.sort_unstable();
    let (first, mut last) = (reach[0].0, reach[0].1);
    for (from, to) in &reach {
        let gap = from.saturating_sub(last + 1);
        if gap > limits.gap(table) || (gap > 0 && limits.forbidden_in(table, last + 1, from - 1).is_some()) {
            return f64::INFINITY;
        }
        last = last.max(*to);
    }
    if fastest * RIDE_AT_MOST < slowest || last - first >= u32::from(limits.most(table)) {
        return f64::INFINITY;
    }
    rate(limits, table, last + 1 - first, fastest)
}

/// Devices with several hundred points of mixed periods are planned at once and proved the best; where the periods of
/// neighbours are many and mixed at random, the plan says how far it is proved.
#[test]
fn large_plans_tell_how_far_they_are_proved() {
    let mut seed = 1_u64;
    let mut random = |below: u16| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((seed >> 33) % u64::from(below)) as u16
    };
    let mut device = |count: u32, periods: &[u32], spread| -> Vec<Item> {
        let mut address = 0;
        let mut next = |key| {
            let far = if random(10) == 0 { random(40) } else { 0 };
            address += 2 + random(spread) + far;
            let period = SECOND * periods[usize::from(random(periods.len() as u16))];
            Item { period, ..register(key, address, 1 + (key % 2) as u8) }
        };
        (0..count).map(&mut next).collect()
    };
    for limits in [network(), serial(19_200), serial(115_200)] {
        for (count, periods, above_ppm) in [(60, &[1, 2, 5][..], 0), (100, &[1, 10], 0), (200, &[1, 10, 60], 100)] {
            for spread in [1, 4, 12] {
                let reads = best_reads(&device(count, periods, spread), &limits).expect("plannable");
                assert!(reads.above_least_ppm <= above_ppm, "{count} points of {periods:?}, {spread} apart: {reads:?}");
            }
        }
        for spread in [1, 12] {
            let items = device(400, &[1, 2, 5, 10, 60], spread);
            let reads = best_reads(&items, &limits).expect("plannable");
            let hasty = best_reads(&items, &Limits { most_ways: 8, ..limits.clone() }).expect("plannable");
            let cost = |reads: &Reads| -> f64 {
                reads.blocks.iter().map(|b| rate(&limits, b.table, u32::from(b.count), b.period)).sum()
            };
            let least = |reads: &Reads| cost(reads) * (1.0 - f64::from(reads.above_least_ppm) * 1e-6);
            println!("400 points {spread} apart: {} ppm above the least", reads.above_least_ppm);
            assert!(cost(&reads) <= cost(&hasty) * (1.0 + 1e-9));
            assert!(least(&hasty) <= cost(&reads) * (1.0 + 1e-9), "a bound above a plan that exists");
            assert!(least(&reads) <= cost(&hasty) * (1.0 + 1e-9));
        }
    }
}
