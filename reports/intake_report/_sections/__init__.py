"""The parts of the report of an intake, one module each: counts in, words and pictures out."""
