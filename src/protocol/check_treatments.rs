//! The set of treatments: its combinations made, and what in them cannot be.
//!
//! In:  the tree of a protocol, its units, factors and planned effects.
//! Out: `Design::set`; the level of centre points is added to factors. What does not fit goes to the `Desk`.
//! Never here: how combinations come to units (`check_placement`), random numbers.

use rust_decimal::Decimal;

use super::check_placement;
use super::keys::join;
use super::model::{AnalysisPlan, Design, Effect, Factor, FactorId, Order, Unit, UnitId};
use super::split_set;
use super::structure::{did_you_mean, unit_called};
use super::treatment_set::{Placement, TreatmentSet, Treatments};
use super::tree::{Item, Span, Tree, Value};
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;
use crate::numeric::arrangement::{
    MOST_FACTORS, Word, aliases, orthogonal_array, orthogonal_array_runs, reduced, resolution, runs, screening, search,
    span, word_lengths,
};

/// The rows of a set, and its words if it is regular.
type Made = (Vec<Vec<usize>>, Option<Vec<Word>>);

/// Most rows of one set.
const ROWS: usize = 65_536;

/// Most combinations of a list of one's own.
const LISTED: usize = 256;

/// What is being made, and where to say what is wrong with it.
pub(super) struct Making<'a> {
    pub tree: &'a Tree,
    pub root: &'a Tree,
    pub units: &'a [Unit],
    pub unit: UnitId,
    /// The wider unit whose factors are in the set as well.
    pub wide: Option<UnitId>,
    /// The factors of the set.
    pub own: Vec<FactorId>,
    pub treatments: Treatments,
    pub planned: &'a [Effect],
}

/// Makes the set of a design, if it has one of its own; false if counts cannot be checked for want of it.
pub(super) fn check(
    desk: &mut Desk<'_>,
    root: &Tree,
    units: &[Unit],
    (factors, sound): (&mut [Factor], bool),
    design: &mut Design,
    analysis: &AnalysisPlan,
) -> bool {
    let Some(tree) = root.tree("design") else { return sound };
    without_use(desk, tree, design.treatments);
    let (unit, wide) = match tree.list("set_on") {
        [] => (factors.iter().map(|factor| factor.set_on).max(), None),
        named => {
            let mut on: Vec<UnitId> = named
                .iter()
                .filter_map(|item| unit_called(desk, root, item.text().unwrap_or_default(), item.span.clone()))
                .collect();
            if on.len() < named.len() {
                return false;
            }
            on.sort_unstable();
            match on[..] {
                [unit] => (Some(unit), None),
                [wide, unit] => (Some(unit), Some(wide)),
                _ => {
                    let message = "a set combines the factors of one unit, or of two".to_owned();
                    let help = "name one unit, or for a two-level fraction two of which one lies within the other";
                    desk.say(Diagnostic::error("P095", message).help(help), tree.span("set_on"), "");
                    return false;
                }
            }
        }
    };
    let has_centre = tree.whole("centre_points").is_some();
    let has_blocks = tree.given("blocks") || tree.given("confounded");
    let is_plain = design.treatments == Treatments::FullFactorial && !has_centre && !has_blocks;
    if is_plain || !sound {
        return sound;
    }
    let on = |unit: UnitId| -> Vec<FactorId> { (0..factors.len()).filter(|&f| factors[f].set_on == unit).collect() };
    let mut own: Vec<FactorId> = unit.map_or_else(Vec::new, on);
    if let Some(wide) = wide.filter(|_| !own.is_empty()) {
        own.extend(on(wide));
        own.sort_unstable();
    }
    let (Some(unit), false) = (unit, own.is_empty()) else {
        let message = format!("no factor is there to make a {} of", design.treatments.word());
        let help = "set factors on a unit, or name in `set_on` the unit on which they are set";
        desk.say(Diagnostic::error("P081", message).help(help), at(tree), "");
        return false;
    };
    let making = Making {
        tree,
        root,
        units,
        unit,
        wide,
        own,
        treatments: design.treatments,
        planned: &analysis.planned,
    };
    let set = making.set(desk, factors, analysis, design.order);
    let is_made = set.is_some();
    if let Some(set) = &set {
        making.check_planned(desk, factors, set);
    }
    design.set = set;
    is_made
}

