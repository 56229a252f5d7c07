# Median follow-up with log(-log) limits, by R survfit with the status turned round. Reads data/<name>.csv; writes
# follow_up.json.

source("tests/reference/common.R")

results <- list()
for (name in c("lung", "mgus", "myeloma", "six_mp")) {
  data <- read.csv(data_file(paste0(name, ".csv")))
  data$ended <- 1 - data$event
  outcome <- if (all(data$entry == 0)) with(data, Surv(exit, ended)) else with(data, Surv(entry, exit, ended))
  median <- quantile(survfit(outcome ~ 1, conf.type = "log-log"), probs = 0.5)
  results[[name]] <- lapply(median, as.numeric)
}
write_results(results, "follow_up.json")
