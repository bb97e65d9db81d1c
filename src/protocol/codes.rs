//! The codes of diagnostics on protocols and site files, a line each. A code keeps its meaning for good.

/// Code and meaning of each diagnostic of `read` and `read_site`.
#[must_use]
pub fn codes() -> &'static [(&'static str, &'static str)] {
    CODES
}

static CODES: &[(&str, &str)] = &[
    ("P001", "the text is not TOML"),
    ("P002", "unknown key"),
    ("P003", "value of the wrong type"),
    ("P004", "a key or table is missing"),
    ("P005", "a text is blank"),
    ("P006", "not one of the words allowed"),
    ("P007", "not a number that can be held exactly"),
    ("P008", "a text holds characters that cannot be printed"),
    ("P009", "unknown version of the format"),
    ("P010", "too long, or too many"),
    ("P011", "number out of its range"),
    ("P012", "still to be filled in"),
    ("P013", "not a date"),
    ("P014", "more is wrong than is listed"),
    ("P020", "not a name"),
    ("P021", "a name that sheets use themselves"),
    ("P022", "a name given twice"),
    ("P023", "a name like a column of readings"),
    ("P024", "not an id"),
    ("P030", "unknown unit"),
    ("P031", "a unit within itself, a later one, or one twice"),
    ("P032", "the run does not lie within every unit"),
    (
        "P033",
        "a count that cannot hold all combinations of levels equally often",
    ),
    ("P034", "a count is missing"),
    ("P035", "a count without use"),
    ("P036", "too many runs or readings"),
    ("P037", "replicates without use"),
    ("P040", "fewer than two levels"),
    ("P041", "a level given twice"),
    ("P042", "a level of a numeric factor that is no number"),
    ("P043", "a level beyond the safe range"),
    ("P044", "a safe range for categories"),
    ("P045", "a level that spreadsheets would take for a formula"),
    ("P046", "unknown word in braces"),
    ("P047", "a step that does not say which level"),
    ("P048", "carry-over is recorded, but neither balanced nor estimated"),
    ("P050", "an empty range"),
    ("P051", "expected beyond possible"),
    ("P052", "a limit with no side or two"),
    ("P053", "a limit beyond possible"),
    ("P060", "unknown factor in a planned effect"),
    ("P061", "an effect planned twice"),
    ("P062", "a factor twice in one effect"),
    ("P063", "no effect is planned"),
    ("P064", "an effect of no factor, or of too many"),
    ("P065", "too many effects"),
    ("P070", "readings as run without their source"),
    ("P080", "a key of the design without use for these treatments"),
    ("P081", "factors that do not fit the treatments"),
    ("P082", "a number of runs that does not fit the treatments"),
    ("P083", "a generator that cannot be"),
    ("P084", "a resolution that is not reached"),
    ("P085", "no such square"),
    ("P086", "units that do not fit the treatments"),
    ("P087", "no such incomplete blocks"),
    ("P088", "a combination that cannot be"),
    ("P089", "confounding with blocks that cannot be"),
    ("P090", "centre points that cannot be"),
    ("P091", "planned effects that cannot be told apart"),
    (
        "P092",
        "a planned effect that shares its estimate with another effect of the model",
    ),
    ("P093", "a fold-over that cannot be"),
    ("P094", "a planned effect that is confounded with blocks, or constant"),
    ("P100", "assumptions about an unknown response"),
    ("P101", "a unit without an assumed spread"),
    (
        "P102",
        "a spread of units of which one lies within another, or of one twice",
    ),
    ("P103", "an assumed effect of an unknown factor, or of one twice"),
    ("P104", "two assumptions about one effect"),
    ("P105", "assumed values that do not fit the levels"),
    ("P140", "a random factor in a planned effect"),
    ("P141", "a factor both numeric and random"),
    ("P142", "unknown condition among the covariates"),
    ("P143", "a covariate given twice"),
    ("P144", "a covariate that takes away what a factor does"),
    ("P145", "degrees of freedom that need the restricted likelihood"),
    (
        "P146",
        "a model of single readings where there is one a run, or no mean",
    ),
    ("P147", "weights without use"),
    (
        "P160",
        "unknown unit or factor in a statement of precision or a measurement system",
    ),
    ("P161", "the run in the place of a unit that runs share"),
    ("P162", "a unit or factor in two places of a statement"),
    ("P163", "a statement of precision of nothing"),
    ("P164", "one laboratory only"),
    ("P165", "few laboratories"),
    ("P166", "materials that no two laboratories share"),
    ("P167", "no repeats"),
    ("P168", "nobody who measures"),
    ("P169", "one only of those who measure"),
    ("P170", "few parts"),
    ("P171", "no tolerance"),
    ("P172", "a reference without its level or unit"),
    ("P173", "a reference with two values"),
    ("P174", "a reference without its response"),
    ("P175", "a kind of study without its table"),
    ("S001", "the text is not TOML"),
    ("S002", "unknown key"),
    ("S003", "value of the wrong type"),
    ("S004", "a key or table is missing"),
    ("S005", "a text is blank"),
    ("S006", "not one of the words allowed"),
    ("S007", "not a number that can be held exactly"),
    ("S008", "a text holds characters that cannot be printed"),
    ("S009", "unknown version of the format"),
    ("S010", "too long, or too many"),
    ("S011", "number out of its range"),
    ("S012", "still to be filled in"),
    ("S013", "not a date"),
    ("S014", "more is wrong than is listed"),
    ("S020", "the work ends before it begins"),
    ("S021", "a code of two people"),
    ("S024", "not an id"),
    ("S030", "unknown factor"),
    ("S031", "unknown level"),
    ("S032", "a factor that is not left to the site"),
    ("S033", "a level that nothing stands behind"),
    ("S034", "a level explained twice"),
    ("S035", "a serial number behind two levels"),
    ("S040", "due before calibrated"),
    ("S041", "calibration expired"),
    ("S042", "calibration expires during the work"),
    ("S043", "calibrated after the work began"),
    ("S044", "no end of the calibration given"),
    ("S050", "labels for an unknown unit"),
    ("S051", "wrong number of labels"),
    ("S052", "a label given twice"),
    ("S053", "labels without use"),
    (
        "S054",
        "a label that spreadsheets would take for a formula, or too long",
    ),
];

#[cfg(test)]
mod tests {
    use super::*;

    /// Class: closed form. Each code in the code of this module is listed once, and each listed one is used.
    #[test]
    fn codes_used_and_codes_listed_are_the_same() {
        let files = [
            include_str!("assumed.rs"),
            include_str!("check_placement.rs"),
            include_str!("check_treatments.rs"),
            include_str!("precision.rs"),
            include_str!("read.rs"),
            include_str!("read_model.rs"),
            include_str!("read_site.rs"),
            include_str!("structure.rs"),
            include_str!("walk.rs"),
        ];
        let is_code = |word: &&str| {
            word.len() == 4 && word.starts_with(['P', 'S']) && word[1..].bytes().all(|b| b.is_ascii_digit())
        };
        let mut used: Vec<&str> = files.iter().flat_map(|text| text.split('"')).filter(is_code).collect();
        used.sort_unstable();
        used.dedup();
        let listed: Vec<&str> = codes().iter().map(|(code, _)| *code).collect();
        assert_eq!(used, listed);
    }
}
