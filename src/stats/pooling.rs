//! Several sites' estimates of one quantity: what they say together, and whether they agree.
//!
//! In:  one estimate a site with its squared standard error (and, where it is known, the degrees of freedom of that error);
//!      all in one unit, of one coding, over one span. Out: means, tests and variances in the unit of the estimates.
//!
//! | name       | symbol | meaning                                                            |
//! |------------|--------|--------------------------------------------------------------------|
//! | `estimate` | yᵢ     | estimate of site i, i = 1 … k                                      |
//! | `variance` | uᵢ²    | its squared standard error, > 0                                    |
//! | `df`       | νᵢ     | degrees of freedom of uᵢ², > 0, ∞ for a known one                  |
//! | weight     | wᵢ     | 1/uᵢ²; with a variance between sites wᵢ* = 1/(uᵢ² + τ²)            |
//! | `between`  | τ²     | variance of the true values over sites, ≥ 0                        |
//! | `level`    | 1 − α  | of two-sided intervals, 0 to 1                                     |
//!
//! Sources: Cochran (1954), Biometrics 10:101 (Q); `DerSimonian` and Laird (1986), Control. Clin. Trials 7:177; Paule and
//! Mandel (1982), J. Res. NBS 87:377; Viechtbauer (2005), J. Educ. Behav. Statist. 30:261 (restricted likelihood) and (2007),
//! Statist. Med. 26:37 (interval of τ² from Q); Hartung and Knapp (2001), Statist. Med. 20:3875; Higgins, Thompson and
//! Spiegelhalter (2009), J. R. Statist. Soc. A 172:137 (a further site); Welch (1951), Biometrika 38:330, and Johansen (1980),
//! Biometrika 67:85 (agreement where every site has an error of its own). Volumes and pages from memory. Reference values:
//! tests/reference/pooled-sites, and closed forms.
//!
//! Never here: which of the means is told to people.

use crate::numeric::distribution::{chi2_quantile_lower, chi2_quantile_upper, chi2_upper, f_upper, t_quantile_upper};
use crate::numeric::{Cholesky, Matrix, bracketed_zero, sum};

/// One site's estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiteEstimate {
    /// The estimate.
    pub estimate: f64,
    /// Its squared standard error.
    pub variance: f64,
    /// Degrees of freedom of the error.
    pub df: f64,
}

/// A mean over sites.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiteMean {
    /// The mean.
    pub mean: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Degrees of freedom of the error.
    pub df: f64,
}

impl SiteMean {
    /// Two-sided interval by the t distribution.
    #[must_use]
    pub fn interval(&self, level: f64) -> (f64, f64) {
        let reach = t_quantile_upper(0.5 * (1.0 - level), self.df) * self.standard_error;
        (self.mean - reach, self.mean + reach)
    }
}

/// How far the estimates scatter beyond their errors, the errors taken as known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    /// Q = Σ wᵢ(yᵢ − ȳ)².
    pub q: f64,
    /// k − 1.
    pub df: f64,
    /// Upper tail of chi-square. Too small where errors rest on few degrees of freedom.
    pub p: f64,
    /// I² = max(0, (Q − (k − 1))/Q): the share of the scatter that the errors do not account for. It grows with the precision
    /// of the sites and is no size of the differences between them; τ is.
    pub share_beyond_error: f64,
}

/// A test that several sites have the same true values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    /// Variance ratio.
    pub f: f64,
    /// Degrees of freedom above.
    pub df1: f64,
    /// Degrees of freedom below; infinite for known errors.
    pub df2: f64,
    /// Upper tail.
    pub p: f64,
}

/// How the variance between sites is estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BetweenSites {
    /// `DerSimonian` and Laird: from Q.
    Moments,
    /// Paule and Mandel: the generalised Q is what is expected.
    PauleMandel,
    /// Restricted maximum likelihood.
    Restricted,
}

