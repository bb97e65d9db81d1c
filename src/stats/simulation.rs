//! Propagation of distributions by drawing: the measurement equation evaluated over and over.
//!
//! In:  an expression, the distributions of its quantities, how long to go on, the name of the random stream.
//! Out: mean, standard deviation and coverage intervals of the result, and how well they are known.
//! Method: JCGM 101:2008 clauses 6 and 7, the adaptive procedure of 7.9: pieces of 10,000 trials until twice the standard
//! deviation of each number over the pieces is below half a unit of the last digit wanted. Piece k has the stream
//! `NAME` LF `piece k` LF. With t distributions on 4 or fewer degrees of freedom only the interval's ends are waited for.
//! Pieces are joined in order, so that the number of threads changes no bit.
//! A mean of n equal quantities is drawn as such up to 12 of them, as normal beyond.
//! Never here: what the quantities are.

use rayon::prelude::*;

use crate::numeric::expression::Expression;
use crate::numeric::stream::Stream;
use crate::numeric::sum;

/// Trials of one piece.
pub const PIECE: usize = 10_000;
/// Pieces made before it is asked again whether they are enough.
const ROUND: usize = 10;
/// A mean of more than this many is drawn as normal.
const DRAWN_SINGLY: usize = 12;

/// A distribution with mean 0 and standard deviation 1; the t distribution has scale 1 instead.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// Normal.
    Normal,
    /// t with so many degrees of freedom: for a mean of readings (JCGM 101 6.4.9).
    Student(f64),
    /// The same everywhere between two limits.
    Rectangular,
    /// The middle likelier.
    Triangular,
    /// U-shaped: the limits likeliest, as of a thermostat.
    Arcsine,
    /// Level over a part of the width, sloping to the limits.
    Trapezoidal(f64),
}

impl Shape {
    /// Standard uncertainty over the half width of a distribution with limits; `None` for one without.
    pub fn over_half_width(self) -> Option<f64> {
        match self {
            Self::Normal | Self::Student(_) => None,
            Self::Rectangular => Some(1.0 / 3.0_f64.sqrt()),
            Self::Triangular => Some(1.0 / 6.0_f64.sqrt()),
            Self::Arcsine => Some(1.0 / 2.0_f64.sqrt()),
            Self::Trapezoidal(top) => Some(((1.0 + top * top) / 6.0).sqrt()),
        }
    }

    /// Fourth central moment over the square of the variance; that of the t distribution is taken as normal.
    pub fn kurtosis(self) -> f64 {
        match self {
            Self::Normal | Self::Student(_) => 3.0,
            Self::Rectangular => 1.8,
            Self::Triangular => 2.4,
            Self::Arcsine => 1.5,
            Self::Trapezoidal(top) => {
                let (a, b) = ((1.0 + top).powi(2), (1.0 - top).powi(2));
                (1.8 * (a * a + b * b) + 6.0 * a * b) / (a + b).powi(2)
            }
        }
    }

    fn draw(self, stream: &mut Stream) -> f64 {
        let mut side = || 2.0 * stream.uniform() - 1.0;
        match self {
            Self::Normal => stream.normal(),
            Self::Student(df) => {
                let z = stream.normal();
                z / (chi_square(stream, df) / df).sqrt()
            }
            Self::Rectangular => 3.0_f64.sqrt() * side(),
            Self::Triangular => 1.5_f64.sqrt() * (side() + side()),
            Self::Arcsine => 2.0_f64.sqrt() * (std::f64::consts::PI * stream.uniform()).cos(),
            Self::Trapezoidal(top) => {
                let (first, second) = (side(), side());
                (1.5 / (1.0 + top * top)).sqrt() * ((1.0 + top) * first + (1.0 - top) * second)
            }
        }
    }
}

/// A chi-square number, by Marsaglia and Tsang (2000), ACM Transactions on Mathematical Software 26:363.
fn chi_square(stream: &mut Stream, df: f64) -> f64 {
    let shape = df / 2.0;
    if shape < 1.0 {
        let boost = (1.0 - stream.uniform()).powf(1.0 / shape);
        return chi_square(stream, df + 2.0) * boost;
    }
    let d = shape - 1.0 / 3.0;
    let c = 1.0 / (9.0 * d).sqrt();
    loop {
        let z = stream.normal();
        let v = (1.0 + c * z).powi(3);
        let u = 1.0 - stream.uniform();
        if v > 0.0 && u.ln() < 0.5 * z * z + d - d * v + d * v.ln() {
            return 2.0 * d * v;
        }
    }
}

