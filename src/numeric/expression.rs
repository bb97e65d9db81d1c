//! Plain arithmetic written by people: `reading + bias + slope * (t - 23)`.
//!
//! In:  a text with numbers, names, `+ - * / ^`, parentheses, `pi`, and the functions sqrt, exp, ln, log10, sin, cos, tan,
//!      abs.
//! Out: an `Expression`: its names, its value, its derivatives up to the third order, and many values at a time.
//! Method: recursive descent to a postfix program; derivatives by Taylor arithmetic (`jet`).
//! Bounds: 2,000 bytes of text, 500 operations, 64 levels of nesting, 64 names; a text from a stranger can neither hang
//! nor overflow the stack. `-x^2` is `-(x^2)`, `a^b^c` is `a^(b^c)`.
//! Never here: assignment, comparison, anything but arithmetic.

use super::jet::Jet;

/// Most bytes of a text.
const LONGEST: usize = 2_000;
/// Most operations.
const OPERATIONS: usize = 500;
/// Most levels of nesting.
const DEPTH: usize = 64;
/// Most different names.
const NAMES: usize = 64;

/// A function of one number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Function {
    Sqrt,
    Exp,
    Ln,
    Log10,
    Sin,
    Cos,
    Tan,
    Abs,
}

/// The functions by name.
const FUNCTIONS: [(&str, Function); 8] = [
    ("sqrt", Function::Sqrt),
    ("exp", Function::Exp),
    ("ln", Function::Ln),
    ("log10", Function::Log10),
    ("sin", Function::Sin),
    ("cos", Function::Cos),
    ("tan", Function::Tan),
    ("abs", Function::Abs),
];

/// Words that cannot be names in an expression.
pub fn is_reserved(name: &str) -> bool {
    name == "pi" || FUNCTIONS.iter().any(|(known, _)| *known == name)
}

/// One step of the postfix program.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Step {
    Number(f64),
    Name(usize),
    Plus,
    Minus,
    Times,
    Over,
    Power,
    Negative,
    Call(Function),
}

/// Why a text is no expression, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ExpressionError {
    /// Byte at which it was seen.
    pub at: usize,
    /// What is wrong, as the end of a sentence.
    pub what: String,
}

/// Arithmetic, ready to be evaluated.
#[derive(Debug, Clone, PartialEq)]
pub struct Expression {
    program: Vec<Step>,
    names: Vec<String>,
    height: usize,
}

impl Expression {
    /// Reads a text.
    ///
    /// # Errors
    ///
    /// What is wrong and at which byte.
    pub fn read(text: &str) -> Result<Self, ExpressionError> {
        if text.len() > LONGEST {
            return Err(ExpressionError {
                at: LONGEST,
                what: format!("it is longer than {LONGEST} bytes"),
            });
        }
        let mut parser = Parser {
            text,
            at: 0,
            program: Vec::new(),
            names: Vec::new(),
        };
        parser.sum(0)?;
        parser.blanks();
        if parser.at < text.len() {
            return Err(parser.unexpected());
        }
        let mut height = 0;
        let mut now = 0_usize;
        for step in &parser.program {
            match step {
                Step::Number(_) | Step::Name(_) => now += 1,
                Step::Negative | Step::Call(_) => {}
                _ => now = now.saturating_sub(1),
            }
            height = height.max(now);
        }
        Ok(Self {
            program: parser.program,
            names: parser.names,
            height,
        })
    }

    /// The sum of some names, for a budget without an equation.
    pub fn sum_of(names: &[String]) -> Self {
        let mut program = vec![Step::Number(0.0)];
        for at in 0..names.len() {
            program.extend([Step::Name(at), Step::Plus]);
        }
        Self {
            program,
            names: names.to_vec(),
            height: 2,
        }
    }

