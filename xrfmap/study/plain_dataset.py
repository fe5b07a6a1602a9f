"""Small Datasets as plain values, for records in JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

__all__ = ["dataset_from_json", "dataset_to_json"]


def dataset_to_json(ds: xr.Dataset) -> dict[str, Any]:
    """Turn a small Dataset into plain values; numbers keep every digit.

    Parameters
    ----------
    ds : Dataset
        In memory, or small enough to be.

    Returns
    -------
    dict
        Nested lists and texts; NaN stays NaN.
    """
    return dict(json.loads(json.dumps(ds.to_dict(), default=_plain)))


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    raise TypeError(f"a {type(value).__name__} cannot be kept")


def dataset_from_json(value: Mapping[str, Any]) -> xr.Dataset:
    """Return what :func:`dataset_to_json` was given."""
    return xr.Dataset.from_dict(dict(value))