/// A quantity as it is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drawn {
    /// Its mean.
    pub value: f64,
    /// Standard uncertainty of one; scale for the t distribution.
    pub standard: f64,
    /// Its distribution.
    pub shape: Shape,
    /// How many are averaged, 1 at least.
    pub count: usize,
}

impl Drawn {
    fn draw(&self, stream: &mut Stream) -> f64 {
        if self.standard == 0.0 {
            return self.value;
        }
        let n = self.count.max(1);
        let z = if n == 1 {
            self.shape.draw(stream)
        } else if n <= DRAWN_SINGLY && self.shape != Shape::Normal {
            (0..n).map(|_| self.shape.draw(stream)).sum::<f64>() / n as f64
        } else {
            stream.normal() / (n as f64).sqrt()
        };
        self.value + self.standard * z
    }
}

/// How long to go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trials {
    /// So many, rounded up to whole pieces.
    Fixed(usize),
    /// Until so many significant digits of the standard deviation are steady, or so many trials are made.
    Steady {
        /// Significant digits.
        digits: i32,
        /// Most trials.
        most: usize,
    },
}

/// What the trials gave.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulation {
    /// Number of trials.
    pub trials: usize,
    /// Trials without a value: the equation is undefined there.
    pub undefined: usize,
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub deviation: f64,
    /// Interval with equal tails.
    pub symmetric: (f64, f64),
    /// Shortest interval.
    pub shortest: (f64, f64),
    /// Twice the standard deviation of the less certain end of the interval.
    pub reach: f64,
    /// True if everything is steady to the digits wanted.
    pub steady: bool,
}

struct Piece {
    values: Vec<f64>,
    undefined: usize,
    summary: [f64; 4],
}

/// Half a unit of the `digits`-th significant digit of a standard uncertainty (JCGM 101 7.9.2); NaN unless it is positive.
pub fn numerical_tolerance(standard: f64, digits: i32) -> f64 {
    if !(standard > 0.0 && standard.is_finite()) {
        return f64::NAN;
    }
    // The exponent after rounding to so many digits: 0.0996 counts as 0.10.
    let precision = (digits - 1).clamp(0, 15) as usize;
    let text = format!("{standard:.precision$e}");
    let exponent: i32 = text.split('e').nth(1).and_then(|e| e.parse().ok()).unwrap_or(0);
    0.5 * 10_f64.powi(exponent - digits + 1)
}

/// Draws. `half` makes the first draws of normal quantities correlated: H H' is their correlation; a quantity whose row
/// has anything beside its diagonal, or stands in another row, is drawn as normal.
///
/// `None` where lengths do not fit or nothing can be drawn.
pub fn simulate(
    equation: &Expression,
    quantities: &[Drawn],
    half: Option<&[Vec<f64>]>,
    level: f64,
    trials: Trials,
    name: &str,
) -> Option<Simulation> {
    let n = equation.names().len();
    let fits = quantities.len() == n && half.is_none_or(|half| half.len() == n) && level > 0.0 && level < 1.0;
    if !fits {
        return None;
    }
    let tied = tied(half, n);
    // Their sample variance has no variance itself.
    let heavy = quantities
        .iter()
        .any(|q| matches!(q.shape, Shape::Student(df) if df <= 4.0));
    let (pieces_at_most, digits) = match trials {
        Trials::Fixed(trials) => (trials.div_ceil(PIECE).max(1), None),
        Trials::Steady { digits, most } => (most.div_ceil(PIECE).max(ROUND), Some(digits)),
    };
    let mut pieces: Vec<Piece> = Vec::new();
    let mut steady = false;
    while pieces.len() < pieces_at_most && !steady {
        let from = pieces.len();
        let to = if digits.is_some() {
            (from + ROUND).min(pieces_at_most)
        } else {
            pieces_at_most
        };
        let made: Vec<Piece> = (from..to)
            .into_par_iter()
            .map(|k| {
                piece(
                    equation,
                    quantities,
                    half,
                    &tied,
                    level,
                    &format!("{name}\npiece {k}\n"),
                )
            })
            .collect();
        pieces.extend(made);
        if let Some(digits) = digits {
            // A quarter of the interval stands in for a standard deviation that no number of trials settles.
            let (deviation, settles): (f64, &[usize]) = if heavy {
                ((column_mean(&pieces, 3) - column_mean(&pieces, 2)) / 4.0, &[2, 3])
            } else {
                (column_mean(&pieces, 1), &[0, 1, 2, 3])
            };
            let tolerance = numerical_tolerance(deviation, digits);
            steady = settles.iter().all(|&at| spread(&pieces, at) < tolerance);
        }
    }
    let undefined: usize = pieces.iter().map(|piece| piece.undefined).sum();
    let reach = if pieces.len() > 1 {
        spread(&pieces, 2).max(spread(&pieces, 3))
    } else {
        f64::NAN
    };
    let mut values: Vec<f64> = pieces.into_iter().flat_map(|piece| piece.values).collect();
    if values.len() < 2 {
        return None;
    }
    let made = values.len() + undefined;
    values.par_sort_unstable_by(f64::total_cmp);
    let mean = sum::mean(&values);
    let deviation = (sum::sum_of_squares_about_mean(&values) / (values.len() as f64 - 1.0)).sqrt();
    Some(Simulation {
        trials: made,
        undefined,
        mean,
        deviation,
        symmetric: symmetric(&values, level),
        shortest: shortest(&values, level),
        reach,
        steady: steady || digits.is_none(),
    })
}

