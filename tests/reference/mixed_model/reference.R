# Reference fits of mixed models. Run:
#   python export_data.py FOLDER && Rscript reference.R FOLDER reference.json
# lme4 fits are polished by Newton steps on the profiled deviance (numDeriv), so that they carry
# about ten digits.
suppressMessages({
  library(lme4); library(lmerTest); library(pbkrtest); library(nlme); library(clubSandwich)
  library(numDeriv); library(jsonlite)
})
args <- commandArgs(trailingOnly = TRUE)
read <- function(name) read.csv(file.path(args[1], paste0(name, ".csv")), stringsAsFactors = TRUE)
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-11, maxfun = 1e5),
                     check.conv.singular = "ignore")

polished <- function(formula, data, weights = NULL) {
  current <<- data  # lmerTest looks the data up by name again
  if (!is.null(weights)) current$case_weight <<- data[[weights]]
  parts <- list(quote(lme4::lmer), formula, data = quote(current), control = quote(tight))
  if (!is.null(weights)) parts$weights <- quote(case_weight)
  devfun <- eval(as.call(c(parts, devFunOnly = TRUE)))
  model <- eval(as.call(parts))
  theta <- getME(model, "theta")
  if (!isSingular(model, tol = 1e-4)) for (i in 1:4) {
    step <- solve(hessian(devfun, theta), grad(devfun, theta))
    if (any(!is.finite(step)) || max(abs(step)) > 1e-2) break
    theta <- theta - step
  }
  # Stay there: a search of hardly any width around the polished value.
  still <<- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 2e-11, rhoend = 1e-11),
                        check.conv.singular = "ignore", check.conv.grad = "ignore")
  parts$control <- quote(still)
  parts$start <- theta
  eval(as.call(parts))
}

lme4_fit <- function(formula, data, weights = NULL, profile = FALSE) {
  formula <- as.formula(formula)
  model <- polished(formula, data, weights)
  tested <- as_lmerModLmerTest(model)
  table <- coef(summary(tested))
  terms <- rownames(table)
  out <- list(
    formula = deparse(formula), n_rows = nobs(model), reml_log_likelihood = as.numeric(logLik(model)),
    terms = terms, estimate = table[, 1], standard_error = table[, 2], satterthwaite_df = table[, 3]
  )
  if (is.null(weights)) {
    adjusted <- vcovAdj(model)
    out$kenward_roger_se <- sqrt(diag(as.matrix(adjusted)))
    out$kenward_roger_df <- sapply(seq_along(terms), function(i) {
      l <- rep(0, length(terms)); l[i] <- 1
      Lb_ddf(l, vcov(model), adjusted)
    })
  }
  components <- as.data.frame(VarCorr(model))
  out$variances <- data.frame(level = components$grp, term = components$var1,
                              other = components$var2, estimate = components$vcov)
  effects <- as.data.frame(ranef(model, condVar = TRUE))
  effects <- effects[effects$grpvar %in% unique(effects$grpvar), ]
  out$effects <- data.frame(level = effects$grpvar, group = as.character(effects$grp),
                            term = as.character(effects$term), estimate = effects$condval,
                            conditional_sd = effects$condsd)
  if (profile) {
    ml <- refitML(model)
    intervals <- suppressMessages(confint(stats::profile(ml, signames = FALSE, delta = 0.02,
                                                        devtol = 1e-6)))
    out$ml_log_likelihood <- as.numeric(logLik(ml))
    out$ml_profile <- list(names = rownames(intervals), low = intervals[, 1], high = intervals[, 2])
  }
  out
}

joint <- function(formula, data, term) {
  model <- as_lmerModLmerTest(polished(as.formula(formula), data))
  f <- anova(model, ddf = "Satterthwaite")[term, ]
  k <- anova(model, ddf = "Kenward-Roger")[term, ]
  list(formula = formula, term = term,
       satterthwaite = list(f = f[["F value"]], df1 = f$NumDF, df2 = f$DenDF),
       kenward_roger = list(f = k[["F value"]], df1 = k$NumDF, df2 = k$DenDF))
}

ctl <- lmeControl(opt = "nlminb", msTol = 1e-14, tolerance = 1e-12, maxIter = 1000,
                  msMaxIter = 1000, msMaxEval = 5000, niterEM = 100)
nlme_fit <- function(model) {
  table <- summary(model)$tTable
  list(reml_log_likelihood = as.numeric(logLik(model)), terms = rownames(table),
       estimate = table[, 1], standard_error = table[, 2], sigma = model$sigma,
       correlation = if (!is.null(model$modelStruct$corStruct))
         as.numeric(coef(model$modelStruct$corStruct, unconstrained = FALSE)) else NULL,
       ratio = if (!is.null(model$modelStruct$varStruct))
         as.list(coef(model$modelStruct$varStruct, unconstrained = FALSE)) else NULL)
}

robust <- function(model) {
  table <- coef_test(model, vcov = "CR2", test = "Satterthwaite")
  list(terms = table$Coef, standard_error = table$SE, df = table$df_Satt)
}

