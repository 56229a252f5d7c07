# Cox regression with ties after Efron, delayed entry, strata, weights and patients as clusters (coxph), its test of
# proportional hazards (cox.zph), Harrell's and Uno's concordance (concordance), and Fine and Gray's model by weights
# (finegray and coxph). Writes data/cox_cgd.csv, cox_heart.csv, cox_myeloma.csv, cox_lung.csv, cox_transplant.csv and
# cox.json.

source("tests/reference/common.R")

fitted <- function(formula, data, case_weight = rep(1, nrow(data)), ...) {
  environment(formula) <- environment()
  fit <- coxph(formula, data = data, weights = case_weight, ties = "efron", model = TRUE,
               control = coxph.control(eps = 1e-12, toler.chol = 1e-13, iter.max = 50), ...)
  naive <- if (is.null(fit$naive.var)) fit$var else fit$naive.var
  zph <- lapply(c(identity = "identity", km = "km"), function(scale) {
    test <- cox.zph(fit, transform = scale)$table
    list(term = rownames(test), chi2 = unname(test[, "chisq"]), df = unname(test[, "df"]), p = unname(test[, "p"]))
  })
  list(coefficient = unname(coef(fit)), standard_error = unname(sqrt(diag(naive))),
       robust = unname(sqrt(diag(fit$var))), log_likelihood = fit$loglik, zph = zph)
}

c_of <- function(fit, data, weight, ...) {
  got <- concordance(fit, newdata = data, timewt = weight, ...)
  list(c = unname(got$concordance), std_error = sqrt(got$var))
}

# infections under chronic granulomatous disease, one row a gap
gaps <- with(cgd, data.frame(patient = id, entry = tstart, exit = tstop, event = status, number = pmin(enum, 3),
                             treated = as.integer(treat == "rIFN-g"), age = age,
                             x_linked = as.integer(inherit == "X-linked"), steroids = steroids))
heart_rows <- with(heart, data.frame(patient = id, entry = start, exit = stop, event = event, surgery = surgery,
                                     age = age, year = year, transplant = as.integer(transplant == 1)))
myeloma_rows <- with(myeloma[myeloma$entry < myeloma$futime, ],
                     data.frame(entry = entry, exit = futime, event = death, year = year - 1980))
myeloma_rows$patient <- seq_len(nrow(myeloma_rows)) %/% 3
lung_rows <- with(lung[!is.na(lung$ph.ecog), ],
                  data.frame(exit = time, event = status - 1, age = age, female = sex - 1, ecog = ph.ecog))
lung_rows$month <- ceiling(lung_rows$exit / 30)
lung_rows$site <- seq_len(nrow(lung_rows)) %% 2
lung_rows$weight <- 1 + (seq_len(nrow(lung_rows)) %% 3)
waiting <- transplant[!is.na(transplant$age) & transplant$futime > 0, ]
waiting <- with(waiting, data.frame(exit = futime, cause = match(event, c("censored", "ltx", "death", "withdraw")) - 1,
                                    age = age, female = as.integer(sex == "f"), type_o = as.integer(abo == "O")))
waiting$cause <- pmin(waiting$cause, 2)

four <- "treated + age + x_linked + steroids"
cluster_fit <- function(left, data, extra = "", right = four) {
  fitted(as.formula(paste(left, "~", right, extra, "+ cluster(patient)")), data)
}
heart_fit <- coxph(Surv(entry, exit, event) ~ age + year + transplant + strata(surgery), data = heart_rows)
lung_fit <- coxph(Surv(exit, event) ~ age + female + ecog, data = lung_rows)
month_fit <- coxph(Surv(month, event) ~ age + female + ecog + strata(site), data = lung_rows)

competing <- waiting
competing$cause <- factor(competing$cause, 0:2, c("censored", "transplanted", "other"))
weighted <- finegray(Surv(exit, cause) ~ ., data = transform(competing, patient = seq_len(nrow(competing))),
                     etype = "transplanted")

write_data(gaps, "cox_cgd.csv")
write_data(heart_rows, "cox_heart.csv")
write_data(myeloma_rows, "cox_myeloma.csv")
write_data(lung_rows, "cox_lung.csv")
write_data(waiting, "cox_transplant.csv")
write_results(
  list(
    cgd_andersen_gill = cluster_fit("Surv(entry, exit, event)", gaps),
    cgd_gap = cluster_fit("Surv(exit - entry, event)", gaps),
    cgd_gap_pwp = cluster_fit("Surv(exit - entry, event)", gaps, "+ strata(number)"),
    cgd_total_pwp = cluster_fit("Surv(entry, exit, event)", gaps, "+ strata(number)"),
    heart = cluster_fit("Surv(entry, exit, event)", heart_rows, "+ strata(surgery)", "age + year + transplant"),
    myeloma = cluster_fit("Surv(entry, exit, event)", myeloma_rows, "", "year"),
    lung = fitted(Surv(exit, event) ~ age + female + ecog, lung_rows, robust = TRUE),
    lung_months = fitted(Surv(month, event) ~ age + female + ecog + strata(site), lung_rows, robust = TRUE),
    lung_weighted = fitted(Surv(month, event) ~ age + female + ecog, lung_rows, case_weight = lung_rows$weight, robust = TRUE),
    lung_terms = fitted(Surv(exit, event) ~ age + female + factor(ecog > 0) + factor(ecog > 1), lung_rows),
    concordance = list(
      lung_harrell = c_of(lung_fit, lung_rows, "n"), lung_uno = c_of(lung_fit, lung_rows, "n/G2"),
      lung_uno_to_500 = c_of(lung_fit, lung_rows, "n/G2", ymax = 500),
      months_harrell = c_of(month_fit, lung_rows, "n"),
      heart_harrell = c_of(heart_fit, heart_rows, "n", cluster = heart_rows$patient)
    ),
    fine_gray = fitted(Surv(fgstart, fgstop, fgstatus) ~ age + female + type_o + cluster(patient), weighted,
                       case_weight = weighted$fgwt)[c("coefficient", "robust")]
  ),
  "cox.json"
)
