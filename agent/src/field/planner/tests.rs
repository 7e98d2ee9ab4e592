//! The planner against its rules: literal cases, then random devices against the invariants.

use super::*;
use proptest::prelude::*;

const SECOND: Duration = Duration::from_secs(1);

fn register(key: u32, address: u16, words: u8) -> Item {
    Item { key, table: Table::Holding, address, words, scale_factor: None, period: SECOND, group: None }
}

fn spans(blocks: &[Block]) -> Vec<(u16, u16)> {
    blocks.iter().map(|b| (b.start, b.count)).collect()
}

#[test]
fn adjacent_registers_are_one_read() {
    let items = [register(2, 2, 2), register(0, 0, 1), register(1, 1, 1)];
    let blocks = plan_reads(&items, &Limits::of(Line::Network)).expect("plannable");
    assert_eq!(spans(&blocks), [(0, 4)]);
    let slice = |offset, words| Slice { offset, words, scale_factor: None };
    assert_eq!(blocks[0].entries, [(0, slice(0, 1)), (1, slice(1, 1)), (2, slice(2, 2))]);
}

#[test]
fn gaps_are_bridged_up_to_their_cost() {
    let limits = Limits { max_gap: 3, ..Limits::of(Line::Network) };
    assert_eq!(spans(&plan_reads(&[register(0, 0, 1), register(1, 4, 1)], &limits).expect("plannable")), [(0, 5)]);
    assert_eq!(
        spans(&plan_reads(&[register(0, 0, 1), register(1, 5, 1)], &limits).expect("plannable")),
        [(0, 1), (5, 1)]
    );
}

#[test]
fn a_slower_line_bridges_fewer_registers() {
    let gaps: Vec<u16> = [9_600, 19_200, 38_400, 115_200].map(|baud| Line::Serial { baud }.worthwhile_gap()).to_vec();
    assert_eq!(gaps, [12, 14, 21, 32]);
}

#[test]
fn a_value_is_never_split_at_the_limit() {
    let items: Vec<Item> = (0u16..100).map(|n| register(u32::from(n), n * 2, 2)).collect();
    let limits = Limits { max_registers: 25, ..Limits::of(Line::Network) };
    let blocks = plan_reads(&items, &limits).expect("plannable");
    assert!(blocks.iter().all(|b| b.count == 24 || b.count == 8), "{:?}", spans(&blocks));
}

#[test]
fn forbidden_registers_part_a_block() {
    let forbid = vec![
        Forbidden { table: Table::Holding, first: 3, last: 3 },
        Forbidden { table: Table::Input, first: 0, last: 9 },
    ];
    let limits = Limits { forbid, ..Limits::of(Line::Network) };
    let blocks = plan_reads(&[register(0, 0, 3), register(1, 4, 1)], &limits).expect("plannable");
    assert_eq!(spans(&blocks), [(0, 3), (4, 1)]);
    assert_eq!(plan_reads(&[register(9, 2, 2)], &limits), Err(vec![Unplannable::Forbidden { key: 9, address: 3 }]));
}

#[test]
fn a_value_and_its_scale_factor_share_a_block() {
    let items = [Item { scale_factor: Some(60), ..register(0, 40, 1) }, register(1, 55, 1)];
    let limits = Limits { max_gap: 0, ..Limits::of(Line::Network) };
    let blocks = plan_reads(&items, &limits).expect("plannable");
    assert_eq!(spans(&blocks), [(40, 21)]);
    assert_eq!(blocks[0].entries[0].1, Slice { offset: 0, words: 1, scale_factor: Some(20) });
    let far = [Item { scale_factor: Some(400), ..register(3, 40, 1) }];
    assert_eq!(plan_reads(&far, &limits), Err(vec![Unplannable::TooWide { key: 3, needed: 361, allowed: 125 }]));
}

#[test]
fn periods_and_tables_stay_apart_and_groups_together() {
    let mut items = vec![register(0, 0, 1), Item { period: SECOND * 10, ..register(1, 1, 1) }];
    items.push(Item { table: Table::Input, ..register(2, 2, 1) });
    assert_eq!(plan_reads(&items, &Limits::of(Line::Network)).expect("plannable").len(), 3);
    let limits = Limits { max_gap: 0, ..Limits::of(Line::Network) };
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
    let mistakes = plan_reads(&items, &Limits::of(Line::Network)).expect_err("none can be read");
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
    (0u16..400, 1u8..=4, any::<bool>(), prop::option::of(0u16..40), 1u64..3, prop::option::weighted(0.1, 0u32..3))
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
        let limits = Limits { max_registers: most, max_bits: 2000, max_gap: gap, forbid: vec![Forbidden { table: Table::Holding, first: bad, last: bad }] };
        let Ok(blocks) = plan_reads(&items, &limits) else { return Ok(()) };
        let mut seen = vec![0; items.len()];
        for block in &blocks {
            let limit = if block.table == Table::Holding { most } else { 2000 };
            prop_assert!(block.count >= 1 && block.count <= limit);
            prop_assert!(block.table != Table::Holding || !(block.start..block.start + block.count).contains(&bad));
            for (key, slice) in &block.entries {
                let item = &items[*key as usize];
                seen[*key as usize] += 1;
                prop_assert_eq!((item.table, item.period), (block.table, block.period));
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
}