impl BetweenSites {
    /// Every one, with its name.
    pub const ALL: [(Self, &'static str); 3] = [
        (Self::Moments, "DerSimonian-Laird"),
        (Self::PauleMandel, "Paule-Mandel"),
        (Self::Restricted, "restricted likelihood"),
    ];
}

/// The mean of a population of sites, of which these are taken as drawn at random.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RandomSites {
    /// Number of sites.
    pub sites: usize,
    /// τ².
    pub between: f64,
    /// μ̂ = Σw*y/Σw*.
    pub mean: f64,
    /// 1/√Σw*.
    pub plain_error: f64,
    /// √[Σw*(y − μ̂)²/((k − 1)Σw*)], by Hartung and Knapp; may come out smaller than the plain one.
    pub scatter_error: f64,
}

impl RandomSites {
    /// The larger of the two standard errors (common practice: the second one must not make the mean look more certain).
    #[must_use]
    pub fn standard_error(&self) -> f64 {
        self.plain_error.max(self.scatter_error)
    }

    /// Interval of the mean with the larger error, t on k − 1.
    #[must_use]
    pub fn interval(&self, level: f64) -> (f64, f64) {
        self.interval_with(self.standard_error(), level)
    }

    /// Interval of the mean with an error of one's choice, t on k − 1.
    #[must_use]
    pub fn interval_with(&self, error: f64, level: f64) -> (f64, f64) {
        let reach = t_quantile_upper(0.5 * (1.0 - level), self.sites as f64 - 1.0) * error;
        (self.mean - reach, self.mean + reach)
    }

    /// Where the true value of a further site lies: μ̂ ± t₍k−2₎ √(τ² + error²). `None` for fewer than three sites.
    #[must_use]
    pub fn further_site(&self, error: f64, level: f64) -> Option<(f64, f64)> {
        if self.sites < 3 {
            return None;
        }
        let spread = (self.between + error * error).sqrt();
        let reach = t_quantile_upper(0.5 * (1.0 - level), self.sites as f64 - 2.0) * spread;
        Some((self.mean - reach, self.mean + reach))
    }
}

/// Whether there is anything to pool: two sites or more, finite estimates, positive finite variances.
fn is_sound(sites: &[SiteEstimate]) -> bool {
    sites.len() >= 2
        && sites
            .iter()
            .all(|s| s.estimate.is_finite() && s.variance > 0.0 && s.variance.is_finite() && s.df > 0.0)
}

/// Weights 1/(u² + τ²), their sum, and the mean with them.
fn weigh(sites: &[SiteEstimate], between: f64) -> (Vec<f64>, f64, f64) {
    let weights: Vec<f64> = sites.iter().map(|s| 1.0 / (s.variance + between)).collect();
    let total = sum::sum(&weights);
    // About the first estimate, so that a large common offset costs no digits.
    let first = sites[0].estimate;
    let away: Vec<f64> = sites.iter().map(|s| s.estimate - first).collect();
    let mean = first + sum::dot(&weights, &away) / total;
    (weights, total, mean)
}

/// Σ(yᵢ − μ̂)²/(uᵢ² + τ²), which falls as τ² grows.
fn generalised_q(sites: &[SiteEstimate], between: f64) -> f64 {
    let (weights, _, mean) = weigh(sites, between);
    sites
        .iter()
        .zip(&weights)
        .map(|(s, w)| w * (s.estimate - mean).powi(2))
        .sum()
}

/// Range of the estimates, squared.
fn squared_range(sites: &[SiteEstimate]) -> f64 {
    let first = sites[0].estimate;
    let (low, high) = sites
        .iter()
        .map(|s| s.estimate - first)
        .fold((0.0_f64, 0.0_f64), |(low, high), y| (low.min(y), high.max(y)));
    (high - low).powi(2)
}

/// The mean with weights 1/uᵢ²: s.e. 1/√Σw, its degrees of freedom by Satterthwaite, (Σw)²/Σ(w²/ν).
///
/// It is the best guess of one true value that all sites share. `None` for fewer than two sites or a variance that is none.
pub fn weighted_mean(sites: &[SiteEstimate]) -> Option<SiteMean> {
    if !is_sound(sites) {
        return None;
    }
    let (weights, total, mean) = weigh(sites, 0.0);
    let by_df: f64 = weights.iter().zip(sites).map(|(w, s)| w * w / s.df).sum();
    Some(SiteMean {
        mean,
        standard_error: (1.0 / total).sqrt(),
        df: total * total / by_df,
    })
}

