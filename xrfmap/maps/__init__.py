"""Element maps of a whole scan, and elements that only a few pixels hold."""