    /// The names in it, in order of first appearance.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The value; `values[i]` belongs to `names()[i]`. What is missing or undefined gives NaN.
    pub fn value(&self, values: &[f64]) -> f64 {
        let mut stack: Vec<f64> = Vec::with_capacity(self.height);
        for step in &self.program {
            let done = match step {
                Step::Number(number) => *number,
                Step::Name(at) => values.get(*at).copied().unwrap_or(f64::NAN),
                Step::Negative => -stack.pop().unwrap_or(f64::NAN),
                Step::Call(function) => function.of(stack.pop().unwrap_or(f64::NAN)),
                _ => {
                    let right = stack.pop().unwrap_or(f64::NAN);
                    let left = stack.pop().unwrap_or(f64::NAN);
                    step.of(left, right)
                }
            };
            stack.push(done);
        }
        stack.pop().unwrap_or(f64::NAN)
    }

    /// The value with its derivatives in the directions of two names; the same name twice gives derivatives in that one.
    pub fn jet(&self, values: &[f64], first: usize, second: usize) -> Jet {
        let missing = Jet::constant(f64::NAN);
        let mut stack: Vec<Jet> = Vec::with_capacity(self.height);
        for step in &self.program {
            let done = match step {
                Step::Number(number) => Jet::constant(*number),
                Step::Name(at) => Jet::moving(
                    values.get(*at).copied().unwrap_or(f64::NAN),
                    f64::from(u8::from(*at == first)),
                    f64::from(u8::from(*at == second && second != first)),
                ),
                Step::Negative => Jet::constant(0.0).minus(stack.pop().unwrap_or(missing)),
                Step::Call(function) => {
                    let inner = stack.pop().unwrap_or(missing);
                    inner.through(function.derivatives(inner.value()))
                }
                _ => {
                    let right = stack.pop().unwrap_or(missing);
                    let left = stack.pop().unwrap_or(missing);
                    match step {
                        Step::Plus => left.plus(right),
                        Step::Minus => left.minus(right),
                        Step::Times => left.times(right),
                        Step::Over => left.over(right),
                        _ => left.to_the(right),
                    }
                }
            };
            stack.push(done);
        }
        stack.pop().unwrap_or(missing)
    }

    /// Values for many settings at once: `columns[i]` holds those of `names()[i]`, all of one length.
    pub fn values(&self, columns: &[Vec<f64>], length: usize) -> Vec<f64> {
        let mut stack: Vec<Vec<f64>> = Vec::with_capacity(self.height);
        for step in &self.program {
            match step {
                Step::Number(number) => stack.push(vec![*number; length]),
                Step::Name(at) => stack.push(columns.get(*at).cloned().unwrap_or_else(|| vec![f64::NAN; length])),
                Step::Negative => stack.iter_mut().last().into_iter().flatten().for_each(|v| *v = -*v),
                Step::Call(function) => {
                    stack
                        .iter_mut()
                        .last()
                        .into_iter()
                        .flatten()
                        .for_each(|v| *v = function.of(*v));
                }
                _ => {
                    let right = stack.pop().unwrap_or_default();
                    if let Some(left) = stack.last_mut() {
                        for (left, right) in left.iter_mut().zip(right) {
                            *left = step.of(*left, right);
                        }
                    }
                }
            }
        }
        stack.pop().unwrap_or_default()
    }
}

impl Step {
    fn of(self, left: f64, right: f64) -> f64 {
        match self {
            Self::Plus => left + right,
            Self::Minus => left - right,
            Self::Times => left * right,
            Self::Over => left / right,
            _ => left.powf(right),
        }
    }
}

impl Function {
    fn of(self, x: f64) -> f64 {
        match self {
            Self::Sqrt => x.sqrt(),
            Self::Exp => x.exp(),
            Self::Ln => x.ln(),
            Self::Log10 => x.log10(),
            Self::Sin => x.sin(),
            Self::Cos => x.cos(),
            Self::Tan => x.tan(),
            Self::Abs => x.abs(),
        }
    }

