# Kaplan-Meier with robust (infinitesimal-jackknife) variance by R survfit: several gap times a patient (cluster=), also
# with delayed entry, and weighted intervals (weights=, id=). Writes data/gap_times.csv, data/gap_times_late.csv
# (patient, entry, exit, events), data/weighted_intervals.csv (also weight) and robust_survival.json.

source("tests/reference/common.R")

curve_of <- function(fit) {
  data.frame(day = fit$time, at_risk = fit$n.risk, survival = fit$surv, std_error = fit$std.err,
             lower = fit$lower, upper = fit$upper)
}

# infections: time from one to the next
gap_times <- with(cgd, data.frame(patient = id, entry = 0, exit = tstop - tstart, events = status))
clustered <- survfit(Surv(exit, events) ~ 1, data = gap_times, cluster = patient, conf.type = "log-log")

# several spells a made-up patient, with delayed entry
usable <- myeloma[myeloma$entry < myeloma$futime & myeloma$id %% 4 == 0, ]
gap_times_late <- with(usable, data.frame(patient = id %% 300, entry = entry, exit = futime, events = death))
late <- survfit(Surv(entry, exit, events) ~ 1, data = gap_times_late, cluster = patient, conf.type = "log-log")

# two stretches a person with different weights, cut on day 200; ties
person <- with(lung, data.frame(patient = seq_along(time), exit = time, events = as.integer(status == 2),
                                first = round(1 + (age %% 7) / 5, 2), second = round(1 + (age %% 5) / 2, 2)))
before <- with(person, data.frame(patient, entry = 0, exit = pmin(exit, 200), events = events * (exit <= 200),
                                  weight = first))
after <- with(person[person$exit > 200, ], data.frame(patient, entry = 200, exit, events, weight = second))
weighted_intervals <- rbind(before, after)
weighted <- survfit(Surv(entry, exit, events) ~ 1, data = weighted_intervals, weights = weight, id = patient,
                    robust = TRUE, conf.type = "log-log")

write_data(gap_times, "gap_times.csv")
write_data(gap_times_late, "gap_times_late.csv")
write_data(weighted_intervals, "weighted_intervals.csv")
write_results(list(clustered = curve_of(clustered), late = curve_of(late), weighted = curve_of(weighted)),
              "robust_survival.json")
