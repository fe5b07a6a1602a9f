"""The chance to find an element, against dwell time and cover."""
