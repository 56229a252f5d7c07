# Shared by the reference scripts: where files go, and the record of what made them.
# Run every script from the top of the repository: Rscript tests/reference/<script>.R

suppressPackageStartupMessages(library(survival))
library(jsonlite)

data_file <- function(name) file.path("tests", "reference", "data", name)

write_data <- function(frame, name) {
  write.csv(frame, data_file(name), row.names = FALSE, quote = FALSE)
}

write_results <- function(results, name, packages = "survival") {
  versions <- sapply(packages, function(package) as.character(packageVersion(package)), simplify = FALSE)
  made_by <- c(list(R = paste(R.version$major, R.version$minor, sep = ".")), versions)
  json <- toJSON(list(made_by = made_by, results = results), digits = I(15), auto_unbox = TRUE,
                 na = "null", dataframe = "columns")
  writeLines(json, file.path("tests", "reference", name))
}
