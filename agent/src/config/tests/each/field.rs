//! Mistakes about the field: addresses, links, devices, names and paths.

use crate::plan::{Tls, Transport};

use super::{COIL, Copy, MODULE, UPS, added, changed, one};

#[test]
fn addresses() {
    changed(
        MODULE,
        "modbus_tcp = \"127.0.0.1:15020\"",
        "modbus_tcp = \"127.0.0.1\"",
        "\"127.0.0.1\"",
        "bad_address",
        "the port is missing",
        "\"127.0.0.1:502\"",
    );
    changed(
        MODULE,
        "modbus_tcp = \"127.0.0.1:15020\"",
        "modbus_tcp = \"127.0.0.1:150200\"",
        "\"127.0.0.1:150200\"",
        "bad_address",
        "1 to 65535",
        "",
    );
    changed(
        MODULE,
        "snmp = \"127.0.0.1:16101\"",
        "snmp = \"127.0.0.256:161\"",
        "\"127.0.0.256:161\"",
        "bad_address",
        "IPv4",
        "\"127.0.0.1:161\"",
    );
    changed(
        MODULE,
        "serial = \"/dev/ttyUSB0\"",
        "serial = \"COM3\"",
        "\"COM3\"",
        "bad_address",
        "device file",
        "\"/dev/ttyUSB0\"",
    );
    changed(
        MODULE,
        "broker = \"127.0.0.1:1883\"",
        "broker = \"tcp://127.0.0.1:1883\"",
        "\"tcp://127.0.0.1:1883\"",
        "bad_address",
        "is not an address",
        "\"127.0.0.1:1883\"",
    );
    changed(
        MODULE,
        "listen = \"127.0.0.1:8467\"",
        "listen = \"8467\"",
        "\"8467\"",
        "bad_address",
        "listen",
        "\"127.0.0.1:8467\"",
    );
    changed(MODULE, "baud = 19200", "baud = 19201", "19201", "not_one_of", "`19201`", "did you mean `19200`?");
    changed(
        MODULE,
        "baud = 19200",
        "baud = 19200\nparity = \"evan\"",
        "\"evan\"",
        "not_one_of",
        "`evan`",
        "did you mean `even`?",
    );
    changed(
        MODULE,
        "timeout_ms = 300",
        "baud = 9600",
        "baud = 9600",
        "key_has_no_meaning",
        "`baud` has no meaning for `a modbus_tcp link`",
        "it belongs to serial",
    );
    changed(
        MODULE,
        "timeout_ms = 300",
        "timeout_ms = 5",
        "5\n",
        "out_of_range",
        "5 is outside 10 to 60000",
        "from 10 to 60000",
    );
}

#[test]
fn tls() {
    const PLAIN: &str = "modbus_tcp = \"127.0.0.1:15020\"";
    changed(
        MODULE,
        PLAIN,
        "modbus_tls = \"127.0.0.1:802\"",
        "[[link]]\nname = \"plant\"",
        "missing_key",
        "`ca`",
        "field-ca.pem",
    );
    changed(
        MODULE,
        PLAIN,
        "modbus_tls = \"127.0.0.1:802\"\nca = \"ca.pem\"\nclient_certificate = \"me.pem\"",
        "\"me.pem\"",
        "missing_key",
        "`client_key`",
        "field.key",
    );
    changed(
        MODULE,
        PLAIN,
        "modbus_tcp = \"127.0.0.1:15020\"\nca = \"ca.pem\"",
        "ca = \"ca.pem\"",
        "key_has_no_meaning",
        "`ca` has no meaning for `a modbus_tcp link`",
        "it belongs to modbus_tls and redfish",
    );
    changed(
        MODULE,
        PLAIN,
        "modbus_tls = \"127.0.0.1:802\"\nca = \"ca.pem\"\nserver_name = \"gateway 1\"",
        "\"gateway 1\"",
        "bad_address",
        "neither a DNS name nor an IP address",
        "gateway-1.plant.example",
    );
    changed(
        MODULE,
        PLAIN,
        "modbus_tcp = \"127.0.0.1:15020\"\nserver_name = \"gateway-1\"",
        "server_name = \"gateway-1\"",
        "key_has_no_meaning",
        "`server_name` has no meaning for `a modbus_tcp link`",
        "it belongs to modbus_tls and redfish",
    );
    let text = "modbus_tls = \"plant.example:802\"\nca = \"ca.pem\"\nclient_certificate = \"me.pem\"\nclient_key = \"me.key\"\nserver_name = \"gateway-1\"";
    let plan = Copy::new().with(MODULE, PLAIN, text).load().expect("right").plan;
    let client = Some(("me.pem".into(), "me.key".into()));
    let tls = Tls { ca: "ca.pem".into(), server_name: Some("gateway-1".into()), client };
    assert_eq!(plan.links[0].transport, Transport::ModbusTls { host: "plant.example".into(), port: 802, tls });
}

