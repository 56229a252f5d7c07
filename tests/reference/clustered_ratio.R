# Ratio of sums with linearised between-cluster variance, straight from the residuals, with t limits.
# Reads data/cities.csv (population of 49 cities in thousands, 1920 and 1930); writes clustered_ratio.json.

source("tests/reference/common.R")

ratio <- function(y, x, level = 0.95) {
  m <- length(y)
  estimate <- sum(y) / sum(x)
  std_error <- sqrt(m / (m - 1) * sum((y - estimate * x)^2)) / sum(x)
  t <- qt((1 + level) / 2, m - 1)
  limits <- if (estimate < 1) {
    plogis(qlogis(estimate) + c(-1, 1) * t * std_error / (estimate * (1 - estimate)))
  } else {
    estimate + c(-1, 1) * t * std_error
  }
  data.frame(estimate = estimate, std_error = std_error, lower = limits[1], upper = limits[2])
}

cities <- read.csv(data_file("cities.csv"))
results <- list(
  above_one = ratio(cities$in_1930, cities$in_1920),
  below_one = ratio(cities$in_1920, cities$in_1930),
  below_one_first_ten_90 = ratio(cities$in_1920[1:10], cities$in_1930[1:10], level = 0.9)
)
write_results(results, "clustered_ratio.json")
