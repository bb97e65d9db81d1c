//! A site file to fill in, for any protocol.
//!
//! In:  a checked protocol.
//! Out: the text of a `site.toml` in which everything local stands as FILL IN.

use std::fmt::Write as _;

use super::model::Protocol;

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
    let labelled: Vec<String> = protocol
        .units
        .iter()
        .take(protocol.run_unit())
        .map(|unit| {
            let labels: Vec<String> = (1..=unit.count.min(3)).map(|n| format!("\"{n}\"")).collect();
            format!("# {} = [{}]   # {} labels\n", unit.name, labels.join(", "), unit.count)
        })
        .collect();
    if !labelled.is_empty() {
        text.push_str("\n# Labels of specimens and other units, if they are not called 1, 2, 3.\n# [labels]\n");
        text.push_str(&labelled.concat());
        text.push_str("\n# Specimens that are read at another site too, by their labels.\n# [travelling]\n");
        text.push_str(&labelled.concat());
    }
    text
}
