"""Fair comparison: what a surgeon's patients had, beside what other surgeons' patients of the same case-mix had."""
