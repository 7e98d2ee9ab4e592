//! Which points the drawing of the module shows, by role.
//!
//! Filled by `config` from `[overview]`: every index is a point of the plan. Decides nothing about values. Never panics.

use std::collections::BTreeMap;

/// `[overview]`, roles without a point left out.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Overview {
    roles: BTreeMap<&'static str, Vec<Drawn>>,
}

/// A point in a role.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Drawn {
    /// What `{name}` stands for in its path: the pump, fan, rack it belongs to; empty where the role has no such parts.
    pub part: String,
    /// Index of the point.
    pub point: u32,
}

impl Overview {
    /// Fills a role; no points leave it out.
    pub fn fill(&mut self, role: &'static str, drawn: Vec<Drawn>) {
        if !drawn.is_empty() {
            self.roles.insert(role, drawn);
        }
    }

    /// The points of a role, in order of their parts.
    #[must_use]
    pub fn role(&self, role: &str) -> &[Drawn] {
        self.roles.get(role).map_or(&[], Vec::as_slice)
    }

    /// Names of the parts that have a point in any of these roles, each once, in order.
    #[must_use]
    pub fn parts(&self, roles: &[&str]) -> Vec<&str> {
        let mut names: Vec<&str> =
            roles.iter().flat_map(|role| self.role(role)).map(|drawn| drawn.part.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        names
    }
}
