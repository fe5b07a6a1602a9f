"""Propose a card for a block of numbers that nobody has described.

A map of a painting gives itself away: neighbouring pixels have like spectra, and rows
lie on like rows. So a wrong type makes huge numbers, a wrong number of channels tears
spectra apart, and a wrong width shears the picture. Each step keeps the few readings
that fit best, and the final mark is the likeness of neighbours in the picture of the
total counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.card import Card
from xrfmap.io.raw import raw_layout
from xrfmap.io.safe import clean_text, require_file
from xrfmap.io.strided import Number, read_strided
from xrfmap.numbers import whole

__all__ = ["Guess", "card_text", "guess_cards", "picture_text"]

TYPES = ("uint8", "uint16", "uint24", "uint32", "uint64", "float32", "float64")
SAMPLE = 1 << 21  # numbers looked at for repetition; a row of 500 pixels of 4096 channels
PICTURE_BYTES = 8 << 20  # read at most for the picture of one reading
MAX_HEADER = 1 << 16
CHANNELS = (128, 256, 512, 1000, 1024, 2000, 2048, 4096, 8192)
LEAST_MARK = 0.3  # noise stays below 0.1; common practice, no source
SLIVER = 8  # longer scans than 8:1 are not proposed; common practice, no source
ORDERS = (("y", "x", "energy"), ("energy", "y", "x"), ("y", "energy", "x"))
SHADES = " .:-=+*#%@"


@dataclass(frozen=True)
class Guess:
    """One reading of a block.

    Parameters
    ----------
    card : Card
        What to write beside the data.
    mark : float
        Likeness of neighbours times sharpness of the spectrum, from 0 (noise) to 1.
    picture : ndarray, shape (y, x)
        Total counts, over a part of the channels for large files.
    because : str
        Why, in plain words.
    sharp : float
        Contrast of spectrum and picture; a wrong number of channels or a wrong order of
        the axes blurs them.
    """

    card: Card
    mark: float
    picture: npt.NDArray[np.float64]
    because: str
    sharp: float


def guess_cards(path: Path, most: int = 3) -> list[Guess]:
    """Propose readings of an unknown block, the likeliest first.

    Parameters
    ----------
    path : Path
        The data.
    most : int
        Number of readings given back.

    Returns
    -------
    list of Guess
        At most `most`, each with a picture to look at. A guess is no knowledge: compare
        the picture with the painting.

    Raises
    ------
    InputError
        If no reading looks like a scan.
    """
    size = require_file(path).stat().st_size
    found: list[Guess] = []
    seen: set[tuple[Any, ...]] = set()
    for type_name, byte_order in _types(path, size):
        number = Number.named(type_name, byte_order)
        for order, shape, header in _shapes(path, size, number):
            key = (type_name, byte_order, order, shape)
            sides = sorted(n for name, n in zip(order, shape, strict=True) if name != "energy")
            if key in seen or sides[1] > SLIVER * sides[0]:
                continue
            seen.add(key)
            card = Card(
                type=type_name,
                byte_order=byte_order,
                header_bytes=header,
                axes=list(order),
                shape=list(shape),
            )
            found.append(_judge(path, card))
    found = _ranked([g for g in found if g.mark > LEAST_MARK])
    if not found:
        raise InputError(
            clean_text(path.name),
            found=f"{whole(size)} bytes in which no picture shows",
            expected="a block of plain numbers, not packed",
            remedy="ask for an export in an open format, or write the card by hand",
        )
    return found[:most]


def _ranked(found: list[Guess]) -> list[Guess]:
    """Sort, with the mark of readings lowered that are blurred beside the sharpest one."""
    best = max((g.mark for g in found), default=0.0)
    sharpest = max((g.sharp for g in found if g.mark > 0.8 * best), default=1.0)
    lowered = [replace(g, mark=g.mark * min(1.0, g.sharp / sharpest)) for g in found]
    return sorted(lowered, key=lambda g: -g.mark)


def _read(path: Path, at: int, count: int, number: Number) -> npt.NDArray[np.float64]:
    with path.open("rb") as stream:
        stream.seek(at)
        raw = np.frombuffer(stream.read(count * number.width), dtype=np.uint8)
    whole = raw.size // number.width
    values = number.decode(raw[: whole * number.width].reshape(whole, number.width))
    with np.errstate(invalid="ignore"):  # bytes that are no real number give NaN here
        return values.astype(np.float64)


def _types(path: Path, size: int) -> list[tuple[str, Any]]:
    """Types whose numbers look like counts: few bits for their width, the widest of equals."""
    costs: list[tuple[float, int, str, str]] = []
    for name in TYPES:
        for byte_order in ("little", "big") if name != "uint8" else ("little",):
            number = Number.named(name, byte_order)
            # a whole number of values lies between any header and the end
            start = min(MAX_HEADER, size // 4)
            start += (size - start) % number.width
            values = _read(path, start, 1 << 18, number)
            cost = _bits(values, number)
            if cost is not None:
                costs.append((cost, number.width, name, byte_order))
    if not costs:
        return []
    least = min(c[0] for c in costs)
    near = [c for c in costs if c[0] <= 1.15 * least + 0.02]
    near.sort(key=lambda c: (-c[1], c[0]))
    return [(name, order) for _, _, name, order in near[:3]]


def _bits(values: npt.NDArray[np.float64], number: Number) -> float | None:
    """Mean bits of a number per byte of its width; ``None`` if these are no counts."""
    if values.size < 1000 or not np.isfinite(values).all() or values.min() < 0:
        return None
    if not values.any() or values.max() > 1e9:
        return None
    if number.kind == "f" and (values[values > 0].min() < 1e-6):
        return None  # integers read as real numbers come out near zero
    return float(np.log2(1 + values).mean()) / number.width


def _shapes(
    path: Path, size: int, number: Number
) -> Iterator[tuple[tuple[str, ...], tuple[int, ...], int]]:
    """Orders, shapes and headers in which the numbers repeat themselves."""
    total = size // number.width
    start = min(MAX_HEADER, size // 4)
    start += (size - start) % number.width
    values = np.sqrt(_read(path, start, SAMPLE, number))  # evens out the Poisson noise
    periods = _periods(values)
    for channels in sorted({*CHANNELS, *periods}):
        if 64 <= channels <= total // 9:
            yield from _by_pixel(path, size, number, channels)
    for columns in periods:
        if 3 <= columns <= total // (64 * 3):
            yield from _by_plane(size, number, columns)


def _periods(values: npt.NDArray[np.float64], most: int = 8) -> list[int]:
    """Lags at which a series is like itself, without their multiples."""
    likeness = _autocorrelation(values)
    size = likeness.size
    peaks = [
        k
        for k in range(3, size - 1)
        if likeness[k] > 0.1 and likeness[k] >= likeness[k - 1] and likeness[k] > likeness[k + 1]
    ]
    kept: list[int] = []
    for lag in sorted(peaks, key=lambda k: -likeness[k])[:400]:
        # a multiple, or a neighbour, of a lag that is as good says nothing new
        near = any(abs(lag - round(lag / k) * k) <= 1 for k in kept if k > 2)
        if not near:
            kept.append(lag)
        if len(kept) == most:
            break
    return kept


def _autocorrelation(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Correlation of a series with itself, for lags up to half its length."""
    centred = values - values.mean()
    power = np.abs(np.fft.rfft(centred, 2 * centred.size)) ** 2
    raw = np.fft.irfft(power)[: centred.size // 2]
    count = centred.size - np.arange(raw.size)
    scale = raw[0] / centred.size if raw[0] > 0 else 1.0
    return np.asarray(raw / count / scale)


def _by_pixel(
    path: Path, size: int, number: Number, channels: int
) -> Iterator[tuple[tuple[str, ...], tuple[int, ...], int]]:
    """Propose readings with the spectra one after the other."""
    step = channels * number.width
    pixels = size // step
    header = size - pixels * step
    if header > MAX_HEADER or pixels < 9:
        return
    part = min(pixels, max(1, SAMPLE * 8 // channels))
    sums = _read(path, header, part * channels, number).reshape(-1, channels).sum(axis=1)
    for columns in [k for k in _periods(np.sqrt(sums), 4) if k >= 3]:
        rows, rest = divmod(pixels, columns)
        extra = header + rest * step
        if rows >= 3 and extra <= MAX_HEADER:
            yield ORDERS[0], (rows, columns, channels), extra
    for columns, rows in _factors(pixels):
        yield ORDERS[0], (rows, columns, channels), header


def _factors(pixels: int) -> list[tuple[int, int]]:
    """Widths and heights of pictures that are neither stripes nor slivers."""
    return [
        (w, pixels // w)
        for w in range(max(3, math.isqrt(pixels) // 3), math.isqrt(pixels) * 3 + 1)
        if pixels % w == 0 and pixels // w >= 3
    ][:12]


def _by_plane(
    size: int, number: Number, columns: int
) -> Iterator[tuple[tuple[str, ...], tuple[int, ...], int]]:
    """Propose readings with one image, or one channel of a row, after the other."""
    for channels in CHANNELS:
        step = columns * channels * number.width
        rows = size // step
        header = size - rows * step
        if rows >= 3 and header <= MAX_HEADER:
            yield ORDERS[1], (channels, rows, columns), header
            yield ORDERS[2], (rows, channels, columns), header


def _judge(path: Path, card: Card) -> Guess:
    picture, spectrum = _picture(path, card)
    image, line = np.sqrt(picture), np.sqrt(spectrum)
    rows, columns = _likeness(image[1:], image[:-1]), _likeness(image[:, 1:], image[:, :-1])
    # numbers of half the true width leave every other channel empty
    smooth = max(0.0, _likeness(line[1:], line[:-1]))
    mark = min(rows, columns) * smooth
    words = f"neighbouring rows are {max(rows, 0):.0%} alike and columns {max(columns, 0):.0%}"
    half = image.shape[1] // 2
    doubled = _likeness(image[:, :half], image[:, half : 2 * half]) > 0.9 * rows
    if _likeness(line[: line.size // 2], line[line.size // 2 : line.size // 2 * 2]) > 0.9:
        mark -= 0.3
        words += "; but both halves of the spectrum are alike"
    elif doubled:
        mark -= 0.3
        words += "; but both halves of the picture are alike"
    if card.header_bytes:
        mark -= 0.02  # no header is the simpler reading of equals
    # a wrong height of planes smears the picture as well
    sharp = smooth * _contrast(line) * _contrast(image)
    return Guess(card, float(np.clip(mark, 0, 1)), picture, words, sharp)


def _contrast(values: npt.NDArray[np.float64]) -> float:
    return float(values.std() / values.mean()) if values.any() else 0.0


def _likeness(a: npt.NDArray[np.float64], b: npt.NDArray[np.float64]) -> float:
    a, b = a - a.mean(), b - b.mean()
    size = float(np.sqrt((a**2).sum() * (b**2).sum()))
    return float((a * b).sum()) / size if size > 0 else 0.0


def _picture(path: Path, card: Card) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Total counts of each pixel and each channel, from a part of a large file."""
    layout = raw_layout(path, card)
    axes = list(card.axes or [])
    order = [axes.index(n) for n in ("y", "x", "energy")]
    ny, nx, nc = (layout.shape[i] for i in order)
    rows = min(ny, max(3, PICTURE_BYTES // max(1, nx * nc * layout.number.width)))
    picture, spectrum = np.zeros((rows, nx)), np.zeros(nc)
    step = max(1, (16 << 20) // (nx * nc * layout.number.width))
    with path.open("rb") as stream:
        for top in range(0, rows, step):
            box = [slice(0, n) for n in layout.shape]
            box[order[0]] = slice(top, min(rows, top + step))
            block = read_strided(stream.fileno(), layout, box, clean_text(path.name))
            cube = block.transpose(order)
            picture[top : top + step] = cube.sum(axis=2, dtype=np.float64)
            spectrum += cube.sum(axis=(0, 1), dtype=np.float64)
    return picture, spectrum


def card_text(card: Card) -> str:
    """TOML text of a proposed card.

    Parameters
    ----------
    card : Card
        From :func:`guess_cards`.

    Returns
    -------
    str
        To be written beside the data, with ``.toml`` added to its name.
    """
    names = ", ".join(f'"{name}"' for name in card.axes or [])
    lines = [f'type = "{card.type}"', f'byte_order = "{card.byte_order}"']
    if card.header_bytes:
        lines.append(f"header_bytes = {card.header_bytes}")
    lines += [f"axes = [{names}]", f"shape = {card.shape}"]
    return "\n".join(lines) + "\n"


def picture_text(picture: npt.NDArray[np.float64], width: int = 72) -> str:
    """Small picture in characters, dark to bright, for a terminal.

    Parameters
    ----------
    picture : ndarray, shape (y, x)
        Any values.
    width : int
        Characters in a line; a character is taken to be twice as high as wide.

    Returns
    -------
    str
        Lines of equal length.
    """
    ny, nx = picture.shape
    columns = min(width, nx)
    rows = max(1, min(ny, round(ny * columns / nx / 2)))
    across = np.linspace(0, nx, columns + 1).astype(int)[:-1]
    down = np.linspace(0, ny, rows + 1).astype(int)[:-1]
    small = np.add.reduceat(np.add.reduceat(picture, down, axis=0), across, axis=1)
    area = np.diff([*down, ny])[:, None] * np.diff([*across, nx])
    mean = small / area
    low, high = np.percentile(mean, [2, 98])
    place = np.clip((mean - low) / (high - low if high > low else 1), 0, 1)
    shade = np.rint(place * (len(SHADES) - 1)).astype(int)
    return "\n".join("".join(SHADES[i] for i in row) for row in shade)
