# Firth's penalised logistic regression from its formula, with optim: the log likelihood plus half the log determinant
# of the information. Limits where twice the loss of the profile is the chi-squared quantile; FLIC by glm with an offset.
# Data: first stretches of cox_cgd.csv (see cox.R), and a made-up group without an event.
# Writes data/firth_separated.csv and firth.json.

source("tests/reference/common.R")

penalised <- function(beta, x, y) {
  eta <- drop(x %*% beta)
  share <- plogis(eta)
  information <- crossprod(x * sqrt(share * (1 - share)))
  sum(y * eta - log1p(exp(eta))) + determinant(information, logarithm = TRUE)$modulus[1] / 2
}

best <- function(start, x, y, fixed = NULL, value = NULL) {
  free <- setdiff(seq_len(ncol(x)), fixed)
  whole <- function(part) {
    beta <- numeric(ncol(x))
    beta[free] <- part
    beta[fixed] <- value
    beta
  }
  wrong <- function(part) -penalised(whole(part), x, y)
  found <- optim(start[free], wrong, method = "Nelder-Mead", control = list(reltol = 1e-14, maxit = 20000))
  for (again in 1:3) {
    found <- optim(found$par, wrong, method = "BFGS",
                   control = list(reltol = 1e-16, maxit = 5000, ndeps = rep(1e-5, length(free))))
  }
  list(beta = whole(found$par), value = -found$value)
}

firth_by_r <- function(data, columns, level = 0.95) {
  x <- cbind(1, as.matrix(data[columns]))
  y <- data$event
  # columns of one size, so that the search of optim gets to the end
  size <- c(1, apply(x[, -1, drop = FALSE], 2, sd))
  x <- sweep(x, 2, size, "/")
  fit <- best(numeric(ncol(x)), x, y)
  cut <- fit$value - qchisq(level, 1) / 2
  share <- plogis(drop(x %*% fit$beta))
  error <- sqrt(diag(solve(crossprod(x * sqrt(share * (1 - share))))))
  limit <- function(place, sign) {
    over <- function(value) best(fit$beta, x, y, place, value)$value - cut
    far <- fit$beta[place] + sign * 2 * error[place]
    while (over(far) > 0) far <- far + sign * error[place]
    uniroot(over, sort(c(fit$beta[place], far)), tol = 1e-8)$root
  }
  places <- seq_along(columns) + 1
  rest <- drop(x[, -1, drop = FALSE] %*% fit$beta[-1])
  list(
    coefficient = fit$beta / size,
    standard_error = error / size,
    log_likelihood = fit$value + sum(log(size)),
    lower = sapply(places, limit, sign = -1) / size[-1],
    upper = sapply(places, limit, sign = 1) / size[-1],
    flic_intercept = unname(coef(glm(y ~ offset(rest), family = binomial, control = list(epsilon = 1e-14))))
  )
}

cgd <- read.csv(data_file("cox_cgd.csv"))
first <- cgd[!duplicated(cgd$patient), ]
separated <- data.frame(
  event = c(1, 0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0),
  group = c(rep(0, 10), rep(1, 6)),
  value = c(2.1, 0.3, 1.7, 0.9, 1.1, 0.2, 2.5, 0.4, 1.3, 0.8, 0.5, 1.9, 0.7, 1.2, 2.2, 0.1)
)
write_data(separated, "firth_separated.csv")
results <- list(
  cgd = firth_by_r(first, c("treated", "age", "x_linked", "steroids")),
  separated = firth_by_r(separated, c("group", "value"))
)
write_results(results, "firth.json", packages = character(0))
