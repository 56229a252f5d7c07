# Beta-binomial by maximum likelihood, from the densities themselves, with profile limits of mean and correlation.
# Writes data/litters.csv (pups alive at day 21 of those alive at day 4; typed from memory) and beta_binomial.json.

source("tests/reference/common.R")

litters <- rbind(
  data.frame(
    group = "control",
    placed = c(13, 12, 9, 9, 8, 8, 13, 12, 10, 10, 9, 13, 5, 7, 10, 10),
    growing = c(13, 12, 9, 9, 8, 8, 12, 11, 9, 9, 8, 11, 4, 5, 7, 7)
  ),
  data.frame(
    group = "treated",
    placed = c(12, 11, 10, 9, 11, 10, 10, 9, 9, 5, 9, 7, 10, 6, 10, 7),
    growing = c(12, 11, 10, 9, 10, 9, 9, 8, 8, 4, 7, 4, 5, 3, 3, 0)
  )
)
write_data(litters, "litters.csv")

log_likelihood <- function(mean, theta, y, n) {
  a <- mean / theta
  b <- (1 - mean) / theta
  sum(lbeta(y + a, n - y + b) - lbeta(a, b))
}

fitted_by_r <- function(y, n, level = 0.95) {
  wrong <- function(p) -log_likelihood(plogis(p[1]), exp(p[2]), y, n)
  start <- optim(c(qlogis(sum(y) / sum(n)), log(0.1)), wrong, method = "Nelder-Mead",
                 control = list(reltol = 1e-15, maxit = 5000))
  best <- optim(start$par, wrong, method = "BFGS", control = list(reltol = 1e-15))
  mean <- plogis(best$par[1])
  theta <- exp(best$par[2])
  cut <- -best$value - qt((1 + level) / 2, length(y) - 1)^2 / 2
  over_mean <- function(log_theta) {
    -optimize(function(m) -log_likelihood(m, exp(log_theta), y, n), c(1e-6, 1 - 1e-6), tol = 1e-12)$objective - cut
  }
  over_theta <- function(mean) {
    -optimize(function(t) -log_likelihood(mean, exp(t), y, n), c(-9, 4), tol = 1e-12)$objective - cut
  }
  upper <- exp(uniroot(over_mean, c(best$par[2], 5), tol = 1e-12)$root)
  lower <- if (over_mean(-9) > 0) 0 else exp(uniroot(over_mean, c(-9, best$par[2]), tol = 1e-12)$root)
  list(
    mean = mean,
    mean_lower = uniroot(over_theta, c(0.3, mean), tol = 1e-12)$root,
    mean_upper = uniroot(over_theta, c(mean, 0.999), tol = 1e-12)$root,
    correlation = theta / (1 + theta),
    correlation_lower = lower / (1 + lower),
    correlation_upper = upper / (1 + upper),
    below_80 = pbeta(0.8, mean / theta, (1 - mean) / theta),
    below_90 = pbeta(0.9, mean / theta, (1 - mean) / theta),
    log_likelihood = -best$value
  )
}

results <- lapply(split(litters, litters$group), function(part) fitted_by_r(part$growing, part$placed))
write_results(results, "beta_binomial.json", packages = character(0))
