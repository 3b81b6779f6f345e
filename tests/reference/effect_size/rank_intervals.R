# Exact intervals of Hodges-Lehmann estimates by R's wilcox.test, and of a constrained longitudinal
# model by nlme::gls. Run: Rscript rank_intervals.R > rank_intervals.json
suppressMessages({library(jsonlite); library(nlme)})
one <- c(4.1, 6.3, 7.7, -2.2, 9.5, 10.9, 3.4, 0.6, 12.8, 5.2, 8.1, -1.3)
two <- c(1.2, 3.9, -0.4, 2.5, 5.6, -3.1, 6.7, 0.3, 4.4)
large <- round(qnorm(ppoints(70)) * 5 + 3 + (1:70 %% 7) / 10 + (1:70) * 1e-4, 4)
a <- wilcox.test(one, conf.int = TRUE, exact = TRUE)
b <- wilcox.test(one, two, conf.int = TRUE, exact = TRUE)
start <- c(41, 55, 48, 60, 52, 39, 57, 50, 46, 63, 44, 58, 51, 49, 54, 47, 62, 43, 56, 53)
latest <- c(50, 61, NA, 66, 60, 52, NA, 58, 49, 70, 50, NA, 52, 50, 57, 46, 66, NA, 60, 55)
group <- rep(c("treated", "control"), each = 10)
long <- data.frame(client = rep(1:20, 2), visit = rep(1:2, each = 20),
                   value = c(start, latest), treated = rep(group == "treated", 2))
long$later <- as.numeric(long$visit == 2)
long$gain <- long$later * long$treated
fit <- gls(value ~ later + gain, data = long, na.action = na.omit, method = "REML",
           correlation = corSymm(form = ~ visit | client),
           weights = varIdent(form = ~ 1 | visit),
           control = glsControl(tolerance = 1e-12, msTol = 1e-14))
full <- update(fit, data = { l <- long; l$value[is.na(l$value)] <- 57; l })
out <- list(
  made_by = "rank_intervals.R", R = R.version.string,
  nlme = as.character(packageVersion("nlme")), date = as.character(Sys.Date()),
  one = one, two = two,
  signed_rank = c(a$estimate, a$conf.int), shift = c(b$estimate, b$conf.int),
  qsignrank = sapply(c(8, 15, 30, 50), function(n) qsignrank(0.025, n)),
  qwilcox = c(qwilcox(0.025, 8, 8), qwilcox(0.025, 12, 30), qwilcox(0.025, 50, 47)),
  start = start, latest = latest, group = group,
  gls = list(coef = unname(coef(fit)), se = unname(sqrt(diag(vcov(fit)))),
             loglik = as.numeric(logLik(fit)), sigma = fit$sigma),
  gls_full = list(coef = unname(coef(full)), se = unname(sqrt(diag(vcov(full)))),
                  loglik = as.numeric(logLik(full))))
cat(toJSON(out, digits = NA, auto_unbox = TRUE, pretty = TRUE, na = "null"))
