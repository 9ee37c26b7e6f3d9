"""What may be done with applications, runs and reductions: one module a noun."""
