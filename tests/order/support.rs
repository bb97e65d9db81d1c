//! Small studies as text.

use wellrun::diagnostic::{Diagnostics, Source};
use wellrun::plan::{self, Plan};
use wellrun::protocol::{self, Protocol};

/// One unit `session` of so many, and a run within it; the rest as given.
pub fn text(units: &str, factors: &str, rest: &str) -> String {
    format!(
        r#"wellrun = 1
[study]
id = "small"
version = "1.0"
title = "A small study"
question = "Does it move?"
kind = "variance investigation"
method = "A method"
[response.hardness]
measurand = "Hardness of the roller face"
unit = "Shore D"
resolution = 0.1
possible = [0, 100]
readings = 2
reading_time = "1 s after firm contact"
result = "mean"
round_to = 0.1
{units}
{factors}
[analysis]
planned = ["{}"]
{rest}
"#,
        factors
            .lines()
            .find_map(|line| line.strip_prefix("[factor.")?.strip_suffix(']'))
            .unwrap_or_default()
    )
}

pub fn read(text: &str) -> Result<(Protocol, Diagnostics), Diagnostics> {
    protocol::read(&Source::new("protocol.toml", text))
}

pub fn protocol(units: &str, factors: &str, rest: &str) -> Protocol {
    match read(&text(units, factors, rest)) {
        Ok((protocol, _)) => protocol,
        Err(found) => panic!("{}", shown(&found)),
    }
}

pub fn shown(found: &Diagnostics) -> String {
    found.iter().map(|d| d.render(false)).collect::<Vec<_>>().join("\n")
}

pub fn codes(found: &Diagnostics) -> Vec<&'static str> {
    found.iter().map(|d| d.code).collect()
}

pub fn freeze(protocol: &Protocol, seed: u64) -> Plan {
    plan::freeze(protocol, None, seed, "2026-03-02T08:00:00Z")
        .unwrap_or_else(|found| panic!("{}", shown(&found)))
        .0
}

/// Two sessions of four runs: finish twice with each of two instruments.
pub const UNITS: &str = "[[unit]]\nname = \"session\"\ncount = 2\n[[unit]]\nname = \"run\"\nwithin = \"session\"\n";
pub const FACTORS: &str = "[factor.finish]\nset_on = \"run\"\nlevels = [\"turned\", \"waxed\"]\ncarries_over = true\n\
    [factor.instrument]\nset_on = \"run\"\nlevels = [\"A\", \"B\"]\n";