/// Which quantities are correlated with another one.
fn tied(half: Option<&[Vec<f64>]>, n: usize) -> Vec<bool> {
    let mut tied = vec![false; n];
    for (i, row) in half.into_iter().flatten().enumerate() {
        for (j, &h) in row.iter().enumerate().take(i) {
            if h != 0.0 {
                tied[i] = true;
                tied[j] = true;
            }
        }
    }
    tied
}

fn piece(
    equation: &Expression,
    quantities: &[Drawn],
    half: Option<&[Vec<f64>]>,
    tied: &[bool],
    level: f64,
    name: &str,
) -> Piece {
    let mut stream = Stream::named(name);
    let mut columns: Vec<Vec<f64>> = vec![Vec::with_capacity(PIECE); quantities.len()];
    let any_tied = tied.iter().any(|&t| t);
    let mut normals = vec![0.0; quantities.len()];
    for _ in 0..PIECE {
        if any_tied {
            for (z, &t) in normals.iter_mut().zip(tied) {
                if t {
                    *z = stream.normal();
                }
            }
        }
        for (i, quantity) in quantities.iter().enumerate() {
            let value = match half {
                Some(half) if tied[i] => {
                    let z: f64 = half[i][..=i].iter().zip(&normals).map(|(h, z)| h * z).sum();
                    quantity.value + quantity.standard / (quantity.count.max(1) as f64).sqrt() * z
                }
                _ => quantity.draw(&mut stream),
            };
            columns[i].push(value);
        }
    }
    let mut values = equation.values(&columns, PIECE);
    values.retain(|value| value.is_finite());
    let undefined = PIECE - values.len();
    values.sort_unstable_by(f64::total_cmp);
    let summary = if values.len() > 1 {
        let mean = sum::mean(&values);
        let deviation = (sum::sum_of_squares_about_mean(&values) / (values.len() as f64 - 1.0)).sqrt();
        let (low, high) = symmetric(&values, level);
        [mean, deviation, low, high]
    } else {
        [f64::NAN; 4]
    };
    Piece {
        values,
        undefined,
        summary,
    }
}

fn column_mean(pieces: &[Piece], at: usize) -> f64 {
    pieces.iter().map(|piece| piece.summary[at]).sum::<f64>() / pieces.len() as f64
}

/// Twice the standard deviation of the mean of a number over the pieces.
fn spread(pieces: &[Piece], at: usize) -> f64 {
    let n = pieces.len() as f64;
    let column: Vec<f64> = pieces.iter().map(|piece| piece.summary[at]).collect();
    2.0 * (sum::sum_of_squares_about_mean(&column) / (n * (n - 1.0))).sqrt()
}

/// Values in the interval: the level times their number, to the nearest whole (JCGM 101 7.7.1).
fn inside(values: &[f64], level: f64) -> usize {
    ((level * values.len() as f64 + 0.5).floor() as usize).clamp(1, values.len() - 1)
}

fn symmetric(values: &[f64], level: f64) -> (f64, f64) {
    let q = inside(values, level);
    let low = (values.len() - q).div_ceil(2).saturating_sub(1);
    (values[low], values[(low + q).min(values.len() - 1)])
}

