//! A site file to fill in, for any protocol.
//!
//! In:  a checked protocol.
//! Out: the text of a `site.toml` in which everything local stands as FILL IN.

use std::fmt::Write as _;

use super::model::Protocol;

/// Most labels that are written out.
const MOST: usize = 12;

/// The site file to fill in.
#[must_use]
pub fn site_template(protocol: &Protocol) -> String {
    let mut text = String::from(
        "# What is local to this bench. Replace every FILL IN; `wellrun check` lists those that are left.\n\
         wellrun_site = 1\n\n\
         [site]\n\
         id = \"FILL IN\"            # short, for files and for the draw: \"south\"; not the first site's\n\
         name = \"FILL IN\"          # for people: \"South bench\"\n\
         room = \"FILL IN\"\n\
         dates = [\"FILL IN\", \"FILL IN\"]   # first and last day of the work: \"2026-03-02\", \"2026-03-06\"\n\n\
         [[person]]\n\
         code = \"FILL IN\"          # initials or a code, as written on the sheets; not the full name\n\
         role = \"operator\"\n",
    );
    let unit = protocol
        .responses
        .first()
        .map_or_else(String::new, |response| format!(", in {}", response.unit));
    for factor in protocol.factors.iter().filter(|factor| factor.named_by_site) {
        for level in &factor.levels {
            let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
            let _ = write!(
                text,
                "\n[[named]]              # this site's own: not the one behind this level elsewhere\n\
                 factor = {}\nlevel = {}\ndescription = \"FILL IN\"   # what it is\nserial = \"FILL IN\"\n\
                 certificate = \"FILL IN\"\ncalibrated = \"FILL IN\"    # day of the calibration\n\
                 due = \"FILL IN\"           # last day on which it is good\n\
                 # tolerance = 1.0         # half-width of the calibration tolerance{unit}\n",
                quoted(&factor.name),
                quoted(level)
            );
        }
    }
    let units = protocol.units.iter().take(protocol.run_unit());
    let lists: Vec<(&str, usize)> = units.map(|unit| (unit.name.as_str(), unit.count)).collect();
    if !lists.is_empty() {
        text.push_str(
            "\n# Labels of specimens and other units, if they are not called 1, 2, 3: one for each.\n# [labels]\n",
        );
        for (name, count) in &lists {
            let labels: Vec<String> = (1..=*count.min(&MOST)).map(|n| format!("\"{n}\"")).collect();
            let rest = if *count > MOST { ", ..." } else { "" };
            let _ = writeln!(text, "# {name} = [{}{rest}]", labels.join(", "));
        }
        text.push_str("\n# Specimens that are read at another site too, by those labels.\n# [travelling]\n");
        if let Some((name, _)) = lists.last() {
            let _ = writeln!(text, "# {name} = [\"1\"]");
        }
    }
    text
}