/// Where a diagnostic on the set as a whole stands.
pub(super) fn at(tree: &Tree) -> Span {
    tree.span("treatments")
}

/// Keys that other sets use.
fn without_use(desk: &mut Desk<'_>, tree: &Tree, treatments: Treatments) {
    use Treatments as T;
    let users: [(&str, &[T]); 10] = [
        ("runs", &[T::Fraction, T::OrthogonalArray, T::Screening, T::Optimal]),
        ("optimal", &[T::Optimal]),
        ("resolution", &[T::Fraction]),
        ("generators", &[T::Fraction]),
        ("fold_over", &[T::Fraction, T::Screening]),
        ("centre_points", &[T::FullFactorial, T::Fraction, T::Screening]),
        ("blocks", &[T::FullFactorial, T::Fraction]),
        ("confounded", &[T::FullFactorial, T::Fraction]),
        ("periods", &[T::WilliamsSquare]),
        ("combinations", &[T::List]),
    ];
    for (key, users) in users {
        // Sets of other sorts say themselves what they have no use for.
        if tree.given(key) && Treatments::ALL.iter().any(|(t, _)| *t == treatments) && !users.contains(&treatments) {
            let words: Vec<String> = users.iter().map(|t| format!("\"{}\"", t.word())).collect();
            desk.say(
                Diagnostic::warning("P080", format!("`{key}` has no use in a {}", treatments.word())).help(format!(
                    "it belongs to {}; take it out, or change `treatments`",
                    join(&words, "and")
                )),
                tree.key_span(key),
                "",
            );
        }
    }
}