#[test]
fn links_and_devices() {
    changed(
        MODULE,
        "modbus_tcp = \"127.0.0.1:15020\"\n",
        "",
        "[[link]]\nname = \"plant\"",
        "no_transport",
        "link `plant` names no connection",
        "modbus_tcp",
    );
    changed(
        MODULE,
        "baud = 19200",
        "snmp = \"127.0.0.1:161\"",
        "snmp = \"127.0.0.1:161\"",
        "two_transports",
        "`serial` and `snmp`",
        "another [[link]]",
    );
    changed(
        MODULE,
        "name = \"fan-2\"",
        "name = \"fan-1\"",
        "\"fan-1\"\nlink = \"fans\"\nunit = 12",
        "duplicate",
        "the device `fan-1` exists already",
        "name of its own",
    );
    changed(
        MODULE,
        "link = \"plant\"",
        "link = \"plat\"",
        "\"plat\"",
        "unknown_link",
        "no link is called `plat`",
        "did you mean `plant`?",
    );
    changed(
        MODULE,
        "unit = 12",
        "unit = 11",
        "11\nmap = \"maps/fan.toml\"\nprefix = \"fan/02\"",
        "same_unit",
        "devices `fan-1` and `fan-2` both answer as unit 11 on link `fans`",
        "unit it really has",
    );
    changed(MODULE, "unit = 12", "unit = 248", "248", "out_of_range", "248 is outside 1 to 247", "");
    changed(MODULE, "unit = 12", "unit = 300", "300\nmap", "out_of_range", "300 is outside 0 to 255", "");
    changed(
        MODULE,
        "map = \"maps/ups.toml\"",
        "map = \"maps/ups.toml\"\nunit = 3",
        "unit = 3",
        "key_has_no_meaning",
        "`unit` has no meaning for `an SNMP device`",
        "remove it",
    );
    added(
        "\n[[device]]\nname = \"ups-b1\"\nlink = \"ups-a1\"\nmap = \"maps/ups.toml\"\nprefix = \"ups/b1\"\n",
        "[[device]]\nname = \"ups-b1\"",
        "several_on_snmp",
        "two devices, `ups-a1` and `ups-b1`",
        "a [[link]] of its own",
    );
    added(
        "\n[[device]]\nname = \"x\"\nlink = \"plant\"\nunit = 2\nmap = \"maps/ups.toml\"\nprefix = \"x\"\n",
        "\"maps/ups.toml\"\nprefix = \"x\"",
        "wrong_source",
        "the map reads OIDs, but device `x` is on an Modbus link",
        "another link",
    );
}

#[test]
fn paths_and_names() {
    let again =
        "\n[[point]]\npath = \"coil/water/flow\"\nquantity = \"count\"\nregister = \"input:90\"\nas = \"u16\"\n";
    one(
        &Copy::new().and(COIL, again),
        COIL,
        "\"coil/water/flow\"\nquantity = \"count\"",
        "duplicate_path",
        "`coil/water/flow` exists already (in the same map)",
        "path of its own",
    );
    changed(
        MODULE,
        "path = \"coil/margin\"",
        "path = \"coil/water/flow\"",
        "\"coil/water/flow\"",
        "duplicate_path",
        "exists already (device `coil-plant`)",
        "path of its own",
    );
    changed(
        UPS,
        "path = \"battery/charge\"",
        "path = \"Battery/charge\"",
        "\"Battery/charge\"",
        "bad_name",
        "'B' at position 1",
        "lower-case",
    );
}

#[test]
fn one_path_of_two_devices() {
    let copy = Copy::new().with(MODULE, "prefix = \"fan/02\"", "prefix = \"fan/01\"").with(
        MODULE,
        "point = \"fan/02/state\"",
        "point = \"fan/01/state\"",
    );
    one(
        &copy,
        MODULE,
        "\"fan/01\"\n\n[[device]]\nname = \"ups",
        "duplicate_paths",
        "device `fan-2` brings 3 paths that exist already",
        "prefix",
    );
}

