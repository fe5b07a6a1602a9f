"""Scans and spectra with known truth, for tests, planning and the demo."""
