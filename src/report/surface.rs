//! A quadratic surface in words, a table and a figure.
//!
//! In:  the finding. Out: sentences, a table of its coefficients, a figure of its height.

use std::fmt::Write as _;

use crate::analysis::{ResponseFindings, SurfaceFinding, SurfaceShape, TurningPoint};
use crate::chart::{Head, SurfaceChart, Turning};

use super::document::{Cell, Picture, Table};
use super::figures::{picture, quantity};
use super::number::{self, Place, fixed, p_equals, with_unit};
use super::words::{Voice, capital, count, listed, place, plain, short};

impl Voice {
    /// What the surface looks like, and where it turns.
    pub(super) fn surface(&self, found: &SurfaceFinding) -> String {
        let names: Vec<String> = found.factors.iter().map(|f| plain(&f.factor)).collect();
        let over = listed(&names);
        let mut text = match (found.shape, &found.turning_point) {
            (SurfaceShape::Maximum | SurfaceShape::Minimum | SurfaceShape::Saddle, Some(point)) => {
                let what = match found.shape {
                    SurfaceShape::Maximum => "a maximum",
                    SurfaceShape::Minimum => "a minimum",
                    _ => "a saddle: it rises one way and falls the other; it lies level",
                };
                self.turning(&over, what, point, found)
            }
            (SurfaceShape::Ridge, _) => format!(
                "Over {over} the response runs along a ridge: one way it bends, another way no bend is told apart from none. \
                 Where it turns is not determined."
            ),
            _ => format!(
                "Over {over} no bend of the response is told apart from none, so it is not determined whether and where it turns."
            ),
        };
        if let Some(lack) = &found.lack_of_fit {
            let against = count(lack.pure_error_df, "degree of freedom", "degrees of freedom");
            let test = format!("{} on {against}", p_equals(lack.p));
            let _ = if lack.p <= 1.0 - self.confidence {
                write!(
                    text,
                    " The surface does not fit: it leaves over more than repeated settings differ by ({test})."
                )
            } else {
                write!(text, " No lack of fit is seen against repeated settings ({test}).")
            };
        }
        text
    }

    fn turning(&self, over: &str, what: &str, point: &TurningPoint, found: &SurfaceFinding) -> String {
        let places: Vec<String> = point
            .at
            .iter()
            .zip(&found.factors)
            .map(|(at, factor)| {
                let place = Place::of_digits(factor.half_span, 3);
                let value = with_unit(&fixed(at.value, place), &factor.unit);
                let interval = match (at.low, at.high) {
                    (Some(low), Some(high)) => Self::interval(low, high, place),
                    _ => "not determined".to_owned(),
                };
                format!("{} {value} ({interval})", plain(&at.factor))
            })
            .collect();
        let middle = found.coefficients.first();
        let place = place(point.response, middle.map(|c| c.standard_error));
        let response = with_unit(&fixed(point.response, place), &self.unit);
        let mut text = format!("Over {over} the response has {what} at {}", listed(&places));
        if point.inside {
            text.push_str(", inside the levels studied");
        } else {
            text.push_str(", outside the levels studied, where nothing was seen");
        }
        let _ = write!(
            text,
            "; there the surface reads {response} (in parentheses: {} for all together).",
            self.interval_name()
        );
        text
    }
}

