"""Which energy scale to take: found from the lines, or else the one the file states."""

from __future__ import annotations

import numpy as np
import xarray as xr

from xrfmap.calibration.calibrate import calibrate
from xrfmap.errors import CalibrationError
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.scan import SCALE_ATTRS, linear_scale
from xrfmap.spectra.row_scales import drift_attrs, with_drift_attrs

__all__ = [
    "scale_attrs", "scale_or_stated", "stated_scale_notes", "stated_scale_words", "with_scale",
]  # fmt: skip


def scale_or_stated(data: xr.Dataset) -> xr.Dataset:
    """Calibrate from the data; where they show too little, take the file's own scale.

    Parameters
    ----------
    data : Dataset
        Scan or point spectrum.

    Returns
    -------
    Dataset
        As from :func:`xrfmap.calibrate`. Where the file's scale was taken,
        ``calibration_from`` is ``"file"``, ``calibration_refused`` says why, and the
        peak width is a usual value.

    Raises
    ------
    CalibrationError
        If the data give no scale and the file states none.
    """
    try:
        return calibrate(data)
    except CalibrationError as bad:
        if "energy" not in data.coords:
            raise CalibrationError(f"{data.attrs.get('source') or 'spectrum'}: {bad}") from None
        scale = EnergyScale(*linear_scale(data["energy"].values))
        reason = {
            "calibration_because": "stated by the file",
            "calibration_from": "file",
            "calibration_refused": str(bad),
        }
        return with_scale(data, {**scale.to_attrs(), **reason})


def stated_scale_words(refused: str) -> str:
    """Say that a scale is the one a file states, and why: ``calibration_refused``."""
    return (
        "the energy scale is the one its file states, since the spectrum gives none "
        f"({refused}); peak widths are usual values"
    )


def stated_scale_notes(data: xr.Dataset) -> list[str]:
    """List what to know of the scale of data from :func:`scale_or_stated`: nothing, or one note."""
    if data.attrs.get("calibration_from") != "file":
        return []
    return [stated_scale_words(str(data.attrs["calibration_refused"]))]


def with_scale(data: xr.Dataset, attrs: dict[str, object]) -> xr.Dataset:
    """Give data the energy scale that attributes hold.

    Parameters
    ----------
    data : Dataset
        Scan or point spectrum.
    attrs : dict
        From :func:`scale_attrs`.

    Returns
    -------
    Dataset
        With coordinate ``energy`` [keV] and the attributes.
    """
    energy = EnergyScale.from_attrs(attrs).energy(np.arange(data.sizes["channel"]))
    result = data.assign_coords(energy=("channel", energy, {"units": "keV"})).assign_attrs(attrs)
    return with_drift_attrs(result)


def scale_attrs(data: xr.Dataset) -> dict[str, object]:
    """Attributes of calibrated data that hold the scale, its drift and the reasons for both."""
    numbers = {*SCALE_ATTRS, *(f"{name}_err" for name in SCALE_ATTRS)}
    return drift_attrs(data) | {
        str(name): value
        for name, value in data.attrs.items()
        if name in numbers or str(name).startswith("calibration_") or name == "anode"
    }
