"""Which elements a scan or a spectrum holds: in its sum, in like pixels, in a few pixels."""

from __future__ import annotations

from collections.abc import Sequence

import xarray as xr

from xrfmap.identification.identify import Found, elements_of_sum
from xrfmap.io.blocks import Runner
from xrfmap.maps.like_pixels import add_of_like_pixels
from xrfmap.maps.traces import add_traces

__all__ = ["find_elements"]


def find_elements(
    scan: xr.Dataset,
    elements: Sequence[str] | None = None,
    *,
    energy_range: tuple[float, float] | None = None,
    local: bool = True,
    runner: Runner | None = None,
) -> Found:
    """Find the elements of a calibrated scan or point spectrum.

    Parameters
    ----------
    scan : Dataset
        With ``counts`` of dims (y, x, channel) or (channel,) and an energy scale in its
        attributes, see :func:`xrfmap.calibrate`.
    elements : sequence of str, optional
        Elements to take as given.
    energy_range : tuple of float, optional
        Fitted range [keV]; 1.5 keV to the tube voltage or the last channel by default.
    local : bool
        Whether to look for elements that only some pixels hold.
    runner : Runner, optional
        Who computes on pixels: this process by default, or a cluster.

    Returns
    -------
    Found
        Verdict per element, and the model for :func:`xrfmap.map_elements`.

    Raises
    ------
    ValueError
        If the scan has no energy scale.
    InputError
        If there are no counts.
    """
    found = elements_of_sum(scan, elements, energy_range=energy_range)
    if elements is not None or not local or scan["counts"].ndim == 1:
        return found
    return add_traces(scan, add_of_like_pixels(scan, found), runner=runner)
