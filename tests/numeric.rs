//! Distributions against their reference grids, and properties of the factorizations.
#![allow(missing_docs, clippy::disallowed_methods, clippy::unwrap_used, clippy::panic)]

#[path = "common/reference.rs"]
mod reference;

use proptest::prelude::*;
use reference::{Reference, close, number};
use wellrun::numeric::distribution::*;
use wellrun::numeric::{Cholesky, Matrix, Qr};

/// Published or recomputed rows of a distribution: mpmath at 60 digits, or double quadrature for the studentized range.
fn grid(case: &str, relative: f64) {
    let reference = Reference::read(case);
    for row in &reference.rows {
        let argument = |name: &str| row.get(name).and_then(|_| number(row, name)).unwrap_or(f64::NAN);
        let (x, df1, df2, shift) = (
            argument("argument"),
            argument("df1"),
            argument("df2"),
            argument("noncentrality"),
        );
        let (groups, df) = (argument("groups"), argument("df"));
        let got = match row["function"].as_str() {
            "normal_lower" => normal_lower(x),
            "normal_upper" => normal_upper(x),
            "normal_quantile_lower" => normal_quantile_lower(x),
            "t_lower" => t_lower(x, df1),
            "t_upper" => t_upper(x, df1),
            "t_quantile_upper" => t_quantile_upper(x, df1),
            "f_lower" => f_lower(x, df1, df2),
            "f_upper" => f_upper(x, df1, df2),
            "f_quantile_upper" => f_quantile_upper(x, df1, df2),
            "chi2_lower" => chi2_lower(x, df1),
            "chi2_upper" => chi2_upper(x, df1),
            "chi2_quantile_upper" => chi2_quantile_upper(x, df1),
            "noncentral_t_lower" => noncentral_t_lower(x, df1, shift),
            "noncentral_t_upper" => noncentral_t_upper(x, df1, shift),
            "noncentral_t_quantile_lower" => noncentral_t_quantile_lower(x, df1, shift),
            "noncentral_f_lower" => noncentral_f_lower(x, df1, df2, shift),
            "noncentral_f_upper" => noncentral_f_upper(x, df1, df2, shift),
            "studentized_range_upper" => studentized_range_upper(x, groups, df),
            "studentized_range_quantile_upper" => studentized_range_quantile_upper(x, groups, df),
            other => panic!("{other} is no function of this grid"),
        };
        let mut want = number(row, "value").unwrap();
        if row["function"] == "noncentral_t_lower" && want == 0.0 {
            // The grid subtracts from 1 at 60 digits and is left with 0 here. Quadrature of the definition with
            // mpmath 1.3.0 at 40 digits gives this.
            want = 4.045_688_209_489_118e-94;
        }
        close(&format!("{row:?}"), got, want, relative);
    }
}

#[test]
fn normal_grid() {
    grid("distribution-normal", 1e-12);
}

#[test]
fn t_grid() {
    grid("distribution-t", 1e-12);
}

#[test]
fn f_grid() {
    grid("distribution-f", 1e-12);
}

/// Independent: Simpson's rule on the definition, `tests/reference/many-to-one/compute.py`.
#[test]
fn many_to_one_grid() {
    let reference = Reference::read("many-to-one");
    for row in &reference.rows {
        let loadings: Vec<f64> = row["loadings"].split(' ').map(|l| l.parse().unwrap()).collect();
        let (q, df) = (number(row, "argument").unwrap(), row["df"].parse().unwrap());
        let want = number(row, "value").unwrap();
        close(&format!("{row:?}"), many_to_one_upper(q, &loadings, df), want, 1e-8);
    }
    assert_eq!(
        reference.rows.len() as f64,
        reference.number("expected", "rows_checked")
    );
    // The quantile is the other way round.
    let loadings = [0.4, 0.6, 0.8];
    let q = many_to_one_quantile_upper(0.01, &loadings, 12.0);
    close("quantile", many_to_one_upper(q, &loadings, 12.0), 0.01, 1e-11);
}

/// One row, 3.5e-522, lies below all doubles and must come out as 0.
#[test]
fn chi_square_grid() {
    grid("distribution-chi2", 1e-12);
}

#[test]
fn noncentral_t_grid() {
    grid("distribution-noncentral-t", 1e-12);
}

#[test]
fn noncentral_f_grid() {
    grid("distribution-noncentral-f", 1e-12);
}

#[test]
fn studentized_range_grid() {
    grid("distribution-studentized-range", 1e-10);
}