/// The plain mean of the sites, each with the same say: s.e. √Σu²/k, degrees of freedom (Σu²)²/Σ(u⁴/ν).
///
/// It describes these sites whether or not they agree. `None` as for `weighted_mean`.
pub fn plain_mean(sites: &[SiteEstimate]) -> Option<SiteMean> {
    if !is_sound(sites) {
        return None;
    }
    let first = sites[0].estimate;
    let away: Vec<f64> = sites.iter().map(|s| s.estimate - first).collect();
    let total: f64 = sites.iter().map(|s| s.variance).sum();
    let by_df: f64 = sites.iter().map(|s| s.variance * s.variance / s.df).sum();
    Some(SiteMean {
        mean: first + sum::mean(&away),
        standard_error: total.sqrt() / sites.len() as f64,
        df: total * total / by_df,
    })
}

/// One site's estimate minus another's: s.e. √(u₁² + u₂²), degrees of freedom by Welch.
pub fn difference(to: &SiteEstimate, from: &SiteEstimate) -> SiteMean {
    let total = to.variance + from.variance;
    SiteMean {
        mean: to.estimate - from.estimate,
        standard_error: total.sqrt(),
        df: total * total / (to.variance.powi(2) / to.df + from.variance.powi(2) / from.df),
    }
}

/// Cochran's Q with I². `None` as for `weighted_mean`.
pub fn scatter(sites: &[SiteEstimate]) -> Option<Scatter> {
    if !is_sound(sites) {
        return None;
    }
    let q = generalised_q(sites, 0.0);
    let df = sites.len() as f64 - 1.0;
    Some(Scatter {
        q,
        df,
        p: chi2_upper(q, df),
        share_beyond_error: if q > df { (q - df) / q } else { 0.0 },
    })
}

/// τ² by one of the methods. `None` as for `weighted_mean`.
pub fn between_sites(sites: &[SiteEstimate], method: BetweenSites) -> Option<f64> {
    if !is_sound(sites) {
        return None;
    }
    let df = sites.len() as f64 - 1.0;
    let most = 4.0 * squared_range(sites);
    Some(match method {
        BetweenSites::Moments => {
            let (weights, total, _) = weigh(sites, 0.0);
            let squares: f64 = weights.iter().map(|w| w * w).sum();
            ((generalised_q(sites, 0.0) - df) / (total - squares / total)).max(0.0)
        }
        BetweenSites::PauleMandel => {
            if generalised_q(sites, 0.0) <= df {
                0.0
            } else {
                bracketed_zero(|between| generalised_q(sites, between) - df, 0.0, most)
            }
        }
        BetweenSites::Restricted => restricted(sites, most),
    })
}

/// τ² where the restricted likelihood is highest. It may have more than one peak: a fine net finds the right one first.
fn restricted(sites: &[SiteEstimate], most: f64) -> f64 {
    const NET: usize = 400;
    if most <= 0.0 {
        return 0.0;
    }
    let likelihood = |between: f64| -> f64 {
        let (_, total, _) = weigh(sites, between);
        let logs: f64 = sites.iter().map(|s| (s.variance + between).ln()).sum();
        -0.5 * (logs + total.ln() + generalised_q(sites, between))
    };
    let slope = |between: f64| -> f64 {
        let (weights, total, mean) = weigh(sites, between);
        let squares: f64 = weights.iter().map(|w| w * w).sum();
        let away: f64 = sites
            .iter()
            .zip(&weights)
            .map(|(s, w)| w * w * (s.estimate - mean).powi(2))
            .sum();
        away - (total - squares / total)
    };
    // From 10⁻⁹ of the bound, in equal ratios.
    let at = |step: usize| match step {
        0 => 0.0,
        step => most * 1e9_f64.powf(step as f64 / NET as f64 - 1.0),
    };
    let mut best = (0, likelihood(0.0));
    for step in 1..=NET {
        let value = likelihood(at(step));
        if value > best.1 {
            best = (step, value);
        }
    }
    let (low, high) = (at(best.0.saturating_sub(1)), at((best.0 + 1).min(NET)));
    if best.0 == 0 && slope(0.0) <= 0.0 {
        return 0.0;
    }
    let peak = bracketed_zero(slope, low, high);
    if peak.is_finite() { peak } else { at(best.0) }
}