fn shortest(values: &[f64], level: f64) -> (f64, f64) {
    let q = inside(values, level);
    let mut best = (values[0], values[q.min(values.len() - 1)]);
    for low in 0..values.len() - q {
        if values[low + q] - values[low] < best.1 - best.0 {
            best = (values[low], values[low + q]);
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(shape: Shape) -> Drawn {
        Drawn {
            value: 0.0,
            standard: 1.0,
            shape,
            count: 1,
        }
    }

    /// Closed form: standard deviation and kurtosis of each shape, within five standard errors of 10,000 draws.
    #[test]
    fn shapes_have_the_moments_they_claim() {
        let mut stream = Stream::named("moments");
        for shape in [
            Shape::Normal,
            Shape::Rectangular,
            Shape::Triangular,
            Shape::Arcsine,
            Shape::Trapezoidal(0.0),
            Shape::Trapezoidal(0.4),
            Shape::Trapezoidal(1.0),
        ] {
            let values: Vec<f64> = (0..10_000).map(|_| shape.draw(&mut stream)).collect();
            let second = values.iter().map(|v| v * v).sum::<f64>() / 1e4;
            let fourth = values.iter().map(|v| v.powi(4)).sum::<f64>() / 1e4;
            assert!((second - 1.0).abs() < 0.075, "{shape:?} {second}");
            assert!((fourth - shape.kurtosis()).abs() < 0.6, "{shape:?} {fourth}");
            if let Some(part) = shape.over_half_width() {
                assert!(values.iter().all(|v| v.abs() <= 1.0 / part + 1e-12), "{shape:?}");
            }
        }
        assert_eq!(Shape::Trapezoidal(1.0).kurtosis(), Shape::Rectangular.kurtosis());
        assert!((Shape::Trapezoidal(0.0).kurtosis() - Shape::Triangular.kurtosis()).abs() < 1e-12);
    }

    /// Closed form: t with 5 degrees of freedom has variance 5/3, whatever is below 1 too.
    #[test]
    fn student_has_its_tails() {
        let mut stream = Stream::named("tails");
        let values: Vec<f64> = (0..20_000).map(|_| Shape::Student(5.0).draw(&mut stream)).collect();
        let beyond = values.iter().filter(|v| v.abs() > 2.5706).count() as f64 / 2e4;
        assert!((beyond - 0.05).abs() < 0.008, "{beyond}");
        let small: f64 = (0..20_000).map(|_| chi_square(&mut stream, 0.8)).sum::<f64>() / 2e4;
        assert!((small - 0.8).abs() < 0.06, "{small}");
    }

    /// The same bits with one thread and with several.
    #[test]
    fn threads_change_no_bit() {
        let equation = Expression::read("a + b^2").unwrap();
        let quantities = [drawn(Shape::Normal), drawn(Shape::Arcsine)];
        let run = || simulate(&equation, &quantities, None, 0.95, Trials::Fixed(30_000), "threads").unwrap();
        let pool = |threads| rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        assert_eq!(pool(1).install(run), pool(3).install(run));
    }

    /// Closed form: fully correlated quantities cancel in a difference, and a mean of four has half the spread.
    #[test]
    fn correlation_and_averages() {
        let half = vec![vec![1.0, 0.0], vec![1.0, 0.0]];
        let two = [drawn(Shape::Normal); 2];
        let minus = Expression::read("a - b").unwrap();
        let found = simulate(&minus, &two, Some(&half), 0.95, Trials::Fixed(10_000), "cancel").unwrap();
        assert!(found.deviation < 1e-12);
        let four = [Drawn {
            count: 4,
            ..drawn(Shape::Rectangular)
        }];
        let one = Expression::read("a").unwrap();
        let found = simulate(&one, &four, None, 0.95, Trials::Fixed(10_000), "four").unwrap();
        assert!((found.deviation - 0.5).abs() < 0.015, "{}", found.deviation);
    }

    #[test]
    fn undefined_trials_are_counted() {
        let root = Expression::read("sqrt(a)").unwrap();
        let found = simulate(
            &root,
            &[drawn(Shape::Normal)],
            None,
            0.95,
            Trials::Fixed(10_000),
            "half",
        )
        .unwrap();
        assert!((4_700..5_300).contains(&found.undefined));
        let none = Expression::read("sqrt(-1 - abs(a))").unwrap();
        assert_eq!(
            simulate(&none, &[drawn(Shape::Normal)], None, 0.95, Trials::Fixed(1), "none"),
            None
        );
    }

    /// Closed form, JCGM 101 7.9.2: half a unit of the last digit.
    #[test]
    fn tolerance_follows_the_digits() {
        for (standard, digits, expected) in [(0.66, 2, 0.005), (0.0996, 2, 0.005), (35.0, 1, 5.0), (2.0, 2, 0.05)] {
            assert!((numerical_tolerance(standard, digits) - expected).abs() < 1e-12 * expected);
        }
        assert!(numerical_tolerance(0.0, 2).is_nan());
    }
}