#[test]
fn reserved_and_refused_names() {
    changed(
        UPS,
        "path = \"battery/charge\"",
        "path = \"battery//charge\"",
        "\"battery//charge\"",
        "bad_name",
        "'/' at position 9",
        "",
    );
    changed(MODULE, "prefix = \"ups/a1\"", "prefix = \"ups/a#\"", "\"ups/a#\"", "bad_name", "position 6", "");
    changed(
        MODULE,
        "site = \"saltmarsh\"",
        "site = \"salt/marsh\"",
        "\"salt/marsh\"",
        "bad_name",
        "'/' at position 5",
        "topic segment",
    );
    changed(MODULE, "name = \"m1\"", "name = \"M1\"", "\"M1\"", "bad_name", "lower case: 'm'", "topic segment");
    changed(
        MODULE,
        "path = \"coil/margin\"",
        "path = \"agent/margin\"",
        "\"agent/margin\"",
        "reserved_path",
        "agent/",
        "another first segment",
    );
    changed(
        MODULE,
        "id = \"humidity-sensor\"",
        "id = \"fault/humidity\"",
        "\"fault/humidity\"",
        "reserved_alarm",
        "fault/",
        "another first segment",
    );
    changed(
        MODULE,
        "id = \"humidity-sensor\"",
        "id = \"humidity sensor\"",
        "\"humidity sensor\"",
        "bad_name",
        "position 9",
        "an alarm id",
    );
    let copy = Copy::new().with(MODULE, "prefix = \"ups/a1\"", "prefix = \"agent\"");
    let codes: Vec<(&str, String)> = copy.mistakes().into_iter().map(|mistake| (mistake.code, mistake.file)).collect();
    assert_eq!(codes, vec![("reserved_path", UPS.to_string()); 3]);
}

#[test]
fn identities() {
    let fan = |text: &str, needle: &str, code: &str, what: &str, mend: &str| {
        let new = format!("timeout_ms = 100\n{text}");
        changed(MODULE, "timeout_ms = 100", &new, needle, code, what, mend);
    };
    fan("expect = { \"holding:200\" = 1.5 }", "1.5", "wrong_type", "a whole number or a text", "");
    fan("expect = { \"holding\" = 7 }", "\"holding\" =", "bad_register", "colon", "");
    fan("expect = { \"coil:1\" = 1 }", "\"coil:1\"", "bad_register", "holding or input", "");
    fan("expect = { \"holding:200\" = 65536 }", "\"holding:200\"", "bad_register", "65536 never stands there", "");
    fan("expect = { \"holding:200-204\" = 1 }", "\"holding:200-204\"", "bad_register", "at most 4", "");
    fan("identity = [\"1.3.6.1\"]", "\"1.3.6.1\"", "key_has_no_meaning", "a Modbus device", "register");
    fan("identity_period = \"10ms\"", "\"10ms\"", "out_of_range", "10ms is outside 1s", "");
    fan(
        "forbid = [\"holding:200-210\"]\nexpect = { \"holding:201\" = 1 }",
        "\"holding:201\"",
        "reads_forbidden",
        "holding:201",
        "",
    );
    fan(
        "expect = { \"holding:200\" = 1 }\nidentity = [\"holding:200\"]",
        "\"holding:200\"]",
        "duplicate",
        "the feature `holding:200`",
        "",
    );
    changed(
        MODULE,
        "prefix = \"ups/a1\"",
        "prefix = \"ups/a1\"\nexpect = { \"holding:200\" = 1 }",
        "\"holding:200\"",
        "key_has_no_meaning",
        "an SNMP device",
        "OID",
    );
}

#[test]
fn listening() {
    changed(
        MODULE,
        "baud = 19200",
        "baud = 19200\nlisten = true\nlisten_first = \"1s\"",
        "\"1s\"",
        "key_has_no_meaning",
        "`listen_first`",
        "never speaks",
    );
    changed(
        MODULE,
        "timeout_ms = 300",
        "listen = true",
        "listen = true",
        "key_has_no_meaning",
        "`listen` has no meaning for `a modbus_tcp link`",
        "it belongs to serial",
    );
    changed(
        MODULE,
        "baud = 19200",
        "baud = 19200\nlisten_first = \"1h\"",
        "\"1h\"",
        "out_of_range",
        "1h is outside 0s to 10m",
        "",
    );
}
