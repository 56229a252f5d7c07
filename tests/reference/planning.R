# Numbers of cases by R's own functions. From the top of the repository: Rscript tests/reference/planning.R
suppressMessages(library(jsonlite))

shares <- list(c(0.5, 0.75, 0.9), c(0.03, 0.05, 0.8), c(0.10, 0.06, 0.8), c(0.005, 0.02, 0.9))
means <- list(c(0.03, 0.06, 0.8), c(0.5, 1, 0.9))
result <- list(
  made_by = R.version.string,
  shares = lapply(shares, function(x) {
    list(first = x[1], second = x[2], power = x[3], n = power.prop.test(p1 = x[1], p2 = x[2], power = x[3])$n)
  }),
  means = lapply(means, function(x) {
    list(difference = x[1], sd = x[2], power = x[3], n = power.t.test(delta = x[1], sd = x[2], power = x[3])$n)
  })
)
write_json(result, "tests/reference/planning.json", auto_unbox = TRUE, digits = 15, pretty = TRUE)