    /// Value and first three derivatives.
    fn derivatives(self, x: f64) -> [f64; 4] {
        let logarithm = [x.ln(), 1.0 / x, -1.0 / (x * x), 2.0 / (x * x * x)];
        match self {
            Self::Sqrt => {
                let root = x.sqrt();
                [root, 0.5 / root, -0.25 / (root * x), 0.375 / (root * x * x)]
            }
            Self::Exp => [x.exp(); 4],
            Self::Ln => logarithm,
            Self::Log10 => {
                let [_, first, second, third] = logarithm.map(|d| d / std::f64::consts::LN_10);
                [x.log10(), first, second, third]
            }
            Self::Sin => [x.sin(), x.cos(), -x.sin(), -x.cos()],
            Self::Cos => [x.cos(), -x.sin(), -x.cos(), x.sin()],
            Self::Tan => {
                let t = x.tan();
                let slope = 1.0 + t * t;
                [t, slope, 2.0 * t * slope, 2.0 * slope * (1.0 + 3.0 * t * t)]
            }
            // There is no slope at 0.
            Self::Abs if x == 0.0 => [0.0, f64::NAN, 0.0, 0.0],
            Self::Abs => [x.abs(), x.signum(), 0.0, 0.0],
        }
    }
}

struct Parser<'a> {
    text: &'a str,
    at: usize,
    program: Vec<Step>,
    names: Vec<String>,
}

