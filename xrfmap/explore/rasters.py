"""Maps of a scan as they stand on the page: values, stretch, unit, and a caption."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.explore.bench import Bench
from xrfmap.explore.markup import clean
from xrfmap.explore.subject import Subject
from xrfmap.io.safe import safe_path
from xrfmap.numbers import whole
from xrfmap.report import fields, style
from xrfmap.report.overlay import for_screen, lay_on, place
from xrfmap.report.words import number, share
from xrfmap.spectra.flicker import exposure

__all__ = ["Pictures", "Raster", "mixture", "ordered", "raster", "strongest", "window"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Raster:
    """One map, ready to be shown.

    Attributes
    ----------
    title : str
        What it shows.
    values : ndarray, shape (rows, columns)
        In the order of the page; NaN where there is no measurement. [unit]
    low, high : float
        Values of the darkest and lightest colour.
    unit : str
        Of the values.
    caption : str
        HTML, escaped.
    """

    title: str
    values: Array
    low: float
    high: float
    unit: str
    caption: str


def _made(title: str, values: Array, unit: str, said: Sequence[str]) -> Raster:
    span = fields.stretch(values)
    missing = int(np.count_nonzero(~np.isfinite(values)))
    words = [*said]
    if missing:
        words.append(f"{whole(missing)} pixels without a measurement in turquoise")
    caption = clean("; ".join(words) + "." if words else "")
    return Raster(title, values, span.low, span.high, unit, caption)


def raster(bench: Bench, name: str) -> Raster | None:
    """Map of a family, of all counts or of the misfit; None until it is known."""
    maps, bands = bench.maps, bench.bands
    if name == "total_counts" and bands is not None:
        # not freed of the beam, so that it can be seen in them, as in the report
        bare = bench.scan.drop_vars("beam", errors="ignore")
        return _rate(bench, bare, "all counts", bands.total, ["sum over all channels"])
    if maps is None:
        return None
    if name in ("total_counts", "deviance_per_dof"):
        title = "all counts" if name == "total_counts" else "misfit"
        shown = fields.scalar_field(maps, name, title, "" if title == "misfit" else "counts")
        words = "deviance per degree of freedom: near 1 where the fit describes the pixel"
        return _made(title, shown.values, shown.unit, [words] if title == "misfit" else [])
    if name not in bench.families:
        return None
    shown, found = fields.field(maps, name), fields.limits(maps, name)
    said = [
        f"seen in {share(found.share)} of the pixels",
        f"detection limit {number(found.limit)} {found.unit} (median)",
    ]
    return _made(name, shown.values, shown.unit, said)


def _rate(bench: Bench, scan: xr.Dataset, title: str, counts: Array, said: Sequence[str]) -> Raster:
    """Show counts as a rate where the live time is known, at the usual strength of the beam."""
    time, upright = exposure(scan), bench.frame.upright
    if time is None:
        return _made(title, upright(counts), "counts", said)
    words = fields.beam_words(scan)
    said = [*said, *([words[0].lower() + words[1:].rstrip(".")] if words else [])]
    unit = "counts/s" if time.attrs["units"] == "s" else "counts"
    return _made(title, upright(counts / time.values), unit, said)


def window(bench: Bench, counts: Array, ends: tuple[float, float], exact: bool) -> Raster:
    """Map of an energy window; the caption says what it is not."""
    unit = "keV" if bench.energy is not None else "channels"
    title = f"{number(ends[0], 4)} to {number(ends[1], 4)} {unit}"
    said = ["all counts in the window, background and overlaps included"]
    if not exact:
        said.append("first from bands of channels, to be counted exactly")
    return _rate(bench, bench.scan, title, counts, said)


def ordered(maps: xr.Dataset) -> list[str]:
    """Families by element, the heavier later, as people look for them."""
    from xrfmap.elements import atomic_number

    names = [str(name) for name in maps["line"].values]
    return sorted(names, key=lambda name: (atomic_number(name.split()[0]), name))


def strongest(maps: xr.Dataset, most: int) -> list[str]:
    """Families to begin with: the strongest one of each element that varies over the scan."""
    sums: dict[str, tuple[float, str]] = {}
    for name in fields.line_labels(maps):
        values = fields.field(maps, name).values
        spread = float(np.nanpercentile(values, 99) - np.nanpercentile(values, 20))
        symbol = name.split()[0]
        sums[symbol] = max(sums.get(symbol, (-1.0, name)), (spread, name))
    best = sorted(sums.values(), reverse=True)[:most]
    return [name for _, name in best]


def mixture(maps: xr.Dataset, names: Sequence[str]) -> tuple[str, Array, str]:
    """Up to three families in one picture: title, picture, caption as HTML."""
    from xrfmap.report.figures.composite import composite_image

    picture = composite_image(maps, list(names))
    swatches = "".join(
        f'<span class="swatch" style="background:{ink}"></span>{clean(name)}'
        for name, ink in zip(names, style.COMPOSITE_INKS, strict=False)
    )
    caption = f"{swatches}<br>Each stretched on its own; mixed colours mean several families."
    return " + ".join(names), np.asarray(picture), caption


class Pictures:
    """Photographs and other pictures of a study, laid on the scan when asked for.

    Parameters
    ----------
    subject : Subject
        The study, if there is one.
    grid : Grid
        The scan.
    """

    def __init__(self, subject: Subject, grid: fields.Grid) -> None:
        self._subject, self._grid = subject, grid
        images = subject.study.image if subject.study is not None else []
        self.names = [f"{n}: {entry.kind}" for n, entry in enumerate(images, 1)]
        self._kept: dict[str, tuple[npt.NDArray[np.uint8], str]] = {}

    def get(self, name: str) -> tuple[npt.NDArray[np.uint8], str]:
        """Picture over the field of the scan with its opacity, and how it was placed.

        Raises
        ------
        InputError
            If the file or its control points cannot be used.
        """
        from xrfmap.io.images import read_image

        study, path = self._subject.study, self._subject.study_path
        if study is None or path is None or name not in self.names:
            raise ValueError(f"no picture {name!r}")
        if name not in self._kept:
            number_of = self.names.index(name)
            entry = study.image[number_of]
            file = safe_path(path.parent, entry.file, f"image[{number_of + 1}].file")
            picture, shrunk = for_screen(read_image(file))
            points = [
                (px * shrunk, py * shrunk, x, y) for px, py, x, y in entry.control_points or []
            ]
            size = picture.shape[1], picture.shape[0]
            about = study.object
            placement = place(points, size, self._grid, (about.width_mm, about.height_mm),
                              entry.file)  # fmt: skip
            self._kept[name] = lay_on(picture, placement, self._grid), placement.words
        return self._kept[name]
