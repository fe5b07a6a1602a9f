"""Lay a picture on a scan without control points, by the edges that both show.

Edges survive where brightness does not: a red robe is bright in mercury and dark in lead.
A coarse search over scale, turn and shift compares the edges of all maps together with those
of the picture; blocks are then matched one by one, and the placement is fitted to them. The
blocks also tell the error: each is predicted from the others. A picture of something else is
refused: its mirror image, which cannot be right, would match as well, or the blocks disagree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import gaussian_filter, map_coordinates, sobel

from xrfmap.errors import InputError
from xrfmap.numbers import whole
from xrfmap.pictures.register import Placement, affine, field_of, place

__all__ = ["align", "edges_of_maps"]

Array = npt.NDArray[np.float64]

COARSE = 40  # points on the longer side of the scan in the coarse search
SCALES = tuple(1.06**k for k in range(-12, 9))  # of the first guess: half to 1.6 times
TURNS_DEG = (-6.0, -3.0, 0.0, 3.0, 6.0)
QUARTERS = (0, 1, 2, 3)
KEEP = 6  # best coarse placements that are refined
DECOY = 1.25  # the right way round must match so much better than the mirror image
AGREE = 0.5  # share of the blocks that must fall within a point of one placement
LEAST_BLOCKS = 6  # three parameters a direction, and as many to check them
LEAST_MATCH = 0.2  # correlation of the edges of a block with those of the picture


def edges_of_maps(maps: xr.Dataset) -> Array:
    """Strength of edges in all maps together.

    Parameters
    ----------
    maps : Dataset
        ``net_counts`` and ``net_counts_err`` over line, y, x.

    Returns
    -------
    ndarray, shape (y, x)
        Root of the summed squares of steps in units of their noise, compressed; upright,
        with y and x growing.
    """
    ordered = maps.sortby(["y", "x"])
    total = np.zeros((ordered.sizes["y"], ordered.sizes["x"]))
    for line in range(ordered.sizes["line"]):
        one = ordered.isel(line=line)
        values = np.nan_to_num(np.asarray(one["net_counts"].transpose("y", "x"), dtype=float))
        noise = np.asarray(one["net_counts_err"].transpose("y", "x"), dtype=float)
        level = np.sqrt(np.nanmean(noise**2))
        if not level > 0:
            continue
        # a smoothed step of white noise has 0.2 of its spread; the soft bound keeps one
        # strong element from hiding all others
        step = _steps(gaussian_filter(values, 0.8)) / (0.2 * level)
        strong = np.quantile(step, 0.98)
        if strong > 4:
            total += np.maximum(step**2 - 8, 0) / (strong**2 + 30)
    return _compressed(np.sqrt(total))


def _steps(values: Array) -> Array:
    return np.asarray(np.hypot(sobel(values, 0), sobel(values, 1)) / 8)


def _compressed(edges: Array) -> Array:
    high = np.quantile(edges, 0.98)
    return np.asarray(np.sqrt(np.minimum(edges / high, 1.5)) if high > 0 else edges)


class _Picture:
    """Bands of a picture in even steps, ready to be drawn on any grid."""

    def __init__(self, picture: npt.NDArray[np.generic]) -> None:
        from skimage.color import rgb2lab

        values = np.asarray(picture)
        largest = float(np.iinfo(values.dtype).max) if values.dtype.kind in "ui" else 1.0
        values = np.nan_to_num(values.astype(np.float64) / largest)
        bands = rgb2lab(np.clip(values, 0, 1)) if values.ndim == 3 else values[..., None]
        self._take([np.asarray(b) for b in np.moveaxis(bands, 2, 0)])

    def _take(self, bands: list[Array]) -> None:
        self.bands, self.shape = bands, bands[0].shape
        self._soft: tuple[float, list[Array]] | None = None

    def smaller(self, by: int) -> _Picture:
        """Means over squares; its placements are those of the whole divided by `by`."""
        rows, columns = (n // by for n in self.shape)
        made = object.__new__(_Picture)
        made._take(
            [
                b[: rows * by, : columns * by].reshape(rows, by, columns, by).mean(axis=(1, 3))
                for b in self.bands
            ]
        )
        return made

    def mirrored(self) -> _Picture:
        """Turn the picture left for right."""
        made = object.__new__(_Picture)
        made._take([b[:, ::-1] for b in self.bands])
        return made

    def edges(self, matrix: Array, x: Array, y: Array, step: float) -> Array:
        """Edges at places x (columns) and y (rows), `step` apart; zero outside."""
        spot = 0.42 * float(np.sqrt(abs(np.linalg.det(matrix[:, :2])))) * step
        if self._soft is None or abs(np.log(spot / self._soft[0])) > 0.15:
            self._soft = spot, [gaussian_filter(b, spot) for b in self.bands]
        across = matrix[0, 0] * x[None, :] + matrix[0, 1] * y[:, None] + matrix[0, 2] - 0.5
        down = matrix[1, 0] * x[None, :] + matrix[1, 1] * y[:, None] + matrix[1, 2] - 0.5
        on = (across >= 0) & (across <= self.shape[1] - 1)
        on &= (down >= 0) & (down <= self.shape[0] - 1)
        total = np.zeros(across.shape)
        for band in self._soft[1]:
            drawn = map_coordinates(band, [down, across], order=1, mode="nearest")
            total += _steps(gaussian_filter(drawn, 0.5)) ** 2
        return _compressed(np.where(on, np.sqrt(total), 0.0))


@dataclass(frozen=True, eq=False)
class _Scan:
    edges: Array
    x: Array
    y: Array
    step: float

    def coarser(self, by: int) -> _Scan:
        if by == 1:
            return self
        rows, columns = (n // by for n in self.edges.shape)
        cut = self.edges[: rows * by, : columns * by]
        soft = cut.reshape(rows, by, columns, by).mean(axis=(1, 3))
        x, y = (
            v[: n * by].reshape(n, by).mean(axis=1) for v, n in ((self.x, columns), (self.y, rows))
        )
        return _Scan(soft, x, y, self.step * by)


def align(
    picture: npt.NDArray[np.generic],
    maps: xr.Dataset,
    object_mm: tuple[float | None, float | None] = (None, None),
    name: str = "picture",
) -> Placement:
    """Find where a picture lies on a scan from the edges that both show.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns) or (rows, columns, 3)
        Photograph, infrared image or radiograph.
    maps : Dataset
        Element maps with errors.
    object_mm : tuple of float or None
        Width and height of the object [mm], for a first guess of the scale; half to 1.6
        times of it are searched, any quarter turn, and six degrees on either side of them.
    name : str
        Name of the picture, for messages.

    Returns
    -------
    Placement
        Affine; its error is the root mean square distance by which a block of the scan is
        missed when it is placed by the others.

    Raises
    ------
    InputError
        If no placement stands out, or the blocks do not agree on one: give control points.
    """
    ordered = maps.sortby(["y", "x"])
    x, y = (np.asarray(ordered[v].values, dtype=np.float64) for v in ("x", "y"))
    if min(x.size, y.size) < 24:
        raise _refused(
            name, f"a scan of {whole(x.size)} x {whole(y.size)} points, too few to compare edges"
        )
    step = float(np.mean([np.median(np.diff(v)) for v in (x, y)]))
    scan = _Scan(edges_of_maps(ordered), x, y, step)
    if not np.any(scan.edges > 0):
        raise _refused(name, "element maps without edges above their noise")
    seen = _Picture(picture)
    size = seen.shape[1], seen.shape[0]
    first = place(None, size, field_of(ordered), object_mm, name).matrix
    by = max(1, round(max(scan.edges.shape) / COARSE))
    small = scan.coarser(by)
    zoom = float(np.sqrt(abs(np.linalg.det(first[:, :2]))))  # pixels of the picture per unit
    shrink = max(1, int(zoom * small.step / 4))
    little = seen.smaller(shrink)
    candidates = [(m, shrink * a) for m, a in _coarse(small, little, zoom / shrink)]
    decoy = _coarse(small, little.mirrored(), zoom / shrink)[0][0]
    if candidates[0][0] < DECOY * decoy:
        raise _refused(
            name,
            f"no placement that matches better than chance ({candidates[0][0]:.2f} against "
            f"{decoy:.2f} of the mirror image)",
        )
    best: _Fitted | None = None
    for _, matrix in candidates:
        fitted = _refined(scan, seen, matrix)
        if fitted is not None and (best is None or fitted.score > best.score):
            best = fitted
        if best is not None and best.used > 0.8 * best.blocks:
            break  # nothing else can agree as well
    if best is None:
        raise _refused(name, "blocks of the scan that do not agree on one placement")
    unit = field_of(ordered).unit
    words = (
        f"aligned by the edges in {best.used} of {best.blocks} blocks of the scan, with an error "
        f"of {best.error:.2g} {unit} at blocks left out in turn (root mean square)"
    )
    return Placement(best.matrix, words, best.error, "automatic")


def _refused(name: str, found: str) -> InputError:
    return InputError(
        name, "alignment", found=found, expected="edges that picture and element maps share",
        remedy="check that it shows the scanned part, or give control_points in the study file",
    )  # fmt: skip


def _match(wide: Array, small: Array) -> Array:
    """Normalised correlation of a small field with every part of a wide one."""
    from skimage.feature import match_template

    return np.asarray(match_template(wide, small))  # type: ignore[no-untyped-call,unused-ignore]


def _coarse(scan: _Scan, seen: _Picture, zoom: float) -> list[tuple[float, Array]]:
    """Best placements over quarter turns, turns, scales and all shifts."""
    found: list[tuple[float, Array]] = []
    template = scan.edges
    tall, wide = template.shape
    turns = [90 * quarter + turn for quarter in QUARTERS for turn in TURNS_DEG]
    for scale in SCALES:  # outermost, since the softening of the picture depends on it alone
        for angle in np.radians(turns):
            rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
            linear = zoom * scale * rotation
            x, y = _cover(linear, seen.shape, scan.step, (tall, wide))
            if x.size < wide or y.size < tall:
                continue
            drawn = seen.edges(np.column_stack([linear, [0.0, 0.0]]), x, y, scan.step)
            match = _match(drawn, template)
            row, column = np.unravel_index(int(np.argmax(match)), match.shape)
            # place (scan.x[0], scan.y[0]) of the scan lies at (x[column], y[row])
            shift = linear @ (np.array([x[column], y[row]]) - [scan.x[0], scan.y[0]])
            found.append((float(match[row, column]), np.column_stack([linear, shift])))
    if not found:
        return [(0.0, np.column_stack([zoom * np.eye(2), [0.0, 0.0]]))]
    found.sort(key=lambda pair: -pair[0])
    return found[:KEEP]


def _cover(
    linear: Array, shape: Sequence[int], step: float, template: tuple[int, int]
) -> tuple[Array, Array]:
    """Places that cover the whole picture and a quarter of a scan around it."""
    corners = np.array([[0, 0], [shape[1], 0], [0, shape[0]], [shape[1], shape[0]]], dtype=float)
    places = np.linalg.solve(linear, corners.T).T
    low, high = places.min(axis=0), places.max(axis=0)
    margin = np.array([template[1], template[0]]) * step / 4
    x = np.arange(low[0] - margin[0], high[0] + margin[0], step)
    y = np.arange(low[1] - margin[1], high[1] + margin[1], step)
    return x, y


@dataclass(frozen=True, eq=False)
class _Fitted:
    matrix: Array
    error: float
    used: int
    blocks: int
    score: float


def _refined(scan: _Scan, seen: _Picture, matrix: Array) -> _Fitted | None:
    """Fit of a placement to blocks, with ever shorter reach."""
    side = int(np.clip(min(scan.edges.shape) // 4, 12, 48))
    fitted = None
    for reach in (max(4, side // 3), max(3, side // 6), 3, 3):
        places, shifts, match = _block_shifts(scan, seen, matrix, side, reach)
        if len(places) < LEAST_BLOCKS:
            return None
        pixels = (places + shifts) @ matrix[:, :2].T + matrix[:, 2]
        keep = _agreeing(places, shifts, scan.step * max(1.0, reach / 4))
        if keep.sum() < max(LEAST_BLOCKS, AGREE * len(places)):
            return None
        made = affine(places[keep], pixels[keep], match[keep])
        if made is None or np.linalg.cond(made[:, :2]) > 1.3:
            return None  # a camera does not stretch a picture by a third
        left = places[keep] - np.linalg.solve(made[:, :2], (pixels[keep] - made[:, 2]).T).T
        matrix = made
        fitted = _Fitted(
            made, _left_out_error(places[keep], left, match[keep]), int(keep.sum()), len(places),
            float(keep.sum() * match[keep].mean()),
        )  # fmt: skip
    return fitted


def _left_out_error(places: Array, left: Array, weights: Array) -> float:
    design = np.column_stack([places, np.ones(len(places))]) * np.sqrt(weights)[:, None]
    leverage = np.sum(np.linalg.qr(design)[0] ** 2, axis=1)
    missed = left / np.maximum(1 - leverage, 0.05)[:, None]
    return float(np.sqrt(np.mean(np.sum(missed**2, axis=1))))


def _agreeing(places: Array, shifts: Array, slack: float) -> npt.NDArray[np.bool_]:
    """Blocks near the affine motion that most of them share, from triples drawn by lot."""
    rng = np.random.default_rng(5)
    best = np.zeros(len(places), dtype=bool)
    for _ in range(200):
        three = rng.choice(len(places), 3, replace=False)
        made = affine(places[three], places[three] + shifts[three])
        if made is None:
            continue
        miss = places + shifts - (places @ made[:, :2].T + made[:, 2])
        near = np.hypot(*miss.T) < slack
        if near.sum() > best.sum():
            best = near
    return best


def _block_shifts(
    scan: _Scan, seen: _Picture, matrix: Array, side: int, reach: int
) -> tuple[Array, Array, Array]:
    """Centres of blocks, how far each must move to match, and how well it then matches."""
    pad = np.arange(1, reach + 1) * scan.step
    x = np.concatenate([scan.x[0] - pad[::-1], scan.x, scan.x[-1] + pad])
    y = np.concatenate([scan.y[0] - pad[::-1], scan.y, scan.y[-1] + pad])
    drawn = seen.edges(matrix, x, y, scan.step)
    busy = 0.5 * scan.edges.std()
    centres, shifts, quality = [], [], []
    rows, columns = scan.edges.shape
    for top in _starts(rows, side):
        for left in _starts(columns, side):
            block = scan.edges[top : top + side, left : left + side]
            around = drawn[top : top + side + 2 * reach, left : left + side + 2 * reach]
            if block.std() < busy or around.std() == 0:
                continue
            match = _match(around, block)
            row, column = np.unravel_index(int(np.argmax(match)), match.shape)
            inner = 0 < row < match.shape[0] - 1 and 0 < column < match.shape[1] - 1
            if not inner or match[row, column] < LEAST_MATCH:
                continue
            down = _vertex(match[row - 1 : row + 2, column])
            across = _vertex(match[row, column - 1 : column + 2])
            centres.append(
                (scan.x[0] + (left + (side - 1) / 2) * scan.step,
                 scan.y[0] + (top + (side - 1) / 2) * scan.step)
            )  # fmt: skip
            shifts.append(((column + across - reach) * scan.step, (row + down - reach) * scan.step))
            quality.append(float(match[row, column]))
    return np.array(centres), np.array(shifts), np.array(quality)


def _starts(length: int, side: int) -> list[int]:
    count = max(2, round(1.5 * length / side))  # a third of overlap
    return sorted({int(v) for v in np.linspace(0, length - side, count)})


def _vertex(three: Array) -> float:
    """Top of the parabola through three values, from the middle one."""
    bend = three[0] - 2 * three[1] + three[2]
    return float(np.clip(0.5 * (three[0] - three[2]) / bend, -0.5, 0.5)) if bend < 0 else 0.0
