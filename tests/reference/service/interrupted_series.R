# Generalised least squares with first-order autoregressive errors, REML, for a made monthly series
# with a planted step. Writes interrupted_series.json beside this script.
library(nlme)
library(jsonlite)
set.seed(20260)
n <- 30
time <- 0:(n - 1)
change_at <- 16
size <- 20 + (time * 7) %% 13
noise <- as.numeric(arima.sim(list(ar = 0.5), n)) / sqrt(size / mean(size))
value <- round(6 + 0.05 * time + 2 * (time >= change_at) + noise, 3)
data <- data.frame(value, time, step = as.numeric(time >= change_at), weight = 1 / size)
fit <- gls(value ~ time + step, data, correlation = corAR1(form = ~time),
           weights = varFixed(~weight), method = "REML",
           control = glsControl(tolerance = 1e-12, msTol = 1e-12))
rho <- as.numeric(coef(fit$modelStruct$corStruct, unconstrained = FALSE))
write_json(list(
  made_with = paste("R", getRversion(), "nlme", packageVersion("nlme")),
  date = as.character(Sys.Date()),
  series = list(value = value, n = size), change_at = change_at, rho = rho,
  coefficients = as.numeric(coef(fit)),
  standard_errors = as.numeric(sqrt(diag(vcov(fit))))
), "interrupted_series.json", digits = 14, auto_unbox = TRUE, pretty = TRUE)
