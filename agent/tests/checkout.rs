//! `lapwing checkout` as a person uses it: against the simulated module, with typed lines, a stop, and going on.

#![cfg(feature = "demo")]

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

const BINARY: &str = env!("CARGO_BIN_EXE_lapwing");

/// The simulated module as a process of its own.
struct Module {
    process: Child,
    plant: String,
    ups: String,
}

impl Module {
    fn start() -> Self {
        let mut process = Command::new(BINARY)
            .args(["simulate", "--json"])
            .stdout(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let mut line = String::new();
        let out = process.stdout.take().expect("piped");
        BufReader::new(out).read_line(&mut line).expect("its addresses");
        let said: serde_json::Value = serde_json::from_str(&line).expect("one JSON object");
        let at = |name: &str| said["addresses"]["links"][name].as_str().expect("an address").to_owned();
        Self { plant: at("plant"), ups: at("ups-a1"), process }
    }
}

impl Drop for Module {
    fn drop(&mut self) {
        let _gone = self.process.kill();
        let _ended = self.process.wait();
    }
}

struct Place(PathBuf);

impl Place {
    fn new(module: &Module) -> Self {
        let dir = std::env::temp_dir().join(format!("lapwing-checkout-{}", std::process::id()));
        let _none = std::fs::remove_dir_all(&dir);
        std::fs::create_dir_all(&dir).expect("a directory");
        let place = Self(dir);
        let text = MODULE.replace("PLANT", &module.plant).replace("UPS", &module.ups);
        std::fs::write(place.file("module.toml"), text).expect("written");
        std::fs::write(place.file("coil.toml"), COIL).expect("written");
        std::fs::write(place.file("ups.toml"), UPS).expect("written");
        place
    }

    fn file(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }

    /// Runs a checkout with typed lines; exit code and what it said.
    fn checkout(&self, arguments: &[&str], typed: &str) -> (i32, String) {
        let mut process = Command::new(BINARY)
            .arg("checkout")
            .arg("--config")
            .arg(self.file("module.toml"))
            .arg("--out")
            .arg(self.file("out"))
            .arg("--silent")
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        process.stdin.take().expect("piped").write_all(typed.as_bytes()).expect("it listens");
        let done = process.wait_with_output().expect("it ends");
        let said = String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr);
        (done.status.code().expect("it ended by itself"), said)
    }

    fn verdicts(&self) -> Vec<(String, String)> {
        let mut reader = csv::Reader::from_path(self.file("out/sign-off.csv")).expect("a sheet");
        let head = reader.headers().expect("a first line").clone();
        let column = |name: &str| head.iter().position(|h| h == name).expect("a column");
        let (path, verdict) = (column("point"), column("verdict"));
        reader.records().map(|row| row.expect("a row")).map(|row| (row[path].into(), row[verdict].into())).collect()
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let _gone = std::fs::remove_dir_all(&self.0);
    }
}

const MODULE: &str = r#"
[module]
site = "saltmarsh"
name = "m1"

[[link]]
name = "plant"
modbus_tcp = "PLANT"

[[link]]
name = "ups"
snmp = "UPS"

[[device]]
name = "coil"
link = "plant"
unit = 1
map = "coil.toml"

[[device]]
name = "card"
link = "ups"
map = "ups.toml"
"#;

/// The return temperature lacks its scale on purpose.
const COIL: &str = r#"
[[point]]
path = "supply/temperature"
quantity = "temperature"
unit = "Cel"
register = "holding:0"
as = "i16"
scale = 0.01
valid = [-20.0, 90.0]
tag = "TE-101"

[[point]]
path = "return/temperature"
quantity = "temperature"
unit = "Cel"
register = "holding:1"
as = "i16"
valid = [-20, 90]
"#;

const UPS: &str = r#"
[[point]]
path = "battery/charge"
quantity = "charge_level"
unit = "%"
oid = "1.3.6.1.2.1.33.1.2.4.0"
as = "i32"
"#;

fn pairs(list: &[(&str, &str)]) -> Vec<(String, String)> {
    list.iter().map(|(path, verdict)| ((*path).into(), (*verdict).into())).collect()
}

#[test]
fn a_checkout_is_begun_stopped_gone_on_with_and_signed() {
    let module = Module::start();
    let place = Place::new(&module);

    let (code, said) = place.checkout(&[], "= ab\nq\n");
    assert_eq!(code, 1, "not everything is decided: {said}");
    assert!(said.contains("Saltmarsh (invented), coil-plant, 1.0"), "it asks devices what they are: {said}");
    assert!(said.contains("holding 0, i16, × 0.01") && said.contains("TE-101"), "{said}");
    assert!(said.contains("`scale = 0.01`"), "a hint for the point without scale: {said}");
    let first =
        [("supply/temperature", "agrees"), ("return/temperature", "not decided"), ("battery/charge", "not decided")];
    assert_eq!(place.verdicts(), pairs(&first));

    let (code, said) = place.checkout(&[], "28 cd\n= cd\n");
    assert_eq!(code, 1, "one differs: {said}");
    assert!(said.contains("1 of 3 points were decided before"), "{said}");
    let second = [("supply/temperature", "agrees"), ("return/temperature", "differs"), ("battery/charge", "agrees")];
    assert_eq!(place.verdicts(), pairs(&second));

    // The map is mended: that point alone is asked again.
    let mended = COIL.replace("as = \"i16\"\nvalid = [-20, 90]", "as = \"i16\"\nscale = 0.01\nvalid = [-20.0, 90.0]");
    std::fs::write(place.file("coil.toml"), mended).expect("written");
    let answers = place.file("answers.csv");
    std::fs::write(&answers, "path,expected,initials\nreturn/temperature,=,ab\n").expect("written");
    let (code, said) = place.checkout(&["--answers", answers.to_str().expect("a path"), "--json"], "");
    assert_eq!(code, 0, "everything agrees: {said}");
    assert!(said.contains("\"verdict\":\"agrees\"") && said.contains("\"not_decided\":0"), "{said}");
    let page = std::fs::read_to_string(place.file("out/sign-off.html")).expect("a page");
    assert!(page.contains("3 points: 3 agree, 0 differ, 0 not decided") && page.contains("AB") && page.contains("CD"));
}

#[test]
fn what_cannot_be_tried_says_so() {
    let missing = |arguments: &[&str]| {
        let done = Command::new(BINARY).arg("checkout").args(arguments).output().expect("the program starts");
        assert_eq!(done.status.code(), Some(2), "{arguments:?}");
        String::from_utf8_lossy(&done.stderr).into_owned()
    };
    assert!(missing(&["--config", "/nowhere.toml"]).contains("/nowhere.toml"));
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/saltmarsh/module.toml");
    let demo = demo.to_str().expect("a path");
    assert!(missing(&["--config", demo, "--link", "nowhere"]).contains("there are: plant"));
}
