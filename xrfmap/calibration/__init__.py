"""Channel to keV and peak width from the data alone, with uncertainty and drift."""
