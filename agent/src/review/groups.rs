//! Groups that explain each other in a circle: with one order in one group and the other in another, neither alarm is told
//! as the cause.
//!
//! Looks for strongly connected sets of alarms and steps over all groups (Tarjan's algorithm, without recursion). Groups
//! that the agent makes for its links are left out. Never panics.

use super::ground::Ground;
use super::{Finding, Kind, Severity, about};

pub(super) fn review(ground: &Ground<'_>, found: &mut Vec<Finding>) {
    let plan = ground.plan;
    let alarms = plan.alarms.len();
    // Nodes: alarms, then for each step of each group its entrance and its exit.
    let steps = usize::try_from(plan.groups.steps).unwrap_or(0);
    let mut edges: Vec<Vec<usize>> = vec![Vec::new(); alarms + 2 * steps];
    let entrance = |step: usize| alarms + 2 * step;
    let way_out = |step: usize| alarms + 2 * step + 1;
    let first_of = |group: u32| {
        let spec = usize::try_from(group).ok().and_then(|group| plan.groups.specs.get(group))?;
        Some((usize::try_from(spec.steps.first).ok()?, usize::try_from(spec.steps.count).ok()?))
    };
    for subject in &ground.alarms {
        let span = plan.groups.of_alarm.get(subject.index).copied().unwrap_or_default();
        for member in crate::plan::stretch(&plan.groups.members, span) {
            let Some((first, count)) = first_of(member.group) else { continue };
            let step = usize::try_from(member.step).unwrap_or(usize::MAX);
            if step >= count || first + step >= steps {
                continue;
            }
            edges[subject.index].push(way_out(first + step));
            edges[entrance(first + step)].push(subject.index);
        }
    }
    for group in 0..u32::try_from(plan.groups.specs.len()).unwrap_or(0) {
        let Some((first, count)) = first_of(group) else { continue };
        for step in (first + 1..first.saturating_add(count)).filter(|step| *step < steps) {
            edges[way_out(step - 1)].push(entrance(step));
            edges[entrance(step - 1)].push(entrance(step));
        }
    }
    for circle in circles(&edges) {
        let in_it: Vec<usize> = circle.into_iter().filter(|node| *node < alarms).collect();
        if in_it.len() < 2 {
            continue;
        }
        let names: Vec<&str> =
            in_it.iter().take(4).filter_map(|at| plan.alarms.get(*at)).map(|alarm| alarm.id.as_str()).collect();
        let mut groups: Vec<&str> = in_it
            .iter()
            .flat_map(|at| ground.groups_of(*at))
            .filter_map(|group| plan.groups.names.get(usize::try_from(group).ok()?))
            .map(String::as_str)
            .collect();
        groups.sort_unstable();
        groups.dedup();
        let more = in_it.len().saturating_sub(names.len());
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        let what = format!(
            "the groups {} explain {}{more} in a circle: which is the cause depends on what is read first",
            groups.join(", "),
            names.join(", ")
        );
        let name = groups.first().copied().unwrap_or_default();
        let mend = "give these alarms one order in all groups, or take one of them out of a chain";
        found.push(about("groups_in_circle", Severity::Moderate, Kind::Group, name, what, mend));
    }
}

/// Strongly connected sets of more than one node, each in ascending order.
fn circles(edges: &[Vec<usize>]) -> Vec<Vec<usize>> {
    const UNSEEN: usize = usize::MAX;
    let size = edges.len();
    let (mut index, mut low) = (vec![UNSEEN; size], vec![0; size]);
    let (mut on_stack, mut stack) = (vec![false; size], Vec::new());
    let (mut next, mut found) = (0, Vec::new());
    for root in 0..size {
        if index[root] != UNSEEN {
            continue;
        }
        // Each frame: a node and how many of its edges have been followed.
        let mut frames = vec![(root, 0)];
        while let Some((node, followed)) = frames.pop() {
            if followed == 0 {
                (index[node], low[node]) = (next, next);
                next += 1;
                stack.push(node);
                on_stack[node] = true;
            }
            if let Some(other) = edges[node].get(followed).copied() {
                frames.push((node, followed + 1));
                if index[other] == UNSEEN {
                    frames.push((other, 0));
                } else if on_stack[other] {
                    low[node] = low[node].min(index[other]);
                }
                continue;
            }
            if low[node] == index[node] {
                let from = stack.iter().rposition(|known| *known == node).unwrap_or(0);
                let mut set = stack.split_off(from);
                for member in &set {
                    on_stack[*member] = false;
                }
                if set.len() > 1 {
                    set.sort_unstable();
                    found.push(set);
                }
            }
            if let Some((above, _)) = frames.last().copied() {
                low[above] = low[above].min(low[node]);
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::circles;

    #[test]
    fn circles_are_found_and_chains_are_none() {
        assert!(circles(&[vec![1], vec![2], vec![]]).is_empty());
        assert_eq!(circles(&[vec![1], vec![2], vec![0], vec![0]]), [vec![0, 1, 2]]);
        assert_eq!(circles(&[vec![1], vec![0], vec![3], vec![2, 0]]), [vec![0, 1], vec![2, 3]]);
        assert!(circles(&[]).is_empty());
        let long: Vec<Vec<usize>> = (0..200_000).map(|at| if at == 199_999 { vec![0] } else { vec![at + 1] }).collect();
        assert_eq!(circles(&long).len(), 1, "a long circle needs no deep stack");
    }
}