impl Making<'_> {
    pub(super) fn say(&self, desk: &mut Desk<'_>, key: &str, code: &'static str, message: String, help: String) {
        let span = if self.tree.given(key) {
            self.tree.span(key)
        } else {
            at(self.tree)
        };
        desk.say(Diagnostic::error(code, message).help(help), span, "");
    }

    fn set(
        &self,
        desk: &mut Desk<'_>,
        factors: &mut [Factor],
        analysis: &AnalysisPlan,
        order: Order,
    ) -> Option<TreatmentSet> {
        if let Some(wide) = self.wide {
            split_set::can_be(desk, self, factors, wide)?;
        }
        let levels: Vec<usize> = self.own.iter().map(|&f| factors[f].levels.len()).collect();
        let total = levels
            .iter()
            .fold(1_usize, |product, &count| product.saturating_mul(count));
        let is_whole = !matches!(
            self.treatments,
            Treatments::Fraction
                | Treatments::OrthogonalArray
                | Treatments::Screening
                | Treatments::Optimal
                | Treatments::List
        );
        if is_whole && total > ROWS {
            let message = format!("{total} combinations are too many; {ROWS} are allowed");
            self.say(
                desk,
                "treatments",
                "P081",
                message,
                "take fewer factors or levels".to_owned(),
            );
            return None;
        }
        let is_two_level = levels.iter().all(|&count| count == 2);
        let mut forbidden = Vec::new();
        let (mut rows, words) = match self.treatments {
            Treatments::FullFactorial => {
                let words = (is_two_level && levels.len() <= MOST_FACTORS).then(Vec::new);
                (whole(&levels), words)
            }
            Treatments::Fraction => {
                let words = self.fraction(desk, factors, &levels)?;
                (wide(runs(&words, levels.len())), Some(words))
            }
            Treatments::Screening => self.screening(desk, factors, &levels)?,
            Treatments::OrthogonalArray => (self.array(desk, &levels)?, None),
            Treatments::Optimal => {
                let (rows, not_together) = super::check_optimal::rows(desk, self, factors, analysis)?;
                forbidden = not_together;
                (rows, None)
            }
            Treatments::List => (self.list(desk, factors)?, None),
            _ => (whole(&levels), None),
        };
        let centre_points = self.centre(desk, factors, &mut rows)?;
        let mut set = TreatmentSet {
            unit: self.unit,
            factors: self.own.clone(),
            rows,
            forbidden,
            centre_points,
            words,
            block_words: Vec::new(),
            confounded: Vec::new(),
            alias_order: self.tree.whole("alias_order").unwrap_or(2) as usize,
            placement: Placement::Whole,
        };
        if let Some(wide) = self.wide {
            split_set::part(self, factors, wide, &mut set);
        } else if order == Order::Randomized {
            check_placement::place(desk, self, factors, &mut set)?;
        }
        Some(set)
    }

    /// Says that the factors of a two-level set do not have two levels each, or are too many.
    fn two_levels(&self, desk: &mut Desk<'_>, factors: &[Factor], most: usize) -> Option<()> {
        let wrong: Vec<String> = self
            .own
            .iter()
            .filter(|&&f| factors[f].levels.len() != 2)
            .map(|&f| format!("`{}`", factors[f].name))
            .collect();
        if !wrong.is_empty() {
            let message = format!(
                "every factor of a {} has two levels; {} has not",
                self.treatments.word(),
                join(&wrong, "and")
            );
            let help = "give two levels, or take an \"orthogonal array\", or set such factors on another unit";
            self.say(desk, "treatments", "P081", message, help.to_owned());
            return None;
        }
        if self.own.len() < 2 || self.own.len() > most {
            let message = format!(
                "a {} has 2 to {most} factors on one unit, not {}",
                self.treatments.word(),
                self.own.len()
            );
            let help = "take a \"full factorial\" for few factors, a \"screening\" set for many";
            self.say(desk, "treatments", "P081", message, help.to_owned());
            return None;
        }
        Some(())
    }

    /// The words of a fraction.
    fn fraction(&self, desk: &mut Desk<'_>, factors: &[Factor], levels: &[usize]) -> Option<Vec<Word>> {
        self.two_levels(desk, factors, MOST_FACTORS)?;
        let k = levels.len();
        let wanted = self.tree.whole("runs").map(|runs| runs as usize);
        let least = self.tree.whole("resolution").map(|least| least as usize);
        let words = if self.tree.given("generators") {
            self.own_generators(desk, factors)?
        } else {
            match (wanted, least) {
                (Some(runs), _) if !runs.is_power_of_two() || runs <= k || runs >= 1 << k => {
                    let first = (k + 1).next_power_of_two();
                    let works: Vec<String> = (0..4)
                        .map(|i| first << i)
                        .filter(|&n| n < 1 << k)
                        .map(|n: usize| n.to_string())
                        .collect();
                    let message = format!("no fraction of {k} two-level factors has {runs} runs");
                    let help = if works.is_empty() {
                        "take a \"full factorial\"".to_owned()
                    } else {
                        format!(
                            "the runs are a power of two: {} and so on, below {}",
                            works.join(", "),
                            1_u64 << k
                        )
                    };
                    self.say(desk, "runs", "P082", message, help);
                    return None;
                }
                (Some(runs), _) => match self.wide {
                    None => search(k, runs.ilog2() as usize)?,
                    Some(wide) => split_set::search(desk, self, factors, wide, runs)?,
                },
                (None, Some(least)) => {
                    let reaches = |words: &Vec<Word>| resolution(&pattern(words, k)).is_none_or(|r| r >= least);
                    let first = (k + 1).next_power_of_two().ilog2() as usize;
                    let made = |base: usize| match self.wide {
                        None => search(k, base),
                        Some(wide) => split_set::allowed(self, factors, wide, base),
                    };
                    let found = (first..k).find_map(|base| made(base).filter(reaches));
                    if found.is_none() {
                        let message = format!("no fraction of {k} factors has resolution {least}");
                        let help = format!("half of all combinations has resolution {k}; or take a \"full factorial\"");
                        self.say(desk, "resolution", "P084", message, help);
                    }
                    found?
                }
                (None, None) => {
                    let message = "nothing says how large the fraction is".to_owned();
                    let help = "add `runs = 16`, `resolution = 4`, or `generators`";
                    self.say(desk, "treatments", "P082", message, help.to_owned());
                    return None;
                }
            }
        };
        if let Some(wide) = self.wide {
            split_set::check_words(desk, self, factors, wide, &words)?;
        }
        let size = 1_usize << (k - words.len());
        if let Some(runs) = wanted.filter(|&runs| runs != size) {
            let message = format!("{} generators of {k} factors make {size} runs, not {runs}", words.len());
            self.say(
                desk,
                "runs",
                "P082",
                message,
                "mend or take out one of the two".to_owned(),
            );
            return None;
        }
        let reached = resolution(&pattern(&words, k));
        if let (Some(least), Some(reached)) = (least, reached)
            && reached < least
        {
            let message = format!("{size} runs of {k} factors reach resolution {reached} here, not {least}");
            let help = "take out `runs` or `generators` to have the smallest fraction of that resolution found";
            self.say(desk, "resolution", "P084", message, help.to_owned());
            return None;
        }
        self.folded(desk, factors, words)
    }

    fn own_generators(&self, desk: &mut Desk<'_>, factors: &[Factor]) -> Option<Vec<Word>> {
        let names: Vec<&str> = self.own.iter().map(|&f| factors[f].name.as_str()).collect();
        let mut words = Vec::new();
        let trees = self.tree.trees("generators");
        for tree in trees {
            let mut mask = 0_u32;
            let mut is_sound = true;
            let listed = tree
                .list("product_of")
                .iter()
                .map(|item| (item.text(), item.span.clone()));
            for (name, span) in listed.chain([(tree.text("factor"), tree.span("factor"))]) {
                let Some(name) = name else {
                    is_sound = false;
                    continue;
                };
                match names.iter().position(|known| *known == name) {
                    Some(place) if mask >> place & 1 == 0 => mask |= 1 << place,
                    Some(_) => {
                        is_sound = false;
                        let message = format!("`{}` stands twice in one generator", shown(name));
                        let help = "a factor times itself is constant; name each once";
                        desk.say(Diagnostic::error("P083", message).help(help), span, "");
                    }
                    None => {
                        is_sound = false;
                        let message = format!("no factor `{}` is set on `{}`", shown(name), self.units[self.unit].name);
                        let help = match factors.iter().find(|factor| factor.name == name) {
                            Some(factor) => format!(
                                "it is set on `{}`: write `set_on = [\"{}\", \"{}\"]` in [design] for one fraction over the factors \
                                 of both units",
                                self.units[factor.set_on].name,
                                self.units[factor.set_on].name,
                                self.units[self.unit].name
                            ),
                            None => did_you_mean(name, &names, "factors there"),
                        };
                        desk.say(Diagnostic::error("P083", message).help(help), span, "unknown factor");
                    }
                }
            }
            if is_sound {
                words.push(Word {
                    factors: mask,
                    is_minus: tree.flag("minus"),
                });
            }
        }
        if words.len() != trees.len() || words.is_empty() {
            if trees.is_empty() {
                let message = "no generator is given".to_owned();
                let help =
                    "write `generators = [{ factor = \"d\", product_of = [\"a\", \"b\", \"c\"] }]`, or take it out";
                self.say(desk, "generators", "P083", message, help.to_owned());
            }
            return None;
        }
        let is_dependent = words.len() >= self.own.len() || {
            let independent = reduced(&words);
            independent.len() != words.len() || independent.iter().any(|(_, word)| word.factors == 0)
        };
        if is_dependent || resolution(&pattern(&words, self.own.len())).is_none_or(|r| r < 3) {
            let message = if is_dependent {
                "the generators follow from one another, or contradict one another"
            } else {
                "with these generators a factor is constant, or always moves with another one"
            };
            let help = "each generator sets a factor of its own, as a product of two or more that others do not undo";
            self.say(desk, "generators", "P083", message.to_owned(), help.to_owned());
            return None;
        }
        Some(words)
    }

    /// The factors whose levels a fold-over exchanges, over the factors of the unit; 0 without one.
    fn fold(&self, desk: &mut Desk<'_>, factors: &[Factor]) -> Option<u32> {
        let names: Vec<&str> = self.own.iter().map(|&f| factors[f].name.as_str()).collect();
        let mut mask = 0_u32;
        for item in self.tree.list("fold_over") {
            let name = item.text().unwrap_or_default();
            match names.iter().position(|known| *known == name) {
                Some(place) if place < 32 => mask |= 1 << place,
                _ if name == "all" => mask |= u32::MAX,
                _ => {
                    let message = format!("no factor `{}` is there to be folded over", shown(name));
                    let help = did_you_mean(name, &names, "factors");
                    desk.say(Diagnostic::error("P093", message).help(help), item.span.clone(), "");
                    return None;
                }
            }
        }
        Some(mask)
    }

    /// The words left when a half with exchanged levels is added.
    fn folded(&self, desk: &mut Desk<'_>, factors: &[Factor], words: Vec<Word>) -> Option<Vec<Word>> {
        let mask = self.fold(desk, factors)?;
        let is_odd = |word: &Word| (word.factors & mask).count_ones() % 2 == 1;
        if mask == 0 {
            return Some(words);
        }
        let Some(first) = words.iter().copied().find(is_odd) else {
            let message = "this fold-over repeats the same runs".to_owned();
            let help = "every word of the fraction holds an even number of the factors folded over; fold a single factor, \
                        or use `replicates`";
            self.say(desk, "fold_over", "P093", message, help.to_owned());
            return None;
        };
        // Words that change their sign are lost; the product of two of them stays.
        Some(
            words
                .iter()
                .filter(|word| **word != first)
                .map(|&word| if is_odd(&word) { word.times(first) } else { word })
                .collect(),
        )
    }

    fn screening(&self, desk: &mut Desk<'_>, factors: &[Factor], levels: &[usize]) -> Option<Made> {
        self.two_levels(desk, factors, 47)?;
        let k = levels.len();
        let given = self.tree.whole("runs").map(|runs| runs as usize);
        let size = given.unwrap_or_else(|| (k + 1).next_multiple_of(4).max(8));
        if !(8..=48).contains(&size) || !size.is_multiple_of(4) || size <= k {
            let message = format!("no screening set of {k} factors has {size} runs");
            let least = (k + 1).next_multiple_of(4).max(8);
            let help = format!("the runs are a multiple of 4 from {least} to 48");
            self.say(desk, "runs", "P082", message, help);
            return None;
        }
        if size.is_power_of_two() && k <= MOST_FACTORS {
            // These are regular, and their factors are put where few short words arise.
            let base = size.ilog2() as usize;
            if base > k {
                let message = format!(
                    "{size} runs are more than the {} combinations of {k} factors",
                    1_usize << k
                );
                let help = "take a \"full factorial\" with `replicates`";
                self.say(desk, "runs", "P082", message, help.to_owned());
                return None;
            }
            let words = self.folded(desk, factors, search(k, base)?)?;
            return Some((wide(runs(&words, k)), Some(words)));
        }
        let mask = self.fold(desk, factors)?;
        let matrix = screening(size)?;
        let mut rows: Vec<Vec<usize>> = matrix
            .iter()
            .map(|row| row[..k].iter().map(|&level| usize::from(level)).collect())
            .collect();
        if mask != 0 {
            // A mask has room for 32 factors; all of them means the others as well.
            let turns = |place: usize| {
                if place < 32 {
                    mask >> place & 1 == 1
                } else {
                    mask == u32::MAX
                }
            };
            let second: Vec<Vec<usize>> = rows
                .iter()
                .map(|row| {
                    row.iter()
                        .enumerate()
                        .map(|(place, &level)| if turns(place) { 1 - level } else { level })
                        .collect()
                })
                .collect();
            rows.extend(second);
        }
        Some((rows, None))
    }

    fn array(&self, desk: &mut Desk<'_>, levels: &[usize]) -> Option<Vec<Vec<usize>>> {
        let wanted = self.tree.whole("runs").map(|runs| runs as usize);
        let found = orthogonal_array(levels, wanted);
        if found.is_none() {
            let counts: Vec<String> = levels.iter().map(usize::to_string).collect();
            let what = wanted.map_or(String::new(), |runs| format!(" of {runs} runs"));
            let message = format!(
                "no orthogonal array{what} is known here for factors with {} levels",
                counts.join(", ")
            );
            let works: Vec<String> = orthogonal_array_runs(levels).iter().map(usize::to_string).collect();
            let help = if works.is_empty() {
                "make the numbers of levels alike, leave a factor out, or give a \"list\" of your own".to_owned()
            } else {
                format!("there are arrays of {} runs", join(&works, "and"))
            };
            self.say(desk, "runs", "P082", message, help);
        }
        found
    }

    fn list(&self, desk: &mut Desk<'_>, factors: &[Factor]) -> Option<Vec<Vec<usize>>> {
        let items = self.tree.list("combinations");
        if items.is_empty() {
            let names: Vec<String> = self
                .own
                .iter()
                .map(|&f| format!("a level of `{}`", factors[f].name))
                .collect();
            let message = "the list of combinations is missing".to_owned();
            let help = format!("add `combinations = [[...], ...]`, each of {}", join(&names, "and"));
            self.say(desk, "combinations", "P088", message, help);
            return None;
        }
        if items.len() > LISTED {
            let message = format!(
                "a list of {} combinations is too long; {LISTED} are allowed",
                items.len()
            );
            let help = "let combinations come back by `replicates`";
            self.say(desk, "combinations", "P088", message, help.to_owned());
            return None;
        }
        let mut is_sound = true;
        let mut rows = Vec::new();
        for item in items {
            let cells = item.list();
            if cells.len() != self.own.len() {
                is_sound = false;
                let message = format!("this combination has {} levels, not {}", cells.len(), self.own.len());
                let names: Vec<String> = self.own.iter().map(|&f| format!("`{}`", factors[f].name)).collect();
                let help = format!("one level each of {}", join(&names, "and"));
                desk.say(Diagnostic::error("P088", message).help(help), item.span.clone(), "");
                continue;
            }
            let mut row = Vec::new();
            for (&factor, cell) in self.own.iter().zip(cells) {
                let Some(level) = level_of(&factors[factor], cell) else {
                    is_sound = false;
                    let message = format!("this is not a level of `{}`", factors[factor].name);
                    let help = format!("its levels are {}", factors[factor].levels.join(", "));
                    desk.say(Diagnostic::error("P088", message).help(help), cell.span.clone(), "");
                    continue;
                };
                row.push(level);
            }
            rows.push(row);
        }
        if !is_sound {
            return None;
        }
        for (place, &factor) in self.own.iter().enumerate() {
            let unused = (0..factors[factor].levels.len()).find(|&level| rows.iter().all(|row| row[place] != level));
            if let Some(level) = unused {
                is_sound = false;
                let (name, level) = (&factors[factor].name, &factors[factor].levels[level]);
                let message = format!("the level {level} of `{name}` stands in no combination");
                let help = "use each level, or take it out of `levels`";
                self.say(desk, "combinations", "P088", message, help.to_owned());
            }
        }
        is_sound.then_some(rows)
    }

    /// Adds centre points to the rows and their level to the factors; their number.
    fn centre(&self, desk: &mut Desk<'_>, factors: &mut [Factor], rows: &mut Vec<Vec<usize>>) -> Option<usize> {
        let Some(count) = self.tree.whole("centre_points").map(|count| count as usize) else {
            return Some(0);
        };
        if !matches!(
            self.treatments,
            Treatments::FullFactorial | Treatments::Fraction | Treatments::Screening
        ) {
            return Some(0);
        }
        let numeric: Vec<bool> = self.own.iter().map(|&f| factors[f].is_numeric()).collect();
        let is_two_level = self.own.iter().all(|&f| factors[f].levels.len() == 2);
        if !numeric.contains(&true) || !is_two_level {
            let message =
                "centre points lie between the two levels of numeric factors; there are none here, or with more levels";
            let help = "give the factors `scale = \"numeric\"` and two levels each, or take `centre_points` out";
            self.say(desk, "centre_points", "P090", message.to_owned(), help.to_owned());
            return None;
        }
        // Categories have no middle: centre points are run at each combination of them.
        let categories = numeric.iter().filter(|&&is_numeric| !is_numeric).count();
        if categories > 12 || count % (1 << categories) != 0 {
            let message =
                format!("{count} centre points do not go evenly into the combinations of {categories} categories");
            let help = "categories have no middle, so that centre points are run at each combination of their levels; give a \
                        multiple of that number";
            self.say(desk, "centre_points", "P090", message, help.to_owned());
            return None;
        }
        let sides = whole(&vec![2; categories]);
        for point in 0..count {
            let mut side = sides[point % sides.len()].iter();
            rows.push(
                numeric
                    .iter()
                    .map(|&is_numeric| {
                        if is_numeric {
                            2
                        } else {
                            side.next().copied().unwrap_or(0)
                        }
                    })
                    .collect(),
            );
        }
        for (&factor, _) in self.own.iter().zip(&numeric).filter(|(_, is_numeric)| **is_numeric) {
            let factor = &mut factors[factor];
            if let Some([low, high]) = factor.numbers.as_deref() {
                let middle = ((low + high) / Decimal::TWO).normalize();
                factor.levels.push(middle.to_string());
                factor.numbers.as_mut()?.push(middle);
                factor.centre = Some(2);
            }
        }
        Some(count)
    }

    /// The factors of the set that an effect holds, and the others.
    pub(super) fn parts(&self, effect: &[FactorId]) -> (u32, Effect) {
        let mut mask = 0;
        let mut others = Vec::new();
        for factor in effect {
            match self.own.iter().position(|own| own == factor) {
                Some(place) => mask |= 1 << place,
                None => others.push(*factor),
            }
        }
        (mask, others)
    }

    /// Planned effects must be told apart from one another, from a constant and from blocks.
    fn check_planned(&self, desk: &mut Desk<'_>, factors: &[Factor], set: &TreatmentSet) {
        let Some(words) = &set.words else { return };
        let at = self
            .root
            .tree("analysis")
            .map_or_else(|| at(self.tree), |tree| tree.span("planned"));
        let name = |effect: &[FactorId]| {
            let names: Vec<&str> = effect.iter().map(|&f| factors[f].name.as_str()).collect();
            format!("`{}`", names.join(" × "))
        };
        let all = span(words);
        let spent = span(&set.block_words);
        let mut shared: Vec<String> = Vec::new();
        for (index, effect) in self.planned.iter().enumerate() {
            let (mask, others) = self.parts(effect);
            if mask == 0 {
                continue;
            }
            let own = aliases(mask, &all);
            let is_constant = own.iter().any(|alias| alias.factors == 0);
            let is_spent = others.is_empty()
                && spent
                    .iter()
                    .any(|word| word.factors == mask || own.iter().any(|a| a.factors == word.factors));
            if is_constant || is_spent {
                let what = if is_constant {
                    "is constant over the runs"
                } else {
                    "is confounded with blocks"
                };
                let message = format!("the planned effect {} {what}", name(effect));
                let help = "plan other effects, take more runs, or confound another interaction";
                desk.say(Diagnostic::error("P094", message).help(help), at.clone(), "");
                continue;
            }
            for other in &self.planned[..index] {
                let (second, rest) = self.parts(other);
                if rest == others && own.iter().any(|alias| alias.factors == second) {
                    let message = format!(
                        "the planned effects {} and {} share one estimate: these runs cannot tell them apart",
                        name(other),
                        name(effect)
                    );
                    let help = "take more runs or a higher `resolution`, give `generators` that part them, or plan one of the two";
                    desk.say(Diagnostic::error("P091", message).help(help), at.clone(), "");
                }
            }
            let low: Vec<String> = own
                .iter()
                .filter(|alias| alias.length() + others.len() <= 2)
                .map(|alias| {
                    let mut with: Effect = (0..self.own.len())
                        .filter(|place| alias.factors >> place & 1 == 1)
                        .map(|place| self.own[place])
                        .chain(others.iter().copied())
                        .collect();
                    with.sort_unstable();
                    with
                })
                .filter(|effect| !self.planned.contains(effect))
                .map(|effect| name(&effect))
                .collect();
            if !low.is_empty() {
                shared.push(format!("{} with {}", name(effect), join(&low, "and")));
            }
        }
        if !shared.is_empty() {
            let more = shared.len().saturating_sub(4);
            shared.truncate(4);
            if more > 0 {
                shared.push(format!("{more} more"));
            }
            let message = format!("planned effects share their estimate: {}", shared.join("; "));
            let help = "what is found may be either, or the sum of both; a fold-over, more runs or a higher `resolution` part them";
            // Who writes that the model has no interactions has thought of them.
            let is_meant = self.root.tree("analysis").is_some_and(|analysis| {
                analysis.given("interactions") && analysis.whole("interactions").is_some_and(|order| order <= 1)
            });
            let said = if is_meant {
                Diagnostic::note("P092", message)
            } else {
                Diagnostic::warning("P092", message)
            };
            desk.say(said.help(help), at, "");
        }
    }
}

