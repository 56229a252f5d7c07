# Interval-censored durations: Turnbull's estimate by survfit and parametric fits by survreg, on the published breast
# cosmesis data and on made-up visits. survfit stops early, so its values are near the maximum, not on it; a plain EM
# of a few lines, run for long, goes on to it (about a minute).
# Writes data/intervals_<name>.csv (group, left, right; right empty = not seen to end) and interval_censored.json.

source("tests/reference/common.R")

# Finkelstein & Wolfe 1985, Biometrics 41:933-945: months to cosmetic deterioration after radiotherapy (1), or
# radiotherapy and chemotherapy (2); (left, right], NA = not seen.
months <- function(text) {
  pairs <- strsplit(strsplit(trimws(text), "[[:space:]]+")[[1]], ",")
  data.frame(left = as.numeric(sapply(pairs, `[`, 1)), right = as.numeric(sapply(pairs, `[`, 2)))
}
radiotherapy <- months("45 6,10 0,7 46 46 7,16 17 7,14 37,44 0,8 4,11 15 11,15 22 46 46 25,37 46 26,40 46 27,34
  36,44 46 36,48 37 40 17,25 46 11,18 38 5,12 37 0,5 18 24 36 5,11 19,35 17,25 24 32 33 19,26 37 34 36")
with_chemotherapy <- months("8,12 0,22 24,31 17,27 17,23 24,30 16,24 13 11,13 16,20 18,25 17,26 32 23 44,48 14,17
  0,5 5,8 12,20 11 33,40 31 13,39 19,32 34 13 16,24 35 15,22 11,17 22,32 48 30,34 13 10,17 8,21 4,9 11 14,19 4,8
  34 30,36 18,24 16,60 35,39 21 11,20 10,35")
cosmesis <- rbind(cbind(group = 1, radiotherapy), cbind(group = 2, with_chemotherapy))
stopifnot(table(cosmesis$group) == c(46, 48))

# made-up visits about a log-normal duration, in days; group 2 takes half as long again
set.seed(20261128)
visits <- function(people, step) {
  group <- rep(1:2, length.out = people)
  ends <- ceiling(exp(rnorm(people, log(100 * c(1, 1.5)[group]), 0.9)))
  due <- c(14, 91, 182, 365, 730)
  looks <- t(sapply(seq_len(people), function(i) due + round(rnorm(5, 0, c(3, 10, 15, 25, 30)))))
  looks[] <- pmax(step, step * round(looks / step))
  looks[matrix(runif(5 * people) < 0.3, people)] <- NA
  looks[, 1] <- ifelse(rowSums(!is.na(looks)) == 0, 14, looks[, 1])
  left <- apply(ifelse(looks < ends, looks, 0), 1, max, na.rm = TRUE)
  right <- apply(ifelse(looks >= ends, looks, Inf), 1, min, na.rm = TRUE)
  data.frame(group = group, left = left, right = ifelse(is.finite(right), right, NA))
}

by_turnbull <- function(data) {
  fit <- survfit(Surv(left, ifelse(is.na(right), Inf, right), type = "interval2") ~ 1, data = data)
  list(time = fit$time, survival = fit$surv)
}

# Turnbull's own algorithm, written out for this check: plain self-consistency over the cells between all end points,
# from equal masses, run until nothing moves any more; survival at the end points
by_plain_em <- function(data) {
  right <- ifelse(is.na(data$right), Inf, data$right)
  ends <- sort(unique(c(0, data$left, right)))
  covers <- outer(data$left, ends[-length(ends)], "<=") & outer(right, ends[-1], ">=")
  mass <- rep(1 / ncol(covers), ncol(covers))
  for (step in 1:100000) {
    moved <- colMeans(t(t(covers) * mass) / drop(covers %*% mass))
    change <- max(abs(moved - mass)); mass <- moved
    if (change < 1e-10) break
  }
  finite <- ends[-length(ends)]
  list(day = finite, survival = rev(cumsum(rev(mass))), log_likelihood = sum(log(drop(covers %*% mass))))
}

# limits of a survival share, symmetric on the scale of the standardised log time
by_survreg <- function(data, distribution, at) {
  lowest <- ifelse(data$left == 0, NA, data$left)
  fit <- survreg(Surv(lowest, data$right, type = "interval2") ~ 1, dist = distribution,
                 control = survreg.control(rel.tolerance = 1e-13, maxiter = 100))
  location <- unname(coef(fit)); scale <- fit$scale
  share <- switch(distribution, lognormal = function(z) pnorm(z, lower.tail = FALSE),
                  loglogistic = function(z) plogis(z, lower.tail = FALSE), weibull = function(z) exp(-exp(z)))
  z <- (log(at) - location) / scale
  error <- sapply(z, function(one) { g <- c(-1 / scale, -one); sqrt(drop(t(g) %*% vcov(fit) %*% g)) })
  list(location = location, scale = scale, log_likelihood = fit$loglik[1], aic = AIC(fit),
       survival = share(z), lower = share(z + qnorm(0.975) * error), upper = share(z - qnorm(0.975) * error))
}

data_sets <- list(cosmesis = cosmesis, days = visits(600, 1), weeks = visits(600, 7))
at <- list(cosmesis = c(6, 12, 24, 40), days = c(30, 91, 182, 365), weeks = c(28, 91, 182, 364))
results <- list()
for (name in names(data_sets)) {
  data <- data_sets[[name]]
  write.csv(data, data_file(paste0("intervals_", name, ".csv")), row.names = FALSE, quote = FALSE, na = "")
  parametric <- lapply(c(lognormal = "lognormal", weibull = "weibull", loglogistic = "loglogistic"),
                       function(distribution) by_survreg(data, distribution, at[[name]]))
  results[[name]] <- list(turnbull = by_turnbull(data),
                          plain_em = by_plain_em(data),
                          turnbull_group_1 = by_turnbull(data[data$group == 1, ]),
                          turnbull_group_2 = by_turnbull(data[data$group == 2, ]),
                          at = at[[name]], parametric = parametric)
}
write_results(results, "interval_censored.json")
