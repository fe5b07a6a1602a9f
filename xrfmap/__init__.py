"""X-ray fluorescence scans of paintings: element maps, pigments and dates."""

__version__ = "0.1.0"
