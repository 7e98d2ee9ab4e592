//! Mistakes about registers: syntax, extent, groups, scale factors, what may not be touched.

use super::{COIL, Copy, FAN, MODULE, UPS, changed, one};

#[test]
fn registers() {
    changed(
        COIL,
        "register = \"holding:0\"",
        "register = \"hold:0\"",
        "\"hold:0\"",
        "bad_register",
        "`hold:0` is no register",
        "\"holding:0\"",
    );
    changed(COIL, "register = \"holding:0\"", "register = \"40001\"", "\"40001\"", "bad_register", "`40001`", "");
    changed(
        COIL,
        "register = \"holding:0\"",
        "register = \"holding:65536\"",
        "\"holding:65536\"",
        "bad_register",
        "no address above 65535",
        "",
    );
    changed(
        COIL,
        "register = \"input:10\"",
        "register = \"input:65535\"",
        "\"input:65535\"",
        "beyond_table",
        "the value at input:65535 needs 2 registers",
        "",
    );
    changed(
        COIL,
        "scale_from = \"holding:6\"",
        "scale_from = \"holding:200\"",
        "\"holding:200\"",
        "scale_too_far",
        "too far from holding:3",
        "within 125 registers",
    );
    changed(
        COIL,
        "scale_from = \"holding:6\"",
        "scale_from = \"input:6\"",
        "\"input:6\"",
        "scale_other_table",
        "in the input table, the value in the holding table",
        "holding table",
    );
    changed(
        UPS,
        "oid = \"1.3.6.1.2.1.33.1.2.4.0\"",
        "oid = \"upsBattery.0\"",
        "\"upsBattery.0\"",
        "bad_oid",
        "`upsBattery.0` is no instance OID",
        "in digits",
    );
    changed(
        UPS,
        "oid = \"1.3.6.1.2.1.33.1.2.4.0\"\n",
        "",
        "[[point]]\npath = \"battery/charge\"",
        "no_source",
        "neither register nor OID",
        "register = ",
    );
    changed(
        UPS,
        "oid = \"1.3.6.1.2.1.33.1.2.4.0\"",
        "register = \"holding:9\"\nas = \"u16\"\noid = \"1.3.6.1.2.1.33.1.2.4.0\"",
        "oid = ",
        "two_sources",
        "more than one",
        "keep one",
    );
    changed(
        FAN,
        "register = \"discrete:0\"",
        "register = \"discrete:0\"\nas = \"u16\"",
        "as = \"u16\"",
        "not_a_bit",
        "`u16` cannot be read from a discrete table",
        "as = \"bit\"",
    );
    changed(
        FAN,
        "mask = 0x0004\n",
        "",
        "[[point]]\npath = \"mode\"",
        "bit_without_mask",
        "mask of exactly one bit",
        "mask = 0x0004",
    );
    changed(FAN, "mask = 0x0004", "mask = 0x10000", "0x10000", "mask_too_wide", "0x10000 does not fit 16 bits", "");
    changed(COIL, "as = \"f32\"", "as = \"f23\"", "\"f23\"", "not_one_of", "`f23`", "did you mean `f32`?");
    changed(
        COIL,
        "absent = [0x8000, -1]",
        "absent = [0x10000]",
        "0x10000",
        "absent_too_wide",
        "65536 does not fit 16 bits",
        "0x8000",
    );
    changed(
        COIL,
        "as = \"f32\"",
        "as = \"f32\"\nwords = 3",
        "3\nword_order",
        "bad_words",
        "`f32` takes 2 to 2 registers",
        "words = 2",
    );
}

#[test]
fn keys_without_meaning() {
    let float = "as = \"f32\"";
    changed(COIL, float, "as = \"f32\"\nmask = 0xFF", "mask = 0xFF", "key_has_no_meaning", "`mask`", "whole number");
    let long = "as = \"text_number\"\nwords = 6\nabsent = [0]\nscale = 0.01";
    changed(COIL, float, long, "absent = [0]", "key_has_no_meaning", "more than four registers", "remove it");
    let inverted = "as = \"f32\"\ninvert = true";
    changed(COIL, float, inverted, "true\nword_order", "key_has_no_meaning", "`invert`", "scale = -1");
}

#[test]
fn groups() {
    let near = "register = \"holding:0\"\ngroup = \"g\"";
    let far = "register = \"holding:900\"\ngroup = \"g\"";
    let copy = Copy::new().with(COIL, "register = \"holding:0\"", near).with(COIL, "register = \"holding:1\"", far);
    one(
        &copy,
        COIL,
        "\"g\"",
        "group_too_wide",
        "the group `g` cannot come from one transaction",
        "make the group smaller",
    );
}

#[test]
fn forbidden_registers() {
    let copy =
        Copy::new().with(MODULE, "map = \"maps/coil.toml\"", "map = \"maps/coil.toml\"\nforbid = [\"holding:1-1\"]");
    one(&copy, COIL, "\"holding:1\"", "reads_forbidden", "a forbidden register lies inside holding:1", "forbid");
    changed(
        MODULE,
        "map = \"maps/coil.toml\"",
        "map = \"maps/coil.toml\"\nforbid = [\"holding:9-1\"]",
        "\"holding:9-1\"",
        "bad_register",
        "backwards",
        "",
    );
    let counted = Copy::new().with(MODULE, "map = \"maps/coil.toml\"", "map = \"maps/coil.toml\"\nbase = 1");
    one(&counted, COIL, "\"holding:0\"", "bad_register", "counts from 1", "");
}
