"""Scans and spectra in files that hold an array and little else: raw, ``.npy``, TIFF.

What the array means comes from a card beside the file, from the study file, or from
the custom of the format (``.npy``: y, x, energy; TIFF: one page per channel).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.axes import AxisInfo, AxisPlan, DetectorChoice, plan_axes, split_axes
from xrfmap.io.card import Card, DetectorCard, card_beside, load_card, looks_like_card
from xrfmap.io.combine import sum_detectors
from xrfmap.io.lazy import lazy_counts, quick_check
from xrfmap.io.merge import grid, merge_instrument, merge_live_time
from xrfmap.io.npy import npy_layout
from xrfmap.io.raw import raw_layout
from xrfmap.io.safe import clean_text, read_head, require_file, safe_path, sha256_of
from xrfmap.io.stored import StoredCounts, check_counts
from xrfmap.io.strided import StridedCounts, read_strided
from xrfmap.io.tiff import tiff_source
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument, ScanEntry

__all__ = [
    "ArrayFile",
    "array_kind",
    "find_array_file",
    "open_array_point",
    "open_array_scan",
    "open_with_detectors",
    "with_scale",
]

_CUSTOM = {
    "npy": ("y", "x", "energy"),
    "tiff": ("energy", "y", "x"),
    "raw": ("y", "x", "energy"),
}


def array_kind(path: Path, card: Card | None) -> str | None:
    """Format of an array file: ``npy``, ``tiff``, ``raw`` (with a card) or ``None``."""
    head = read_head(path, 16)
    if head.startswith(b"\x93NUMPY"):
        return "npy"
    if head[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        return "tiff"
    return "raw" if card is not None and card.type is not None else None


@dataclass(frozen=True)
class ArrayFile:
    """An array file with all that is said of it.

    Parameters
    ----------
    path : Path
        The data.
    kind : str
        Format, see :func:`array_kind`.
    card : Card
        What the card says; an empty card if there is none.
    entry : ScanEntry or None
        What the study file says.
    """

    path: Path
    kind: str
    card: Card
    entry: ScanEntry | None = None

    @property
    def where(self) -> str:
        """Name of the file, for messages."""
        return clean_text(self.path.name)

    def stored(self, detector: DetectorChoice = None, *, rank: int = 3) -> StoredCounts:
        """Stand-in for the counts, in the order (y, x, channel)."""
        require_file(self.path)
        if self.kind == "tiff":
            source = tiff_source(self.path)
            plan = self._plan(source.shape, detector, rank)
            return source.counts(plan)
        if self.kind == "npy":
            layout = npy_layout(self.path)
        else:
            layout = raw_layout(self.path, self.card)
        return StridedCounts(self.path, "", layout, self._plan(layout.shape, detector, rank))

    def _plan(self, shape: tuple[int, ...], detector: DetectorChoice, rank: int) -> AxisPlan:
        axes = self._axes(len(shape))
        if rank == 1 and sum(n > 1 for n in shape) <= 1:
            channel = int(np.argmax(shape))
            picks = tuple((i, 0) for i in range(len(shape)) if i != channel)
            return AxisPlan((None, None, channel), picks)
        return plan_axes(axes, shape, self.where, "", detector)

    def _axes(self, rank: int) -> list[AxisInfo]:
        if self.entry is not None and self.entry.dataset:
            _, given = split_axes(self.entry.dataset, self.where)
            if given is not None:
                return given
        if self.card.axes is not None:
            take = self.card.take
            return [AxisInfo(clean_text(n, 60), pick=take.get(n)) for n in self.card.axes]
        custom = _CUSTOM[self.kind]
        if rank == len(custom):
            return [AxisInfo(name) for name in custom]
        if rank == 2:  # a scan of one line
            return [AxisInfo(name) for name in custom if name != "y"]
        return [AxisInfo()] * rank

    def live_time(
        self, shape: tuple[int, int]
    ) -> tuple[npt.NDArray[np.float64] | float | None, list[str]]:
        """Live time of each pixel [s], from the card and the study file."""
        stored: npt.NDArray[np.float64] | None = None
        if self.card.live_time_file is not None:
            stored = self._plane("live_time_file", "live times in seconds", shape)
        elif self.card.live_time_s is not None:
            stored = np.full(shape, self.card.live_time_s)
        given = None if self.entry is None else self.entry.live_time_s
        return merge_live_time(stored, given, self.where)

    def monitor(self, shape: tuple[int, int]) -> npt.NDArray[np.float64] | None:
        """Strength of the incident beam in each pixel, where the card names a file."""
        if self.card.monitor_file is None:
            return None
        return self._plane("monitor_file", "readings of the beam monitor", shape)

    def _plane(self, field: str, what: str, shape: tuple[int, int]) -> npt.NDArray[np.float64]:
        """Read the small array of shape (y, x) that a field of the card names."""
        path = safe_path(self.path.parent, getattr(self.card, field), field)
        layout = npy_layout(path)
        if layout.shape != shape:
            raise InputError(
                clean_text(path.name),
                found=f"shape {layout.shape}",
                expected=f"shape {shape}, {what}",
                remedy=f"correct {field} in the card",
            )
        with path.open("rb") as stream:
            box = [slice(0, n) for n in shape]
            values = read_strided(stream.fileno(), layout, box, clean_text(path.name))
        return np.asarray(values, dtype=np.float64)

    def energy(self, channels: int) -> npt.NDArray[np.float64] | None:
        """Energy axis [keV], where the card gives a scale."""
        if self.card.zero_kev is None or self.card.kev_per_channel is None:
            return None
        return np.asarray(self.card.zero_kev + self.card.kev_per_channel * np.arange(channels))

    def grid(
        self, shape: tuple[int, int]
    ) -> tuple[npt.NDArray[np.float64] | None, npt.NDArray[np.float64] | None]:
        """Positions y and x [mm], both or neither."""
        own = ScanEntry(
            file=self.path.name, pixel_mm=self.card.pixel_mm, origin_mm=self.card.origin_mm
        )
        y, x = grid(None, None, shape, own, self.where)
        return grid(y, x, shape, self.entry, self.where)

    def instrument(self, said: Instrument | None) -> Instrument:
        """Instrument from the card and the study file."""
        own = self.card.instrument.model_dump(exclude_unset=True)
        return merge_instrument(own, own.pop("detector", {}), said, self.where)


def open_array_scan(
    file: ArrayFile, instrument: Instrument | None = None, detector: DetectorChoice = None
) -> xr.Dataset:
    """Open a scan; the counts stay on disk."""
    stored = file.stored(detector)
    ny, nx, nc = stored.shape
    sha = sha256_of(file.path)
    live, notes = file.live_time((ny, nx))
    y, x = file.grid((ny, nx))
    quick_check(stored)
    return make_scan(
        lazy_counts(stored, f"{sha[:16]}-{stored.plan.picks}"),
        live_time=live,
        real_time=file.card.real_time_s,
        monitor=file.monitor((ny, nx)),
        y=y,
        x=x,
        energy_kev=file.energy(nc),
        instrument=file.instrument(instrument),
        source=file.where,
        source_sha256=sha,
        title=clean_text(file.card.title),
        storage=f"{file.kind}; {stored.dtype}",
        notes=[*stored.plan.notes, *notes],
    ).assign_attrs(detectors=stored.plan.detectors)


def open_array_point(
    file: ArrayFile, live_time_s: float | None = None, instrument: Instrument | None = None
) -> xr.Dataset:
    """Open a point spectrum."""
    stored = file.stored(rank=1)
    if stored.shape[:2] != (1, 1):
        raise InputError(
            file.where,
            found=f"shape {stored.shape}",
            expected="one spectrum",
            remedy="list scans under [[scan]]",
        )
    counts = check_counts(stored[0, 0], file.where)
    return make_scan(
        counts,
        live_time=live_time_s,
        energy_kev=file.energy(counts.size),
        instrument=file.instrument(instrument),
        source=file.where,
        source_sha256=sha256_of(file.path),
        title=clean_text(file.card.title),
        storage=f"{file.kind}; {stored.dtype}",
    )


def find_array_file(path: Path, entry: ScanEntry | None) -> ArrayFile | None:
    """Find an array file with its card, or the data that a card names."""
    if looks_like_card(path):
        card, data = load_card(path)
    else:
        card, data = card_beside(path) or Card(), path
    kind = array_kind(data, card)
    return None if kind is None else ArrayFile(data, kind, card, entry)


def open_with_detectors(
    array: ArrayFile, instrument: Instrument | None, detector: DetectorChoice
) -> xr.Dataset:
    """Open a scan; detectors whose scales the card gives are added up."""
    cards = array.card.detector
    if detector is not None or not cards:
        return open_array_scan(array, instrument, detector)
    used = [i for i, card in enumerate(cards) if card.use]
    plain = len(used) == len(cards) and all(card.zero_kev is None for card in cards)
    first = open_array_scan(array, instrument, "sum" if plain else used[0] if used else 0)
    if int(first.attrs["detectors"]) != len(cards) or not used:
        raise InputError(
            array.where,
            "detector",
            found=f"{len(cards)} detectors in the card, {len(used)} in use",
            expected=f"{first.attrs['detectors']}, as the axis of detectors, one in use at least",
            remedy="write one [[detector]] section for each detector",
        )
    if plain:
        return first
    rest = [open_array_scan(array, instrument, i) for i in used[1:]]
    return sum_detectors(
        [with_scale(ds, cards[i]) for ds, i in zip([first, *rest], used, strict=True)]
    )


def with_scale(ds: xr.Dataset, card: DetectorCard) -> xr.Dataset:
    """Attach the energy scale of a detector, where its card gives one."""
    names = ("zero_kev", "kev_per_channel", "noise_kev", "fano")
    values = {name: getattr(card, name) for name in names}
    return ds if values["zero_kev"] is None else ds.assign_attrs(values)
