//! The demo configuration's files, built into the binary so that the demo runs anywhere.
//!
//! Only text; knows nothing of what it says. Never panics.

/// Path relative to the configuration's directory, and text.
pub const FILES: [(&str, &str); 11] = [
    ("module.toml", include_str!("../../saltmarsh/module.toml")),
    ("maps/air-sensor.toml", include_str!("../../saltmarsh/maps/air-sensor.toml")),
    ("maps/coil-plant.toml", include_str!("../../saltmarsh/maps/coil-plant.toml")),
    ("maps/contacts.toml", include_str!("../../saltmarsh/maps/contacts.toml")),
    ("maps/fan.toml", include_str!("../../saltmarsh/maps/fan.toml")),
    ("maps/meter-integer.toml", include_str!("../../saltmarsh/maps/meter-integer.toml")),
    ("maps/meter-real.toml", include_str!("../../saltmarsh/maps/meter-real.toml")),
    ("maps/pdu.toml", include_str!("../../saltmarsh/maps/pdu.toml")),
    ("maps/rack-sensors.toml", include_str!("../../saltmarsh/maps/rack-sensors.toml")),
    ("maps/taps.toml", include_str!("../../saltmarsh/maps/taps.toml")),
    ("maps/ups.toml", include_str!("../../saltmarsh/maps/ups.toml")),
];
