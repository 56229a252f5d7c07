# Kaplan-Meier with delayed entry, ties, log(-log) limits, quantiles and restricted means, by R survfit.
# Writes data/<name>.csv (entry, exit, event) and kaplan_meier.json.

source("tests/reference/common.R")

six_mp <- data.frame(
  entry = 0,
  exit = c(6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35),
  event = c(1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0)
)
# many ties; the last observation is censored
lung_days <- with(lung, data.frame(entry = 0, exit = time, event = as.integer(status == 2)))
# coarse months make heavy ties; one month is taken off, so that there are events and censorings on day 0
mgus_months <- with(mgus2, data.frame(entry = 0, exit = futime - 1, event = death))
# delayed entry
myeloma_days <- with(myeloma[myeloma$entry < myeloma$futime, ],
                     data.frame(entry = entry, exit = futime, event = death))
# delayed entry for everybody and tiny early risk sets: time from acceptance, seen only once transplanted.
# Stays of half a day are given in half days, to be whole numbers.
heart_half_days <- with(heart[heart$transplant == 1, ],
                        data.frame(entry = 2 * start, exit = 2 * stop, event = event))
# the curve reaches 0, from ties
all_have_event <- data.frame(entry = 0, exit = c(2, 2, 3, 5, 5, 5), event = c(1, 1, 0, 1, 1, 1))
# a flat stretch at exactly one half
flat_at_half <- data.frame(entry = 0, exit = c(1, 2, 7, 9, 12, 12), event = c(1, 1, 1, 1, 1, 0))

data_sets <- list(six_mp = six_mp, lung = lung_days, mgus = mgus_months, myeloma = myeloma_days,
                  heart = heart_half_days, all_have_event = all_have_event, flat_at_half = flat_at_half)
taus <- list(six_mp = c(10, 20, 35), lung = c(100, 365, 1000), mgus = c(60, 240), myeloma = c(365, 2000),
             heart = integer(0), all_have_event = c(4, 5), flat_at_half = c(8, 12))
shares <- c(0.1, 0.25, 0.5, 0.75)

results <- list()
for (name in names(data_sets)) {
  data <- data_sets[[name]]
  write_data(data, paste0(name, ".csv"))
  fit <- if (all(data$entry == 0)) {
    survfit(Surv(exit, event) ~ 1, data = data, conf.type = "log-log")
  } else {
    survfit(Surv(entry, exit, event) ~ 1, data = data, conf.type = "log-log")
  }
  curve <- with(fit, data.frame(day = time, at_risk = n.risk, events = n.event, censored = n.censor,
                                survival = surv, std_error = surv * std.err, lower = lower, upper = upper))
  quantiles <- quantile(fit, probs = shares)
  means <- lapply(taus[[name]], function(tau) {
    row <- summary(fit, rmean = tau)$table
    data.frame(tau = tau, mean = row[["rmean"]], std_error = row[["se(rmean)"]])
  })
  results[[name]] <- list(
    curve = curve,
    quantiles = data.frame(share = shares, estimate = as.numeric(quantiles$quantile),
                           lower = as.numeric(quantiles$lower), upper = as.numeric(quantiles$upper)),
    restricted_means = do.call(rbind, means)
  )
}
write_results(results, "kaplan_meier.json")