impl Parser<'_> {
    fn rest(&self) -> &str {
        self.text.get(self.at..).unwrap_or_default()
    }

    fn blanks(&mut self) {
        let rest = self.rest();
        self.at += rest.len() - rest.trim_start().len();
    }

    /// The next character after blanks, left where it is.
    fn peek(&mut self) -> Option<char> {
        self.blanks();
        self.rest().chars().next()
    }

    /// Takes the next character if it is one of these.
    fn take(&mut self, wanted: &[char]) -> Option<char> {
        let next = self.peek().filter(|next| wanted.contains(next))?;
        self.at += next.len_utf8();
        Some(next)
    }

    fn error<T>(&self, what: impl Into<String>) -> Result<T, ExpressionError> {
        Err(ExpressionError {
            at: self.at.min(self.text.len()),
            what: what.into(),
        })
    }

    fn unexpected(&mut self) -> ExpressionError {
        let what = match self.peek() {
            None => "it ends too early".to_owned(),
            Some(',') => "a comma has no meaning here; decimals are written with a point".to_owned(),
            Some(')') => "a parenthesis closes that was not opened".to_owned(),
            Some(c) if c.is_alphanumeric() || c == '(' => {
                "an operator is missing here; a product is written with `*`".to_owned()
            }
            Some(c) => format!("`{}` has no meaning here", c.escape_debug()),
        };
        ExpressionError { at: self.at, what }
    }

    fn push(&mut self, step: Step) -> Result<(), ExpressionError> {
        if self.program.len() >= OPERATIONS {
            return self.error(format!("it has more than {OPERATIONS} operations"));
        }
        self.program.push(step);
        Ok(())
    }

    fn sum(&mut self, depth: usize) -> Result<(), ExpressionError> {
        if depth > DEPTH {
            return self.error(format!("it is nested more than {DEPTH} deep"));
        }
        self.product(depth)?;
        while let Some(sign) = self.take(&['+', '-', '\u{2212}']) {
            self.product(depth)?;
            self.push(if sign == '+' { Step::Plus } else { Step::Minus })?;
        }
        Ok(())
    }

    fn product(&mut self, depth: usize) -> Result<(), ExpressionError> {
        self.signed(depth)?;
        while let Some(sign) = self.take(&['*', '/', '\u{d7}', '\u{b7}', '\u{f7}']) {
            self.signed(depth)?;
            let over = matches!(sign, '/' | '\u{f7}');
            self.push(if over { Step::Over } else { Step::Times })?;
        }
        Ok(())
    }

    fn signed(&mut self, depth: usize) -> Result<(), ExpressionError> {
        if depth > DEPTH {
            return self.error(format!("it is nested more than {DEPTH} deep"));
        }
        match self.take(&['+', '-', '\u{2212}']) {
            Some('+') => self.signed(depth + 1),
            Some(_) => {
                self.signed(depth + 1)?;
                self.push(Step::Negative)
            }
            None => self.power(depth),
        }
    }

    fn power(&mut self, depth: usize) -> Result<(), ExpressionError> {
        self.atom(depth)?;
        if self.take(&['^']).is_some() {
            self.signed(depth + 1)?;
            self.push(Step::Power)?;
        }
        Ok(())
    }

    fn inner(&mut self, depth: usize) -> Result<(), ExpressionError> {
        self.sum(depth + 1)?;
        if self.take(&[')']).is_none() {
            return match self.peek() {
                None => self.error("a parenthesis is not closed"),
                Some(_) => Err(self.unexpected()),
            };
        }
        Ok(())
    }

    fn atom(&mut self, depth: usize) -> Result<(), ExpressionError> {
        match self.peek() {
            Some('(') => {
                self.at += 1;
                self.inner(depth)
            }
            Some(c) if c.is_ascii_digit() || c == '.' => self.number(),
            Some(c) if c.is_ascii_alphabetic() || c == '_' => self.name(depth),
            _ => Err(self.unexpected()),
        }
    }

    fn number(&mut self) -> Result<(), ExpressionError> {
        let rest = self.rest();
        let digits = |text: &str| text.bytes().take_while(u8::is_ascii_digit).count();
        let mut end = digits(rest);
        if rest[end..].starts_with('.') {
            end += 1 + digits(&rest[end + 1..]);
        }
        let tail = &rest[end..];
        if tail.starts_with(['e', 'E']) {
            let sign = usize::from(tail[1..].starts_with(['+', '-']));
            let exponent = digits(&tail[1 + sign..]);
            if exponent > 0 {
                end += 1 + sign + exponent;
            }
        }
        match rest[..end].parse::<f64>() {
            Ok(number) if number.is_finite() => {
                self.at += end;
                self.push(Step::Number(number))
            }
            _ => self.error("this is no number"),
        }
    }

    fn name(&mut self, depth: usize) -> Result<(), ExpressionError> {
        let start = self.at;
        let length = self
            .rest()
            .bytes()
            .take_while(|b| b.is_ascii_alphanumeric() || *b == b'_')
            .count();
        let name = self.text[start..start + length].to_owned();
        self.at += length;
        if let Some((_, function)) = FUNCTIONS.iter().find(|(known, _)| *known == name) {
            if self.take(&['(']).is_none() {
                return self.error(format!("`{name}` needs its number in parentheses, `{name}(...)`"));
            }
            self.inner(depth)?;
            return self.push(Step::Call(*function));
        }
        if self.peek() == Some('(') {
            self.at = start;
            return self.error(format!(
                "there is no function `{name}`; there are sqrt, exp, ln, log10, sin, cos, tan and abs"
            ));
        }
        if name == "pi" {
            return self.push(Step::Number(std::f64::consts::PI));
        }
        let at = match self.names.iter().position(|known| *known == name) {
            Some(at) => at,
            None if self.names.len() >= NAMES => return self.error(format!("it has more than {NAMES} names")),
            None => {
                self.names.push(name);
                self.names.len() - 1
            }
        };
        self.push(Step::Name(at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn value(text: &str, values: &[f64]) -> f64 {
        Expression::read(text).unwrap().value(values)
    }

    /// Closed form: the rules of writing sums.
    #[test]
    fn arithmetic_follows_the_rules_of_school() {
        for (text, expected) in [
            ("1 + 2 * 3", 7.0),
            ("(1 + 2) * 3", 9.0),
            ("8 / 4 / 2", 1.0),
            ("7 - 4 - 2", 1.0),
            ("-2^2", -4.0),
            ("2^3^2", 512.0),
            ("2^-1", 0.5),
            ("--3", 3.0),
            ("2e3 + .5", 2000.5),
            ("sqrt(16) * abs(-2)", 8.0),
            ("ln(exp(3))", 3.0),
            ("6 \u{d7} 2 \u{f7} 3 \u{2212} 1", 3.0),
            ("cos(pi)", -1.0),
        ] {
            assert!((value(text, &[]) - expected).abs() < 1e-14, "{text}");
        }
    }

    /// Closed form.
    #[test]
    fn names_keep_their_order() {
        let read = Expression::read("reading + bias + slope * (t - 23)").unwrap();
        assert_eq!(read.names(), ["reading", "bias", "slope", "t"]);
        assert_eq!(read.value(&[60.0, 0.5, -0.2, 25.0]), 60.1);
        assert_eq!(Expression::sum_of(read.names()).value(&[1.0, 2.0, 3.0, 4.0]), 10.0);
    }

    #[test]
    fn what_is_no_expression_is_refused_at_its_place() {
        for (text, at) in [
            ("", 0),
            ("1 +", 3),
            ("(1", 2),
            ("1)", 1),
            ("2x", 1),
            ("1,5", 1),
            ("sine(2)", 0),
            ("sqrt 2", 5),
            ("a = 2", 2),
            ("1 2", 2),
            ("\u{e4}", 0),
            (".", 0),
            ("1e999", 0),
        ] {
            assert_eq!(Expression::read(text).unwrap_err().at, at, "{text}");
        }
        for text in [
            "(".repeat(1_900),
            "-".repeat(1_900),
            "1^".repeat(900),
            "a+".repeat(900) + "a",
            "x".repeat(3_000),
        ] {
            assert!(Expression::read(&text).is_err());
        }
    }

    /// Closed form: slopes and curvatures of a function with every operation, against differences.
    #[test]
    fn derivatives_agree_with_differences() {
        let read = Expression::read(
            "sqrt(a) * exp(b/4) - ln(a + b)^2 / tan(a/3) + sin(a*b) + cos(b) + log10(a) + a^b + abs(a)",
        )
        .unwrap();
        let at = [1.3, 0.7];
        let h = 1e-4;
        let f = |da: f64, db: f64| read.value(&[at[0] + da, at[1] + db]);
        let jet = read.jet(&at, 0, 1);
        for (found, expected) in [
            (jet.derivative(1, 0), (f(h, 0.0) - f(-h, 0.0)) / (2.0 * h)),
            (jet.derivative(0, 1), (f(0.0, h) - f(0.0, -h)) / (2.0 * h)),
            (
                jet.derivative(2, 0),
                (f(h, 0.0) - 2.0 * f(0.0, 0.0) + f(-h, 0.0)) / (h * h),
            ),
            (
                jet.derivative(1, 1),
                (f(h, h) - f(h, -h) - f(-h, h) + f(-h, -h)) / (4.0 * h * h),
            ),
        ] {
            assert!(
                (found - expected).abs() < 1e-5 * (1.0 + expected.abs()),
                "{found} {expected}"
            );
        }
        let third =
            |h: f64| (f(2.0 * h, 0.0) - 2.0 * f(h, 0.0) + 2.0 * f(-h, 0.0) - f(-2.0 * h, 0.0)) / (2.0 * h * h * h);
        assert!((jet.derivative(3, 0) - third(1e-3)).abs() < 1e-2);
    }

    proptest! {
        /// A text of any characters is read or refused, never worse; what is read can be evaluated.
        #[test]
        fn any_text_is_read_or_refused(text in "[ -~\u{d7}\u{2212}\u{e4}]{0,60}") {
            if let Ok(read) = Expression::read(&text) {
                let values = vec![1.5; read.names().len()];
                let columns: Vec<Vec<f64>> = values.iter().map(|&v| vec![v; 3]).collect();
                let one = read.value(&values);
                for many in read.values(&columns, 3) {
                    prop_assert_eq!(many.to_bits(), one.to_bits());
                }
                let jet = read.jet(&values, 0, 1).value();
                prop_assert!(jet == one || jet.is_nan() || (jet - one).abs() <= 1e-9 * one.abs() || !one.is_finite());
            }
        }

        /// Text made of pieces of arithmetic finds the parser's corners more often.
        #[test]
        fn pieces_of_arithmetic(pieces in prop::collection::vec(
            prop::sample::select(vec!["(", ")", "+", "-", "*", "/", "^", "2", ".5", "1e3", "a", "b_1", "sqrt(", "pi", " ", "ln", ","]), 0..40)
        ) {
            let text = pieces.concat();
            match Expression::read(&text) {
                Ok(read) => { let _ = read.value(&vec![2.0; read.names().len()]); }
                Err(error) => prop_assert!(error.at <= text.len() && text.is_char_boundary(error.at)),
            }
        }
    }
}
