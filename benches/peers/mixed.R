# The layouts of benches/mixed.rs in R: Rscript benches/peers/mixed.R
# Needs lme4 and pbkrtest. Times are wall-clock seconds of this run; they mean something only beside
# `cargo bench --bench mixed` on the same machine.
suppressMessages({ library(lme4); library(pbkrtest) })
cat(R.version.string, "lme4", format(packageVersion("lme4")), "pbkrtest", format(packageVersion("pbkrtest")), "\n")
set.seed(7)
seconds <- function(expr) system.time(expr, gcFirst = FALSE)[["elapsed"]]
tight <- lmerControl(optCtrl = list(ftol_abs = 1e-12, xtol_abs = 1e-10), calc.derivs = FALSE,
                     check.conv.singular = "ignore")

d <- expand.grid(s = 1:4, w = 1:2, b = 1:4)
d$a <- ifelse(d$w == 1, 1, -1); d$c <- ifelse(d$s %in% c(1, 3), 1, -1); d$e <- ifelse(d$s <= 2, 1, -1)
d$block <- factor(d$b); d$plot <- factor(paste(d$b, d$w))
make <- function() 50 + rnorm(4)[d$b] + 0.6 * rnorm(8)[as.integer(d$plot)] + rnorm(32)
d$y <- make()
fit <- lmer(y ~ (a + c + e)^2 + (1 | block) + (1 | plot), d, control = tight)
n <- 100
t <- seconds(for (i in 1:n) lmer(y ~ (a + c + e)^2 + (1 | block) + (1 | plot), transform(d, y = make()), control = tight))
cat(sprintf("32-run split-plot, fits a second %.1f\n", n / t))
t <- seconds(for (i in 1:n) suppressMessages(refit(fit, make())))
cat(sprintf("32-run split-plot, refits a second %.1f\n", n / t))
small <- lmer(y ~ c + e + a:c + a:e + c:e + (1 | block) + (1 | plot), d, control = tight)
t <- seconds(for (i in 1:10) KRmodcomp(fit, small))
cat(sprintf("  one Kenward-Roger test %.1f ms\n", 100 * t))

crossed <- function(n, g1, g2, factors) {
  x <- as.data.frame(lapply(seq_len(factors), function(k) ifelse(bitwAnd(bitwShiftR(seq_len(n) - 1L, k - 1L), 1L) == 0, 1, -1)))
  if (factors > 0) names(x) <- paste0("x", seq_len(factors)) else x <- data.frame(row = seq_len(n))
  i <- sample.int(g1, n, TRUE); j <- sample.int(g2, n, TRUE)
  x$y <- 70 + rnorm(n) + 0.8 * rnorm(g1)[i] + 0.8 * rnorm(g2)[j]
  x$i <- factor(i); x$j <- factor(j); x
}
for (size in list(c(1000, 10, 100), c(10000, 20, 500))) {
  data <- crossed(size[1], size[2], size[3], 4)
  t <- seconds(f <- lmer(y ~ (x1 + x2 + x3 + x4)^2 + (1 | i) + (1 | j), data, control = tight))
  cat(sprintf("%d rows, %d x %d crossed, 11 columns: fit %.1f ms\n", size[1], size[2], size[3], 1e3 * t))
  if (size[1] <= 1000) {
    g <- lmer(y ~ 1 + (1 | i) + (1 | j), data, control = tight)
    t <- seconds(KRmodcomp(f, g))
    cat(sprintf("  one Kenward-Roger test of 10 columns %.1f ms\n", 1e3 * t))
  }
}
data <- crossed(1e6, 50, 5000, 0)
t <- seconds(lmer(y ~ 1 + (1 | i) + (1 | j), data, control = tight))
cat(sprintf("1000000 rows, 50 x 5000 crossed: fit %.1f s\n", t))
