//! The zero of a monotone function of one variable.
//!
//! In:  a function and a starting point, or a bracket.
//! Out: the argument where the function changes sign, to the last bits of the argument.
//!
//! Method: bracket by doubling steps, then Brent's method (Brent 1973, "Algorithms for minimization without
//! derivatives", chapter 4): secant and inverse quadratic steps, guarded by bisection.
//! Never here: more than one zero; the caller knows that the function is monotone.

/// The zero of `f` between `low` and `high`, where `f` has opposite signs (or is zero at one end).
///
/// Relative error a few units in 10⁻¹⁶ of the argument, as far as `f` itself is accurate. Returns NaN if an end is
/// NaN or both ends have the same sign.
pub fn bracketed_zero(mut f: impl FnMut(f64) -> f64, low: f64, high: f64) -> f64 {
    let (mut a, mut b) = (low, high);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa == 0.0 {
        return a;
    }
    if fb == 0.0 {
        return b;
    }
    if fa.is_nan() || fb.is_nan() || (fa > 0.0) == (fb > 0.0) {
        return f64::NAN;
    }
    // b is the best point, c the end of the other sign, `step` the last step and `before` the one before it
    let (mut c, mut fc) = (a, fa);
    let mut step = b - a;
    let mut before = step;
    for _ in 0..400 {
        if (fb > 0.0) == (fc > 0.0) {
            (c, fc) = (a, fa);
            step = b - a;
            before = step;
        }
        if fc.abs() < fb.abs() {
            (a, b, c) = (b, c, b);
            (fa, fb, fc) = (fb, fc, fb);
        }
        let tolerance = f64::EPSILON * b.abs() + f64::MIN_POSITIVE;
        let half = 0.5 * (c - b);
        if half.abs() <= tolerance || fb == 0.0 {
            return b;
        }
        if before.abs() >= tolerance && fa.abs() > fb.abs() {
            let s = fb / fa;
            let (mut p, mut q);
            if a == c {
                p = 2.0 * half * s;
                q = 1.0 - s;
            } else {
                let r = fb / fc;
                let t = fa / fc;
                p = s * (2.0 * half * t * (t - r) - (b - a) * (r - 1.0));
                q = (t - 1.0) * (r - 1.0) * (s - 1.0);
            }
            if p > 0.0 {
                q = -q;
            }
            p = p.abs();
            if 2.0 * p < (3.0 * half * q - (tolerance * q).abs()).min((before * q).abs()) {
                before = step;
                step = p / q;
            } else {
                step = half;
                before = half;
            }
        } else {
            step = half;
            before = half;
        }
        (a, fa) = (b, fb);
        b += if step.abs() > tolerance {
            step
        } else {
            tolerance.copysign(half)
        };
        fb = f(b);
        if fb.is_nan() {
            return f64::NAN;
        }
    }
    b
}

/// The zero of the decreasing function `f`, searched from `start` by steps that double, never outside
/// [`floor`, `ceiling`].
///
/// Returns `floor` or `ceiling` where `f` does not change its sign before it, NaN if `f` gives NaN.
pub fn decreasing_zero(mut f: impl FnMut(f64) -> f64, start: f64, step: f64, floor: f64, ceiling: f64) -> f64 {
    let start = start.clamp(floor, ceiling);
    let at_start = f(start);
    if at_start.is_nan() {
        return f64::NAN;
    }
    let up = at_start > 0.0;
    let mut near = start;
    let mut step = step;
    loop {
        let far = if up {
            (near + step).min(ceiling)
        } else {
            (near - step).max(floor)
        };
        let value = f(far);
        if value.is_nan() {
            return f64::NAN;
        }
        if (value > 0.0) != up || value == 0.0 {
            return bracketed_zero(f, near.min(far), near.max(far));
        }
        if far == ceiling || far == floor {
            return far;
        }
        near = far;
        step *= 2.0;
    }
}
