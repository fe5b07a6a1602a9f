"""Photographs and radiographs laid on a scan, and what the visible picture does not explain."""
