//! Where the spread of one result comes from, in words.
//!
//! In:  the components of one response, and the `Voice` that names things.
//! Out: sentences, titles, and a component as printed: its decimals follow the width of its interval.

use crate::analysis::Component;

use super::number::{Place, fixed, percent};
use super::words::{self, Voice, listed, plain};

impl Voice {
    /// Where the spread of one result comes from, in one or two sentences; none without components.
    #[must_use]
    pub fn spread(&self, components: &[Component]) -> Vec<String> {
        let sum = |part: &str| -> f64 {
            components
                .iter()
                .filter(|c| c.part_of == part)
                .filter_map(|c| c.share)
                .sum()
        };
        let (method, product) = (sum("method"), sum("product"));
        let mut said = Vec::new();
        if method + product > 0.0 {
            let whole = if components.iter().any(|c| c.variance.is_none()) {
                "Of the spread of one result that can be told apart"
            } else {
                "Of the spread of one result"
            };
            said.push(format!(
                "{whole}, {} of the variance comes from the method{} and {} from the product{}.",
                percent(method),
                largest(components, "method"),
                percent(product),
                largest(components, "product"),
            ));
        }
        let zero = sources(components, |c| c.variance.is_some_and(|v| v <= 0.0));
        if !zero.is_empty() {
            said.push(format!("Not told apart from zero: the spread of {}.", listed(&zero)));
        }
        let unknown = sources(components, |c| c.variance.is_none());
        if !unknown.is_empty() {
            said.push(format!("Cannot be told: the spread of {}.", listed(&unknown)));
        }
        said
    }

    /// The division of the variance, for titles.
    #[must_use]
    pub fn spread_short(&self, components: &[Component]) -> Option<String> {
        let sum = |part: &str| -> f64 {
            let of_part = components.iter().filter(|c| c.part_of == part);
            of_part.filter_map(|c| c.share).sum()
        };
        let (method, product) = (sum("method"), sum("product"));
        (method + product > 0.0).then(|| {
            format!(
                "{} of the variance of one result comes from the method, {} from the product",
                percent(method),
                percent(product)
            )
        })
    }

    /// A component's standard deviation with its interval, as printed.
    #[must_use]
    pub fn component(&self, found: &Component) -> String {
        let (Some(variance), Some(deviation)) = (found.variance, found.standard_deviation) else {
            return "cannot be told".to_owned();
        };
        let place = component_place(found);
        let value = if variance <= 0.0 {
            "not told apart from zero".to_owned()
        } else {
            fixed(deviation, place)
        };
        match (found.low, found.high) {
            (Some(low), Some(high)) => format!("{value} ({})", Self::interval(low, high, place)),
            (None, Some(high)) => format!("{value} (at most {})", fixed(high, place)),
            (Some(low), None) => format!("{value} (at least {})", fixed(low, place)),
            (None, None) => value,
        }
    }
}

/// The decimal place of a component and of its interval: two significant digits of a quarter of the interval's width
/// (for that is about the standard error), else three of the standard deviation.
pub(super) fn component_place(found: &Component) -> Place {
    let width = found.high.map(|high| high - found.low.unwrap_or(0.0));
    width.and_then(|width| Place::of_error(width / 4.0)).map_or_else(
        || words::place(found.standard_deviation.unwrap_or(0.0), None),
        |place| Place(place.0.max(0)),
    )
}

fn sources(components: &[Component], test: impl Fn(&Component) -> bool) -> Vec<String> {
    components.iter().filter(|c| test(c)).map(source).collect()
}

/// A source of spread by name; of a factor it is its levels that bring spread.
#[must_use]
pub fn source(component: &Component) -> String {
    let name = plain(&component.source);
    if component.kind == "levels studied" {
        format!("the levels of {name}")
    } else {
        name
    }
}

/// The two largest sources of a part, in parentheses.
fn largest(components: &[Component], part: &str) -> String {
    let mut found: Vec<(&Component, f64)> = components
        .iter()
        .filter(|c| c.part_of == part)
        .filter_map(|c| c.share.filter(|&s| s >= 0.005).map(|s| (c, s)))
        .collect();
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    let parts: Vec<String> = found
        .iter()
        .take(2)
        .map(|(c, share)| format!("{} {}", source(c), percent(*share)))
        .collect();
    match (parts.len(), found.len()) {
        (0, _) => String::new(),
        (_, 1) => format!(" ({})", source(found[0].0)),
        _ => format!(" (most from {})", listed(&parts)),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::words::trial::{said, voice};
    use super::*;

    fn component(source: &str, part: &str, variance: Option<f64>, share: Option<f64>) -> Component {
        serde_json::from_value(json!({
            "source": source, "kind": "unit", "part_of": part, "variance": variance,
            "standard_deviation": variance.map(|v| v.max(0.0).sqrt()), "low": null, "high": null, "df": 3.0,
            "share": share, "note": null,
        }))
        .unwrap()
    }

    #[test]
    fn the_spread_is_divided_between_method_and_product() {
        let parts = [
            component("session", "method", Some(0.22), Some(0.22)),
            component("run", "method", Some(0.40), Some(0.40)),
            component("roller", "product", Some(0.38), Some(0.38)),
            component("position", "product", Some(-0.01), Some(0.0)),
        ];
        let sentences: Vec<String> = voice(None).spread(&parts).iter().map(|s| said(s)).collect();
        assert_eq!(
            sentences,
            [
                "Of the spread of one result, 62 % of the variance comes from the method (most from run 40 % and session \
                 22 %) and 38 % from the product (roller).",
                "Not told apart from zero: the spread of position."
            ]
        );
        let unknown = [
            component("session", "method", None, None),
            component("run", "method", Some(1.0), Some(1.0)),
        ];
        let sentences: Vec<String> = voice(None).spread(&unknown).iter().map(|s| said(s)).collect();
        assert_eq!(
            sentences,
            [
                "Of the spread of one result that can be told apart, 100 % of the variance comes from the method (run) \
                 and 0 % from the product.",
                "Cannot be told: the spread of session."
            ]
        );
        assert!(voice(None).spread(&[]).is_empty());
    }

    /// Source: closed form, two significant digits of a quarter of the width.
    #[test]
    fn decimals_follow_the_width_of_the_interval() {
        for (deviation, interval, text) in [
            (0.036_42, (Some(0.0), Some(0.097_64)), "0.036 (0.000 to 0.098)"),
            (0.447, (Some(0.2476), Some(1.3236)), "0.45 (0.25 to 1.32)"),
            (0.200_97, (Some(0.191_93), Some(0.210_92)), "0.2010 (0.1919 to 0.2109)"),
            (12.34, (Some(5.0), Some(85.0)), "12 (5 to 85)"),
            (12.34, (None, Some(85.0)), "12 (at most 85)"),
            (0.378, (Some(0.12), None), "0.378 (at least 0.120)"),
            (0.378, (None, None), "0.378"),
        ] {
            let mut found = component("run", "method", Some(deviation * deviation), None);
            (found.standard_deviation, found.low, found.high) = (Some(deviation), interval.0, interval.1);
            assert_eq!(voice(None).component(&found), text);
        }
    }
}
