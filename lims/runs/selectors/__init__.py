"""What may be read of applications, runs and reductions: one module a noun."""
