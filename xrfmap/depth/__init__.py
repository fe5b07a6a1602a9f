"""What lies above what, from the ratios of lines of different energy."""