/// Closed form: t with 1 df is the Cauchy distribution, with 2 df algebraic; F with 2 numerator df and chi-square with 2 df
/// are algebraic and exponential. Far tails, tiny and huge df included.
#[test]
fn closed_forms_in_far_tails() {
    let pi = std::f64::consts::PI;
    for t in [1e-8, 0.3, 5.0, 1e6, 1e100] {
        close("1 df", t_upper(t, 1.0), (1.0 / t).atan() / pi, 1e-13);
        let root = (2.0 + t * t).sqrt();
        close("2 df", t_upper(t, 2.0), 1.0 / (root * (root + t)), 1e-13);
    }
    for p in [1e-200, 1e-9, 0.2, 0.499_999] {
        let tangent = if p < 0.25 {
            1.0 / (pi * p).tan()
        } else {
            (pi * (0.5 - p)).tan()
        };
        close("1 df quantile", t_quantile_upper(p, 1.0), tangent, 1e-12);
        close("chi-square quantile", chi2_quantile_upper(p, 2.0), -2.0 * p.ln(), 1e-13);
        close(
            "chi-square quantile",
            chi2_quantile_lower(p, 2.0),
            -2.0 * (-p).ln_1p(),
            1e-13,
        );
        for df in [0.5, 3.0, 1e4, 1e9] {
            // P(F > f) = (1 + 2f/df)^(−df/2)
            let want = 0.5 * df * (-2.0 / df * p.ln()).exp_m1();
            if want.is_finite() {
                close("F quantile", f_quantile_upper(p, 2.0, df), want, 1e-12);
                close("F tail", f_upper(want, 2.0, df), p, 1e-11);
            }
        }
    }
}

/// Closed form: the limits in df. At 10^12 df the distance from the limit is far below the tolerance.
#[test]
fn infinite_df_are_the_limit() {
    let inf = f64::INFINITY;
    for x in [0.1, 1.0, 3.0, 7.0] {
        close("t", t_upper(x, inf), normal_upper(x), 1e-15);
        close("t", t_upper(x, 1e12), normal_upper(x), 1e-8);
        close("F", f_upper(x, 3.0, inf), chi2_upper(3.0 * x, 3.0), 1e-14);
        close("F", f_upper(x, 3.0, 1e12), f_upper(x, 3.0, inf), 1e-8);
        close("F", f_upper(x, inf, 5.0), chi2_lower(5.0 / x, 5.0), 1e-14);
        close(
            "noncentral t",
            noncentral_t_upper(x, inf, 1.5),
            normal_upper(x - 1.5),
            1e-14,
        );
        close(
            "noncentral F",
            noncentral_f_upper(x, 4.0, 1e12, 3.0),
            noncentral_f_upper(x, 4.0, inf, 3.0),
            1e-8,
        );
        close(
            "range of two",
            studentized_range_upper(x, 2.0, inf),
            2.0 * normal_upper(x / 2f64.sqrt()),
            1e-12,
        );
        close(
            "range of two",
            studentized_range_upper(x, 2.0, 4.5),
            2.0 * t_upper(x / 2f64.sqrt(), 4.5),
            1e-12,
        );
    }
    assert_eq!(
        (f_quantile_upper(0.05, inf, inf), t_quantile_upper(0.05, inf)),
        (1.0, -normal_quantile_lower(0.05))
    );
}

/// Arguments outside the domain give NaN everywhere, never a panic or a number.
#[test]
fn out_of_domain_is_nan() {
    let nan = f64::NAN;
    let results = [
        normal_lower(nan),
        normal_quantile_lower(-0.1),
        normal_quantile_lower(1.1),
        t_upper(nan, 3.0),
        t_upper(1.0, 0.0),
        t_lower(1.0, nan),
        t_quantile_upper(0.05, -1.0),
        t_quantile_upper(nan, 3.0),
        f_upper(-1.0, 2.0, 3.0),
        f_lower(1.0, nan, 3.0),
        f_quantile_upper(0.05, 2.0, 0.0),
        f_quantile_lower(2.0, 2.0, 3.0),
        chi2_upper(-1.0, 3.0),
        chi2_lower(1.0, 0.0),
        chi2_quantile_upper(0.05, f64::INFINITY),
        chi2_quantile_lower(0.05, nan),
        noncentral_t_lower(1.0, 3.0, f64::INFINITY),
        noncentral_t_upper(1.0, -3.0, 1.0),
        noncentral_t_quantile_lower(1.5, 3.0, 1.0),
        noncentral_f_lower(1.0, 2.0, 3.0, -1.0),
        noncentral_f_upper(1.0, f64::INFINITY, 3.0, 1.0),
        studentized_range_upper(-1.0, 3.0, 5.0),
        studentized_range_upper(1.0, 1.0, 5.0),
        studentized_range_quantile_upper(0.05, 3.0, 0.0),
    ];
    for (place, result) in results.into_iter().enumerate() {
        assert!(result.is_nan(), "result {place} is {result}");
    }
    assert_eq!(
        (t_quantile_upper(0.0, 3.0), t_quantile_upper(1.0, 3.0)),
        (f64::INFINITY, f64::NEG_INFINITY)
    );
    assert_eq!(
        (chi2_quantile_upper(1.0, 3.0), f_quantile_upper(0.0, 3.0, 4.0)),
        (0.0, f64::INFINITY)
    );
    assert_eq!(
        (t_upper(f64::INFINITY, 3.0), f_lower(f64::INFINITY, 2.0, 3.0)),
        (0.0, 1.0)
    );
}

