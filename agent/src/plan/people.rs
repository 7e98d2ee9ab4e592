//! The part of the Plan that says by which way people act: who acknowledges, how commands over MQTT prove whose they are.
//!
//! Plain data; decides nothing.

/// Who acknowledges alarms.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Acknowledge {
    /// People, through this agent.
    #[default]
    Here,
    /// People, in the site's own system: alarms acknowledge themselves when they clear.
    Elsewhere,
    /// Both: what nobody acknowledged here does so itself when it clears.
    Both,
}

/// How commands over MQTT prove whose they are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Commands {
    /// None are taken.
    #[default]
    Off,
    /// Signed with the person's key.
    Signed,
    /// By a topic that only the owner of a client certificate may publish to.
    Topic,
}
