"""Mass per area and mass fractions by fundamental parameters."""
