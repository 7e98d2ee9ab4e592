//! Findings about one alarm's condition and words.

use super::*;

#[test]
fn deadbands() {
    let noisy = |deadband: &str| {
        Copy::new()
            .with(COIL, "response_s = 8.0", "response_s = 8.0\nnoise = 0.3")
            .and(MODULE, &(alarm("new", &format!("high = 30.0\ndeadband = {deadband}")) + &with_first("new")))
    };
    one(&noisy("0.2"), "deadband_below_noise", Severity::Moderate, "new", (MODULE, "\"new\""), "0.3 °C");
    assert!(brought(&noisy("0.3")).is_empty(), "{:#?}", brought(&noisy("0.3")));
    more("high = 30.0\ndeadband = 60.0", "deadband_too_wide", Severity::Serious, "never clears");
    let coarse = Copy::new()
        .with(
            COIL,
            "register = \"holding:1\"\nas = \"i16\"\nscale = 0.1",
            "register = \"holding:1\"\nas = \"i16\"\nscale = 0.5",
        )
        .and(MODULE, &alarm("new", "point = \"coil/water/return/temperature\"\nhigh = 30.0\ndeadband = 0.2"));
    one(&coarse, "deadband_below_step", Severity::Moderate, "new", (MODULE, "\"new\""), "0.5 °C");
}

#[test]
fn limits_out_of_reach() {
    more(
        "rises_to = 95.0\nwithin = \"5m\"\nover = \"20s\"",
        "limit_out_of_reach",
        Severity::Serious,
        "-20.0 °C to 90.0 °C",
    );
    more(
        "deviation = 120.0\nfrom_value = 18.0\ndeadband = 1.0",
        "limit_out_of_reach",
        Severity::Serious,
        "can never be raised",
    );
    more(
        "high = 30.0\ndeadband = 1.0\nleft_to = 95.0\nover = \"20s\"",
        "left_to_out_of_reach",
        Severity::Moderate,
        "95.0 °C",
    );
    more("rise_per_min = 400\nover = \"20s\"", "window_too_long", Severity::Serious, "20 s");
    let noisy = Copy::new().with(COIL, "response_s = 8.0", "response_s = 8.0\nnoise = 3.0").with(
        MODULE,
        "deadband = 0.5",
        "deadband = 3.0",
    );
    one(
        &noisy,
        "rate_below_noise",
        Severity::Moderate,
        "supply-water-rising",
        (MODULE, "\"supply-water-rising\""),
        "three standard errors",
    );
}

#[test]
fn words() {
    let silent = alarm("new", "high = 30.0\ndeadband = 1.0").replace("response = \"Act on new.\"\n", "");
    one(
        &Copy::new().and(MODULE, &(silent + &with_first("new"))),
        "no_response",
        Severity::Serious,
        "new",
        (MODULE, "\"new\""),
        "asks nobody",
    );
    let blind = alarm("new", "high = 30.0\ndeadband = 1.0").replace("first_check = \"Look.\"\n", "");
    one(
        &Copy::new().and(MODULE, &(blind + &with_first("new"))),
        "no_first_check",
        Severity::Minor,
        "new",
        (MODULE, "\"new\""),
        "look at first",
    );
}

#[test]
fn conditions_that_cannot_happen() {
    let fan = |rest: &str| alarm("new", &format!("point = \"fan/01/mode\"\n{rest}"));
    let all = Copy::new().and(MODULE, &fan("state = [\"automatic\", \"local\"]"));
    one(&all, "always_raised", Severity::Serious, "new", (MODULE, "\"new\""), "never clears");
    let third = Copy::new()
        .with(FAN, "{ 0 = \"automatic\", 1 = \"local\" }", "{ 0 = \"automatic\", 1 = \"local\", 2 = \"off\" }")
        .and(MODULE, &fan("state = \"off\""));
    one(&third, "never_raised", Severity::Serious, "new", (MODULE, "\"new\""), "single bit");
    let armed = Copy::new().and(MODULE, &fan("armed = [\"automatic\", \"local\"]"));
    one(&armed, "never_raised", Severity::Serious, "new", (MODULE, "\"new\""), "counts as armed");
    let itself = fan("state = \"local\"\nonly_while = { point = \"fan/01/mode\", state = \"automatic\" }");
    one(&Copy::new().and(MODULE, &itself), "never_in_use", Severity::Serious, "new", (MODULE, "\"new\""), "excludes");
    more(
        &format!("high = 30.0\ndeadband = 1.0\nonly_while = {{ point = \"{SUPPLY}\", above = 90.0 }}"),
        "never_in_use",
        Severity::Serious,
        "never reads that",
    );
    more("frozen = \"2s\"", "frozen_too_short", Severity::Moderate, "no sign of a dead sensor");
    let rule = "\n[[suppress]]\nname = \"local\"\ntext = \"Worked on\"\nalarms = [\"new\"]\nat_most = \"1h\"\nwhile = { point = \"fan/01/mode\", state = \"local\" }\n";
    let hidden = Copy::new().and(MODULE, &(fan("state = \"local\"") + rule));
    one(&hidden, "hidden_when_true", Severity::Serious, "new", (MODULE, "\"new\""), "`local`");
}