/// Interval of τ² from the quantiles of the generalised Q: the values at which it is what chance gives. An end is 0 where Q is
/// smaller than its quantile even without a variance between sites. `None` as for `weighted_mean`.
pub fn between_interval(sites: &[SiteEstimate], level: f64) -> Option<(f64, f64)> {
    if !(is_sound(sites) && level > 0.0 && level < 1.0) {
        return None;
    }
    let df = sites.len() as f64 - 1.0;
    let tail = 0.5 * (1.0 - level);
    let at = |quantile: f64| -> f64 {
        if generalised_q(sites, 0.0) <= quantile {
            return 0.0;
        }
        let most = 2.0 * sites.len() as f64 * squared_range(sites) / quantile;
        bracketed_zero(|between| generalised_q(sites, between) - quantile, 0.0, most)
    };
    Some((at(chi2_quantile_upper(tail, df)), at(chi2_quantile_lower(tail, df))))
}

/// The mean of a population of sites at a given τ². `None` as for `weighted_mean`, or for a τ² that is none.
pub fn random_sites(sites: &[SiteEstimate], between: f64) -> Option<RandomSites> {
    if !(is_sound(sites) && between >= 0.0 && between.is_finite()) {
        return None;
    }
    let (_, total, mean) = weigh(sites, between);
    let df = sites.len() as f64 - 1.0;
    Some(RandomSites {
        sites: sites.len(),
        between,
        mean,
        plain_error: (1.0 / total).sqrt(),
        scatter_error: (generalised_q(sites, between) / (df * total)).sqrt(),
    })
}

