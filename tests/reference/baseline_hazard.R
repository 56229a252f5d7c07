# Cumulative baseline hazard of a Cox regression with ties after Efron and delayed entry, of who stands at 0 in every
# column, by R basehaz. Reads data/cox_lung.csv and data/cox_myeloma.csv; writes baseline_hazard.json.

source("tests/reference/common.R")

hazard_at <- function(fit, days) {
  steps <- basehaz(fit, centered = FALSE)
  sapply(days, function(day) max(c(0, steps$hazard[steps$time <= day])))
}

days <- c(0, 91, 182, 364, 728)
lung_rows <- read.csv(data_file("cox_lung.csv"))
myeloma_rows <- read.csv(data_file("cox_myeloma.csv"))
precise <- coxph.control(eps = 1e-12, toler.chol = 1e-13)
lung_fit <- coxph(Surv(exit, event) ~ age + female + ecog, data = lung_rows, control = precise)
myeloma_fit <- coxph(Surv(entry, exit, event) ~ year, data = myeloma_rows, control = precise)
write_results(list(days = days, lung = hazard_at(lung_fit, days),
                   myeloma = hazard_at(myeloma_fit, days)),
              "baseline_hazard.json")
