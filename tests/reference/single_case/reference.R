# Reference values for tests/statistics/single_case. Run:
#   Rscript reference.R laski.csv schutte.csv > reference.json
# The two files hold client, week, phase, value, as written by frame() of
# tests/statistics/single_case/single_case_published.py for LASKI_1988 and SCHUTTE_2008.
suppressMessages({library(nlme); library(lme4); library(lmerTest); library(pbkrtest); library(jsonlite)})
args <- commandArgs(trailingOnly = TRUE)
laski <- read.csv(args[1]); schutte <- read.csv(args[2])
treat <- function(d) as.numeric(d$phase == "treatment")
laski$treated <- treat(laski); schutte$treated <- treat(schutte)
out <- list(header = list(made_with = paste(R.version.string, "nlme", packageVersion("nlme"),
  "lme4", packageVersion("lme4"), "pbkrtest", packageVersion("pbkrtest")),
  date = format(Sys.Date())))

# 1. generalised least squares of one client at a fixed continuous-time correlation
one <- subset(schutte, client == "Case 2")
one$uneven <- cumsum(c(0, rep(c(1, 2, 1, 3), length.out = nrow(one) - 1)))
fits <- list()
for (phi in c(0, .3, .7)) {
  cs <- if (phi == 0) NULL else corCAR1(value = phi, form = ~ uneven, fixed = TRUE)
  f <- gls(value ~ treated, data = one, correlation = cs, method = "REML")
  fits[[as.character(phi)]] <- list(phi = phi, beta = unname(coef(f)),
    se = unname(sqrt(diag(vcov(f)))), logLik = as.numeric(logLik(f)))
}
out$gls_case_2 <- fits
f <- gls(value ~ treated, data = one, correlation = corCAR1(form = ~ uneven), method = "REML")
out$gls_case_2_estimated <- list(phi = unname(coef(f$modelStruct$corStruct, unconstrained = FALSE)),
  beta = unname(coef(f)), logLik = as.numeric(logLik(f)))
other <- subset(schutte, client == "Case 10")
f <- gls(value ~ treated, data = other, correlation = corCAR1(form = ~ week), method = "REML")
out$gls_case_10_estimated <- list(phi = unname(coef(f$modelStruct$corStruct, unconstrained = FALSE)))

# 2. mixed models with first-order autoregression
ctl <- lmeControl(tolerance = 1e-12, msTol = 1e-14, maxIter = 1000, msMaxIter = 1000)
summary_lme <- function(m) list(beta = unname(fixef(m)), se = unname(sqrt(diag(vcov(m)))),
  sigma2 = m$sigma^2, tau2 = as.numeric(getVarCov(m)[1, 1]),
  phi = unname(coef(m$modelStruct$corStruct, unconstrained = FALSE)),
  logLik = as.numeric(logLik(m)))
out$laski_lme <- summary_lme(lme(value ~ treated, random = ~ 1 | client,
  correlation = corAR1(form = ~ week | client), data = laski, control = ctl))
schutte$since <- unlist(lapply(split(schutte, factor(schutte$client, unique(schutte$client))),
  function(d) pmax(0, d$week - sum(d$phase == "baseline"))))
out$schutte_lme <- summary_lme(lme(value ~ week + treated + since, random = ~ 1 | client,
  correlation = corAR1(form = ~ week | client), data = schutte, control = ctl))

# 3. multilevel model with Kenward-Roger degrees of freedom
m <- lmer(value ~ treated + (1 + treated | client), data = laski,
  control = lmerControl(optCtrl = list(ftol_abs = 1e-14, xtol_abs = 1e-12)))
kr <- summary(m, ddf = "Kenward-Roger")$coefficients["treated", ]
out$laski_lmer <- list(estimate = kr[["Estimate"]], se = kr[["Std. Error"]], df = kr[["df"]],
  p = kr[["Pr(>|t|)"]], sd_between = attr(VarCorr(m)$client, "stddev")[["treated"]],
  logLik = as.numeric(logLik(m)))

car <- lme(value ~ treated, random = ~ treated | client, correlation = corCAR1(form = ~ week | client),
  data = laski, control = ctl)
out$laski_car <- list(beta = unname(fixef(car)), se = unname(sqrt(diag(vcov(car)))),
  sd_between = sqrt(getVarCov(car)[2, 2]), logLik = as.numeric(logLik(car)),
  phi = unname(coef(car$modelStruct$corStruct, unconstrained = FALSE)))

# 4. log response ratio and standardised difference, written out
a <- c(20, 20, 26, 25, 22, 23); b <- c(28, 25, 24, 27, 30, 30, 29)
out$lrr <- list(estimate = log(mean(b)) + var(b) / (2 * length(b) * mean(b)^2) - log(mean(a)) -
  var(a) / (2 * length(a) * mean(a)^2),
  se = sqrt(var(a) / (length(a) * mean(a)^2) + var(b) / (length(b) * mean(b)^2)))
d <- (mean(b) - mean(a)) / sd(a); df <- length(a) - 1
j <- exp(lgamma(df / 2) - lgamma((df - 1) / 2)) * sqrt(2 / df)
out$smd <- list(estimate = j * d,
  se = j * sqrt(1 / length(a) + var(b) / (length(b) * var(a)) + d^2 / (2 * df)))
# 5. exact Mann-Whitney without ties
out$mann_whitney_p <- wilcox.test(c(7, 9, 12, 5), c(1, 3, 6, 2, 4))$p.value
cat(toJSON(out, digits = NA, auto_unbox = TRUE, pretty = TRUE), "\n")