/// The coefficients.
pub(super) fn table(response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Table> {
    let surface = found.surface.as_ref()?;
    let rows = surface
        .coefficients
        .iter()
        .map(|c| {
            let place = place(c.value, Some(c.standard_error));
            vec![
                Cell::words(capital(&plain(&c.term))),
                Cell::number(fixed(c.value, place), c.value),
                Cell::number(fixed(c.standard_error, place), c.standard_error),
                Cell::words(Voice::interval(c.low, c.high, place)),
            ]
        })
        .collect();
    let interval = format!(">{}", capital(&voice.interval_name()));
    let columns = ["Term", ">Coefficient", ">Standard error", interval.as_str()];
    let coding: Vec<String> = surface
        .factors
        .iter()
        .map(|f| {
            let middle = with_unit(&short(f.middle), &f.unit);
            format!(
                "{} counts from {middle} in steps of {}",
                plain(&f.factor),
                short(f.half_span)
            )
        })
        .collect();
    Some(
        Table::new(
            format!("{response}-surface"),
            format!("Surface of {}", quantity(response, voice)),
            &columns,
        )
        .group("", rows)
        .remark(format!(
            "Coded factors: {}. Standard deviation about the surface: {} on {}.",
            listed(&coding),
            number::significant(surface.standard_deviation, 3),
            count(surface.df, "degree of freedom", "degrees of freedom")
        )),
    )
}

/// Where is the response high, and where low?
pub(super) fn figure(response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Picture> {
    let surface = found.surface.as_ref()?;
    let map = surface.map.as_ref()?;
    let of = |name: &str| surface.factors.iter().find(|f| f.factor == name);
    let titled = |name: &str| {
        let unit = of(name).map_or("", |f| f.unit.as_str());
        let name = capital(&plain(name));
        if unit.is_empty() {
            name
        } else {
            format!("{name} ({unit})")
        }
    };
    let (across, up) = (plain(&map.across), plain(&map.up));
    let response_name = plain(response);
    let title = match (surface.shape, &surface.turning_point) {
        (SurfaceShape::Maximum, Some(p)) if p.inside => {
            format!(
                "{} is highest inside the levels of {across} and {up}",
                capital(&response_name)
            )
        }
        (SurfaceShape::Minimum, Some(p)) if p.inside => {
            format!(
                "{} is lowest inside the levels of {across} and {up}",
                capital(&response_name)
            )
        }
        (SurfaceShape::Maximum | SurfaceShape::Minimum, _) => format!(
            "{} turns outside the levels of {across} and {up}",
            capital(&response_name)
        ),
        (SurfaceShape::Saddle, _) => format!("{} has a saddle over {across} and {up}", capital(&response_name)),
        (SurfaceShape::Ridge, _) => format!("{} runs along a ridge over {across} and {up}", capital(&response_name)),
        (SurfaceShape::NotDetermined, _) => {
            format!("Where {response_name} turns over {across} and {up} is not determined")
        }
    };
    let number = |result: &crate::analysis::RunResult, name: &str| -> Option<f64> {
        voice.bare_level(name, result.levels.get(name)?).parse().ok()
    };
    let mut runs: Vec<(f64, f64)> = found
        .results
        .iter()
        .filter_map(|r| Some((number(r, &map.across)?, number(r, &map.up)?)))
        .collect();
    runs.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    runs.dedup();
    // A point is drawn where it is determined and lies on the map.
    let turning = surface.turning_point.as_ref().filter(|p| p.inside).and_then(|point| {
        let at = |name: &str| point.at.iter().find(|at| at.factor == name);
        let (x, y) = (at(&map.across)?, at(&map.up)?);
        let ends = |c: &crate::analysis::TurningCoordinate| c.low.zip(c.high);
        (ends(x).is_some() && ends(y).is_some()).then(|| Turning {
            at: (x.value, y.value),
            across: ends(x),
            up: ends(y),
        })
    });
    let mut caption = format!(
        "Lines: equal {} by the fitted surface, with its value. Squares: settings that were run.",
        quantity(response, voice)
    );
    if turning.is_some() {
        let _ = write!(
            caption,
            " Disc: where the surface turns; its lines: {} for all factors together.",
            voice.interval_name()
        );
    }
    if !map.held.is_empty() {
        let held: Vec<String> = map
            .held
            .iter()
            .map(|(name, value)| {
                let unit = of(name).map_or("", |f| f.unit.as_str());
                format!("{} at {}", plain(name), with_unit(&short(*value), unit))
            })
            .collect();
        let _ = write!(caption, " Held: {}.", listed(&held));
    }
    let heights = || map.response.iter().flatten().copied();
    let (low, high) = heights().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let head = Head {
        name: format!("{response}-surface"),
        description: format!(
            "{title}. Over the levels studied the surface lies between {} and {}. {}",
            number::significant(low, 4),
            with_unit(&number::significant(high, 4), &voice.unit),
            voice.surface(surface)
        ),
        title,
    };
    let chart = SurfaceChart {
        across: titled(&map.across),
        up: titled(&map.up),
        across_values: map.across_values.clone(),
        up_values: map.up_values.clone(),
        heights: map.response.clone(),
        runs,
        turning,
    };
    Some(picture(chart.draw(&head), caption))
}
