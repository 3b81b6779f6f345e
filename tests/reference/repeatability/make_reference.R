# Unbalanced crossed variance components (lme4, REML) and a one-factor model (factanal, ML).
# Run in this folder: Rscript make_reference.R > reference.json
# unbalanced_study.csv and items.csv are made data (normal effects, numpy seed 20260829).
suppressMessages({library(lme4); library(jsonlite)})
study <- read.csv("unbalanced_study.csv")
fit <- lmer(value ~ 1 + (1 | client) + (1 | rater) + (1 | session) + (1 | client:rater) +
              (1 | client:session) + (1 | rater:session) + (1 | client:rater:session), study, REML = TRUE,
            control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10)))
v <- as.data.frame(VarCorr(fit))
items <- read.csv("items.csv")
fa <- factanal(items, factors = 1, control = list(opt = list(factr = 1e2), lower = 1e-4))
out <- list(
  made_with = paste(R.version.string, "lme4", packageVersion("lme4")),
  date = as.character(Sys.Date()),
  components = setNames(as.list(v$vcov), v$grp),
  reml_criterion = REMLcrit(fit),
  loadings = as.numeric(fa$loadings) * apply(items, 2, sd),
  own = as.numeric(fa$uniquenesses) * apply(items, 2, var))
cat(toJSON(out, auto_unbox = TRUE, digits = 12, pretty = TRUE), "\n")