/// The lengths of all words.
fn pattern(words: &[Word], factors: usize) -> Vec<usize> {
    word_lengths(&span(words), factors)
}

/// Every combination of level indices, the last factor fastest.
pub(super) fn whole(levels: &[usize]) -> Vec<Vec<usize>> {
    levels.iter().fold(vec![Vec::new()], |rows, &count| {
        rows.iter()
            .flat_map(|row| (0..count).map(move |level| [&row[..], &[level]].concat()))
            .collect()
    })
}

fn wide(rows: Vec<Vec<u8>>) -> Vec<Vec<usize>> {
    rows.into_iter()
        .map(|row| row.into_iter().map(usize::from).collect())
        .collect()
}

/// The level that a cell of a list names.
pub(super) fn level_of(factor: &Factor, cell: &Item) -> Option<usize> {
    let (text, number) = match &cell.value {
        Value::Number(number) => (number.text.as_str(), Some(number.decimal)),
        Value::Text(text) => (text.as_str(), None),
        _ => return None,
    };
    let same_number = |level: usize| {
        factor
            .numbers
            .as_ref()
            .and_then(|numbers| numbers.get(level).copied())
            .zip(number)
            .is_some_and(|(a, b)| a == b)
    };
    (0..factor.levels.len()).find(|&level| factor.levels[level] == text || same_number(level))
}
