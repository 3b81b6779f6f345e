# Times with ties, three groups, two endings: Kaplan-Meier, its quantiles and restricted mean,
# log-rank, Aalen-Johansen with standard errors, and a discrete-time hazard. Writes times.json.
library(survival)
library(jsonlite)
set.seed(406)
n <- 90
group <- rep(c("a", "b", "c"), each = 30)
age <- round(rnorm(n, 45, 12))
time <- ceiling(rexp(n, c(a = 0.12, b = 0.18, c = 0.25)[group] * exp(0.01 * (age - 45))) * 1.5)
time <- pmin(time, 12)
ending <- sample(c("gain", "discharged", "no further record"), n, TRUE, c(0.6, 0.2, 0.2))
gain <- as.numeric(ending == "gain")
km <- survfit(Surv(time, gain) ~ 1, conf.type = "log-log")
rm <- summary(km, rmean = 10)$table
lr <- survdiff(Surv(time, gain) ~ group)
state <- factor(ending, c("no further record", "gain", "discharged"))
aj <- summary(survfit(Surv(time, state) ~ 1))
q <- quantile(km, 0.5)
long <- data.frame(id = rep(1:n, time), visit = sequence(time))
long$gained <- as.numeric(long$visit == time[long$id] & gain[long$id] == 1)
long$age <- age[long$id]
long$group <- group[long$id]
keep <- ave(long$gained, long$visit, FUN = function(x) length(unique(x))) > 1
fit <- glm(gained ~ 0 + factor(visit) + age + group, binomial("cloglog"), long[keep, ],
           control = glm.control(epsilon = 1e-14, maxit = 100))
s <- coef(summary(fit))
s <- s[(nrow(s) - 2):nrow(s), ]
write_json(list(
  made_with = paste("R", getRversion(), "survival", packageVersion("survival")),
  date = as.character(Sys.Date()),
  time = time, ending = ending, group = group, age = age,
  km = list(time = km$time, survival = km$surv, se = km$std.err * km$surv, low = km$lower,
            high = km$upper),
  median = list(estimate = as.numeric(q$quantile), low = as.numeric(q$lower),
                high = as.numeric(q$upper)),
  restricted = list(until = 10, estimate = as.numeric(rm["rmean"]), se = as.numeric(rm["se(rmean)"])),
  log_rank = list(chisq = lr$chisq, expected = as.numeric(lr$exp)),
  aj = list(time = aj$time, gain = aj$pstate[, 2], gain_se = aj$std.err[, 2],
            discharged = aj$pstate[, 3], discharged_se = aj$std.err[, 3]),
  hazard = list(term = rownames(s), coef = as.numeric(s[, 1]), se = as.numeric(s[, 2]))
), "times.json", digits = 14, auto_unbox = TRUE, pretty = FALSE)
