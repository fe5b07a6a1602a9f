"""Sums of a scan, and the model of a spectrum: columns of line families, fitted and refined."""
