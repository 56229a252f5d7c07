# Cumulative incidence of competing events, infinitesimal-jackknife standard errors, log(-log) limits, by R survfit.
# Writes data/transplant.csv, data/mgus_causes.csv, data/mgus_late_entry.csv (entry, exit, cause) and
# aalen_johansen.json. Cause 0 is censored.

source("tests/reference/common.R")

# waiting list for a liver: 1 = death, 2 = transplant, 3 = withdrawal; days, some on day 0
waiting <- with(transplant[!is.na(transplant$futime), ],
                data.frame(entry = 0, exit = futime, cause = as.integer(event) - 1))
# months make heavy ties: 1 = plasma cell malignancy, 2 = death without it
first <- with(mgus2, ifelse(pstat == 0, futime, ptime))
cause <- with(mgus2, ifelse(pstat == 0, 2 * death, 1))
mgus <- data.frame(entry = 0, exit = first, cause = cause)
# the same on the time scale of months since the 60th birthday: entry is delayed for most
since_60 <- 12 * (mgus2$age - 60)
late <- data.frame(entry = pmax(0, since_60), exit = since_60 + first, cause = cause)
late <- late[late$exit > late$entry, ]

results <- list()
for (name in c("transplant", "mgus_causes", "mgus_late_entry")) {
  data <- list(transplant = waiting, mgus_causes = mgus, mgus_late_entry = late)[[name]]
  write_data(data, paste0(name, ".csv"))
  outcome <- factor(data$cause)
  fit <- if (all(data$entry == 0)) {
    survfit(Surv(exit, outcome) ~ 1, data = data, conf.type = "log-log")
  } else {
    data$person <- seq_len(nrow(data))
    survfit(Surv(entry, exit, outcome) ~ 1, data = data, id = person, conf.type = "log-log")
  }
  causes <- lapply(seq_along(fit$states)[-1], function(state) {
    data.frame(day = fit$time, incidence = fit$pstate[, state], std_error = fit$std.err[, state],
               lower = fit$lower[, state], upper = fit$upper[, state])
  })
  names(causes) <- fit$states[-1]
  results[[name]] <- list(n_risk = fit$n.risk[, 1], event_free = fit$pstate[, 1], causes = causes)
}
write_results(results, "aalen_johansen.json")
