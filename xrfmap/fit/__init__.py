"""Poisson maximum likelihood of pixels, with errors, thresholds and limits."""