/// Whether several sites agree in q quantities at once, every site with an error of its own.
///
/// `estimates[i]` holds the q estimates of site i, `covariances[i]` their covariance matrix, `df[i]` its degrees of freedom.
/// With q = 1 this is Welch's test, and with two sites besides the t test of a difference with Welch's degrees of freedom.
///
/// With Wᵢ the inverse covariances and W their sum: T = Σ(bᵢ − b̄)'Wᵢ(bᵢ − b̄) on r = (k − 1)q,
/// A = ½ Σ {tr[(I − W⁻¹Wᵢ)²] + [tr(I − W⁻¹Wᵢ)]²}/νᵢ, c = r + 2A − 6A/(r + 2); T/c is F on r and r(r + 2)/(3A).
///
/// `None` for fewer than two sites, shapes that differ, or a covariance matrix that is none.
pub fn agreement(estimates: &[Vec<f64>], covariances: &[Matrix], df: &[f64]) -> Option<Agreement> {
    let (sites, q) = (estimates.len(), estimates.first()?.len());
    let shapes = covariances.len() == sites
        && df.len() == sites
        && estimates
            .iter()
            .zip(covariances)
            .all(|(b, v)| b.len() == q && v.rows() == q && v.cols() == q && b.iter().all(|b| b.is_finite()));
    if sites < 2 || q == 0 || !shapes || df.iter().any(|df| !(*df > 0.0)) {
        return None;
    }
    let weights: Vec<Matrix> = covariances
        .iter()
        .map(|v| Some(Cholesky::new(v).ok()?.inverse()))
        .collect::<Option<_>>()?;
    let mut total = Matrix::zeros(q, q);
    for weight in &weights {
        for row in 0..q {
            for column in 0..q {
                total[(row, column)] += weight[(row, column)];
            }
        }
    }
    let solver = Cholesky::new(&total).ok()?;
    let away: Vec<Vec<f64>> = estimates
        .iter()
        .map(|b| b.iter().zip(&estimates[0]).map(|(b, first)| b - first).collect())
        .collect();
    let mut middle = vec![0.0; q];
    for (weight, b) in weights.iter().zip(&away) {
        middle.iter_mut().zip(weight.times(b)).for_each(|(m, wb)| *m += wb);
    }
    solver.solve(&mut middle);
    let mut distance = 0.0;
    let mut a = 0.0;
    for ((weight, b), df) in weights.iter().zip(&away).zip(df) {
        let left: Vec<f64> = b.iter().zip(&middle).map(|(b, m)| b - m).collect();
        distance += sum::dot(&left, &weight.times(&left));
        // I − W⁻¹Wᵢ, column by column.
        let mut rest = Matrix::identity(q);
        for column in 0..q {
            let mut own = weight.col(column).to_vec();
            solver.solve(&mut own);
            rest.col_mut(column).iter_mut().zip(own).for_each(|(r, o)| *r -= o);
        }
        let trace: f64 = (0..q).map(|i| rest[(i, i)]).sum();
        let squared: f64 = (0..q)
            .flat_map(|i| (0..q).map(move |j| (i, j)))
            .map(|(i, j)| rest[(i, j)] * rest[(j, i)])
            .sum();
        a += 0.5 * (squared + trace * trace) / df;
    }
    let r = ((sites - 1) * q) as f64;
    let (f, df2) = if a > 0.0 {
        (
            distance / (r + 2.0 * a - 6.0 * a / (r + 2.0)),
            r * (r + 2.0) / (3.0 * a),
        )
    } else {
        (distance / r, f64::INFINITY)
    };
    f.is_finite().then(|| Agreement {
        f,
        df1: r,
        df2,
        p: f_upper(f, r, df2),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sites(values: &[(f64, f64, f64)]) -> Vec<SiteEstimate> {
        values
            .iter()
            .map(|&(estimate, error, df)| SiteEstimate {
                estimate,
                variance: error * error,
                df,
            })
            .collect()
    }

    fn close(found: f64, expected: f64) {
        assert!(
            (found - expected).abs() <= 1e-10 * expected.abs().max(1.0),
            "{found} {expected}"
        );
    }

    /// Class: closed form. Equal errors: τ² = s² − u² by every method, the mean is the plain one, and Hartung and Knapp's error
    /// is s/√k.
    #[test]
    fn equal_errors_have_closed_forms() {
        let three = sites(&[(1.0, 0.5, 8.0), (2.0, 0.5, 8.0), (4.5, 0.5, 8.0)]);
        let variance = (1.5_f64.powi(2) + 0.5_f64.powi(2) + 2.0_f64.powi(2)) / 2.0;
        for (method, name) in BetweenSites::ALL {
            let between = between_sites(&three, method).unwrap();
            assert!((between - (variance - 0.25)).abs() < 1e-9, "{name}: {between}");
            let random = random_sites(&three, between).unwrap();
            assert!((random.mean - 2.5).abs() < 1e-12, "{name}");
            assert!((random.scatter_error - (variance / 3.0).sqrt()).abs() < 1e-9, "{name}");
            assert!((random.plain_error - random.scatter_error).abs() < 1e-9, "{name}");
        }
        let (low, high) = between_interval(&three, 0.95).unwrap();
        // Q = 2s²/(u² + τ²) equals a quantile of chi-square on 2, −2 ln(tail).
        close(low, (2.0 * variance / (-2.0 * 0.025_f64.ln()) - 0.25).max(0.0));
        close(high, 2.0 * variance / (-2.0 * 0.975_f64.ln()) - 0.25);
        let plain = plain_mean(&three).unwrap();
        close(plain.standard_error, 0.5 / 3.0_f64.sqrt());
        close(plain.df, 24.0);
        let weighted = weighted_mean(&three).unwrap();
        close(weighted.mean, plain.mean);
        close(weighted.df, 24.0);
    }

    /// Class: closed form.
    #[test]
    fn sites_that_agree_have_no_variance_between() {
        let same = sites(&[(3.0, 0.5, 8.0), (3.0, 0.2, 8.0), (3.0, 0.4, 5.0)]);
        for (method, _) in BetweenSites::ALL {
            assert_eq!(between_sites(&same, method), Some(0.0));
        }
        assert_eq!(between_interval(&same, 0.95), Some((0.0, 0.0)));
        let found = scatter(&same).unwrap();
        assert_eq!((found.q, found.p, found.share_beyond_error), (0.0, 1.0, 0.0));
    }

    /// Class: closed form. Two sites, one quantity: F is t² with Welch's degrees of freedom.
    #[test]
    fn two_sites_give_the_test_of_their_difference() {
        let two = sites(&[(1.0, 0.5, 4.0), (2.5, 0.3, 9.0)]);
        let between = difference(&two[1], &two[0]);
        close(between.df, 0.34_f64.powi(2) / (0.0625 / 4.0 + 0.0081 / 9.0));
        let one = |v: f64| Matrix::from_columns(&[vec![v]]);
        let test = agreement(&[vec![1.0], vec![2.5]], &[one(0.25), one(0.09)], &[4.0, 9.0]).unwrap();
        close(test.f, 1.5_f64.powi(2) / 0.34);
        close(test.df2, between.df);
        assert_eq!(test.df1, 1.0);
    }

    /// Class: closed form. Known errors: T is chi-square, so F·r is Q.
    #[test]
    fn known_errors_give_cochrans_q() {
        let three = sites(&[
            (0.8, 0.3, f64::INFINITY),
            (1.9, 0.4, f64::INFINITY),
            (0.4, 0.25, f64::INFINITY),
        ]);
        let estimates: Vec<Vec<f64>> = three.iter().map(|s| vec![s.estimate]).collect();
        let errors: Vec<Matrix> = three
            .iter()
            .map(|s| Matrix::from_columns(&[vec![s.variance]]))
            .collect();
        let test = agreement(&estimates, &errors, &[f64::INFINITY; 3]).unwrap();
        let q = scatter(&three).unwrap();
        close(test.f * 2.0, q.q);
        close(test.p, q.p);
    }

    /// Class: closed form. A change of coding (an invertible map of the q quantities) changes nothing.
    #[test]
    fn agreement_does_not_depend_on_the_coding() {
        let b = [vec![1.0, 0.4], vec![1.8, -0.2], vec![0.7, 0.9]];
        let v = [
            Matrix::from_columns(&[vec![0.20, 0.05], vec![0.05, 0.10]]),
            Matrix::from_columns(&[vec![0.30, -0.02], vec![-0.02, 0.15]]),
            Matrix::from_columns(&[vec![0.12, 0.01], vec![0.01, 0.22]]),
        ];
        let df = [6.0, 9.0, 4.0];
        let before = agreement(&b, &v, &df).unwrap();
        // The map (x, y) to (2x + y, y − x).
        let mapped: Vec<Vec<f64>> = b.iter().map(|b| vec![2.0 * b[0] + b[1], b[1] - b[0]]).collect();
        let covariances: Vec<Matrix> = v
            .iter()
            .map(|v| {
                let (a, c, d) = (v[(0, 0)], v[(0, 1)], v[(1, 1)]);
                let cross = -2.0 * a + c + d;
                Matrix::from_columns(&[vec![4.0 * a + 4.0 * c + d, cross], vec![cross, a - 2.0 * c + d]])
            })
            .collect();
        let after = agreement(&mapped, &covariances, &df).unwrap();
        close(after.f, before.f);
        close(after.df2, before.df2);
        assert_eq!(before.df1, 4.0);
    }

    #[test]
    fn what_cannot_be_pooled_gives_nothing() {
        assert_eq!(weighted_mean(&sites(&[(1.0, 0.5, 4.0)])), None);
        assert_eq!(scatter(&sites(&[(1.0, 0.0, 4.0), (2.0, 0.5, 4.0)])), None);
        assert_eq!(plain_mean(&sites(&[(f64::NAN, 0.5, 4.0), (2.0, 0.5, 4.0)])), None);
        let two = sites(&[(1.0, 0.5, 4.0), (2.0, 0.5, 4.0)]);
        let random = random_sites(&two, 0.1).unwrap();
        assert_eq!(random.further_site(random.plain_error, 0.95), None);
        assert_eq!(random_sites(&two, f64::NAN), None);
        let singular = Matrix::from_columns(&[vec![1.0, 1.0], vec![1.0, 1.0]]);
        let b = [vec![1.0, 2.0], vec![1.0, 3.0]];
        assert_eq!(agreement(&b, &[singular.clone(), singular], &[3.0, 3.0]), None);
    }
}
