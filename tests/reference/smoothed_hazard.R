# Kernel-smoothed hazard, straight from its definition: Epanechnikov weights, near the ends times a line whose two
# coefficients are found from numerical integrals (total 1, mean 0) rather than from a formula. The package muhaz is not
# used: its weights near the ends are others. Reads data/<name>.csv; writes smoothed_hazard.json.

source("tests/reference/common.R")

epanechnikov <- function(x) ifelse(abs(x) <= 1, 0.75 * (1 - x^2), 0)

line <- function(from, to) {
  moment <- function(power) integrate(function(x) x^power * epanechnikov(x), from, to, rel.tol = 1e-12)$value
  solve(matrix(c(moment(0), moment(1), moment(1), moment(2)), 2), c(1, 0))
}

# the window's part that is followed, in bandwidths, of x = (t - u) / b: u from start to end
hazard <- function(data, t, b) {
  fit <- if (all(data$entry == 0)) survfit(Surv(exit, event) ~ 1, data = data)
         else survfit(Surv(entry, exit, event) ~ 1, data = data)
  end <- max(data$exit)
  from <- max(-1, (t - end) / b)
  to <- min(1, t / b)
  coefficients <- if (from > -1 || to < 1) line(from, to) else c(1, 0)
  x <- (t - fit$time) / b
  weight <- ifelse(x >= from & x <= to, epanechnikov(x) * (coefficients[1] + coefficients[2] * x), 0) / b
  c(estimate = sum(weight * fit$n.event / fit$n.risk), std_error = sqrt(sum(weight^2 * fit$n.event / fit$n.risk^2)))
}

bandwidths <- c(lung = 150, mgus = 36, myeloma = 365)
days <- list(lung = c(0, 10, 75, 149, 150, 300, 600, 872, 900), mgus = c(0, 1, 20, 100, 200),
             myeloma = c(1, 30, 364, 365, 1000, 4000))
results <- list()
for (name in names(bandwidths)) {
  data <- read.csv(data_file(paste0(name, ".csv")))
  values <- sapply(days[[name]], function(t) hazard(data, t, bandwidths[[name]]))
  results[[name]] <- list(bandwidth = bandwidths[[name]], day = days[[name]], estimate = values["estimate", ],
                          std_error = values["std_error", ])
}
write_results(results, "smoothed_hazard.json")
