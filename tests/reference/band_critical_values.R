# Published critical values of simultaneous bands, 90, 95 and (Hall-Wellner) 99 %: Klein & Moeschberger 2003, Survival
# Analysis, tables C.3 (equal precision, Nair) and C.4 (Hall-Wellner), as carried by the R package km.ci; every fifth
# row, every second column. Writes band_critical_values.json.

source("tests/reference/common.R")
suppressPackageStartupMessages(library(km.ci))

rows <- seq(1, 46, 5)
to_share <- 0.1 + 0.02 * (rows - 1)
table_of <- function(kind, level) {
  values <- getFromNamespace(paste0("critical.value.", kind, ".", level), "km.ci")
  columns <- colnames(values)[as.integer(sub("al", "", colnames(values))) %% 4 == 0]
  list(from_share = as.numeric(sub("al", "0.", columns)), to_share = to_share[rows <= nrow(values)],
       value = unname(values[rows[rows <= nrow(values)], columns]))
}
write_results(
  list(hall_wellner = sapply(c("90", "95", "99"), function(level) table_of("hall", level), simplify = FALSE),
       equal_precision = sapply(c("90", "95"), function(level) table_of("nair", level), simplify = FALSE)),
  "band_critical_values.json", c("survival", "km.ci")
)
