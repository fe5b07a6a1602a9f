"""What a pixel says, family by family, in numbers and words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from xrfmap.maps.element_maps import PIXEL_FIELDS
from xrfmap.report.words import number, with_error

__all__ = ["Reading", "pixel_reading", "place_words"]


@dataclass(frozen=True)
class Reading:
    """One family in one pixel.

    Attributes
    ----------
    family : str
        ``"Pb L"``.
    net, err : float
        Net counts and standard error; NaN where the pixel has no usable fit. [counts]
    state : {"seen", "not seen", "no fit"}
        Above the decision threshold or not.
    words : str
        The statement that goes with it.
    """

    family: str
    net: float
    err: float
    state: str
    words: str

    @property
    def value(self) -> str:
        """Net counts with error, as text."""
        return with_error(self.net, self.err)


def pixel_reading(
    maps: xr.Dataset, row: int, column: int, families: Sequence[str]
) -> list[Reading]:
    """Read some families in one pixel.

    Parameters
    ----------
    maps : Dataset
        Element maps, dims line, y, x.
    row, column : int
        Pixel in the order of the Dataset.
    families : sequence of str
        Labels; those that the maps lack are left out.

    Returns
    -------
    list of Reading
        Where a family is not seen, the words give the 95 % upper limit; with a limit of
        detection beside it nobody takes a small number for an absence.
    """
    lines = [str(label) for label in maps["line"].values]
    here = maps.isel(y=row, x=column)  # of large maps, which stay in a file, no more is read
    values = {name: here[name].values for name in PIXEL_FIELDS}
    usable = bool(maps["fit_ok"].values[row, column]) if "fit_ok" in maps else True
    found = []
    for family in families:
        if family not in lines:
            continue
        at = lines.index(family)
        net, err, high, threshold, limit = (float(values[name][at]) for name in PIXEL_FIELDS)
        if not usable or not np.isfinite(net):
            found.append(Reading(family, np.nan, np.nan, "no fit", "no usable fit in this pixel"))
        elif net > threshold:
            words = f"seen (above {number(threshold)})"
            found.append(Reading(family, net, err, "seen", words))
        else:
            words = f"not seen: fewer than {number(high)}; sure from {number(limit)}"
            found.append(Reading(family, net, err, "not seen", words))
    return found


def place_words(x: float, y: float, unit: str) -> str:
    """Position for reading, to a hundredth of a millimetre at most."""
    return f"x {round(x, 2):g}, y {round(y, 2):g} {unit}"
