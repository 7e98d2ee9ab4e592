//! The demo module's configuration, part of the program so that the demo runs anywhere.
//!
//! Paths are relative to the configuration's directory. Text only; nothing is parsed here.

/// Every file of `examples/saltmarsh`: path and text, the module file first.
pub const FILES: &[(&str, &str)] = &[
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
    ("translations/de.toml", include_str!("../../saltmarsh/translations/de.toml")),
];

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    /// A file that is added to the directory must be added here too.
    #[test]
    fn no_file_is_forgotten() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../saltmarsh");
        let mut found = vec!["module.toml".to_owned()];
        for folder in ["maps", "translations"] {
            for entry in std::fs::read_dir(root.join(folder)).expect("a directory of the demo") {
                found.push(format!("{folder}/{}", entry.expect("an entry").file_name().to_string_lossy()));
            }
        }
        found.sort();
        let mut listed: Vec<_> = FILES.iter().map(|(name, _)| (*name).to_owned()).collect();
        listed.sort();
        assert_eq!(listed, found);
    }
}
