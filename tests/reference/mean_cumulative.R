# Mean cumulative number of events that come back, with robust (infinitesimal-jackknife) standard errors.
# Without death: R survfit with id=. With death: put together from survfit's own influence values, and by the package
# mets (recurrentMarginal), which breaks ties within a day and is therefore given times without ties.
# Writes data/cgd.csv, data/bladder.csv, data/bladder_no_ties.csv, data/valve_seats.csv (patient, entry, exit, events,
# died) and mean_cumulative.json.

source("tests/reference/common.R")
suppressPackageStartupMessages(library(mets))

without_death <- function(data) {
  fit <- survfit(Surv(entry, exit, events) ~ 1, data = data, id = patient)
  data.frame(day = fit$time, at_risk = fit$n.risk, events = fit$n.event, mean = fit$cumhaz, std_error = fit$std.chaz)
}

# mu(t) = sum of S(u-) dR(u); a person's influence on it is the sum of S(u-) times the influence on dR(u), plus the
# influence on S(u-) times dR(u)
with_death <- function(data) {
  back <- survfit(Surv(entry, exit, events) ~ 1, data = data, id = patient, influence = 3)
  dead <- survfit(Surv(entry, exit, died) ~ 1, data = data, id = patient, influence = 3)
  stopifnot(all(back$time == dead$time), identical(rownames(back$influence.chaz), rownames(dead$influence.surv)))
  days <- length(back$time)
  alive_before <- c(1, dead$surv[-days])
  step <- diff(c(0, back$cumhaz))
  influence_step <- back$influence.chaz - cbind(0, back$influence.chaz[, -days])
  influence_before <- cbind(0, dead$influence.surv[, -days])
  steps <- sweep(influence_step, 2, alive_before, "*") + sweep(influence_before, 2, step, "*")
  influence <- t(apply(steps, 1, cumsum))
  data.frame(day = back$time, mean = cumsum(alive_before * step), std_error = sqrt(colSums(influence^2)),
             alive = dead$surv)
}

with_death_by_mets <- function(data) {
  marginal <- recurrentMarginal(phreg(Surv(entry, exit, events) ~ cluster(patient), data = data),
                                phreg(Surv(entry, exit, died) ~ cluster(patient), data = data))
  data.frame(day = marginal$times, mean = as.numeric(marginal$mu), std_error = as.numeric(marginal$se.mu))
}

cgd_days <- with(cgd, data.frame(patient = id, entry = tstart, exit = tstop, events = status, died = 0))
# recurrences of bladder tumours in months; two people seen for no time are left out
bladder <- with(bladder1[bladder1$start < bladder1$stop, ],
                data.frame(patient = id, entry = start, exit = stop, events = as.integer(status == 1),
                           died = as.integer(status >= 2)))
no_ties <- bladder
ending <- with(no_ties, ifelse(events == 1, 1, ifelse(died == 1, 2, 3)))
no_ties$exit[order(bladder$exit, ending)] <- seq_len(nrow(bladder))
no_ties$entry <- with(no_ties, ave(exit, patient, FUN = function(exits) c(0, exits[-length(exits)])))

# replacements of valve seats in 41 engines, days; 327 means engine 327
replaced <- list(
  "251" = 761, "252" = 759, "327" = c(98, 667), "328" = c(326, 653, 653, 667), "329" = 665, "330" = c(84, 667),
  "331" = c(87, 663), "389" = c(646, 653), "390" = c(92, 653), "391" = 651, "392" = c(258, 328, 377, 621, 650),
  "393" = c(61, 539, 648), "394" = c(254, 276, 298, 640, 644), "395" = c(76, 538, 642), "396" = c(635, 641),
  "397" = c(349, 404, 561, 649), "398" = 631, "399" = 596, "400" = c(120, 479, 614), "401" = c(323, 449, 582),
  "402" = c(139, 139, 589), "403" = 593, "404" = c(573, 589), "405" = c(165, 408, 604, 606), "406" = c(249, 594),
  "407" = c(344, 497, 613), "408" = c(265, 586, 595), "409" = c(166, 206, 348, 389), "410" = 601,
  "411" = c(410, 581, 601), "412" = 611, "413" = 608, "414" = 587, "415" = c(367, 603),
  "416" = c(202, 563, 570, 585), "417" = 587, "418" = 578, "419" = 578, "420" = 586, "421" = 585, "422" = 582
)
valve_seats <- do.call(rbind, lapply(names(replaced), function(engine) {
  days <- replaced[[engine]]
  data.frame(patient = as.integer(engine), entry = c(0, days[-length(days)]), exit = days,
             events = c(rep(1, length(days) - 1), 0), died = 0)
}))
stopifnot(length(replaced) == 41, sum(valve_seats$events) == 48)
# R takes no second event of one engine on one day: the first of them is given a little earlier
apart <- valve_seats
second <- which(apart$entry == apart$exit)
apart$entry[second] <- apart$exit[second - 1] <- apart$exit[second] - 0.25
in_r <- without_death(apart)
last_of_day <- !duplicated(ceiling(in_r$day), fromLast = TRUE)
valve_seats_by_r <- transform(in_r, day = ceiling(day))[last_of_day, c("day", "mean", "std_error")]
# written as counts: two on one day are one row
valve_seats <- aggregate(events ~ patient + exit, data = valve_seats, FUN = sum)
valve_seats <- valve_seats[order(valve_seats$patient, valve_seats$exit), ]
valve_seats$entry <- with(valve_seats, ave(exit, patient, FUN = function(exits) c(0, exits[-length(exits)])))
valve_seats <- data.frame(valve_seats[, c("patient", "entry", "exit", "events")], died = 0)

for (name in c("cgd_days", "bladder", "no_ties", "valve_seats")) {
  file <- c(cgd_days = "cgd", bladder = "bladder", no_ties = "bladder_no_ties", valve_seats = "valve_seats")[[name]]
  write_data(get(name), paste0(file, ".csv"))
}
write_results(
  list(cgd = without_death(cgd_days), bladder = without_death(bladder), valve_seats = valve_seats_by_r,
       bladder_with_death = with_death(bladder), bladder_no_ties_with_death = with_death(no_ties),
       bladder_no_ties_with_death_by_mets = with_death_by_mets(no_ties)),
  "mean_cumulative.json", c("survival", "mets")
)
