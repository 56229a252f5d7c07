# Log-rank tests by R survdiff, trend from its excesses and variance; where entry is delayed, by mantelhaen.test over
# one table a day, and without ties also by the score test of coxph. Writes data/grouped_<name>.csv (stratum, group, entry, exit, event) and
# log_rank.json.

source("tests/reference/common.R")

by_survdiff <- function(data, strata = FALSE) {
  test <- if (strata) survdiff(Surv(exit, event) ~ group + strata(stratum), data = data)
          else survdiff(Surv(exit, event) ~ group, data = data)
  total <- function(part) if (is.matrix(part)) rowSums(part) else as.numeric(part)
  excess <- total(test$obs) - total(test$exp)
  score <- sort(unique(data$group))
  list(observed = total(test$obs), expected = total(test$exp), statistic = test$chisq,
       trend = sum(score * excess)^2 / drop(score %*% test$var %*% score))
}

# score test of the Cox model: the same test where no events tie
by_score <- function(data) {
  score_test <- function(right_hand) {
    formula <- as.formula(paste("Surv(entry, exit, event) ~", right_hand))
    unname(suppressWarnings(coxph(formula, data = data, ties = "breslow", iter.max = 0))$score)
  }
  list(statistic = score_test("factor(group)"), trend = score_test("group"),
       stratified = score_test("factor(group) + strata(stratum)"),
       trend_stratified = score_test("group + strata(stratum)"))
}

# Mantel-Haenszel test over one table (group by event or not) a day, of those at risk: the same test, ties or not
by_mantel_haenszel <- function(data, strata = FALSE) {
  groups <- sort(unique(data$group))
  tables <- list()
  for (stratum in if (strata) unique(data$stratum) else NA) {
    some <- if (is.na(stratum)) data else data[data$stratum == stratum, ]
    for (day in sort(unique(some$exit[some$event == 1]))) {
      at_risk <- some[some$entry < day & day <= some$exit, ]
      if (nrow(at_risk) > 1) {
        happened <- at_risk$exit == day & at_risk$event == 1
        tables[[length(tables) + 1]] <- table(factor(at_risk$group, groups), factor(happened, c(TRUE, FALSE)))
      }
    }
  }
  unname(mantelhaen.test(array(unlist(tables), c(length(groups), 2, length(tables))), correct = FALSE)$statistic)
}

lung_groups <- with(lung[!is.na(lung$ph.ecog) & lung$ph.ecog < 3, ],
                    data.frame(stratum = sex, group = ph.ecog, entry = 0, exit = time,
                               event = as.integer(status == 2)))
# deaths only
colon_groups <- with(colon[colon$etype == 2, ],
                     data.frame(stratum = node4, group = as.integer(rx), entry = 0, exit = time, event = status))
# months make heavy ties; decade of age as group
mgus_groups <- with(mgus2, data.frame(stratum = as.integer(sex), group = pmin(pmax(age %/% 10, 5), 8), entry = 0,
                                      exit = futime, event = death))
# delayed entry; by year of diagnosis, in three groups
usable <- myeloma[myeloma$entry < myeloma$futime & myeloma$id %% 3 == 0, ]
myeloma_groups <- with(usable, data.frame(stratum = id %% 2, group = cut(year, c(0, 75, 85, 99), labels = FALSE),
                                          entry = entry, exit = futime, event = death))
# remission under 6-mercaptopurine (2) or placebo (1), weeks
six_mp <- read.csv(data_file("six_mp.csv"))
placebo <- c(1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23)
remission <- rbind(data.frame(stratum = rep(1:3, 7), group = 1, entry = 0, exit = placebo, event = 1),
                   data.frame(stratum = rep(1:3, 7), group = 2, six_mp))

# the same in hundredths of a day, so that no events tie
apart <- transform(myeloma_groups, entry = 100 * entry, exit = 100 * exit)
apart$exit <- with(apart, ifelse(event == 1, exit - ave(exit, exit, FUN = seq_along), exit))
stopifnot(!anyDuplicated(apart$exit[apart$event == 1]), all(apart$entry < apart$exit))

data_sets <- list(lung = lung_groups, colon = colon_groups, mgus = mgus_groups, myeloma = myeloma_groups,
                  myeloma_no_ties = apart, remission = remission)
results <- list()
for (name in names(data_sets)) {
  data <- data_sets[[name]]
  write_data(data, paste0("grouped_", name, ".csv"))
  results[[name]] <- if (all(data$entry == 0)) {
    list(plain = by_survdiff(data), stratified = by_survdiff(data, strata = TRUE))
  } else {
    list(plain = by_mantel_haenszel(data), stratified = by_mantel_haenszel(data, strata = TRUE),
         score = if (name == "myeloma_no_ties") by_score(data))
  }
}
write_results(results, "log_rank.json")
