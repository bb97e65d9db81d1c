//! Every value that a note may pull in, by name, rounded as the report prints it.
//!
//! Names are dotted paths: `hardness.contrasts.instrument.A.B.difference`. A level with blanks or dots stands in the
//! path as it is written in the protocol, without the unit of its factor.

use std::collections::BTreeMap;

use crate::analysis::ResponseFindings;

use super::number::{self, degrees, fixed, p_value, percent, with_unit};
use super::words::{self, Voice};

/// A list under construction.
pub(super) struct Names(pub(super) BTreeMap<String, String>);

impl Names {
    /// Adds a value; the first one with a name stays.
    pub(super) fn add(&mut self, name: String, value: impl Into<String>) {
        self.0.entry(name).or_insert_with(|| value.into());
    }

    fn maybe(&mut self, name: String, value: Option<f64>, print: impl Fn(f64) -> String) {
        if let Some(value) = value {
            self.add(name, print(value));
        }
    }

    /// An estimate with its error and interval: `.{what}`, `.standard_error`, `.interval`, `.low`, `.high`, `.df`.
    fn estimate(
        &mut self,
        at: &str,
        what: &str,
        unit: &str,
        value: f64,
        (error, df, low, high): (Option<f64>, Option<f64>, Option<f64>, Option<f64>),
    ) {
        let place = words::place(value, error);
        let print = |v: f64| with_unit(&fixed(v, place), unit);
        self.add(format!("{at}.{what}"), print(value));
        self.maybe(format!("{at}.standard_error"), error, print);
        self.maybe(format!("{at}.low"), low, print);
        self.maybe(format!("{at}.high"), high, print);
        self.maybe(format!("{at}.df"), df, degrees);
        if let Some((low, high)) = low.zip(high) {
            self.add(
                format!("{at}.interval"),
                with_unit(&Voice::interval(low, high, place), unit),
            );
        }
    }

    /// Every value of one response.
    pub(super) fn response(&mut self, name: &str, found: &ResponseFindings, voice: &Voice) {
        let unit = voice.unit.as_str();
        self.add(format!("{name}.unit"), unit);
        self.add(format!("{name}.runs"), found.runs.to_string());
        self.add(format!("{name}.readings"), found.readings.to_string());
        self.add(format!("{name}.missing"), found.missing.to_string());
        self.add(format!("{name}.confidence"), number::confidence(found.confidence));
        self.maybe(format!("{name}.relevant"), found.relevant, |v| {
            with_unit(&number::exact(v), unit)
        });
        let mean = &found.grand_mean;
        let rest = (mean.standard_error, mean.df, mean.low, mean.high);
        self.estimate(&format!("{name}.mean"), "value", unit, mean.mean, rest);
        for mean in &found.means {
            let path: Vec<String> = mean
                .levels
                .iter()
                .map(|(f, l)| format!("{f}.{}", voice.bare_level(f, l)))
                .collect();
            let at = format!("{name}.means.{}", path.join("."));
            self.add(format!("{at}.n"), mean.n.to_string());
            let rest = (mean.standard_error, mean.df, mean.low, mean.high);
            self.estimate(&at, "mean", unit, mean.mean, rest);
        }
        for c in &found.contrasts {
            let within: Vec<String> = c
                .within
                .iter()
                .map(|(f, l)| format!(".at.{f}.{}", voice.bare_level(f, l)))
                .collect();
            let within = within.concat();
            let (from, to) = (voice.bare_level(&c.factor, &c.from), voice.bare_level(&c.factor, &c.to));
            let at = format!("{name}.contrasts.{}.{from}.{to}{within}", c.factor);
            self.estimate(
                &at,
                "difference",
                unit,
                c.difference,
                (c.standard_error, c.df, c.low, c.high),
            );
            self.maybe(format!("{at}.p"), c.p, p_value);
            self.maybe(format!("{at}.p_adjusted"), c.p_adjusted, p_value);
            if let Some(together) = &c.together {
                let place = words::place(c.difference, c.standard_error);
                for (what, end) in [("low", together.low), ("high", together.high)] {
                    self.add(format!("{at}.together.{what}"), with_unit(&fixed(end, place), unit));
                }
            }
            self.add(format!("{at}.sentence"), voice.contrast(c));
        }
        for s in &found.slopes {
            let at = format!("{name}.slopes.{}", s.factor);
            let rest = (s.standard_error, s.df, s.low, s.high);
            self.estimate(&at, "per_unit", &voice.slope_unit(s), s.per_unit, rest);
            self.maybe(format!("{at}.p"), s.p, p_value);
            self.add(format!("{at}.sentence"), voice.slope(s));
        }
        for e in &found.effects {
            // A departure from a straight line has a name of its own beside the effect of the same factors.
            let extra = if e.term.contains('(') { ".departure" } else { "" };
            let at = format!("{name}.effects.{}{extra}", e.factors.join("."));
            self.add(format!("{at}.df"), e.df.to_string());
            self.maybe(format!("{at}.denominator_df"), e.denominator_df, degrees);
            self.maybe(format!("{at}.f"), e.f, |f| number::significant(f, 3));
            self.maybe(format!("{at}.p"), e.p, p_value);
            self.maybe(format!("{at}.p_adjusted"), e.p_adjusted, p_value);
            self.maybe(format!("{at}.p_randomization"), e.p_randomization, p_value);
        }
        for c in &found.components {
            let at = format!("{name}.components.{}", c.source);
            let place = super::spread::component_place(c);
            let print = |v: f64| with_unit(&fixed(v, place), unit);
            self.maybe(format!("{at}.standard_deviation"), c.standard_deviation, print);
            self.maybe(format!("{at}.low"), c.low, print);
            self.maybe(format!("{at}.high"), c.high, print);
            self.maybe(format!("{at}.share"), c.share, percent);
        }
        for part in ["method", "product"] {
            let shares: Vec<f64> = found
                .components
                .iter()
                .filter(|c| c.part_of == part)
                .filter_map(|c| c.share)
                .collect();
            if !shares.is_empty() {
                self.add(format!("{name}.spread.{part}.share"), percent(shares.iter().sum()));
            }
        }
        self.maybe(
            format!("{name}.residual.standard_deviation"),
            found.residual.standard_deviation,
            |v| with_unit(&number::significant(v, 3), unit),
        );
        self.add(format!("{name}.residual.df"), found.residual.df.to_string());
    }
}
