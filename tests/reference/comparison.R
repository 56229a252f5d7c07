# Limits of standardised ratios and rates, and the gamma-Poisson law by maximum likelihood, all from base R.
# Writes comparison.json. The counts of births are those of the example of Fay & Feuer 1997 (Fleiss 1981), typed from
# memory; they serve as numbers only.

source("tests/reference/common.R")

poisson_exact <- function(observed, expected, level) {
  as.numeric(poisson.test(observed, expected, conf.level = level)$conf.int)
}

# mid-P: half the chance of the very count counts
poisson_mid_p <- function(observed, expected, level) {
  tail <- (1 - level) / 2
  high <- function(mean) ppois(observed, mean, lower.tail = FALSE) + dpois(observed, mean) / 2 - tail
  low <- function(mean) ppois(observed, mean) - dpois(observed, mean) / 2 - tail
  root <- function(f, from, to) uniroot(f, c(from, to), tol = 1e-12)$root
  lower <- if (observed == 0) 0 else root(high, 1e-9, observed + 1)
  c(lower, root(low, observed + 1e-9, 10 * observed + 40)) / expected
}

counts <- c(0, 1, 3, 10, 24, 100)
expected <- c(2.5, 2.5, 1.2, 15.3, 8.8, 90)
ratios <- lapply(seq_along(counts), function(i) {
  limits <- lapply(c(0.95, 0.998), function(level) {
    list(level = level, exact = poisson_exact(counts[i], expected[i], level),
         mid_p = poisson_mid_p(counts[i], expected[i], level))
  })
  list(observed = counts[i], expected = expected[i], limits = limits)
})

births <- c(230061, 329449, 114920, 39487, 14208, 3052, 72202, 326701, 208667, 83228, 28466, 5375, 15050, 175702,
            207081, 117300, 45026, 8660, 2293, 68800, 132424, 98301, 46075, 9834, 327, 30666, 123419, 149919, 104088,
            34392)
events <- c(107, 141, 60, 40, 39, 25, 25, 150, 110, 84, 82, 39, 3, 71, 114, 103, 108, 75, 1, 26, 64, 89, 137, 96, 0, 8,
            63, 112, 262, 295)
births <- matrix(births, 6, 5)
events <- matrix(events, 6, 5)
standard <- rowSums(births)
rates <- lapply(1:5, function(order) {
  weight <- standard / sum(standard) / births[, order]
  rate <- sum(weight * events[, order])
  variance <- sum(weight^2 * events[, order])
  most <- max(weight)
  list(events = events[, order], births = births[, order], rate = rate,
       lower = qgamma(0.025, shape = rate^2 / variance, scale = variance / rate),
       upper = qgamma(0.975, shape = (rate + most)^2 / (variance + most^2),
                      scale = (variance + most^2) / (rate + most)))
})

observed <- c(2, 30, 8, 11, 25, 4, 0, 17)
size <- c(10, 14, 10, 7.5, 12, 6, 3.2, 20)
surprise <- function(par) {
  prior <- exp(par[2])
  -sum(dnbinom(observed, size = exp(par[1]) * prior, prob = prior / (prior + size), log = TRUE))
}
found <- optim(c(0, 0), surprise, method = "BFGS", control = list(reltol = 1e-15, maxit = 10000))
mean_ratio <- exp(found$par[1])
prior <- exp(found$par[2])
shape <- mean_ratio * prior + observed
gamma_poisson <- list(
  observed = observed, expected = size, mean = mean_ratio, prior = prior, shrunken = shape / (prior + size),
  lower = qgamma(0.025, shape, prior + size), upper = qgamma(0.975, shape, prior + size)
)

write_results(list(ratios = ratios, standard = standard, rates = rates, gamma_poisson = gamma_poisson),
              "comparison.json", packages = character())
