# Random-effects summary of the 13 trials of BCG vaccine (Colditz et al. 1994, JAMA 271:698),
# log risk ratios; Paule-Mandel tau2 with and without the Hartung-Knapp interval.
suppressMessages(library(metafor))
data <- escalc(measure = "RR", ai = tpos, bi = tneg, ci = cpos, di = cneg, data = dat.bcg)
fit <- rma(yi, vi, data = data, method = "PM", test = "knha")
cat(jsonlite::toJSON(list(
  tool = paste("R", getRversion(), "metafor", packageVersion("metafor")), date = as.character(Sys.Date()),
  yi = as.numeric(data$yi), vi = as.numeric(data$vi), tau2 = fit$tau2,
  estimate = as.numeric(fit$beta), ci_low = fit$ci.lb, ci_high = fit$ci.ub, standard_error = fit$se
), digits = 12, auto_unbox = TRUE, pretty = TRUE), "\n")