sleepstudy <- read("sleepstudy"); orthodont <- read("orthodont"); dyestuff <- read("dyestuff")
pastes <- read("pastes"); ovary <- read("ovary"); machines <- read("machines")
pixel <- read("pixel"); loblolly <- read("loblolly"); btheb <- read("btheb")
sleepstudy$Subject <- factor(sleepstudy$Subject)
machines$Worker <- factor(machines$Worker)
machines$pair <- interaction(machines$Worker, machines$Machine)
sleepstudy$trials <- rep(c(1, 3, 2), length.out = nrow(sleepstudy))
arm <- subset(btheb, treatment == "BtheB")
short <- subset(sleepstudy, !(Subject %in% c("308", "330") & Days > 1) & !(Days == 4 & Subject %in% c("331", "370")))
pixel$Dog <- factor(pixel$Dog)

long <- bdi ~ bdi_pre + time + treatment + drug + length
fits <- list(
  "sleepstudy-slope" = lme4_fit(Reaction ~ Days + (Days | Subject), sleepstudy, profile = TRUE),
  "sleepstudy-uncorrelated" = lme4_fit(Reaction ~ Days + (1 | Subject) + (0 + Days | Subject), sleepstudy),
  "sleepstudy-intercept" = lme4_fit(Reaction ~ Days + (1 | Subject), sleepstudy, profile = TRUE),
  "sleepstudy-unbalanced" = lme4_fit(Reaction ~ Days + (Days | Subject), short),
  "sleepstudy-weights" = lme4_fit(Reaction ~ Days + (Days | Subject), sleepstudy, weights = "trials"),
  "orthodont-intercept" = lme4_fit(distance ~ age * Sex + (1 | Subject), orthodont),
  "orthodont-slope" = lme4_fit(distance ~ age * Sex + (age | Subject), orthodont),
  "btheb-intercept" = lme4_fit(bdi ~ bdi_pre + time + treatment + drug + length + (1 | subject), btheb),
  "btheb-slope" = lme4_fit(bdi ~ bdi_pre + time + treatment + drug + length + (time | subject), btheb),
  "btheb-arm-boundary" = lme4_fit(bdi ~ bdi_pre + time + (time | subject), arm),
  "dyestuff" = lme4_fit(Yield ~ 1 + (1 | Batch), dyestuff, profile = TRUE),
  "pastes-nested" = lme4_fit(strength ~ 1 + (1 | batch) + (1 | sample), pastes),
  "machines-nested" = lme4_fit(score ~ Machine + (1 | Worker) + (1 | pair), machines)
)
joints <- list(
  "machines" = joint("score ~ Machine + (1 | Worker) + (1 | pair)", machines, "Machine"),
  "machines-one-level" = joint("score ~ Machine + (1 | Worker)", machines, "Machine")
)
nested <- list(
  "ovary-uncorrelated" = nlme_fit(lme(follicles ~ sin(2 * pi * Time) + cos(2 * pi * Time), ovary,
    random = list(Mare = pdDiag(~ sin(2 * pi * Time))), control = ctl)),
  "ovary-autoregressive" = nlme_fit(lme(follicles ~ sin(2 * pi * Time) + cos(2 * pi * Time), ovary,
    random = ~ 1 | Mare, correlation = corCAR1(0.5, form = ~ Time | Mare), control = ctl)),
  "btheb-autoregressive" = nlme_fit(lme(long, btheb, random = ~ 1 | subject,
    correlation = corCAR1(0.3, form = ~ time | subject), control = ctl)),
  "orthodont-variance-per-sex" = nlme_fit(lme(distance ~ age * Sex, orthodont, random = ~ age | Subject,
    weights = varIdent(form = ~ 1 | Sex), control = ctl)),
  "pixel-two-sides" = nlme_fit(lme(pixel ~ 0 + Side + Side:day, pixel, random = ~ 0 + Side | Dog,
    weights = varIdent(form = ~ 1 | Side), control = ctl)),
  "btheb-marginal-autoregressive" = nlme_fit(gls(long, btheb,
    correlation = corCAR1(0.5, form = ~ time | subject), control = glsControl(msTol = 1e-14, tolerance = 1e-12)))
)
clusters <- list(
  "orthodont" = robust(lme4::lmer(distance ~ age * Sex + (1 | Subject), orthodont, control = tight)),
  "sleepstudy-unbalanced" = robust(lme4::lmer(Reaction ~ Days + (Days | Subject), short, control = tight))
)
# The plateau course: exact ML at a given scale, maximised over the scale.
shape_fit <- function(scale) {
  loblolly$shape <- 1 - exp(-loblolly$age / scale)
  lme4::lmer(height ~ shape + (0 + shape | Seed), loblolly, REML = FALSE, control = tight)
}
best <- optimise(function(s) -as.numeric(logLik(shape_fit(s))), c(15, 45), tol = 1e-10)
chosen <- shape_fit(best$minimum)
plateau <- list(scale = best$minimum, log_likelihood = -best$objective, fixed = fixef(chosen),
                gain_sd = attr(VarCorr(chosen)$Seed, "stddev"), sigma = sigma(chosen))

version_of <- function(p) as.character(packageVersion(p))
writeLines(toJSON(list(
  made_with = as.list(c(R = R.version.string, sapply(c("lme4", "lmerTest", "pbkrtest", "nlme",
    "clubSandwich", "numDeriv"), version_of))),
  date = as.character(Sys.Date()), fits = fits, joint = joints, nlme = nested, robust = clusters,
  plateau = plateau), digits = NA, auto_unbox = TRUE, pretty = 1, na = "null"), args[2])