fn matrix(rows: usize, cols: usize) -> impl Strategy<Value = Matrix> {
    let column = prop::collection::vec(-10.0..10.0_f64, rows);
    prop::collection::vec(column, cols).prop_map(|columns| Matrix::from_columns(&columns))
}

proptest! {
    /// A quantile and its tail undo each other, over df from tiny to huge.
    #[test]
    fn quantiles_undo_tails(ln_p in -60.0..-0.01_f64, ln_df in -1.0..12.0_f64, ln_other in -1.0..12.0_f64) {
        let (p, df, other) = (ln_p.exp(), ln_df.exp(), ln_other.exp());
        close("t", t_upper(t_quantile_upper(p, df), df), p, 1e-10);
        for (quantile, tail) in [
            (chi2_quantile_upper(p, df), chi2_upper as fn(f64, f64) -> f64),
            (chi2_quantile_lower(p, df), chi2_lower),
        ] {
            close("chi-square", tail(quantile, df), p, 1e-9);
        }
        let f = f_quantile_upper(p, df, other);
        if f.is_finite() && f > 0.0 {
            close("F", f_upper(f, df, other), p, 1e-9);
        }
    }

    /// Residuals are perpendicular to every column; fitted values and residuals add up to y.
    #[test]
    fn least_squares_conditions(x in matrix(9, 4), y in prop::collection::vec(-10.0..10.0_f64, 9)) {
        for qr in [Qr::new(&x), Qr::in_order(&x)] {
            let fit = qr.solve(&y);
            for product in x.transpose_times(&fit.residuals) {
                prop_assert!(product.abs() < 1e-11);
            }
            for ((y, fitted), residual) in y.iter().zip(&fit.fitted).zip(&fit.residuals) {
                prop_assert!((y - fitted - residual).abs() < 1e-12);
            }
            prop_assert!((qr.leverages().iter().sum::<f64>() - qr.rank() as f64).abs() < 1e-12);
        }
    }

    /// The unit of a column changes its coefficient and nothing else.
    #[test]
    fn the_unit_of_a_column(x in matrix(7, 3), y in prop::collection::vec(-10.0..10.0_f64, 7)) {
        let scaled = Matrix::from_columns(&[x.col(0).to_vec(), x.col(1).iter().map(|v| v * 1024.0).collect(), x.col(2).to_vec()]);
        let (a, b) = (Qr::new(&x), Qr::new(&scaled));
        prop_assert_eq!(a.order(), b.order());
        let (a, b) = (a.solve(&y), b.solve(&y));
        prop_assert_eq!(a.residuals, b.residuals);
        prop_assert_eq!(a.coefficients[1].map(|c| c / 1024.0), b.coefficients[1]);
    }

    /// L Lᵀ is the matrix again, and A⁻¹A the identity.
    #[test]
    fn cholesky_rebuilds_its_matrix(x in matrix(6, 3)) {
        let mut gram = x.gram();
        for i in 0..3 {
            gram[(i, i)] += 1.0;
        }
        let factor = Cholesky::new(&gram).unwrap();
        let inverse = factor.inverse();
        for j in 0..3 {
            for i in j..3 {
                let product: f64 = (0..=j).map(|k| factor.lower()[(i, k)] * factor.lower()[(j, k)]).sum();
                prop_assert!((product - gram[(i, j)]).abs() < 1e-10);
            }
            let identity = gram.times(inverse.col(j));
            for (i, value) in identity.iter().enumerate() {
                prop_assert!((value - f64::from(u8::from(i == j))).abs() < 1e-9);
            }
        }
    }
}
