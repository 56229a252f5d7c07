# Gray's test that cumulative incidence does not differ between groups, by cmprsk cuminc (rho = 0), plain and
# stratified. Writes data/grouped_causes_<name>.csv (stratum, group, entry,
# exit, cause; 0 is censored) and gray_test.json.

source("tests/reference/common.R")
suppressPackageStartupMessages(library(cmprsk))

# days on a waiting list by blood group: 1 = death, 2 = transplant, 3 = withdrawal; stratum: above or below 50 years
listed <- transplant[!is.na(transplant$futime) & !is.na(transplant$age), ]
transplant_groups <- with(listed, data.frame(stratum = as.integer(age > 50), group = as.integer(abo), entry = 0,
                                             exit = futime, cause = as.integer(event) - 1))
# months, heavy ties, by decade of age: 1 = plasma cell malignancy, 2 = death without it
mgus_groups <- with(mgus2, data.frame(stratum = as.integer(sex), group = pmin(pmax(age %/% 10, 5), 8), entry = 0,
                                      exit = ifelse(pstat == 0, futime, ptime),
                                      cause = ifelse(pstat == 0, 2 * death, 1)))
# two groups, few people, one of whom is left alone at the end; no second cause in one stratum
small <- data.frame(stratum = rep(1:2, 12), group = rep(1:2, each = 12), entry = 0,
                    exit = c(1, 2, 2, 3, 4, 4, 5, 7, 8, 8, 9, 9, 2, 3, 3, 3, 5, 6, 6, 7, 8, 10, 11, 12),
                    cause = c(1, 0, 1, 2, 1, 1, 0, 2, 1, 0, 2, 1, 2, 0, 1, 2, 1, 0, 2, 1, 2, 1, 0, 1))

results <- list()
data_sets <- list(transplant = transplant_groups, mgus = mgus_groups, small = small)
for (name in names(data_sets)) {
  data <- data_sets[[name]]
  write_data(data, paste0("grouped_causes_", name, ".csv"))
  as_list <- function(tests) {
    causes <- rownames(tests)
    setNames(lapply(causes, function(cause) list(statistic = tests[cause, "stat"], df = tests[cause, "df"])), causes)
  }
  results[[name]] <- list(
    plain = as_list(with(data, cuminc(exit, cause, group))$Tests),
    stratified = as_list(with(data, cuminc(exit, cause, group, strata = stratum))$Tests)
  )
}
write_results(results, "gray_test.json", c("survival", "cmprsk"))
